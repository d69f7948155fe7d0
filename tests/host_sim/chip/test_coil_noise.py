"""If this fails, noise tied to the coil reaches the chip otherwise than a given train does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim.bench import CoilNoise, Hardware, NoisePatterns, run_train
from sparktick.host_sim.chip import ChipRun, Reset, ResetKind, run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.glitches import burst_patterns, merge_toggles, random_glitches
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.run import Train
from sparktick.host_sim.train import pickup_train, steady

from .conftest import CYCLE_S, NEEDS, Build, job, train

pytestmark = NEEDS["simavr"]

SILENT = CoilNoise(seed=1)
PATTERN = np.array([20.0, 26.0, 40.5, 43.0, 60.0, 200.0]) * 1e-6  # seconds after the switching


def pulses(end_s: float = 0.2) -> Train:
    rise = np.arange(0.0101, end_s - 0.01, 0.0100013)
    return train(np.sort(np.concatenate([rise, rise + 0.0005])), end_s)


def simavr(elf: object, given: Train, **settings: object) -> ChipRun:
    return run_chip(job(elf, given, **settings), "simavr")  # type: ignore[arg-type]


def same_coil(a: ChipRun, b: ChipRun) -> None:
    np.testing.assert_array_equal(a.coil_on, b.coil_on)
    np.testing.assert_allclose(a.coil_s, b.coil_s, rtol=0, atol=0.1 * CYCLE_S)


def test_step_by_step_the_pin_sees_what_the_whole_train_gives(image: Build) -> None:
    """Glitches of 1 to 20 clocks: synchroniser, noise canceller, both ways."""
    rng = np.random.default_rng(3)
    toggles = random_glitches(rng, 0.005, 0.19, 100.0, (0.5 * CYCLE_S, 20.0 * CYCLE_S))
    noisy = merge_toggles(pulses(), toggles)
    resets = (Reset(0.0712, ResetKind.EXTERNAL, 3e-3),)
    known = simavr(image("ignition"), noisy, resets=resets)
    stepped = simavr(image("ignition"), noisy, resets=resets, noise=SILENT)
    assert len(known.coil_s) > 20
    same_coil(known, stepped)
    assert known.counters["captures"] == stepped.counters["captures"] > 20
    np.testing.assert_allclose(stepped.reset_s, 0.0712, atol=CYCLE_S)


def test_noise_comes_when_the_coil_switches(image: Build) -> None:
    noise = CoilNoise.either_level(off=NoisePatterns((PATTERN,)), seed=5)
    run = simavr(image("ignition"), pulses(), noise=noise)
    off_s = run.coil_s[run.coil_on == 0]
    assert run.counters["noise_bursts"] == len(off_s) > 10
    expected = (off_s[:, None] + PATTERN).ravel()
    nearest = np.abs(run.line_s[:, None] - expected[expected < 0.19]).min(axis=0)
    assert nearest.max() <= 1.01 * CYCLE_S


def test_the_same_levels_as_a_train_give_the_same_run(image: Build) -> None:
    noise = CoilNoise.either_level(
        off=NoisePatterns((PATTERN, PATTERN[:2])),
        on=NoisePatterns((PATTERN,)),
        jitter_s=1e-5,
        seed=5,
    )
    run = simavr(image("ignition"), pulses(), noise=noise)
    line_s, active = run.line_s[1:], run.line_active[1:]  # the first is the level at the start
    given = replace(
        pulses(), edge_s=line_s, active=active, true_edge=np.ones(len(active), np.uint8)
    )
    same_coil(run, simavr(image("ignition"), given))
    again = simavr(image("ignition"), pulses(), noise=noise)
    np.testing.assert_array_equal(run.line_s, again.line_s)


def test_host_and_chip_meet_the_same_noise(plover_image: Manifest) -> None:
    """The same seed draws the same patterns; the sparks agree to the tick."""
    rng = np.random.default_rng(11)
    patterns = burst_patterns(
        rng, patterns=20, glitches=(2, 8), span_s=150e-6, width_s=(1e-7, 5e-6)
    )
    noise = CoilNoise.either_level(off=patterns, on=patterns, seed=9)
    given = pickup_train(steady(5000.0, angle_deg=-400.0), plover_image, 0.5)
    chip = run_chip(chip_job(plover_image, given, serial=False, noise=noise), "simavr")
    hardware = Hardware.of(
        plover_image, timer_phase_s=chip.timer_phase_s, start_s=chip.facts["boot_s"]
    )
    host = run_train(load(plover_image.folder), hardware, given, noise)
    assert chip.counters["noise_bursts"] == host.facts["noise_bursts"] > 70
    assert len(chip.coil_s) == len(host.coil_s)
    off = chip.coil_on == 0
    assert np.max(np.abs(chip.coil_s - host.coil_s)[off]) * plover_image.tick_hz <= 1.0 + 1e-6


@NEEDS["yasimavr"]
def test_the_emulator_without_noise_says_so(image: Build) -> None:
    with pytest.raises(RunError, match="simavr"):
        run_chip(job(image("ignition"), pulses(), noise=SILENT), "yasimavr")


def test_a_cause_of_reset_that_lasts_keeps_the_chip_down(image: Build) -> None:
    run = simavr(image("ignition"), pulses(), resets=(Reset(0.05, ResetKind.BROWN_OUT, 0.02),))
    dark = np.diff(run.coil_s[run.coil_on == 0]).max()
    assert 0.02 < dark < 0.05
