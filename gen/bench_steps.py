"""Readings to expect on the bench: strobe, dwell and counts at each speed of one engine."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .design import Design
from .plan import Plan
from .render import manifest_of

STROBE_DEG = 0.5  # what a strobe and a degree wheel tell (common practice, no source)
UNSTEADY = 0.01  # how evenly a drill or motor turns (common practice, no source)
COUNT_S = 10.0
OVER_LIMIT = 1.02
ABOVE_START = 1.05  # nearer to it the firmware may still be in its start mode


@dataclass(frozen=True)
class Step:
    """One speed: expected strobe reading and its tolerance, dwell, and counts in ten seconds.

    ``starting``: the firmware is in its start mode; ``sparks`` is 0 below the floor and above the
    limit, where angle, tolerance and dwell are None.
    """

    rpm: float
    strobe_deg_btdc: float | None
    tolerance_deg: float | None
    dwell_us: float | None
    pulses: int
    sparks: int
    starting: bool = False


def steps(design: Design, plan: Plan) -> list[Step]:
    """Return start, the curve's points with two speeds between each, top speed and limit.

    Tolerance: the strobe's, two timer ticks at that speed, and 1 % of the degrees between edge and
    spark, which a drill's unevenness within a turn may cost.
    """
    points = [rpm for rpm, _ in design.curve]
    between = [a + (b - a) * k / 3 for a, b in pairwise(points) for k in (1, 2)]
    first = ABOVE_START * design.start.below_rpm
    running = sorted({round(rpm) for rpm in (first, *points, *between, design.top_rpm)})
    inside = [rpm for rpm in running if round(first) <= rpm <= design.limit_rpm]
    found = [_silent(design, 0.7 * design.start.floor_rpm)]
    found += [_start_step(design, plan, share) for share in (0.15, 0.6)]
    found += [_step(design, plan, float(rpm)) for rpm in inside]
    return [*found, _silent(design, OVER_LIMIT * design.limit_rpm)]


def _pulses(design: Design, rpm: float) -> int:
    return round(COUNT_S * 6.0 * rpm / design.spacing_deg)


def _silent(design: Design, rpm: float) -> Step:
    return Step(round(rpm), None, None, None, _pulses(design, round(rpm)), 0)


def _tolerance(design: Design, plan: Plan, rpm: float, angle: float, edge: float) -> float:
    return STROBE_DEG + 12.0 * rpm / plan.tick_hz + UNSTEADY * abs(edge - angle)


def _start_step(design: Design, plan: Plan, share: float) -> Step:
    """Return a speed between the start's floor and its end, on a steadily turned crank."""
    low, high = design.start.floor_rpm, design.start.below_rpm
    rpm = float(round(low + share * (high - low)))
    at, deg = zip(*manifest_of(design, plan)["start"]["steady"], strict=True)
    angle = float(np.interp(rpm, at, deg))
    tolerance = _tolerance(design, plan, rpm, angle, design.trail_deg_btdc)
    dwell_us = plan.dwell_ticks / plan.tick_hz * 1e6
    pulses = _pulses(design, rpm)
    return Step(rpm, angle, tolerance, dwell_us, pulses, pulses, starting=True)


def _step(design: Design, plan: Plan, rpm: float) -> Step:
    period_us = design.spacing_deg / (6.0 * rpm) * 1e6
    dwell_us = plan.dwell_ticks / plan.tick_hz * 1e6
    if not plan.spark_on_rise:
        dwell_us = max(min(dwell_us, period_us - design.off_min_s * 1e6), 0.0)
    angle = design.advance_deg(rpm)
    tolerance = _tolerance(design, plan, rpm, angle, design.lead_deg_btdc)
    pulses = _pulses(design, rpm)
    return Step(rpm, angle, tolerance, dwell_us, pulses, pulses)
