"""If this fails, a verdict on an ATmega4809 or ATtiny1604/1606 rests on an emulator that is wrong.

Only yasimavr knows these chips.  It has no event system, no configurable logic, no start-up clock,
leaves the watchdog out and counts clocks as the older AVR does; the wrapper adds them (Y20 to Y28
in host_sim/chip/README.md), so these tests hold the wrapper against the data sheets' numbers.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.toolchain import find_compiler
from sparktick.host_sim.chip import ChipJob, CoilPin, PickupPin, run_chip
from sparktick.host_sim.run import Train

from .conftest import CYCLE_S, F_CPU_HZ, FIRMWARE, NEEDS, NEEDS_AVR, Done, array, train
from .test_cycles import MANUAL

pytestmark = [NEEDS["yasimavr"], NEEDS_AVR, pytest.mark.emulator, pytest.mark.avr]

PINS = {
    "atmega4809": (PickupPin("E", 3, 1), CoilPin("D", 3)),
    "attiny1606": (PickupPin("A", 6, 1), CoilPin("A", 4)),
}
# Microchip's online description of TCB, 21.3.3.3: 4 equal samples, adds 4 clocks, not prescaled.
FILTER_SAMPLES = 4
FILTER_CLOCKS = 4
# avr-libc iom4809.h: 8 clocks of the 1 kHz clock are "8 ms"; the clock is 1.024 kHz (32.768 / 32).
WATCHDOG_S = 8 / 1024
STILL = train([], 0.02)
AT = array("at", 12, 2)
COUNT = array("count", 1, 1)
SEEN = array("seen", 4, 1)

Emulate = Callable[..., Done]


@pytest.fixture(params=list(PINS))
def mcu(request: pytest.FixtureRequest) -> str:
    """Return the name of one chip of each kind."""
    return str(request.param)


@pytest.fixture
def emulate_b(mcu: str, tmp_path: Path) -> Emulate:
    """Return a function that compiles one case of firmware/timer_b.c and runs it."""

    @cache
    def image(name: str, macros: tuple[str, ...]) -> Path:
        target = tmp_path / f"{name}{'-'.join(macros)}.elf"
        command = [str(find_compiler().path), "-std=gnu99", "-Os", f"-mmcu={mcu}"]
        command += [f"-DF_CPU={F_CPU_HZ}UL", "-Wall", "-Wextra", "-Werror", *macros]
        subprocess.run([*command, str(FIRMWARE / f"{name}.c"), "-o", str(target)], check=True)
        return target

    def go(pulses: Train, name: str = "timer_b", on_level: int = 1, **settings: object) -> Done:
        macros = {k: settings.pop(k) for k in list(settings) if k.isupper()}
        elf = image(name, tuple(f"-D{key}={value}" for key, value in macros.items()))
        pickup, coil = PINS[mcu]
        coils = (CoilPin(coil.port, coil.bit, on_level),)
        made = ChipJob(elf, mcu, F_CPU_HZ, 2e6, pulses, pickup, coils, **settings)  # type: ignore[arg-type]
        return Done(run_chip(made, "yasimavr"))

    return go


def test_instructions_cost_what_the_manual_says_for_this_core(emulate_b: Emulate) -> None:
    """Y23: instruction set manual DS40002198, column AVRxt (from memory where it differs)."""
    other = {
        **dict.fromkeys(("st X", "std", "sbi", "cbi"), 1),
        "lds": 3,
        "push pop": 1 + 2,
        "st -Y adiw": 1 + 2,
        "rcall ret": 2 + 4,
        "call ret": 3 + 4,
    }
    done = emulate_b(train([], 2e-3), "cycles", peeks=array("cost", len(MANUAL), 1))
    assert dict(zip(MANUAL, done.items("cost"), strict=True)) == {**MANUAL, **other}


@pytest.mark.parametrize("rising", [0, 1])
def test_the_canceller_adds_four_clocks(emulate_b: Emulate, rising: int) -> None:
    """Y20, Y25: the pin reaches TCB0 through the event system, four clocks later if filtered."""
    edge_s = (np.arange(1, 9) * 1001 + 5000 + np.linspace(0, 1, 9)[:-1]) * CYCLE_S
    both = np.sort(np.concatenate([edge_s, edge_s + 500 * CYCLE_S]))
    found = [
        emulate_b(train(both, 2e-3), CASE=1, FILTERED=f, RISING=rising, peeks=AT) for f in (0, 1)
    ]
    direct, filtered = (np.array(done.items("at")[:8]) for done in found)
    assert np.all(filtered - direct == FILTER_CLOCKS)
    seen = np.diff(np.ceil(edge_s * F_CPU_HZ - 0.5))  # the samples that first show the edges
    assert np.all(np.diff(direct) == seen), "an edge was stamped at another clock than sampled"
    assert [done.run.counters["captures"] for done in found] == [8, 8]


@pytest.mark.parametrize("filtered", [0, 1])
@pytest.mark.parametrize("width_clocks", [0.4, 2.9, 3.1, 3.9, 4.1, 6.0])
def test_the_canceller_wants_four_equal_samples(
    emulate_b: Emulate, filtered: int, width_clocks: float
) -> None:
    """Y25: pulses of fewer samples leave no trace."""
    start = (np.arange(1, 11) * 1000 + 5000 + np.arange(10) * 0.1 + 0.05) * CYCLE_S
    edges = np.sort(np.concatenate([start, start + width_clocks * CYCLE_S]))
    done = emulate_b(train(edges, 1.5e-3), CASE=1, FILTERED=filtered, RISING=1, peeks=COUNT)
    phase = start * F_CPU_HZ - 0.5
    samples = np.ceil(phase + width_clocks) - np.ceil(phase)
    needed = FILTER_SAMPLES if filtered else 1
    assert done.run.counters["count0"] == int(np.sum(samples >= needed))


@pytest.mark.parametrize("on_level", [0, 1])
def test_a_match_sets_clears_or_leaves_the_flip_flop(emulate_b: Emulate, on_level: int) -> None:
    """Y21, Y24, Y13: J on, K off, none nothing, twice the same once; each at its very tick."""
    inverted = {} if on_level else {"INVERTED": 1}
    done = emulate_b(train([], 6e-3), CASE=2, on_level=on_level, **inverted)
    phase = round(done.run.timer_phase_s * F_CPU_HZ)
    edges = done.edges()
    assert [on for _, on in edges] == [1, 0, 1, 0]
    ticks = [(cycle - phase) / 8 for cycle, _ in edges]
    assert ticks[:3] == [1000, 3000, 5000]
    assert 7000 < ticks[3] < 7020, "the strobe acts at once"


def test_logic_blocks_are_locked_while_on_and_forget_when_off(emulate_b: Emulate) -> None:
    """Y21: a setting written while the logic is on changes nothing; off, the pin is the port's."""
    done = emulate_b(train([], 1e-3), CASE=3, peeks=SEEN)
    assert done.items("seen") == [2, 2, 1, 0]
    assert [on for _, on in done.edges()] == [1, 0]


