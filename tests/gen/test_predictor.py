"""If this fails, the predictor written into a plan is not the one that suits the engine."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import sparktick.examples
from sparktick.gen.board import load_board
from sparktick.gen.design import Design, design
from sparktick.gen.engine import Engine, parse_text
from sparktick.gen.errors import RunError
from sparktick.gen.pipeline import make_plan
from sparktick.gen.predictor import (
    ARC_COMPUTED_DEG,
    PREDICTORS,
    Choice,
    choose,
    choose_predictor,
)
from sparktick.gen.turning import STEADY

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))
PLOVER = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")


def built(text: str = PLOVER, *changes: tuple[str, str]) -> tuple[Engine, Design]:
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    engine = parse_text(text)
    return engine, design(engine, load_board(engine.board.name))


def chosen(*changes: tuple[str, str]) -> Choice:
    return choose(*built(PLOVER, *changes))


@pytest.fixture(scope="module")
def plover() -> Choice:
    return chosen()


def test_plover_is_timed_by_the_like_stroke_and_its_own_arc(plover: Choice) -> None:
    assert (plover.predictor, plover.arc_timing) == ("same-stroke", True)
    assert not plover.overridden


def test_bars_at_idle_and_top(plover: Choice) -> None:
    best = "same-stroke + arc"
    idle, top = plover.worst_exact_deg["idle"], plover.worst_exact_deg["top"]
    assert plover.irregularity >= 0.10
    assert idle[best] <= 1.0
    assert idle["last"] >= 4.0 * idle[best]
    assert top[best] <= 0.1


def test_no_true_edge_is_refused(plover: Choice) -> None:
    assert plover.refused_edges == 0
    assert "refuse no true edge" in plover.reason


def test_reason_names_every_candidate_with_its_figures(plover: Choice) -> None:
    for name in PREDICTORS:
        assert name in plover.reason
    assert f"{plover.worst_deg['idle']['last']:.2f}" in plover.reason


def test_the_choice_has_the_least_worst_error(plover: Choice) -> None:
    most = {
        label: max(plover.worst_deg[scene][label] for scene in STEADY)
        for label in plover.worst_deg["idle"]
    }
    assert most["same-stroke + arc"] == min(most.values())


def test_same_engine_same_choice(plover: Choice) -> None:
    again = choose_predictor(make_plan(EXAMPLES / "plover.toml"))
    assert again.worst_deg == plover.worst_deg
    np.testing.assert_array_equal(again.errors_deg["last"], plover.errors_deg["last"])


def test_a_heavy_flywheel_needs_nothing_clever() -> None:
    found = chosen(("flywheel_inertia_kg_m2 = 2.5e-3", "flywheel_inertia_kg_m2 = 0.3"))
    assert found.irregularity < 0.01
    assert found.predictor == "last"


def test_user_overrides() -> None:
    found = chosen(("[plug]", '[prediction]\npredictor = "trend"\n\n[plug]'))
    assert found.predictor == "trend"
    assert found.overridden
    assert 'predictor = "trend" keeps trend' in found.reason


def test_gate_is_computed_when_the_description_leaves_it_out(plover: Choice) -> None:
    line = "max_accel_rpm_per_s = 8000      # sets how wide the gate around the next pulse is\n"
    found = chosen((line, ""))
    assert found.refused_edges == 0
    assert 500.0 < found.gate_accel_rpm_per_s < 50_000.0
    assert plover.gate_accel_rpm_per_s == 8000.0


def test_a_narrow_arc_check_is_said_to_refuse_true_edges() -> None:
    found = chosen(("[plug]", "[noise]\narc_tolerance_percent = 5.0\n\n[plug]"))
    assert found.arc_need_part > 0.1
    found_wide = chosen()
    assert found_wide.arc_tolerance >= found_wide.arc_need_part
    assert found.refused_edges == 0 or "refused" in found.reason


def test_an_arc_from_the_magnet_is_not_timed_by() -> None:
    engine, designed = built((EXAMPLES / "teal.toml").read_text(encoding="utf-8"))
    found = choose(engine, designed)
    assert not found.arc_timing
    assert f"arc known to {ARC_COMPUTED_DEG:g} deg" in found.reason
    exact = found.worst_exact_deg["top"]["same-stroke + arc"]
    assert found.worst_deg["top"]["same-stroke + arc"] > exact + 0.5


def test_a_computed_arc_is_said_to_be_worth_measuring() -> None:
    text = (EXAMPLES / "teal.toml").read_text(encoding="utf-8")
    engine, designed = built(text)
    reason = choose(engine, designed).reason
    assert "give it as [pickup] arc_deg" in reason
    promised = float(reason.rpartition(" to ")[2].split()[0])
    measured = f"arc_deg = {designed.arc_deg:.3f}\nmagnet_diameter_mm"
    found = choose(*built(text.replace("magnet_diameter_mm", measured, 1)))
    label = found.predictor + (" + arc" if found.arc_timing else "")
    assert f"{label} brings" in reason
    now = max(found.worst_deg[scene][label] for scene in STEADY)
    assert now == pytest.approx(promised, abs=0.01)
    assert "measure it" not in found.reason


def test_an_engine_that_cannot_reach_its_top_is_an_error() -> None:
    with pytest.raises(RunError, match=r"\[engine\] top_rpm = 8000"):
        chosen(("strokes = 4\n", "strokes = 4\nfriction_nm = 8.0\n"), ('"hand"', '"drill"'))
