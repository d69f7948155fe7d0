"""The delay table: straight lines over the period, in the core's own integers, and their proof.

The wanted advance is straight lines over speed and speed is K / period, so the delay
``period * (lead - advance) / spacing`` is itself a straight line over the period between two
corners of the curve: a table with one line a corner is exact but for rounding.  `prove` evaluates
the core's integer arithmetic at every period in range and returns the greatest error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import SparktickError

if TYPE_CHECKING:
    from .edge_cover import GateNeed

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

BYTES_PER_LINE = 16
ALONG_BELOW = 1 << 21  # the core's product of length and slope stays within 32 bits
FALLS = 0x8000
SHIFT_MOST = 8
RISE_BELOW_Q8 = 1 << 30
GATE_FINER = 1.3  # a line is divided where the gate would be this much too wide at its fast end


@dataclass(frozen=True)
class Line:
    """One line of a table as the core holds it (see st_table.c).

    ``slope_q16`` is 16 bits, times 2^shift; ``falls`` tells its sign.
    """

    from_ticks: int
    base_q8: int
    slope_q16: int
    shift: int = 0
    falls: bool = False
    weight_q8: int = 0
    gate_q16: int = 0

    @property
    def form(self) -> int:
        """Shift and sign as the core holds them."""
        return self.shift | (FALLS if self.falls else 0)

    @property
    def packed(self) -> bytes:
        """The 16 bytes in flash, little-endian."""
        head = self.from_ticks.to_bytes(4, "little")
        head += self.base_q8.to_bytes(4, "little", signed=True)
        words = (self.slope_q16, self.form, self.weight_q8, self.gate_q16)
        return head + b"".join(word.to_bytes(2, "little") for word in words)


def make_line(
    start: int, base: float, slope: float, *, weight_q8: int = 0, gate_q16: int = 0
) -> Line:
    """Round a line: base in ticks at ``start``, slope in ticks a tick."""
    magnitude, shift = abs(slope) * 65536.0, 0
    while round(magnitude) > 0xFFFF:
        magnitude, shift = magnitude / 2.0, shift + 1
    falls = slope < 0.0 and round(magnitude) > 0
    return Line(start, round(base * 256.0), round(magnitude), shift, falls, weight_q8, gate_q16)


@dataclass(frozen=True)
class Geometry:
    """What turns an advance into a delay.

    ``rpm_ticks`` is K: speed in rpm times period in ticks; ``spacing_deg`` crank degrees a period;
    ``fixed_ticks`` what the delay is shortened by (sensor, capture, compare, output; may be
    fractional).
    """

    lead_deg_btdc: float
    spacing_deg: float
    rpm_ticks: float
    fixed_ticks: float

    def wanted_ticks(self, period_ticks: ArrayLike, curve: Sequence[tuple[float, float]]) -> F64:
        """Return the exact delay, captured lead edge to compare instant, in ticks a period."""
        period = np.asarray(period_ticks, dtype=np.float64)
        rpm, advance = zip(*curve, strict=True)
        wanted = np.interp(self.rpm_ticks / period, rpm, advance)
        delay = period * (self.lead_deg_btdc - wanted) / self.spacing_deg - self.fixed_ticks
        return np.asarray(delay, dtype=np.float64)


def crc16(lines: Sequence[Line]) -> int:
    """CRC-16, polynomial 0x1021, start 0xFFFF, over the lines as they lie in flash."""
    import binascii

    return binascii.crc_hqx(b"".join(line.packed for line in lines), 0xFFFF)


def evaluate_q8(lines: Sequence[Line], x_ticks: ArrayLike) -> I64:
    """Return the core's delay in 1/256 tick for each x, in exactly its arithmetic (st_line_q8)."""
    x = np.asarray(x_ticks, dtype=np.int64)
    start = np.array([line.from_ticks for line in lines], dtype=np.int64)
    base = np.array([line.base_q8 for line in lines], dtype=np.int64)
    slope = np.array([line.slope_q16 for line in lines], dtype=np.int64)
    shift = np.array([line.shift for line in lines], dtype=np.int64)
    sign = np.array([-1 if line.falls else 1 for line in lines], dtype=np.int64)
    index = np.clip(np.searchsorted(start, x, side="right") - 1, 0, len(lines) - 1)
    along = np.maximum(x - start[index], 0)
    rise = (along >> 8) * slope[index] + (((along & 0xFF) * slope[index]) >> 8)
    delay = base[index] + sign[index] * (rise << shift[index])
    return np.asarray(delay, dtype=np.int64)


def run_lines(
    geometry: Geometry,
    curve: Sequence[tuple[float, float]],
    slowest_ticks: int,
    fastest_ticks: int,
    need: GateNeed,
    most_lines: int,
) -> tuple[Line, ...]:
    """Lines of the running table, fastest first.

    Lines are divided so that the gate stays close to its ``need``, as far as ``most_lines``
    allows.
    """
    corners = _corners(geometry, curve, slowest_ticks, fastest_ticks)
    if len(corners) > most_lines:
        raise SparktickError(
            f"advance.curve: {len(corners) - 1} corners need a table of {len(corners)} lines "
            f"(allowed: {most_lines}). Leave out points that change the curve least."
        )
    starts = _divide(corners, slowest_ticks, need, most_lines)
    ends = [*starts[1:], slowest_ticks + 1]
    return tuple(
        _line(geometry, curve, start, end, corners, need)
        for start, end in zip(starts, ends, strict=True)
    )


