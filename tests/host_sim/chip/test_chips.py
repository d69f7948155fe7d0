"""If this fails, a chip beside the ATmega328P is emulated otherwise than its data sheet says."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sparktick.gen.toolchain import find_compiler
from sparktick.host_sim.chip import ChipJob, CoilPin, Peek, PickupPin, run_chip
from sparktick.host_sim.run import Train

from .conftest import CYCLE_S, F_CPU_HZ, FIRMWARE, NEEDS, Done, array, train

PORT = Path(__file__).parents[3] / "templates_c" / "port" / "avr_timer1"
# Chip: pickup, coil.  Alternate functions in the data sheets (ICPn, OCnA), from memory; avr-libc's
# headers name the registers.
CHIPS = {
    "atmega328p": (("B", 0), ("B", 1)),
    "atmega2560": (("L", 1), ("L", 3)),
    "atmega32u4": (("D", 4), ("B", 5)),
    "attiny84": (("A", 7), ("A", 6)),
}
TICK = 8
pytestmark = [pytest.mark.emulator, pytest.mark.avr, NEEDS["simavr"]]
Run = Callable[..., Done]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Return a function that compiles a tiny firmware for a chip and runs it on simavr."""
    folder = tmp_path_factory.mktemp("chips")

    @cache
    def image(name: str, mcu: str, *macros: str) -> Path:
        elf = folder / f"{name}-{mcu}-{'-'.join(macros)}.elf"
        compiler = str(find_compiler(mcu=mcu).path)
        command = [compiler, "-std=gnu99", "-Os", f"-mmcu={mcu}", f"-DF_CPU={F_CPU_HZ}UL"]
        command += ["-Wall", "-Wextra", "-Werror", f"-I{PORT}", *(f"-D{macro}" for macro in macros)]
        subprocess.run([*command, str(FIRMWARE / f"{name}.c"), "-o", str(elf)], check=True)
        return elf

    def go(name: str, mcu: str, pulses: Train, macros: tuple[str, ...], pins: Any) -> Done:
        (pickup, coil) = pins
        peeks = (*array("at", 8, 2), Peek("count0", "count", 1))
        job = ChipJob(
            image(name, mcu, *macros, f"COIL_PORT={coil[0]}", f"COIL_BIT={coil[1]}"),
            mcu,
            F_CPU_HZ,
            F_CPU_HZ / TICK,
            pulses,
            PickupPin(*pickup, active_level=1),
            (CoilPin(*coil),),
            peeks=peeks,
        )
        return Done(run_chip(job, "simavr"))

    return go


def pulses(count: int) -> Train:
    """Rises from 300 us on, a phase of the clock further each time, the falls 200 us later."""
    rise = (np.arange(count) * 8000 + 4800 + np.linspace(0.0, 1.0, count)) * CYCLE_S
    return train(np.sort(np.concatenate([rise, rise + 3200 * CYCLE_S])), 8e-3)


@pytest.mark.parametrize("mcu", CHIPS)
def test_capture_and_compare_are_exact_on_every_chip(run: Run, mcu: str) -> None:
    """Synchroniser 3, canceller 4 clocks; the pin one tick after the count."""
    edges = pulses(6)
    done = run("chips", mcu, edges, ("CASE=1",), CHIPS[mcu])
    zero = round(done.run.timer_phase_s * F_CPU_HZ)
    on, off, forced_on, forced_off = done.edges()
    assert (on, off) == ((zero + TICK * 1001, 1), (zero + TICK * 3001, 0))
    assert forced_on[1] == 1 and 100 <= forced_off[0] - forced_on[0] <= 110
    rise = np.asarray(edges.edge_s[::2]) * F_CPU_HZ
    captured = (np.ceil(rise - 0.5) + 3 + 4 - zero) // TICK
    assert done.run.counters["count0"] == 6
    assert done.items("at")[:6] == captured.astype(int).tolist()


@pytest.mark.parametrize("mcu", CHIPS)
def test_a_flag_waits_while_masked_and_others_are_cleared(run: Run, mcu: str) -> None:
    """S4, S5 on each chip's own flag register."""
    done = run("chips", mcu, pulses(1), ("CASE=3",), CHIPS[mcu])
    assert done.run.counters["count0"] == 1


@pytest.mark.parametrize("mcu", CHIPS)
def test_the_shortest_watchdog_is_16_ms(run: Run, mcu: str) -> None:
    """2048 cycles of 128 kHz (48/88/168 data sheet p. 47; recomputed)."""
    quiet = train([], 0.1)
    done = run("chips", mcu, quiet, ("CASE=2",), CHIPS[mcu])
    assert done.run.counters["resets_watchdog"] == 6


def test_three_bytes_of_program_counter_cost_a_clock_each_way(run: Run) -> None:
    """ATmega1280V data sheet p. 19: response 5, return 5 instead of 4 and 4."""
    facts = {}
    for mcu in ("atmega2560", "atmega32u4"):
        done = run("chips", mcu, pulses(6), ("CASE=1",), CHIPS[mcu])
        name = "TIMER5_CAPT" if mcu == "atmega2560" else "TIMER1_CAPT"
        facts[mcu] = done.run.facts[f"{name}_cycles_mean"]
    rampz = 1 + 2 + 2 + 1  # the compiler saves it there: IN, PUSH, POP, OUT
    assert facts["atmega2560"] - facts["atmega32u4"] - rampz == 2.0


@pytest.mark.parametrize("rising", [0, 1])
def test_attiny85_stamps_one_kind_of_edge_and_switches_by_timer_0(run: Run, rising: int) -> None:
    """ATtiny85 data sheet: 9.3.1 ISC0, 11.6 compare, 11.9.2 FOC0A; from memory."""
    edges = pulses(6)
    done = run("tiny85", "attiny85", edges, (f"RISING={rising}",), (("B", 2), ("B", 0)))
    zero = round(done.run.timer_phase_s * F_CPU_HZ)
    on, off, forced_on, forced_off = done.edges()
    lap = 256 * TICK
    assert (on[0] - zero) % lap == TICK * 101 and (off[0] - zero) % lap == TICK * 201
    assert off[0] - on[0] == TICK * 100
    assert 100 <= forced_off[0] - forced_on[0] <= 110
    assert done.run.counters["count0"] == 6
    edge = np.asarray(edges.edge_s[(0 if rising else 1) :: 2]) * F_CPU_HZ
    counts = np.array(done.items("at")[:6])
    late = (counts - (edge - zero) / TICK) % 256
    # Synchroniser 1 clock, response 4, jump 2, what the handler saves, a running instruction.
    assert np.all(late * TICK >= 8) and np.all(late * TICK < 48)
