"""Code that an upset has thrown astray could leave the ignition dark longer than the bar allows.

The images are the Plover's with something done wrong between two rounds of the main loop, at speed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.toolchain import build
from sparktick.host_sim.chip import ChipRun, Upset, UpsetSpace, run_chip
from sparktick.host_sim.chip.exchange import symbols
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.train import pickup_train, steady

from .variants import make_firmware

pytestmark = [
    pytest.mark.avr,
    pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
]
RPM = 8000.0
TURN_S = 60.0 / RPM
WATCHDOG_TURNS = 16e-3 / TURN_S
ROUND = "        st_round();\n"
# Outlives what start-up clears; random RAM at power-on does not hold it.
WRONG = """
static uint16_t st_times __attribute__((section(".noinit")));
__attribute__((always_inline)) static inline void st_go_wrong(void)
{
    if ((st_times & 0xFF00U) != 0x5A00U) {
        st_times = 0x5A00U;
    }
    if ((st_the_core.count[ST_N_PULSE] >= AFTER) && (st_times < (0x5A00U + TIMES))) {
        st_times++;
        ACT;
    }
}
"""


def gone_wrong(folder: Path, act: str, times: int = 1, after: int = 12) -> ChipRun:
    """Build an image that does ``act`` so many ``times``, each ``after`` pulses from a start."""
    manifest = make_firmware(folder, {})
    source = folder / "src" / "st_main.c"
    text = source.read_text(encoding="utf-8")
    assert text.count(ROUND) == 1
    wrong = WRONG.replace("ACT", act).replace("TIMES", f"{times}U").replace("AFTER", f"{after}U")
    begin = text.index("int main(void)\n{")
    text = text[:begin] + wrong + text[begin:].replace(ROUND, ROUND + "        st_go_wrong();\n")
    source.write_text(text, encoding="utf-8")
    build(folder)
    manifest = read_manifest(folder)
    train = pickup_train(steady(RPM, angle_deg=-400.0), manifest, 0.4)
    return run_chip(chip_job(manifest, train, serial=False), "simavr")


def longest_dark_turns(run: ChipRun) -> float:
    off_s = run.coil_s[run.coil_on == 0]
    assert off_s[-1] > 0.4 - 2 * TURN_S
    return float(np.diff(off_s[off_s > 0.05]).max()) / TURN_S


def test_a_halt_starts_anew_without_waiting_for_the_watchdog(tmp_path: Path) -> None:
    run = gone_wrong(tmp_path / "halt", "st_port_halt()")
    assert run.counters["resets_watchdog"] == 0
    assert longest_dark_turns(run) < 3.1


def test_the_second_halt_ends_in_a_reset(tmp_path: Path) -> None:
    """What a new start cannot put right, a reset may; after it one more new start is allowed."""
    run = gone_wrong(tmp_path / "halts", "st_port_halt()", times=3)
    assert run.counters["resets_watchdog"] == 1
    assert longest_dark_turns(run) < 3.1 + WATCHDOG_TURNS


@pytest.mark.parametrize("times", [1, 2])
def test_start_up_that_no_reset_led_to_is_halted(tmp_path: Path, times: int) -> None:
    """With a stack 9 bytes too low, and nothing cleared: a halt each, the second with a reset."""
    astray = 'SP = (uint16_t)(SP - 9U); __asm__ volatile("jmp main")'
    run = gone_wrong(tmp_path / "start", astray, times)
    assert run.counters["resets_watchdog"] == times - 1
    assert longest_dark_turns(run) < 3.1 + (times - 1) * WATCHDOG_TURNS


def test_a_stack_that_lies_wrong_is_put_right_each_round(tmp_path: Path) -> None:
    """Left so, it would be in the core's state after some rounds: 2 KiB, 64 bytes each."""
    run = gone_wrong(tmp_path / "stack", "SP = (uint16_t)(SP - 64U)", times=60)
    assert run.counters["resets_watchdog"] == 0
    assert longest_dark_turns(run) < 1.1


INTERRUPT = "WDTCSR |= (uint8_t)(1U << WDIE)"  # DS40002061 10.9.2: that bit is not protected


def test_a_main_that_returns_starts_anew(tmp_path: Path) -> None:
    """The compiler's start-up would hang with interrupts off, the watchdog's among them."""
    run = gone_wrong(tmp_path / "returned", f'{INTERRUPT}; __asm__ volatile("cli\\n\\tret")')
    assert run.counters["resets_watchdog"] == 0
    assert longest_dark_turns(run) < 3.1


def test_free_flash_lets_a_watchdog_in_that_was_made_an_interrupt(tmp_path: Path) -> None:
    run = gone_wrong(tmp_path / "free", f'{INTERRUPT}; __asm__ volatile("cli\\n\\tjmp 0x6000")')
    assert run.counters["resets_watchdog"] == 0
    assert longest_dark_turns(run) < 3.1 + WATCHDOG_TURNS


def test_registers_saved_for_ever_end_in_a_halt(tmp_path: Path) -> None:
    """All over RAM, the kept period and the registers below it, if nothing stopped it."""
    name = "__prologue_saves__"
    flood = (
        '__asm__ volatile("clr r26\\n\\tclr r27\\n\\t'
        f'ldi r30, pm_lo8({name})\\n\\tldi r31, pm_hi8({name})\\n\\tjmp {name}")'
    )
    run = gone_wrong(tmp_path / "flood", flood)
    assert run.counters["resets_watchdog"] == 0
    assert longest_dark_turns(run) < 3.1


def test_a_hit_sum_over_the_tables_costs_no_reset(plover_image: Manifest) -> None:
    """It is found at the end of a pass; what then counts is a pass begun anew."""
    train = pickup_train(steady(RPM, angle_deg=-400.0), plover_image, 0.6)
    at = symbols(chip_job(plover_image, train))["st_checked"]
    upset = Upset(0.2, UpsetSpace.DATA, at, 3)
    run = run_chip(chip_job(plover_image, train, upsets=(upset,), serial=False), "simavr")
    assert sum(run.counters[f"resets_{kind}"] for kind in ("watchdog", "brown_out")) == 0
    assert longest_dark_turns(run) < 1.1