def _corners(
    geometry: Geometry, curve: Sequence[tuple[float, float]], slowest: int, fastest: int
) -> list[int]:
    ticks = {0}
    for rpm, _ in curve:
        at = int(np.ceil(geometry.rpm_ticks / rpm))
        if fastest < at < slowest:
            ticks.add(at)
    return sorted(ticks)


def gate_q16(need: GateNeed, period_ticks: float) -> int:
    """Half width of the gate up to one period, 1/65536 of it, rounded up."""
    return int(np.ceil(need.at(period_ticks) * 65536.0))


def _divide(corners: list[int], slowest: int, need: GateNeed, most_lines: int) -> list[int]:
    """Add starts where the gate changes most, until it fits or there is no room."""
    starts = list(corners)
    while len(starts) < most_lines:
        ends = [*starts[1:], slowest]
        excess = [
            need.at(end) / need.at(max(start, 1)) for start, end in zip(starts, ends, strict=True)
        ]
        worst = int(np.argmax(excess))
        if excess[worst] <= GATE_FINER:
            break
        at = int(need.middle(float(starts[worst]), float(ends[worst])))
        if not starts[worst] < at < ends[worst]:
            break
        starts.insert(worst + 1, at)
    return starts


def _line(
    geometry: Geometry,
    curve: Sequence[tuple[float, float]],
    start: int,
    end: int,
    corners: list[int],
    need: GateNeed,
) -> Line:
    """Return the exact line of the curve's segment that holds [start, end), rounded."""
    corner = max(c for c in corners if c <= start)
    later = [c for c in corners if c > corner]
    far = later[0] - 1 if later else max(corner * 2, end, 2)
    a, b = max(corner, 1), max(far, corner + 1, 2)
    if corner == 0:  # fastest line: the last advance holds, straight through the origin
        a = max(b // 2, 1)
    at_a, at_b = geometry.wanted_ticks([float(a), float(b)], curve)
    slope = (at_b - at_a) / (b - a)
    base = at_a + (start - a) * slope
    part = (base + geometry.fixed_ticks + slope * 0.5 * (end - start)) / (0.5 * (start + end))
    return make_line(
        start,
        base,
        slope,
        weight_q8=round(256.0 * (0.5 + 0.5 * part)),
        gate_q16=gate_q16(need, end),
    )


def start_lines(width_ticks: F64, delay_ticks: F64, fixed_ticks: float) -> tuple[Line, ...]:
    """Lines of the start table through (width, delay) points, width ascending, delay convex.

    Before the first point the line runs from the origin through it; chords of a convex curve lie
    above it, so the delay is never less than the points ask for.  Nothing sparks beyond the last
    point of a hand start; a single point is a constant ratio.
    """
    width = np.asarray(width_ticks, dtype=np.float64)
    delay = np.asarray(delay_ticks, dtype=np.float64)
    lines = [_chord(0.0, 0.0, width[0], delay[0], fixed_ticks)]
    for k in range(len(width) - 1):
        lines.append(_chord(width[k], delay[k], width[k + 1], delay[k + 1], fixed_ticks))
    return tuple(lines)


def _chord(x0: float, y0: float, x1: float, y1: float, fixed_ticks: float) -> Line:
    start = int(np.floor(x0))
    slope = (y1 - y0) / (x1 - x0)
    base = y0 + (start - x0) * slope - fixed_ticks
    return make_line(start, base, slope)


def check_range(lines: Sequence[Line], longest_ticks: int, key: str) -> None:
    """Refuse a table whose products would leave the core's 32 bits."""
    starts = [line.from_ticks for line in lines[1:]] + [longest_ticks]
    rise = max(
        (end - line.from_ticks) * (line.slope_q16 << line.shift) / 256.0
        for line, end in zip(lines, starts, strict=True)
    )
    steep = max(line.shift for line in lines)
    if longest_ticks >= ALONG_BELOW or steep > SHIFT_MOST or rise >= RISE_BELOW_Q8:
        raise SparktickError(
            f"{key}: the delays at the lowest speed are too long for the chip's 32-bit sums "
            f"({longest_ticks} ticks, allowed below {ALONG_BELOW}). Raise the lowest speed, or "
            "place the magnet nearer to the spark."
        )


def prove(
    lines: Sequence[Line],
    geometry: Geometry,
    curve: Sequence[tuple[float, float]],
    fastest_ticks: int,
    slowest_ticks: int,
) -> float:
    """Greatest error of the table in crank degrees, over every period from fastest to slowest.

    The error is that of the integer delay in 1/256 tick against the exact one; the rounding to a
    whole tick, half a tick at most, is not in it.
    """
    worst = 0.0
    block = 1 << 18  # keeps memory small whatever the range
    for first in range(fastest_ticks, slowest_ticks + 1, block):
        period = np.arange(first, min(first + block, slowest_ticks + 1), dtype=np.int64)
        wanted = geometry.wanted_ticks(period, curve)
        error_ticks = evaluate_q8(lines, period) / 256.0 - wanted
        worst = max(worst, float(np.max(np.abs(error_ticks) / period)) * geometry.spacing_deg)
    return worst
