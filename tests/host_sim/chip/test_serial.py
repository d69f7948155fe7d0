"""If this fails, the emulated serial port says something else, or takes another time to say it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from .conftest import Done, array, train

Emulate = Callable[..., Done]
TEXT = b"$PSTK,ok*00\r\n"
BIT_CYCLES = 8 * (16 + 1)  # DS40002061A 20.3.1, U2X


@pytest.mark.parametrize("parity", [0, 1])
def test_a_line_takes_its_frames_time(emulate: Emulate, parity: int) -> None:
    """S17: start, eight data bits, stop, a parity bit only when there is one; two bytes fit."""
    done = emulate("serial", train([], 5e-3), {"PARITY": parity}, peeks=array("at", 4, 2))
    assert done.run.serial == TEXT
    start, end = done.items("at")[:2]
    waited_bits = (end - start) * 8 / BIT_CYCLES
    # Up to one bit of waiting for the baud clock, and some cycles of polling.
    assert waited_bits == pytest.approx((len(TEXT) - 2) * (10 + parity), abs=1.5)


def test_the_transmitter_is_off_after_reset(emulate: Emulate) -> None:
    """S17: simavr alone enables it, which hides a missing TXEN0."""
    assert emulate("serial", train([], 1e-3), {"PARITY": 0, "SILENT": 1}).run.serial == b""


def test_the_capture_can_be_left_out(emulate: Emulate) -> None:
    assert emulate("serial", train([], 5e-3), {"PARITY": 0}, serial=False).run.serial == b""
