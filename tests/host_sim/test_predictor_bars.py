"""If this fails, the firmware's sparks follow an uneven crank worse than its predictor can."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.predictor import PREDICTORS
from sparktick.host_sim.bench import Bench, Hardware
from sparktick.host_sim.closed_loop import ClosedRun
from sparktick.host_sim.engine_motion import Phase
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.run import Motion
from sparktick.host_sim.train import pickup_train

from .test_closed_loop import (
    firmware,
    idle_throttle,
    loop_of,
    refusals,
    running_errors,
    screw,
    spread,
)


@pytest.fixture(scope="module", params=["steady", "misfires"])
def idling(
    request: pytest.FixtureRequest, plover: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[ClosedRun, Path, ClosedRun, Path]:
    """Plover at idle with its own firmware, and the same with the predictor "last"."""
    change = ("[plug]", '[prediction]\npredictor = "last"\n\n[plug]')
    last = firmware(tmp_path_factory.mktemp("last") / "last", change, arc_timing=False)
    factors = spread(misfire_every=23 if request.param == "misfires" else 0)
    phases = [Phase(0.0, idle_throttle(), screw())]
    runs = [
        loop_of(folder, phases, rpm=1100.0, heat_factors=factors).run(12.0)
        for folder in (plover, last)
    ]
    return runs[0], plover, runs[1], last


def test_the_plan_holds_what_was_chosen(plover: Path) -> None:
    raw = read_manifest(plover).raw
    assert raw["predictor"] == "same-stroke"
    assert raw["arc_timing"] is True
    config = (plover / "src" / "config.h").read_text(encoding="utf-8")
    assert "#define ST_CFG_ARC_TIMING 1" in config


def test_bars_at_idle(idling: tuple[ClosedRun, Path, ClosedRun, Path]) -> None:
    ours, folder, theirs, last = idling
    worst = np.abs(running_errors(ours, folder)).max()
    worst_last = np.abs(running_errors(theirs, last)).max()
    assert float(np.nanmedian(ours.turns.irregularity(2))) >= 0.10
    assert worst <= 1.0
    assert worst_last >= 4.0 * worst
    assert refusals(ours) == {}


def test_bar_at_top_speed(plover: Path) -> None:
    run = loop_of(plover, [Phase(0.0, np.inf, screw())], rpm=7900.0, heat_factors=spread()).run(5.0)
    assert run.turns.mean_rpm[-1] > 7900.0
    assert np.abs(running_errors(run, plover)).max() <= 0.1


def test_throttle_opened_at_idle_moves_few_burning_sparks(plover: Path) -> None:
    throttle, load_nm = idle_throttle(), screw()
    opened = [Phase(0.0, throttle, load_nm), Phase(3.0, np.inf, load_nm)]
    run = loop_of(plover, opened, rpm=1100.0, heat_factors=spread()).run(6.0)
    assert refusals(run) == {}
    speeds, degrees = zip(*read_manifest(plover).curve, strict=True)
    burns = (run.sparks.lit > 0) & (run.sparks.t_s > 1.0)
    error = run.sparks.deg_btdc - np.interp(run.sparks.rpm, speeds, degrees)
    # the first turns after the throttle opens are faster than any turn before them told
    assert np.sum(np.abs(error[burns]) > 1.0) <= 3


@pytest.mark.parametrize("predictor", PREDICTORS)
def test_every_predictor_compiles_without_unused_code(tmp_path: Path, predictor: str) -> None:
    import subprocess

    change = ("[plug]", f'[prediction]\npredictor = "{predictor}"\n\n[plug]')
    folder = firmware(tmp_path / predictor, change)
    command = ["cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-c", "st_predict.c", "-o"]
    flash = Path(load.__code__.co_filename).parent / "bench_flash.h"
    done = subprocess.run(
        [*command, str(tmp_path / "out.o"), "-include", str(flash)],
        cwd=folder / "src",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def rocked(amplitude_deg: float, period_s: float, share: float, seconds: float = 4.0) -> Motion:
    """Rock a crank by hand: the magnet's edge is past the sensor for ``share`` of the time.

    A sine in pieces of constant acceleration, 200 to the period.
    """
    peak = amplitude_deg * np.cos(np.pi * share)  # how far inside the edge the swing goes
    t = np.arange(0.0, seconds, period_s / 200.0)
    phase = 2.0 * np.pi * t / period_s
    speed = -amplitude_deg * np.sin(phase) * 2.0 * np.pi / period_s
    accel = np.append(np.diff(speed) / np.diff(t), 0.0)
    turned = 0.5 * (speed[1:] + speed[:-1]) * np.diff(t)
    angle = -48.0 - peak + amplitude_deg + np.concatenate(([0.0], np.cumsum(turned)))
    return Motion(t, angle, speed, accel)


@pytest.mark.parametrize("share", [0.3, 0.4, 0.5])
@pytest.mark.parametrize("period_s", [0.06, 0.1, 0.2])
def test_a_crank_rocked_at_the_magnets_edge_is_not_fired(
    plover: Path, share: float, period_s: float
) -> None:
    manifest = read_manifest(plover)
    motion = rocked(12.0, period_s, share)
    train = pickup_train(motion, manifest, 4.0)
    assert len(train.edge_s) > 20
    run = Bench(load(plover), Hardware.of(manifest)).run(train)
    assert len(run.coil_s) == 0
