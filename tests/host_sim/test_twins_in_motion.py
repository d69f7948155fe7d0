"""If this fails, a twin whose cylinders fire in turn is not turned by its own coils' sparks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.pipeline import generate, make_plan
from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.closed_loop import ClosedLoop, ClosedRun
from sparktick.host_sim.engine_cycles import screw_load, steady_throttle_rpm
from sparktick.host_sim.engine_library import load_loop
from sparktick.host_sim.engine_model import EngineModel
from sparktick.host_sim.engine_motion import Crank, Phase
from sparktick.host_sim.engine_scenes import play_all, play_starts
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.train import with_phase

from .conftest import EXAMPLES
from .engines import advance_of, described, model

IDLE_RPM, TOP_RPM = 2000.0, 8000.0


@pytest.fixture(scope="module")
def avocet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("twin") / "avocet"
    generate(EXAMPLES / "avocet.toml", folder)
    return folder


def loop_of(folder: Path, engine: EngineModel, *args: object, **keys: object) -> ClosedLoop:
    return ClosedLoop(load_loop(folder), read_manifest(folder), engine, *args, **keys)  # type: ignore[arg-type]


def idling(folder: Path, engine: EngineModel, seconds: float = 2.0) -> ClosedRun:
    advance = advance_of("avocet")
    load_nm = screw_load(engine, TOP_RPM, advance)
    throttle = steady_throttle_rpm(engine, IDLE_RPM, load_nm, advance)
    return loop_of(folder, engine, [Phase(0.0, throttle, load_nm)], rpm=IDLE_RPM).run(seconds)


def test_each_coil_lights_its_own_cylinder_in_turn(avocet: Path) -> None:
    run = idling(avocet, model("avocet"))
    lit = run.sparks.lit[4:]
    assert len(lit) > 100
    np.testing.assert_array_equal(lit, 1 << run.sparks.coil[4:])
    assert np.all(lit[1:] + lit[:-1] == 3)  # the other one every time
    np.testing.assert_array_equal(run.sparks.coil, run.sparks.cylinder)
    assert 0.8 * IDLE_RPM < run.turns.mean_rpm[-1] < 1.2 * IDLE_RPM


def test_coils_on_each_others_cylinders_light_nothing(avocet: Path) -> None:
    # a crossed pair of plug leads: each spark meets an open cylinder
    crossed = replace(model("avocet"), phases_deg=(180.0, 0.0))
    run = loop_of(avocet, crossed, [Phase(0.0)], rpm=IDLE_RPM).run(1.0)
    assert len(run.sparks.t_s) > 10
    assert not run.sparks.lit.any()
    assert run.energies.heat_j == 0.0


def test_a_closed_loop_is_the_same_as_its_own_train(avocet: Path) -> None:
    run = idling(avocet, model("avocet"))
    assert run.train is not None
    again = run_train(load(avocet), Hardware.of(read_manifest(avocet)), run.train)
    np.testing.assert_array_equal(again.coil_s, run.run.coil_s)
    np.testing.assert_array_equal(again.coil_channel, run.run.coil_channel)
    assert again.counters == run.run.counters
    assert set(again.coil_channel.tolist()) == {0, 1}


def test_the_phase_sensor_knows_the_pulse_backwards_too(avocet: Path) -> None:
    # too slow to carry over, nothing that brakes: the crank swings between two compressions
    manifest = read_manifest(avocet)
    free = model("avocet").without_friction()
    run = loop_of(avocet, free, [Phase(0.0, 0.0)], angle_deg=-270.0, rpm=250.0).run(3.0)
    assert run.reversals >= 3
    assert run.train is not None
    assert len(run.train.edge_s) > 6
    other_way = with_phase(run.train, manifest.geometry)
    np.testing.assert_array_equal(run.train.line, other_way.line)


def test_every_scene_and_start_of_avocet_holds(avocet: Path) -> None:
    engine = described("avocet")
    for result in play_all(avocet, engine):
        assert result.passed, (result.scene.name, result.checks)
        assert "wrong_coil" in {check.name for check in result.checks}
    starts = play_starts(
        load_loop(avocet), read_manifest(avocet), engine, model("avocet"), count=100
    )
    assert starts.passed
    assert starts.starts.started.mean() > 0.95


def test_avocets_predictor_is_chosen_by_turning_it() -> None:
    design = make_plan(EXAMPLES / "avocet.toml").design
    assert design.predictor_reason.startswith("best of those compared")


def test_two_cylinders_give_the_torque_of_both() -> None:
    # each cylinder alone on half the load and friction: the mean speed of the pair
    both = model("avocet")
    alone = replace(
        both,
        phases_deg=(0.0,),
        inertia_kg_m2=0.5 * both.inertia_kg_m2,
        friction_nm_s=tuple(0.5 * f for f in both.friction_nm_s),  # type: ignore[arg-type]
    )
    ends = []
    for engine, load_nm in ((both, 0.4), (alone, 0.2)):
        phases = [Phase(0.0, np.inf, (load_nm, 0.0, 0.0))]
        crank = Crank(engine, phases, angle_deg=-180.0, rpm=4000.0, spark_deg_btdc=20.0)
        crank.run(0.6)
        ends.append(crank.state.w)
    assert ends[0] == pytest.approx(ends[1], rel=0.02)
    assert ends[0] > 4200.0 * np.pi / 30.0


def test_the_second_cylinder_works_half_a_turn_later() -> None:
    # the pair is the same when half a turn goes by: torque repeats twice a turn
    engine = model("avocet").without_friction()
    motion = Crank(engine, angle_deg=-360.0, rpm=3000.0).run(0.2)
    deg = np.arange(0.0, 180.0, 5.0) + 360.0
    first, second = (motion.speed_at(motion.time_at(deg + shift)) for shift in (0.0, 180.0))
    np.testing.assert_allclose(first, second, rtol=1e-6)
    single = replace(engine, phases_deg=(0.0,))
    motion = Crank(single, angle_deg=-360.0, rpm=3000.0).run(0.2)
    first, second = (motion.speed_at(motion.time_at(deg + shift)) for shift in (0.0, 180.0))
    assert np.abs(first / second - 1.0).max() > 1e-3


def test_four_stroke_twins_waste_every_second_spark_of_each_coil(tmp_path: Path) -> None:
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    for old, new in (
        ("strokes = 4\n", "strokes = 4\ncylinders = 2\ntdc_spacing_deg = 180\n"),
        ("pulses_per_turn = 1\n", "pulses_per_turn = 2\n"),
        ("[coil]\n", "[coil]\ncoils = 2\n"),
    ):
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "twin.toml").write_text(text, encoding="utf-8")
    generate(tmp_path / "twin.toml", tmp_path / "fw")
    engine = replace(model(), phases_deg=(0.0, 180.0))
    phases = [Phase(0.0, 2000.0, (0.2, 0.0, 0.0))]
    run = loop_of(tmp_path / "fw", engine, phases, rpm=2500.0).run(1.5)
    for coil in (0, 1):
        lit = run.sparks.lit[run.sparks.coil == coil][4:]
        assert len(lit) > 40
        assert set(lit.tolist()) == {0, 1 << coil}
        assert np.all((lit[1:] > 0) != (lit[:-1] > 0))
