"""The line that the firmware tells over serial (see templates_c/core/st_tell.c)."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from operator import xor

from .design import Design
from .plan import Plan

HEADING = "PSTK"
EXAMPLE_SECONDS = 60


def tell_line(mode: int, period_ticks: int, width_ticks: int, counts: Sequence[int]) -> str:
    """Return one line, without its end: 16-bit hex fields, exclusive-or checksum (NMEA 0183).

    >>> tell_line(5, 40000, 3777, [1, 2])
    '$PSTK,0005,0000,9C40,0000,0EC1,0001,0002*3B'
    """
    words = [mode]
    for ticks in (period_ticks, width_ticks):
        words += [ticks >> 16, ticks & 0xFFFF]
    body = ",".join([HEADING, *(f"{word:04X}" for word in (*words, *counts))])
    return f"${body}*{reduce(xor, body.encode()):02X}"


def example_line(design: Design, plan: Plan, mode: int, counters: int) -> str:
    """Return the line after a minute without fault at the speed of the curve's middle point."""
    rpm = example_rpm(design)
    period = round(plan.rpm_ticks / rpm)
    pulses = round(rpm / 60.0 * 360.0 / design.spacing_deg * EXAMPLE_SECONDS)
    counts = [min(pulses, 0xFFFF), min(pulses, 0xFFFF), *[0] * (counters - 2)]
    return tell_line(mode, period, round(period * design.arc_deg / design.spacing_deg), counts)


def example_rpm(design: Design) -> float:
    """Return the speed of the example: the curve's middle point."""
    return design.curve[len(design.curve) // 2][0]
