"""If this fails, the proposed place of the magnet does not work, or a better one is overlooked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import sparktick.examples
from sparktick.gen.board import load_board
from sparktick.gen.design import design
from sparktick.gen.engine import Engine, read_engine
from sparktick.gen.errors import SparktickError
from sparktick.gen.magnet_place import Placement, place_magnet, start_costs, start_sparks
from sparktick.gen.plan import quantise
from sparktick.gen.render import manifest_of

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))


def engine(name: str = "plover", **pickup: float) -> Engine:
    read = read_engine(EXAMPLES / f"{name}.toml")
    return read.model_copy(update={"pickup": read.pickup.model_copy(update=pickup)})


@pytest.fixture(scope="module")
def plover() -> Placement:
    return place_magnet(engine(), free_arc=False)


def test_best_place_lies_in_a_window_of_working_places(plover: Placement) -> None:
    least, most = plover.window_deg_btdc
    assert least <= plover.best.lead_deg_btdc <= most
    inside = [place for place in plover.places if least <= place.lead_deg_btdc <= most]
    assert inside
    assert all(place.works for place in inside)
    beyond = [p for p in plover.places if p.lead_deg_btdc in (least - 2.0, most + 2.0)]
    assert not any(place.works for place in beyond)


def test_best_place_can_be_planned(plover: Placement) -> None:
    moved = engine(lead_edge_deg_btdc=plover.best.lead_deg_btdc)
    board = load_board(moved.board.name)
    assert quantise(design(moved, board)).table_bound_deg < 0.02


def test_no_working_place_is_better(plover: Placement) -> None:
    assert plover.best.score == min(place.score for place in plover.places)
    assert plover.described.works
    assert plover.best.score <= plover.described.score


def test_too_late_a_place_is_refused_with_the_plans_own_words(plover: Placement) -> None:
    late = next(place for place in plover.places if place.lead_deg_btdc == 40.0)
    assert not late.works
    assert "too late for 30 deg BTDC at 8500 rpm" in late.why_not


def test_too_early_a_place_sparks_late_at_the_start(plover: Placement) -> None:
    early = next(place for place in plover.places if place.lead_deg_btdc == 100.0)
    assert not early.works
    assert "start sparks would come" in early.why_not
    assert early.latest_start_deg_atdc > plover.best.latest_start_deg_atdc


def test_start_sparks_are_those_of_the_manifest() -> None:
    board = load_board("nano-328p")
    designed = design(engine(), board)
    plan = quantise(designed)
    rpm, deg = start_sparks(designed, plan)
    points = np.array(manifest_of(designed, plan)["start"]["steady"])
    points = points[points[:, 0] <= designed.start.below_rpm]
    np.testing.assert_allclose(np.interp(points[:, 0], rpm, deg), points[:, 1], atol=0.5)


def test_a_free_arc_is_never_worse_and_helps_a_narrow_magnet() -> None:
    narrow = place_magnet(engine(arc_deg=20.0))
    assert narrow.two_magnets is not None
    assert narrow.two_magnets.score <= narrow.best.score
    assert narrow.two_magnets_help
    assert narrow.two_magnets.arc_deg > 20.0


def test_a_magnet_too_narrow_for_the_chip_has_no_place() -> None:
    with pytest.raises(SparktickError, match="no place for the magnet works; at most of"):
        place_magnet(engine(arc_deg=6.0), free_arc=False)


def test_a_narrow_magnet_costs_a_late_start() -> None:
    costs = {cost.what: cost for cost in start_costs(engine())}
    narrow, edge = costs["narrow magnet, 15 deg"], costs["trail edge at the start advance"]
    assert narrow.floor_rpm > edge.floor_rpm
    assert narrow.deg_btdc.min() < edge.deg_btdc.min() - 5.0
    assert costs["as described"].deg_btdc.max() <= 4.0 + 0.1


def test_driven_starters_get_the_allowance_too() -> None:
    found = place_magnet(engine("teal"), free_arc=False)
    assert found.best.works
    assert found.best.start_deg_btdc.max() <= 6.0 + 0.1
    assert found.best.start_deg_btdc.min() < 0.0  # a drill that helps: late, never early
