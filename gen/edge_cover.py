"""Whether gate or blanking can hide a true edge, at any speed and acceleration in range.

Gate: the core expects the next lead edge where its predictor says, and listens as far around that
place as the delay table's line says (st_foresee). Here the crank is followed exactly: two turns of
one constant acceleration, then a turn of another. In range is every acceleration the engine is said
to have, as far as it changes an interval by no more than CHANGE_MOST of the one before: a crank
that is turned up or stopped faster needs a gate that noise walks through.

Blanking: an edge that falls into it is believed when its level is still there at its end (st_hold).
So a pulse, and the pause behind it, must outlast what is left of the blanking.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .delay_table import Line, evaluate_q8
from .errors import DescriptionError, Fault

if TYPE_CHECKING:
    from .design import Design

F64 = NDArray[np.float64]

SPEEDS = 160
RATES = 65  # accelerations tried for the turns before
MOST_GATE_PART = 0.45  # half width, part of the interval: no turn in range needs more
# Of an interval, from one to the next.  A trend that is carried on and does not hold is off by
# itself too: with it the same gate is for less change.
CHANGE_MOST = {"last": 0.36, "trend": 0.2, "same-stroke": 0.36}
TREND_MOST = 0.25  # as st_trend holds it
DEG_S_PER_RPM = 6.0
# Alarm flag to capture armed or level read, CPU clocks, as the bench has it: latency and handler,
# and the main loop in one of its short stretches without interrupts.
OPEN_CYCLES = 1250.0
OPEN_SPARE_PART = 0.005  # scatter that is left to cover when the gate opens that late


@dataclass(frozen=True)
class Turns:
    """Last edges and extremes of the next one, in seconds; arrays of one shape.

    ``last_s`` interval that has just ended; ``expected_s`` predicted next; ``soonest_s`` and
    ``latest_s`` the next at the greatest acceleration and deceleration in range (``up_rpm_s``,
    ``down_rpm_s``); ``rpm`` at the last edge, ``before_rpm_s`` acceleration until then.
    """

    rpm: F64
    before_rpm_s: F64
    up_rpm_s: F64
    down_rpm_s: F64
    last_s: F64
    expected_s: F64
    soonest_s: F64
    latest_s: F64


def _span_s(speed: F64, accel: F64, deg: float) -> F64:
    """Seconds for ``deg`` from a speed (deg/s) at constant acceleration (deg/s^2); nan: never.

    A negative ``deg`` looks back, and gives how long ago.
    """
    square = speed**2 + 2.0 * accel * deg
    root = np.sqrt(np.where(square > 0.0, square, np.nan))
    return np.asarray(np.abs(2.0 * deg / (speed + root)))


def _trend(newer: F64, older: F64) -> F64:
    most = TREND_MOST * newer
    return np.asarray(np.clip(newer - older, -most, most))


def _within(interval: F64, before: F64, change: float) -> NDArray[np.bool_]:
    # rounding must not leave out what lies exactly on the border
    return np.asarray(np.abs(interval / before - 1.0) <= change * (1.0 + 1e-9))


def turns_of(design: Design, slowest_rpm: float) -> Turns:
    """Return the turns in range, from ``slowest_rpm`` to the speed limit."""
    most = design.accel_rpm_per_s * DEG_S_PER_RPM
    spacing = design.spacing_deg
    speeds = np.geomspace(slowest_rpm, design.limit_rpm, SPEEDS) * DEG_S_PER_RPM
    change = CHANGE_MOST[design.predictor]
    # No turn of greater acceleration is in range.
    border = 2.0 * change / (1.0 - change) ** 2 * speeds**2 / spacing
    border = np.minimum(most, border)[:, None]
    newer = border * np.linspace(-1.0, 1.0, RATES)
    speed = np.broadcast_to(speeds[:, None], newer.shape)
    last = _span_s(speed, newer, -spacing)
    before = _span_s(speed, newer, -2.0 * spacing) - last
    slowest_s = spacing / (DEG_S_PER_RPM * slowest_rpm)  # a longer one is start mode's
    good = np.isfinite(before) & _within(last, before, change) & (last <= slowest_s)

    def rate_for(interval: F64) -> F64:
        return np.asarray(2.0 * (spacing - speed * interval) / interval**2)

    up = np.minimum(most, rate_for((1.0 - change) * last))
    down = np.maximum(-most, rate_for((1.0 + change) * last))
    good &= (up >= -most) & (down <= most)
    expected = last + _trend(last, before) if design.predictor == "trend" else last
    return Turns(
        rpm=speed[good] / DEG_S_PER_RPM,
        before_rpm_s=newer[good] / DEG_S_PER_RPM,
        up_rpm_s=up[good] / DEG_S_PER_RPM,
        down_rpm_s=down[good] / DEG_S_PER_RPM,
        last_s=last[good],
        expected_s=expected[good],
        soonest_s=_span_s(speed, up, spacing)[good],
        latest_s=_span_s(speed, down, spacing)[good],
    )


@dataclass(frozen=True)
class GateNeed:
    """Half width that the gate needs, as a part of the period; rises with the period."""

    period_ticks: F64
    part: F64

    def at(self, period_ticks: float) -> float:
        """Return the part at one period; the ends hold beyond them."""
        return float(np.interp(period_ticks, self.period_ticks, self.part))

    def middle(self, start: float, end: float) -> float:
        """Return the period between two at which the part is half way between theirs."""
        inside = np.linspace(start, end, 257)
        parts = np.interp(inside, self.period_ticks, self.part)
        return float(inside[int(np.argmin(np.abs(parts - 0.5 * (parts[0] + parts[-1]))))])


def gate_need(design: Design, turns: Turns, floor: float, most: float) -> GateNeed:
    """Return what the gate needs at each period, up to ``most``.

    Scatter (``floor``) is included, and that the gate opens late by what the chip takes for it:
    then a part of the scatter must still be covered.
    """
    open_s = OPEN_CYCLES / design.board.f_cpu_hz
    early = turns.expected_s + open_s - turns.soonest_s
    off = np.maximum(turns.latest_s - turns.expected_s, turns.expected_s - turns.soonest_s)
    part = floor + np.maximum(off / turns.last_s, 0.0)
    part = np.maximum(part, OPEN_SPARE_PART + early / turns.last_s)
    order = np.argsort(turns.last_s)
    period = turns.last_s[order] * design.board.tick_hz
    rising = np.minimum(np.maximum.accumulate(part[order]), most)
    keep = np.append(0, np.flatnonzero(np.diff(rising) > 0.0) + 1)  # where it rises: never too low
    return GateNeed(period[keep], rising[keep])


def _gate_part(table: Sequence[Line], period_ticks: F64) -> F64:
    start = np.array([line.from_ticks for line in table])
    part = np.array([line.gate_q16 for line in table]) / 65536.0
    index = np.clip(np.searchsorted(start, period_ticks, side="right") - 1, 0, len(table) - 1)
    return np.asarray(part[index])


def check_gate(design: Design, table: Sequence[Line], turns: Turns) -> None:
    """Refuse a table whose gate could close, or open too late, around a true lead edge.

    The table is made for the turns in range; what it may lack is the time that the chip takes to
    open the gate, at the greatest speeds.
    """
    if not design.layers.gate:
        return
    within = _gate_part(table, turns.last_s * design.board.tick_hz) * turns.last_s
    open_s = OPEN_CYCLES / design.board.f_cpu_hz
    late = turns.latest_s - (turns.expected_s + within)
    early = (turns.expected_s - within + open_s) - turns.soonest_s
    i = int(np.argmax(np.maximum(late, early) / turns.last_s))
    if max(late[i], early[i]) <= 0.0:
        return
    short_deg = float(max(late[i], early[i]) / turns.last_s[i]) * design.spacing_deg
    then = turns.down_rpm_s[i] if late[i] >= early[i] else turns.up_rpm_s[i]
    least = np.ceil((design.gate_margin_deg + short_deg) * 10.0) / 10.0
    raise DescriptionError(
        Fault(
            design.name,
            "noise.gate_margin_deg",
            f"the gate can hide a true edge: at {turns.rpm[i]:.0f} rpm, after "
            f"{turns.before_rpm_s[i]:+.0f} rpm/s, a turn at {then:+.0f} rpm/s brings it "
            f"{short_deg:.1f} deg outside",
            value=design.gate_margin_deg,
            allowed=f"at least {least:g} deg",
            remedy="Raise it, lower the speed limit, or write [noise] gate = false.",
        )
    )


@dataclass(frozen=True)
class _Coil:
    """Where in the turn the coil switches, seconds after the lead edge; arrays over speeds."""

    rpm: F64
    period_s: F64
    arc_s: F64
    off_s: F64
    on_s: F64
    ahead: NDArray[np.bool_]  # charged before the edge: when exactly is not known at the edge


def _coil_of(
    design: Design, table: Sequence[Line], dwell_s: float, guard_s: float, slowest_rpm: float
) -> _Coil:
    rpm = np.geomspace(slowest_rpm, design.limit_rpm, SPEEDS)
    period = design.spacing_deg / (DEG_S_PER_RPM * rpm)
    tick_hz = design.board.tick_hz
    delay = evaluate_q8(table, (period * tick_hz).astype(np.int64)) / 256.0 / tick_hz
    arc = period * design.arc_deg / design.spacing_deg
    if design.spark_on_rise:
        return _Coil(rpm, period, arc, delay + dwell_s, delay, np.zeros(len(rpm), dtype=bool))
    return _Coil(rpm, period, arc, delay, delay - dwell_s, delay < dwell_s + guard_s)


def _left_s(switch_s: F64, blank_s: float, edge_s: F64, confirm_s: float) -> F64:
    """How long after an edge the blanking of one switching still runs, if it touches it at all."""
    left = switch_s + blank_s - edge_s
    touches = (left > 0.0) & (switch_s <= edge_s + confirm_s)
    return np.where(touches, left, 0.0)


def check_blanking(
    design: Design, table: Sequence[Line], dwell_s: float, guard_s: float, slowest_rpm: float
) -> None:
    """Refuse blanking that a pulse or the pause behind it would not outlast, at any speed."""
    layers = design.layers
    coil = _coil_of(design, table, dwell_s, guard_s, slowest_rpm)
    rate = design.accel_rpm_per_s * DEG_S_PER_RPM
    shorter = np.minimum(
        rate * coil.period_s**2 / design.spacing_deg, CHANGE_MOST[design.predictor]
    )
    next_s = (1.0 - shorter) * coil.period_s
    read_s = OPEN_CYCLES / design.board.f_cpu_hz
    confirm = layers.confirm_s
    lead = np.zeros(len(coil.rpm))
    for name, blank_s, before_lead, after_lead in (
        ("off", layers.blank_off_s, coil.off_s, coil.off_s),
        ("on", layers.blank_on_s, None, coil.on_s),
    ):
        if blank_s <= 0.0:
            continue
        if before_lead is not None:  # the spark of the pulse before
            left_lead = _left_s(before_lead, blank_s, next_s, confirm)
        else:
            left_lead = np.where(coil.ahead, confirm + blank_s, lead)
        left_trail = _left_s(after_lead, blank_s, coil.arc_s, confirm)
        _refuse(design, name, blank_s, coil.rpm, left_lead, coil.arc_s - read_s, "the magnet")
        pause_s = next_s - coil.arc_s - design.service_s
        if layers.arc_check:
            _refuse(design, name, blank_s, coil.rpm, left_trail, pause_s, "the pause")
        if not design.spark_on_rise:
            due_s = coil.off_s - design.service_s
            _refuse(design, name, blank_s, coil.rpm, left_lead, due_s, "the time to the spark")


def _refuse(
    design: Design, name: str, blank_s: float, rpm: F64, left_s: F64, room_s: F64, what: str
) -> None:
    over = np.where(left_s > 0.0, left_s - room_s, -np.inf)
    i = int(np.argmax(over))
    if over[i] <= 0.0:
        return
    cause = "a spark" if name == "off" else "charging begins"
    raise DescriptionError(
        Fault(
            design.name,
            f"noise.blank_after_{name}_us",
            f"it can hide a true edge: at {rpm[i]:.0f} rpm it still runs {left_s[i] * 1e6:.0f} us "
            f"after an edge soon after {cause}, and {what} leaves {room_s[i] * 1e6:.0f} us",
            value=round(blank_s * 1e6),
            allowed=f"up to {max(blank_s - over[i], 0.0) * 1e6:.0f} us",
            remedy="Lower it, lower the speed limit, or move the magnet or make it longer.",
        )
    )
