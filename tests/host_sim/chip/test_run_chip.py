"""If this fails, the two emulators tell different stories, or a job's faults are not named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.errors import FolderError, RunError
from sparktick.gen.toolchain import build
from sparktick.host_sim.chip import ChipJob, Peek, PickupPin, run_chip
from sparktick.host_sim.chip.backends import backends_of
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.run import Run, Train
from sparktick.host_sim.train import pickup_train, steady

from .conftest import CYCLE_S, F_CPU_HZ, NEEDS, Build, Done, job, train

Emulate = Callable[..., Done]
TICK_CYCLES = 8
DELAY_TICKS, DWELL_TICKS = 2000, 6000  # firmware/ignition.c


def ignition_train() -> Train:
    rise = np.arange(0.0101, 0.3, 0.0100013)
    return train(np.sort(np.concatenate([rise, rise + 0.0005])), 0.31)


def both(one: ChipJob) -> tuple[Run, Run]:
    runs = [run_chip(one, name) for name in backends_of("atmega328p")]
    return runs[0], runs[1]


def test_an_ignition_switches_where_arithmetic_says(emulate: Emulate) -> None:
    """Capture, compare, watchdog feeding and serial together; every edge to the cycle."""
    pulses = ignition_train()
    done = emulate("ignition", pulses, peeks=(Peek("captures_", "captures", 2),))
    rise = np.asarray(pulses.edge_s[::2]) * F_CPU_HZ
    phase = round(done.run.timer_phase_s * F_CPU_HZ)
    captured = (np.ceil(rise - 0.5) + 3 + 4 - phase) // TICK_CYCLES
    on = (captured + DELAY_TICKS + 1) * TICK_CYCLES + phase
    edges = done.edges()
    assert [cycle for cycle, level in edges if level] == on.astype(int).tolist()
    assert [cycle for cycle, level in edges if not level] == (
        (on + DWELL_TICKS * TICK_CYCLES).astype(int).tolist()
    )
    assert done.run.counters["captures_"] == len(rise) == len(done.run.serial)
    assert done.run.counters["resets_watchdog"] == 0


def test_facts_are_counted_in_cycles(emulate: Emulate) -> None:
    done = emulate("ignition", ignition_train())
    facts, counters = done.run.facts, done.run.counters
    assert facts["cycles"] == pytest.approx(0.31 * F_CPU_HZ, abs=10)
    assert 0 < facts["boot_s"] <= facts["outputs_safe_s"] < 20e-6
    assert 2 + 2 + 5 <= facts["stack_bytes"] <= 40  # main's return, the vector's, some registers
    assert counters["TIMER1_COMPA_count"] == 2 * counters["TIMER1_CAPT_count"]
    # 4 response + 3 JMP + 4 RETI, and what the compiler saves and does.
    assert 40 <= facts["TIMER1_CAPT_cycles_mean"] <= facts["TIMER1_CAPT_cycles_max"] <= 150
    assert facts["TIMER1_CAPT_wait_cycles_max"] < 150


@NEEDS["simavr"]
@NEEDS["yasimavr"]
def test_the_emulators_agree_to_the_cycle(image: Build) -> None:
    one = job(image("ignition"), ignition_train())
    a, b = both(one)
    assert len(a.coil_s) > 50
    np.testing.assert_array_equal(a.coil_on, b.coil_on)
    np.testing.assert_allclose(a.coil_s, b.coil_s, rtol=0, atol=0.1 * CYCLE_S)
    assert a.facts["TIMER1_CAPT_cycles_mean"] == b.facts["TIMER1_CAPT_cycles_mean"]
    assert a.facts["stack_bytes"] == b.facts["stack_bytes"]
    assert a.timer_phase_s == b.timer_phase_s and a.serial == b.serial
    assert (a.source, b.source) == ("yasimavr 0.1.6", "simavr 1.6")


def test_a_clock_error_shifts_true_time(emulate: Emulate) -> None:
    exact = emulate("ignition", ignition_train()).run
    fast = emulate("ignition", ignition_train(), clock_error_ppm=5000.0).run
    dwell = np.diff(exact.coil_s)[::2].mean() / np.diff(fast.coil_s)[::2].mean()
    assert dwell == pytest.approx(1.005, abs=1e-6)


@pytest.fixture(scope="module")
def built(folder: Path, image: Build) -> Manifest:
    """Return the manifest of a generated and compiled firmware folder."""
    del image  # only for its marks
    build(folder)
    return read_manifest(folder)


@pytest.mark.parametrize("of_limit", [0.3, 0.9])
@NEEDS["simavr"]
@NEEDS["yasimavr"]
def test_the_real_firmware_sparks_alike_on_both(built: Manifest, of_limit: float) -> None:
    """The first charge waits for the main loop, where a serial byte may come between."""
    pulses = pickup_train(steady(built.limit_rpm * of_limit), built, 0.5)
    a, b = both(chip_job(built, pulses))
    assert len(a.coil_s) > 20
    np.testing.assert_array_equal(a.coil_on, b.coil_on)
    spark = a.coil_on == int(built.spark_on_rise)
    np.testing.assert_allclose(a.coil_s[spark], b.coil_s[spark], rtol=0, atol=CYCLE_S)
    assert a.counters["resets_watchdog"] == 0 == a.counters["bad_addresses"]


def test_a_folder_without_an_image_says_how_to_make_one(built: Manifest, tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="sparktick build"):
        chip_job(replace(built, folder=tmp_path), train([], 0.1))


def test_an_unknown_emulator_is_named(image: Build) -> None:
    with pytest.raises(RunError, match=r'"qemu".*yasimavr \| simavr'):
        run_chip(job(image("cycles"), train([], 1e-3)), "qemu")


def test_a_file_that_is_no_image_is_named(emulator: str, tmp_path: Path) -> None:
    path = tmp_path / "not.elf"
    path.write_text("hello\n")
    with pytest.raises(RunError, match=r"not\.elf"):
        run_chip(job(path, train([], 1e-3)), emulator)


def test_a_symbol_that_is_not_there_is_named(emulate: Emulate) -> None:
    with pytest.raises(RunError, match="nowhere"):
        emulate("cycles", train([], 1e-3), peeks=(Peek("x", "nowhere", 1),))


def test_an_unknown_chip_is_named(emulator: str, image: Build) -> None:
    with pytest.raises(RunError, match="chip"):
        run_chip(replace(job(image("cycles"), train([], 1e-3)), mcu="z80"), emulator)


def test_a_pickup_elsewhere_captures_nothing(emulate: Emulate) -> None:
    done = emulate("ignition", ignition_train(), pickup=PickupPin("C", 0, 1))
    assert done.run.counters["captures"] == 0 and done.edges() == []
