"""If this fails, a flipped bit is not in the emulated chip where it was put."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim.chip import Peek, Upset, UpsetSpace, run_chip
from sparktick.host_sim.chip.exchange import symbols

from .conftest import NEEDS, Build, Done, job, train

pytestmark = NEEDS["simavr"]

QUIET = train([], 2e-3)
PEEKS = tuple(Peek(name + "_", name, 1) for name in ("cell", "copy", "starts"))
PORTB, DDRB, WDTCSR = 0x25, 0x24, 0x60
AT_S = 1e-3


@pytest.fixture
def elf(image: Build) -> Path:
    return image("upset")


def flipped(elf: Path, *upsets: Upset) -> Done:
    return Done(run_chip(job(elf, QUIET, peeks=PEEKS, upsets=upsets), "simavr"))


def test_a_bit_of_ram(elf: Path) -> None:
    cell = symbols(job(elf, QUIET))["cell"]
    assert flipped(elf).run.counters["cell_"] == 0x10
    done = flipped(elf, Upset(AT_S, UpsetSpace.DATA, cell, 7))
    assert done.run.counters["cell_"] == 0x90


def test_a_bit_of_an_output_register_moves_the_pin(elf: Path) -> None:
    edges = flipped(elf, Upset(AT_S, UpsetSpace.DATA, PORTB, 1)).edges()
    assert [(on, abs(cycle - 16_000) <= 4) for cycle, on in edges] == [(1, True)]


def test_a_bit_of_a_direction_register_lets_the_pin_go(elf: Path) -> None:
    on = Upset(AT_S, UpsetSpace.DATA, PORTB, 1)
    away = Upset(AT_S + 1e-4, UpsetSpace.DATA, DDRB, 1)
    assert [on for _, on in flipped(elf, on, away).edges()] == [1, 0]


def test_a_bit_of_flash(elf: Path) -> None:
    table = symbols(job(elf, QUIET))["table"]
    done = flipped(elf, Upset(AT_S, UpsetSpace.FLASH, table, 1))
    assert done.run.counters["copy_"] == 0x23


def test_a_program_counter_thrown_into_erased_flash_comes_round_to_the_start(elf: Path) -> None:
    """Erased words do nothing and the counter wraps: the program starts again without a reset."""
    done = flipped(elf, Upset(AT_S, UpsetSpace.PROGRAM_COUNTER, 0, 13))
    assert done.run.counters["starts_"] == 2
    assert done.run.counters["resets_watchdog"] == 0


def test_a_bit_that_starts_the_watchdog_ends_in_resets(elf: Path) -> None:
    """The firmware does not feed it: 16 ms later, and then every 16 ms."""
    bite = Upset(AT_S, UpsetSpace.DATA, WDTCSR, 3)
    done = Done(run_chip(job(elf, train([], 0.04), upsets=(bite,)), "simavr"))
    assert done.run.counters["resets_watchdog"] == 2


@NEEDS["yasimavr"]
def test_the_emulator_without_upsets_says_so(elf: Path) -> None:
    with pytest.raises(RunError, match="simavr"):
        upset = Upset(AT_S, UpsetSpace.DATA, PORTB, 1)
        run_chip(job(elf, QUIET, upsets=(upset,)), "yasimavr")
