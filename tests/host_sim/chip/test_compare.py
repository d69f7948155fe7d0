"""If this fails, the emulated coil pin switches when the chip's would not, or at another cycle."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim.chip import CoilPin, run_chip

from .conftest import F_CPU_HZ, NEEDS, OC1A, OC1B, Build, Done, array, job, train

Emulate = Callable[..., Done]
QUIET = train([], 0.02)
AT = array("at", 8, 2)


def phase_cycle(done: Done) -> int:
    """Cycle at which timer 1 stepped to 0."""
    return round(done.run.timer_phase_s * F_CPU_HZ)


def case(number: int) -> dict[str, int]:
    return {"CASE": number}


def test_overflow_and_register_writes_do_not_move_the_pin(emulate: Emulate) -> None:
    """S1, Y2: clear on match, and nothing that could set it."""
    done = emulate("compare", QUIET, case(1))
    assert done.edges() == []
    assert done.run.facts["cycles"] > 4 * 65536


def test_the_edge_comes_one_tick_after_the_count(emulate: Emulate) -> None:
    """S7, Y13: DS40002061A 16.7: the match sets OCF and the pin at the next timer clock."""
    done = emulate("compare", QUIET, case(2))
    zero = phase_cycle(done)
    assert done.edges() == [(zero + 8 * 1001, 1), (zero + 8 * 3001, 0)]


def test_the_port_register_stays_behind_the_compare_unit(emulate: Emulate) -> None:
    """S2: DS40002061A 16.7: the general I/O port function is overridden by OC1x."""
    done = emulate("compare", QUIET, case(3))
    assert done.edges() == [(phase_cycle(done) + 501, 1)]


def test_forced_compare_acts_at_once_and_on_both_units(emulate: Emulate) -> None:
    """S3, Y11: DS40002061A 16.11.3."""
    done = emulate("compare", QUIET, case(4), coils=(OC1A, OC1B))
    a, b = done.edges(0), done.edges(1)
    assert [on for _, on in a] == [1, 0] and [on for _, on in b] == [1]
    assert 100 <= a[1][0] - a[0][0] <= 110
    assert a[1][0] == b[0][0], "one write, one instant"


def test_a_disconnected_pin_follows_port_and_direction(emulate: Emulate) -> None:
    """S2, Y2: COM = 0 hands the pin back; undriven, the gate's pull-down wins."""
    edges = emulate("compare", QUIET, case(5)).edges()
    assert [on for _, on in edges] == [1, 0, 1, 0]
    assert all(100 <= b - a <= 106 for (a, _), (b, _) in pairwise(edges))


def test_the_last_count_matches_too(emulate: Emulate) -> None:
    """S1: the match of 0xFFFF and the overflow are the same clock."""
    done = emulate("compare", QUIET, case(6))
    cycles = [cycle for cycle, _ in done.edges()]
    assert (cycles[0] - phase_cycle(done)) % 65536 == 0
    assert list(np.diff(cycles)) == [65536] * (len(cycles) - 1) and len(cycles) == 5


def test_a_pending_interrupt_does_not_hide_a_match(emulate: Emulate) -> None:
    """S1: the pin and the interrupt flag are separate."""
    done = emulate("compare", QUIET, case(7))
    cycles = [cycle for cycle, _ in done.edges()]
    assert cycles[0] == phase_cycle(done) + 2001
    assert list(np.diff(cycles)) == [65536] * (len(cycles) - 1) and len(cycles) >= 4


def test_the_count_survives_stop_write_and_change_of_clock(emulate: Emulate) -> None:
    """S12: nothing but a write or the clock moves TCNT1."""
    at = emulate("compare", QUIET, case(8), peeks=AT).items("at")
    assert at[0] == 0x1234
    assert 1000 <= at[1] - at[0] <= 1020 and at[2] == at[1]
    assert 0 <= at[3] - at[2] <= 3, "at an eighth of the clock"
    assert 0 < at[4] - at[3] <= 20


def test_sixteen_bit_registers_share_one_temporary_byte(emulate: Emulate) -> None:
    """S9: DS40002061A 16.3; what an interrupt between two halves corrupts."""
    at = emulate("compare", QUIET, case(9), peeks=AT).items("at")
    assert at[:3] == [0x1234, 0xAB55, 0]


@NEEDS["simavr"]
def test_a_prescaler_reset_moves_the_tick_grid(image: Build) -> None:
    """S12: DS40002061A 17.2; yasimavr has no GTCCR."""
    done = Done(run_chip(job(image("compare", **case(10)), QUIET), "simavr"))
    reset_cycle = done.edges()[0][0] + 1  # the two instructions OUT PORTB, OUT GTCCR
    assert (phase_cycle(done) - reset_cycle) % 64 <= 1


@pytest.mark.parametrize("ports", [("B", 9), ("Q", 0)])
def test_the_two_emulators_name_a_pin_that_is_not_there(
    emulator: str, image: Build, ports: tuple[str, int]
) -> None:
    with pytest.raises(RunError, match=r"pin|port"):
        run_chip(job(image("compare", CASE=1), QUIET, coils=(CoilPin(*ports),)), emulator)
