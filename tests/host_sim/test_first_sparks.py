"""If this fails, a crank that compression nearly stops sparks early, at a start or at a stall."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.pipeline import generate
from sparktick.host_sim import train as motions
from sparktick.host_sim.bench import Hardware, broken_invariants, run_train
from sparktick.host_sim.closed_loop import ClosedLoop, ClosedRun
from sparktick.host_sim.engine_cycles import screw_load, steady_throttle_rpm
from sparktick.host_sim.engine_library import load_loop
from sparktick.host_sim.engine_motion import Phase
from sparktick.host_sim.engine_scenes import START_SPARE_DEG, heat_factors
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.measure import measure
from sparktick.host_sim.starts import START_MODES, STARTERS, Starts, many_starts, pull_for

from .conftest import EXAMPLES
from .engines import described, model

NAMES = ("plover", "teal", "avocet")
FAST_FLICKS = type(STARTERS["hand"])((650.0, 950.0), (60.0, 330.0), False, 0.6)


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    made = {name: tmp_path_factory.mktemp("first") / name for name in NAMES}
    for name, folder in made.items():
        generate(EXAMPLES / f"{name}.toml", folder)
    return made


def changed(folder: Path, target: Path, name: str, old: str, new: str) -> Path:
    """Copy a firmware folder with one text of a source file replaced: a control case."""
    shutil.copytree(folder, target)
    path = target / "src" / name
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    return target


def steady_rules(folder: Path, rpm: float) -> tuple[list[int], list[float], Manifest]:
    """Ordinal and angle of the first sparks at an even speed."""
    manifest = read_manifest(folder)
    train = motions.pickup_train(motions.steady(rpm), manifest, 900.0 / rpm)
    run = run_train(load(folder), Hardware.of(manifest), train)
    measured = measure(run, train, manifest)
    leads = train.edge_s[train.active == 1]
    ordinal = np.searchsorted(leads, measured.spark_s)
    return ordinal.tolist(), measured.angle_deg_btdc.tolist(), manifest


def test_near_the_starting_speed_pulses_spark_from_themselves_until_lock(
    folders: dict[str, Path],
) -> None:
    ordinal, angle, manifest = steady_rules(folders["plover"], 850.0)
    assert ordinal[0] == 2
    before_lock = [deg for n, deg in zip(ordinal, angle, strict=True) if n < 4]
    assert max(before_lock) <= manifest.start.deg_btdc
    curve = float(np.interp(850.0, *zip(*manifest.curve, strict=True)))
    np.testing.assert_allclose(angle[2:], curve, atol=0.05)


def test_well_above_it_nothing_sparks_before_lock(folders: dict[str, Path]) -> None:
    ordinal, angle, manifest = steady_rules(folders["plover"], 1200.0)
    assert ordinal[0] == 3
    curve = float(np.interp(1200.0, *zip(*manifest.curve, strict=True)))
    np.testing.assert_allclose(angle, curve, atol=0.05)


def flicks(folder: Path) -> Starts:
    return many_starts(
        load_loop(folder),
        read_manifest(folder),
        model(),
        FAST_FLICKS,
        count=200,
        seed=7,
        throttle_rpm=900.0,
    )


def test_fast_flicks_start_more_often_and_never_early(
    folders: dict[str, Path], tmp_path: Path
) -> None:
    """The control locks as soon as above the starting speed, and then times by the turn before."""
    limit = read_manifest(folders["plover"]).start.deg_btdc + START_SPARE_DEG
    control = changed(
        folders["plover"],
        tmp_path / "control",
        "st_sync.c",
        "(ST_CFG_START_PERIOD_TICKS - (ST_CFG_START_PERIOD_TICKS / 3U))",
        "ST_CFG_START_PERIOD_TICKS",
    )
    ours, theirs = flicks(folders["plover"]), flicks(control)
    assert ours.kick_backs.sum() == 0
    early = [one.start_spark_deg_btdc[one.start_spark_rpm > 0.0].max() for one in (ours, theirs)]
    assert early[0] < limit
    assert early[1] > limit + 5.0
    assert ours.started.sum() > theirs.started.sum()


def stalled(folder: Path, name: str, seed: int) -> ClosedRun:
    """Run, close the throttle (a brake in every second run), start again: when is drawn."""
    engine, described_engine = model(name), described(name)
    advance, manifest = described_engine.advance.at_rpm, read_manifest(folder)
    rng = np.random.default_rng(seed)
    load_nm = screw_load(engine, described_engine.engine.top_rpm, advance)
    idle = described_engine.engine.idle_rpm
    throttle = steady_throttle_rpm(engine, idle, load_nm, advance)
    shut_s = float(rng.uniform(0.2, 0.6))
    starter = STARTERS[described_engine.engine.starter]
    pull = pull_for(starter, engine, rng, shut_s + float(rng.uniform(0.3, 1.5)))
    brake = (float(rng.uniform(0.0, 2.0)) * engine.friction_nm_s[0] * (seed % 2), 0.0, load_nm[2])
    phases = [
        Phase(0.0, 1.5 * throttle, load_nm),
        Phase(shut_s, float(rng.choice([0.0, 0.3])) * throttle, brake),
        Phase(pull.at_s, 2.0 * throttle, load_nm),
    ]
    loop = ClosedLoop(
        load_loop(folder),
        manifest,
        engine,
        phases,
        [pull],
        rpm=idle,
        heat_factors=heat_factors(seed),
        record=False,
    )
    return loop.run(pull.at_s + 1.0)


def start_sparks(run: ClosedRun) -> np.ndarray:
    modes = [run.run.modes.index(name) for name in START_MODES]
    return run.sparks.deg_btdc[np.isin(run.sparks.mode, modes) & (run.sparks.rpm > 0.0)]


@pytest.mark.parametrize("name", NAMES)
def test_no_stall_and_no_new_start_sparks_early(folders: dict[str, Path], name: str) -> None:
    limit = read_manifest(folders[name]).start.deg_btdc + START_SPARE_DEG
    runs = [stalled(folders[name], name, seed) for seed in range(80)]
    assert sum(run.reversals > 0 for run in runs) >= 8
    assert sum(run.kick_backs for run in runs) == 0
    assert not any(broken_invariants(run.run) for run in runs)
    sparks = np.concatenate([start_sparks(run) for run in runs])
    assert len(sparks) > 50
    assert sparks.max() < limit


def test_a_charge_begun_before_the_trail_edge_is_what_sparked_early(
    folders: dict[str, Path], tmp_path: Path
) -> None:
    """A crank that stops on the magnet with its coil on sparks where it stands, wherever."""
    early = changed(
        folders["teal"],
        tmp_path / "early",
        "config.h",
        "#define ST_CFG_START_CHARGE_EARLY 0",
        "#define ST_CFG_START_CHARGE_EARLY 1",
    )
    found = [start_sparks(stalled(early, "teal", seed)).max(initial=-90.0) for seed in range(80)]
    assert max(found) > 15.0