def test_the_watchdog_bites_and_cannot_be_switched_off_once_locked(emulate_b: Emulate) -> None:
    """Y26: 16 clocks of 1.024 kHz; the reset lets the pin go, says its cause, ends the watchdog."""
    done = emulate_b(
        STILL, CASE=4, WINDOW="WDT_WINDOW_8CLK_gc", peeks=(*SEEN, *array("kept", 1, 1))
    )
    assert done.run.counters["resets_watchdog"] == 1
    assert done.run.counters["kept0"] == 2
    assert done.items("seen")[:2] == [1 << 3, 0]  # RSTFR.WDRF, avr-libc iom4809.h
    (since, on), (until, off) = done.edges()
    assert (on, off) == (1, 0)
    assert (until - since) * CYCLE_S == pytest.approx(2 * WATCHDOG_S, abs=20e-6)


def test_without_a_window_the_emulated_watchdog_is_four_clocks_late(emulate_b: Emulate) -> None:
    """Y29: not put right, the firmware has a window; if this fails, it has been."""
    (since, _), (until, _) = emulate_b(STILL, CASE=4, WINDOW=0).edges()
    assert (until - since) * CYCLE_S == pytest.approx(12 / 1024, abs=20e-6)


@pytest.mark.parametrize(("feed_us", "bitten"), [(7000, True), (9000, False), (16500, True)])
def test_the_window_forbids_feeding_too_early_and_too_late(
    emulate_b: Emulate, feed_us: int, bitten: bool
) -> None:
    """Y26: closed for 7.8 ms, open until 15.6 ms; the first feeding opens it."""
    done = emulate_b(train([], 0.1), CASE=5, FEED_US=feed_us)
    assert (done.run.counters["resets_watchdog"] > 0) is bitten


def test_the_periodic_interrupt_comes_every_32_clocks(emulate_b: Emulate) -> None:
    """Y27: 32 clocks of 32.768 kHz, 102.4 times in 0.1 s."""
    done = emulate_b(train([], 0.1), CASE=6, peeks=COUNT)
    assert done.run.counters["count0"] in (102, 103)


def test_the_clock_after_reset_is_a_sixth_until_it_is_changed_and_locked(
    emulate_b: Emulate,
) -> None:
    """Y22: MCLKCTRLB is 0x11 at reset (divided by 6; data sheet, register summary)."""
    cycles = [cycle for cycle, _ in emulate_b(train([], 2e-3), CASE=7).edges()]
    slow, fast, last = (cycles[i + 1] - cycles[i] for i in (0, 2, 4))
    assert slow == pytest.approx(6 * fast, rel=0.01)
    assert last == fast


def test_a_match_is_stamped_by_the_capture_unit_at_the_same_place_every_time(
    emulate_b: Emulate,
) -> None:
    """Y24: what the port's alignment of the two counters rests on; the canceller swallows it."""
    done = emulate_b(train([], 4e-3), CASE=8, FILTERED=0, peeks=(*AT, *COUNT))
    assert done.run.counters["count0"] == 8
    assert len(set(done.items("at")[:8])) == 1
    assert emulate_b(train([], 4e-3), CASE=8, FILTERED=1, peeks=COUNT).run.counters["count0"] == 0
