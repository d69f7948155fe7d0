"""How much a crank that is being started may slow between the magnet and the spark.

Below the starting speed the spark is timed from the same magnet pulse: the arc from the
lead edge to the trail edge took ``arc_s``, the spark follows the trail edge by a delay.
At constant speed that delay is ``arc_s * (trail - start) / arc``; against compression the
crank slows, needs longer to reach the start advance, and that delay would put the spark
too early.  The slowing is bounded here: no push of the hand after the lead edge, a
cylinder completely filled, no leak, and the kinetic energy of the flywheel alone paying
for the compression,

    1/2 I w(a)^2 = 1/2 I w_lead^2 - W(lead -> a),   W = integral of (p - p_atm) dV.

Any help (the hand, leaks, a throttle) makes the crank arrive sooner than this bound, so
that the spark is later than the start advance: that costs power, never a kick.
The slowest crank that counts is the one that just carries over top dead centre.

A drill or belt gets the same allowance.  It helps with its torque, which falls from the stall
torque to nothing at its own speed, ``I dw/dt = T_stall (1 - w / w_0) - T_gas``, but it may slip or
be let go at any instant.  Of all cranks that took a given time over the arc, the one without help
came in fastest, lost most and leaves the arc slowest; so one that is let go at the trail edge is
sooner at the start advance than the bound, too.  The starter must not hold the crank back: it has
to free-wheel.
Angles are crank degrees before top dead centre (BTDC), times seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike, NDArray

from .errors import SparktickError
from .slider_crank import (
    ATMOSPHERE_PA,
    COMPRESSION_N_WORST,
    Cylinder,
    compression_work_j,
)

F64 = NDArray[np.float64]

GUARD_DEG_BTDC = 0.5  # a crank that only just carries over takes for ever to reach 0
_NODES, _WEIGHTS = leggauss(96)  # enough for the 1/angle steepness near the guard


@dataclass(frozen=True)
class HandCrank:
    """What slows the crank of a hand-started engine.

    ``cylinders_together`` counts the cylinders that compress in the same half turn (two
    in a two-stroke twin that fires both at once; one in a four-stroke twin).
    ``friction_nm`` is a constant drag torque (0: all drag is left out, as is the help of
    the hand, which in an ordinary turn is greater).
    """

    cylinder: Cylinder
    inertia_kg_m2: float
    cylinders_together: int = 1
    n: float = COMPRESSION_N_WORST
    closed_pa: float = ATMOSPHERE_PA
    friction_nm: float = 0.0


@dataclass(frozen=True)
class SlowingAllowance:
    """The delay after the trail edge that is safe, against the time of the magnet's arc.

    ``arc_s`` (k,) increases, ever more closely, from the starting speed (or half of
    ``carry_arc_s`` when even that is faster) to ``carry_arc_s``, the slowest arc that still
    carries over TDC; ``delay_s`` (k,) the wanted delay; ``steady_delay_s`` (k,) the
    one at constant speed; ``ratio`` (k,) their quotient, >= 1.
    A slower arc than ``carry_arc_s`` is not covered: use the last ratio there, or no spark.
    ``carry_rpm`` is the speed over the arc at ``carry_arc_s``; ``reaches_start_below`` says
    whether a turn at the starting speed carries over without help.  ``target_deg_btdc`` is the
    angle the bound holds for: the start advance, but never nearer to TDC than the guard angle.
    """

    arc_s: F64
    delay_s: F64
    steady_delay_s: F64
    ratio: F64
    carry_arc_s: float
    carry_rpm: float
    target_deg_btdc: float
    reaches_start_below: bool


def work_from_lead_j(crank: HandCrank, lead_deg_btdc: float, deg_btdc: ArrayLike) -> F64:
    """Energy in J the flywheel has given up from the lead edge to ``deg_btdc`` (any shape)."""
    deg = np.asarray(deg_btdc, dtype=np.float64)
    gas = compression_work_j(crank.cylinder, -lead_deg_btdc, -deg, crank.n, crank.closed_pa)
    drag = crank.friction_nm * np.radians(lead_deg_btdc - deg)
    return crank.cylinders_together * gas + drag


def carry_speed_rad_s(crank: HandCrank, lead_deg_btdc: float) -> float:
    """Slowest speed at the lead edge that still carries over TDC, in rad/s."""
    path = np.linspace(lead_deg_btdc, 0.0, 2001)
    need_j = float(np.max(work_from_lead_j(crank, lead_deg_btdc, path)))
    return float(np.sqrt(2.0 * max(need_j, 0.0) / crank.inertia_kg_m2))


def stopping_turn_rpm(crank: HandCrank, lead_deg_btdc: float, turn_deg: float) -> float:
    """Mean speed, rpm, over the ``turn_deg`` before the lead edge of a crank that stops there.

    Nobody helps it, and nothing but this compression slows it, so it has been as fast as it can:
    one that was faster goes on beyond the lead edge. One that stops just behind that edge swings
    back out of the magnet, and its short pulse looks like that of a fast crank; this speed tells
    the two apart, for a crank that carries over has been faster.
    """
    back = turn_deg * np.linspace(0.0, 1.0, 4001) ** 2  # crowds where it is slow
    deg = np.minimum(lead_deg_btdc + back, 180.0)
    spent = work_from_lead_j(replace(crank, friction_nm=0.0), 180.0, deg)
    left = float(spent[0]) - spent + crank.friction_nm * np.radians(back)
    speed = np.sqrt(2.0 * np.maximum(left, 0.0) / crank.inertia_kg_m2)
    time_s = np.sum(np.radians(np.diff(back)) * 2.0 / (speed[1:] + speed[:-1]))
    return float(turn_deg / (6.0 * time_s))


def travel_time_s(
    crank: HandCrank,
    lead_deg_btdc: float,
    speed_rad_s: ArrayLike,
    from_deg_btdc: float,
    to_deg_btdc: float,
) -> F64:
    """Time between two angles for cranks that pass the lead edge at ``speed_rad_s`` (k,).

    Infinite where the crank stops on the way.  Gauss-Legendre quadrature of da / w(a).
    """
    speed = np.atleast_1d(np.asarray(speed_rad_s, dtype=np.float64))
    half = 0.5 * (from_deg_btdc - to_deg_btdc)
    angle = 0.5 * (from_deg_btdc + to_deg_btdc) - half * _NODES
    lost = 2.0 * work_from_lead_j(crank, lead_deg_btdc, angle) / crank.inertia_kg_m2
    square = speed[:, None] ** 2 - lost
    with np.errstate(divide="ignore"):
        slowness = np.where(square > 0.0, 1.0 / np.sqrt(np.maximum(square, 0.0)), np.inf)
    return np.asarray(np.radians(half) * (slowness @ _WEIGHTS), dtype=np.float64)


def stall_deg_btdc(crank: HandCrank, lead_deg_btdc: float, speed_rad_s: float) -> float | None:
    """Angle where a crank that passes the lead edge at this speed stops; None when it carries."""
    path = np.linspace(lead_deg_btdc, 0.0, 20001)
    lost = 2.0 * work_from_lead_j(crank, lead_deg_btdc, path) / crank.inertia_kg_m2
    stopped = np.flatnonzero(lost >= speed_rad_s**2 * (1.0 + 1e-12))
    return float(path[stopped[0]]) if len(stopped) else None


def slowing_allowance(
    crank: HandCrank,
    *,
    lead_deg_btdc: float,
    arc_deg: float,
    start_deg_btdc: float,
    start_below_rpm: float,
    points: int = 64,
) -> SlowingAllowance:
    """Bound the delay from the trail edge to the start advance for every arc time.

    Raises SparktickError when the trail edge is past the start advance.
    """
    trail = lead_deg_btdc - arc_deg
    _check_geometry(lead_deg_btdc, arc_deg, start_deg_btdc)
    start_arc_s = arc_deg / (6.0 * start_below_rpm)
    target = max(start_deg_btdc, min(GUARD_DEG_BTDC, trail))
    carry = carry_speed_rad_s(crank, lead_deg_btdc)
    # a billionth above, so that rounding does not stop the crank short of TDC
    slowest = max(carry * (1.0 + 1e-9), 1e-6)
    carry_arc_s = float(travel_time_s(crank, lead_deg_btdc, slowest, lead_deg_btdc, trail)[0])
    first_s = min(start_arc_s, 0.5 * carry_arc_s)
    speed = _speeds_for_arcs(crank, lead_deg_btdc, arc_deg, slowest, first_s, carry_arc_s, points)
    arc_s = travel_time_s(crank, lead_deg_btdc, speed, lead_deg_btdc, trail)
    steady = arc_s * (trail - start_deg_btdc) / arc_deg
    slowed = travel_time_s(crank, lead_deg_btdc, speed, trail, target)
    delay = np.maximum(slowed, steady)
    return SlowingAllowance(
        arc_s=arc_s,
        delay_s=delay,
        steady_delay_s=steady,
        ratio=np.divide(delay, steady, out=np.ones_like(delay), where=steady > 0.0),
        carry_arc_s=carry_arc_s,
        carry_rpm=arc_deg / (6.0 * carry_arc_s),
        target_deg_btdc=target,
        reaches_start_below=start_arc_s <= carry_arc_s,
    )


def with_drag(crank: HandCrank, friction_nm: float) -> HandCrank:
    """Return the same crank with a constant drag torque."""
    return replace(crank, friction_nm=friction_nm)


def _check_geometry(lead_deg_btdc: float, arc_deg: float, start_deg_btdc: float) -> None:
    trail = lead_deg_btdc - arc_deg
    if arc_deg <= 0.0 or lead_deg_btdc > 180.0:
        raise SparktickError(
            f"pickup.lead_edge_deg_btdc = {lead_deg_btdc:g}, pickup.arc_deg = {arc_deg:g}: the "
            "slowing allowance needs a lead edge within 180 deg BTDC and an arc above 0 deg."
        )
    if start_deg_btdc > trail + 1e-9:
        raise SparktickError(
            f"advance.start_deg_btdc = {start_deg_btdc:g}: the magnet's trail edge comes only at "
            f"{trail:g} deg BTDC (allowed: at most {trail:g}). Move the magnet so that it leaves "
            "the sensor earlier, take a narrower one, or start with less advance."
        )


def _speeds_for_arcs(
    crank: HandCrank,
    lead: float,
    arc_deg: float,
    slowest: float,
    first_s: float,
    last_s: float,
    points: int,
) -> F64:
    """Lead-edge speeds whose arc times run from ``first_s`` to ``last_s``, ascending.

    The delay climbs like a logarithm towards the slowest speed that carries over, so the
    points crowd there: straight lines between few of them then cost little lateness.
    """
    trail = lead - arc_deg
    fastest = np.radians(arc_deg) / first_s + slowest  # an upper bound: slowing adds <= slowest
    crowd = np.linspace(1.0, 0.0, 8 * points) ** 3
    speed = slowest * (fastest / slowest) ** crowd
    arc_s = travel_time_s(crank, lead, speed, lead, trail)
    wanted = last_s * (first_s / last_s) ** (np.linspace(1.0, 0.0, points) ** 3)
    found = np.exp(np.interp(np.log(wanted), np.log(arc_s), np.log(speed)))
    return np.asarray(found, dtype=np.float64)
