"""If this fails, emulated interrupts come at another moment than the chip's, or not at all."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sparktick.host_sim.chip import CoilPin, PickupPin

from .conftest import Done, array, train

Emulate = Callable[..., Done]
QUIET = train([], 1e-3)
SEEN = array("seen", 8, 1)
COUNT = array("count", 1, 2)

# DS40002061A 7.7.1: four clocks to the vector, its JMP takes three; four more from sleep.
MATCH = 101  # one clock after the count of 100
RESPONSE, JMP, WAKE = 4, 3, 4


def seen(emulate: Emulate, number: int, **settings: object) -> list[int]:
    pulses = settings.pop("pulses", QUIET)
    done = emulate("interrupts", pulses, {"CASE": number}, peeks=(*SEEN, *COUNT), **settings)
    return [*done.items("seen"), done.run.counters["count0"]]


def test_the_response_takes_four_clocks_and_the_jump_three(emulate: Emulate) -> None:
    """S6, Y3: simavr alone reads 104 here.  One cycle: an emulator may read one cycle old."""
    assert seen(emulate, 1)[0] in (MATCH + RESPONSE + JMP - 1, MATCH + RESPONSE + JMP)


def test_waking_takes_four_clocks_more(emulate: Emulate) -> None:
    """S6, S7, S13: and asleep the event is not a cycle late."""
    awake = seen(emulate, 1)[0]
    assert seen(emulate, 2)[0] == awake + WAKE


def test_a_one_clears_its_own_flag_only(emulate: Emulate) -> None:
    """S4: DS40002061A 16.11.9."""
    ocf1a, ocf1b = 0x02, 0x04
    assert seen(emulate, 3)[:4] == [ocf1a | ocf1b, ocf1a | ocf1b, ocf1b, 0]


def test_enabling_with_the_flag_set_fires_once(emulate: Emulate) -> None:
    """S5: a stale flag is served as soon as it is enabled, and cleared by that."""
    found = seen(emulate, 4)
    assert [found[0], found[2], found[3], found[4] & 2] == [0, 1, 1, 0]


@pytest.mark.parametrize("how", [5, 6], ids=["sei", "out-sreg"])
def test_one_instruction_runs_after_the_enable(emulate: Emulate, how: int) -> None:
    """S16, Y12: Instruction Set Manual, SEI; OUT SREG from memory (compilers rely on it)."""
    assert seen(emulate, how)[0] == 1


def test_one_instruction_runs_between_two_interrupts(emulate: Emulate) -> None:
    """S16: DS40002061A 7.7: after RETI one more instruction before any pending interrupt."""
    first, second = seen(emulate, 9)[:2]
    assert (first, second) == (1, 2)


def test_sleep_without_its_enable_bit_does_nothing(emulate: Emulate) -> None:
    """S13: DS40002061A 10.11.1."""
    found = seen(emulate, 7)
    assert 0 < found[2] - found[1] < 10


def test_a_low_pin_at_power_up_is_no_interrupt_storm(emulate: Emulate) -> None:
    """S11: set to falling edges, INT0 counts the edges that come."""
    fall = train([100e-6, 200e-6, 300e-6, 400e-6], 1e-3)  # idle low, so two falls
    assert seen(emulate, 8, pulses=fall, pickup=PickupPin("D", 2, 1))[-1] == 2


def test_a_pin_toggled_through_pinx_stays_in_step_with_the_port(emulate: Emulate) -> None:
    """Y10: DS40002061A 14.2.2: a one written to PINx toggles PORTx."""
    done = emulate(
        "interrupts", QUIET, {"CASE": 10}, peeks=SEEN, coils=(CoilPin("B", 5), CoilPin("B", 4))
    )
    assert done.items("seen")[:2] == [0x20, 0x10]
    assert [on for _, on in done.edges(0)] == [1, 0]
    assert [on for _, on in done.edges(1)] == [1, 0, 1]
