"""If this fails, an engine's standard scenes do not test what they say, or a bad start passes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sparktick.host_sim.engine_library import load_loop
from sparktick.host_sim.engine_model import model_of
from sparktick.host_sim.engine_scenes import (
    SceneResult,
    heat_factors,
    play,
    play_all,
    play_starts,
    standard_scenes,
)
from sparktick.host_sim.manifest import read_manifest

from .engines import described


@pytest.fixture(scope="module")
def results(plover: Path) -> dict[str, SceneResult]:
    return {result.scene.name: result for result in play_all(plover, described("plover"))}


def test_every_scene_of_plover_holds(results: dict[str, SceneResult]) -> None:
    assert set(results) == {"idle", "misfires", "load", "throttle", "restart", "top"}
    for result in results.values():
        assert result.passed, [check for check in result.checks if not check.passed]


def test_scenes_do_what_they_say(results: dict[str, SceneResult]) -> None:
    top = results["throttle"].run.turns.mean_rpm[1:]
    assert top.max() > 7000.0
    load = results["load"].run.turns
    assert load.mean_rpm[load.end_s > 6.0].min() < 0.95 * load.mean_rpm[1:].max()
    rest = results["restart"].run.motion
    assert rest is not None
    assert float(rest.speed_at(np.array([5.9]))[0]) == 0.0
    assert results["restart"].run.turns.mean_rpm[-1] > 1000.0
    assert (results["misfires"].run.sparks.lit > 0).sum() > 80


def test_errors_at_the_top_are_small(results: dict[str, SceneResult]) -> None:
    assert results["top"].worst_deg <= 0.1
    assert len(results["top"].error_deg) > 300


def test_a_seed_repeats_a_scene(plover: Path) -> None:
    engine = described("plover")
    model = model_of(engine)
    scene = standard_scenes(engine, model)[0]
    library, manifest = load_loop(plover), read_manifest(plover)
    first, again, other = (
        play(library, manifest, model, scene, seed=seed).error_deg for seed in (3, 3, 4)
    )
    np.testing.assert_array_equal(first, again)
    assert len(first) != len(other) or not np.array_equal(first, other)


def test_starts_of_plover_hold(plover: Path) -> None:
    engine = described("plover")
    found = play_starts(
        load_loop(plover), read_manifest(plover), engine, model_of(engine), count=100
    )
    assert found.passed
    assert found.as_dict()["count"] == 100


def test_misfires_come_as_told() -> None:
    factors = heat_factors(1, misfire_every=10, count=100)
    assert np.flatnonzero(factors == 0.0).tolist() == list(range(9, 100, 10))


def test_result_as_json_names_its_units(results: dict[str, SceneResult]) -> None:
    document = results["idle"].as_dict()
    assert document["worst_error_deg"] == round(results["idle"].worst_deg, 4)
    assert {check["name"] for check in document["checks"]} == {
        "kick_backs",
        "invariants",
        "start_advance",
        "refused_edges",
        "lost_lock",
    }
