"""If this fails, a proposed curve is unsafe, contradicts its model, or hides where it is from."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import sparktick.examples
from sparktick.gen.burn import FUELS, burn_of
from sparktick.gen.cli import cli
from sparktick.gen.engine import parse_text, read_engine
from sparktick.gen.errors import SparktickError
from sparktick.gen.slider_crank import Cylinder
from sparktick.gen.suggest import HOW_TO_FIND, Suggestion, suggest, suggest_for

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))
SIZE = ["--bore-mm", "33", "--stroke-mm", "29", "--ratio", "7.5"]
SPEEDS = ["--idle-rpm", "1100", "--top-rpm", "8000"]


def cylinder(ratio: float = 7.5, rod_m: float = 0.058) -> Cylinder:
    return Cylinder(0.033, 0.029, rod_m, ratio, 135.0)


def proposed(**changes: object) -> Suggestion:
    values: dict[str, object] = {
        "strokes": 4,
        "fuel": "petrol",
        "idle_rpm": 1100.0,
        "top_rpm": 8000.0,
        "starter": "hand",
        "starter_rpm": 250.0,
    }
    given = changes.pop("cylinder", cylinder())
    return suggest(given, **{**values, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_the_proposed_advance_section_is_a_valid_description(name: str) -> None:
    text = (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    found = suggest_for(read_engine(EXAMPLES / f"{name}.toml"))
    text = text.replace("lead_edge_deg_btdc = 70.0", "lead_edge_deg_btdc = 80.0")
    begin, end = text.index("[advance]"), text.index("[coil]")
    parse_text(text[:begin] + found.toml() + "\n" + text[end:])


def test_it_begins_below_the_model_everywhere() -> None:
    found = proposed()
    for (rpm, low), (same, deg) in zip(found.begin_curve, found.curve, strict=True):
        assert rpm == same
        assert low <= deg - 4.5 or low == found.start_deg_btdc
        assert low >= found.start_deg_btdc


def test_half_is_burnt_8_to_10_deg_after_dead_centre() -> None:
    burn = burn_of(cylinder(), FUELS["petrol"], strokes=4)
    for rpm, deg in proposed().curve:
        mark = float(burn.half_deg(rpm)) - deg
        assert 8.0 <= mark <= 10.0


def test_curve_rises_with_speed_and_ends_at_the_top() -> None:
    speeds, degrees = (np.array(column) for column in zip(*proposed().curve, strict=True))
    assert np.all(np.diff(speeds) > 0.0)
    assert np.all(np.diff(degrees) >= 0.0)
    assert speeds[-1] == 8000.0


@pytest.mark.parametrize("starter", ["hand", "cord", "drill", "belt"])
def test_start_advance_never_reaches_the_refused_range(starter: str) -> None:
    found = proposed(starter=starter, starter_rpm=1200.0)
    assert 0.0 <= found.start_deg_btdc <= (5.0 if starter in ("hand", "cord") else 8.0)


def test_slower_fuels_want_more_advance() -> None:
    last = {fuel: proposed(fuel=fuel).curve[-1][1] for fuel in FUELS}
    assert last["petrol"] >= last["methanol"]
    assert max(last.values()) <= 45.0


def test_every_constant_has_a_source() -> None:
    constants = proposed().constants
    assert len(constants) >= 12
    assert all(one.source and one.name and one.unit for one in constants)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"fuel": "coal"}, "fuel"),
        ({"starter": "foot"}, "starter"),
        ({"top_rpm": 1200.0}, "top_rpm"),
        ({"cylinder": cylinder(ratio=1.0)}, "compression_ratio"),
        ({"cylinder": cylinder(rod_m=0.014)}, "rod_mm"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_bad_input_names_its_key(change: dict[str, object], key: str) -> None:
    with pytest.raises(SparktickError, match=key):
        proposed(**change)


def test_command_prints_the_warning_the_lines_and_the_way() -> None:
    result = CliRunner().invoke(cli, ["suggest", *SIZE, *SPEEDS])
    assert result.exit_code == 0
    assert "starting point" in result.output
    assert "begin below" in result.output
    assert "[advance]" in result.output
    assert "no source" in result.output
    for step in HOW_TO_FIND:
        assert step.split(".")[0] in result.output


def test_command_as_json() -> None:
    result = CliRunner().invoke(cli, ["suggest", str(EXAMPLES / "plover.toml"), "--json"])
    document = json.loads(result.output)
    assert document["command"] == "suggest"
    assert document["starting_point_only"] is True
    assert {"name", "value", "unit", "source"} == set(document["constants"][0])


def test_command_says_what_is_missing() -> None:
    result = CliRunner().invoke(cli, ["suggest", "--bore-mm", "33"])
    assert result.exit_code == 2
    assert "--stroke-mm" in result.output
