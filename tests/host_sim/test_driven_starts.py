"""If this fails: an engine started by a drill sparks too early, or a slow chip loses true edges."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.engine import Engine, read_engine
from sparktick.gen.pipeline import generate
from sparktick.host_sim.engine_library import load_loop
from sparktick.host_sim.engine_model import EngineModel, model_of
from sparktick.host_sim.engine_scenes import play, play_starts, standard_scenes
from sparktick.host_sim.library import Library
from sparktick.host_sim.manifest import Manifest, read_manifest

TEAL = Path(__file__).parents[2] / "examples" / "teal.toml"
Made = tuple[Library, Manifest, Engine, EngineModel]


@pytest.fixture(scope="module")
def teal(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Teal: 8 MHz, started by a drill that slips, is let go, or turns too slowly."""
    folder = tmp_path_factory.mktemp("teal") / "firmware"
    generate(TEAL, folder)
    engine = read_engine(TEAL)
    return load_loop(folder), read_manifest(folder), engine, model_of(engine)


def test_no_start_spark_before_the_start_advance(teal: Made) -> None:
    library, manifest, engine, model = teal
    found = play_starts(library, manifest, engine, model, count=100, seed=5).starts
    assert manifest.start.charge == "after-trail"
    forwards = found.start_spark_rpm > 0.0
    assert forwards.sum() > 80
    assert found.start_spark_deg_btdc[forwards].max() < manifest.start.deg_btdc + 1.0
    assert found.kick_backs.sum() == 0
    assert np.mean(found.started) > 0.75  # a drill below the floor speed starts nothing


@pytest.mark.parametrize("name", ["restart", "top"])
def test_scenes_of_a_slow_chip_are_kept(teal: Made, name: str) -> None:
    """A true edge at 11 700 rpm once came before the gate was open: lock was lost."""
    library, manifest, engine, model = teal
    scene = next(one for one in standard_scenes(engine, model) if one.name == name)
    result = play(library, manifest, model, scene)
    assert [check.name for check in result.checks if not check.passed] == []
