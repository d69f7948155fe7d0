"""A start advance and an advance curve to begin with, from the engine's size, fuel and speeds.

The model (``burn``): the angle from the spark to half the charge burnt grows with the cube root of
speed, and the best advance puts half burnt 9 deg after top dead centre.  It knows nothing of the
chamber's shape, the plug's place, the mixture or the wear of one engine: what it gives is where to
begin, from below.  Angles are crank degrees BTDC.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import burn
from .burn import FUELS, burn_of, wiebe_share_at
from .engine import Engine
from .errors import SparktickError
from .slider_crank import COMPRESSION_N, Cylinder

POINTS = 6
ROUND_DEG = 0.5
BEGIN_LESS_DEG = 5.0
BEGIN_LESS_PART = 0.2
# So early that a tenth of the charge burns by dead centre is on the edge of kicking back; half of
# that by hand or cord.  Common practice, no source.
START_BURNT = 0.10
START_PART = {"hand": 0.5, "cord": 0.5, "drill": 0.8, "belt": 0.8}
START_MOST_DEG = {"hand": 5.0, "cord": 5.0, "drill": 8.0, "belt": 8.0}
MOST_DEG = 45.0
LIMIT_OVER_TOP = 1.06


@dataclass(frozen=True)
class Constant:
    """A number of the model, with where it is from."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True)
class Suggestion:
    """What to begin with.

    ``curve`` is what the model thinks best, ``begin_curve`` where to begin, below it; both
    ((rpm, deg BTDC), ...).  ``start_below_rpm``, ``start_deg_btdc`` and ``limit_rpm`` for
    [advance].
    """

    fuel: str
    start_deg_btdc: float
    start_below_rpm: float
    curve: tuple[tuple[float, float], ...]
    begin_curve: tuple[tuple[float, float], ...]
    limit_rpm: float
    constants: tuple[Constant, ...]

    def toml(self) -> str:
        """Return the lines of [advance] to begin with."""
        points = ", ".join(f"[{rpm:.0f}, {deg:.1f}]" for rpm, deg in self.begin_curve)
        return (
            "[advance]\n"
            f"start_deg_btdc = {self.start_deg_btdc:.1f}\n"
            f"start_below_rpm = {self.start_below_rpm:.0f}\n"
            f"curve = [{points}]\n"
            f"limit_rpm = {self.limit_rpm:.0f}\n"
        )


HOW_TO_FIND = (
    "Begin with the lower curve, on a bench, with the fuel and plug it will keep.",
    "Warm it up.  Hold one speed at full throttle against a steady load (a fan or propeller).",
    "Add 2 deg at that speed and let it settle; go on while the speed rises.",
    "Where it stops rising, take 2 deg back; where it rings, knocks or runs hot, take 4 back.",
    "Do that at three speeds or more, slowest first, and draw the curve through what you found.",
    "Last, the start: from 0 deg upwards, never so far that the crank is felt to hesitate.",
)


def suggest_for(engine: Engine) -> Suggestion:
    """Propose a curve for a described engine; its own curve is not looked at."""
    part = engine.engine
    return suggest(
        Cylinder(
            part.bore_mm * 1e-3,
            part.stroke_mm * 1e-3,
            part.rod_mm * 1e-3,
            part.compression_ratio,
            part.compression_begins_deg_btdc,
        ),
        strokes=part.strokes,
        fuel=part.fuel,
        idle_rpm=part.idle_rpm,
        top_rpm=part.top_rpm,
        starter=part.starter,
        starter_rpm=part.starter_rpm,
    )


def suggest(
    cylinder: Cylinder,
    *,
    strokes: int,
    fuel: str,
    idle_rpm: float,
    top_rpm: float,
    starter: str,
    starter_rpm: float,
) -> Suggestion:
    """Propose start advance and curve.

    Raises SparktickError, naming the key, for an unknown fuel or starter, a compression ratio or
    rod that no engine has, or speeds in the wrong order.
    """
    _check(cylinder, fuel, starter, idle_rpm, top_rpm)
    whole = burn_of(cylinder, FUELS[fuel], strokes=strokes)
    start_below = _round_rpm(min(0.7 * idle_rpm, 3000.0))
    speeds = np.geomspace(start_below, top_rpm, POINTS)
    speeds = np.array([_round_rpm(rpm) for rpm in speeds.tolist()])
    early = float(whole.whole_deg(starter_rpm)) * float(wiebe_share_at(START_BURNT))
    start_deg = _round_deg(min(START_PART[starter] * early, START_MOST_DEG[starter]))
    best = np.clip(whole.best_advance_deg(speeds), start_deg, MOST_DEG)
    less = np.maximum(best - np.maximum(BEGIN_LESS_DEG, BEGIN_LESS_PART * best), start_deg)
    return Suggestion(
        fuel=fuel,
        start_deg_btdc=start_deg,
        start_below_rpm=float(start_below),
        curve=_points(speeds, best),
        begin_curve=_points(speeds, less),
        limit_rpm=_round_rpm(LIMIT_OVER_TOP * top_rpm),
        constants=_constants(fuel, strokes, starter),
    )


def _check(cylinder: Cylinder, fuel: str, starter: str, idle: float, top: float) -> None:
    if fuel not in FUELS:
        raise SparktickError(f"[engine] fuel = {fuel}: not known (allowed: {' | '.join(FUELS)})")
    if starter not in START_PART:
        allowed = " | ".join(START_PART)
        raise SparktickError(f"[engine] starter = {starter}: not known (allowed: {allowed})")
    if cylinder.compression_ratio < 3.0:
        raise SparktickError(
            f"[engine] compression_ratio = {cylinder.compression_ratio:g}: nothing burns well "
            "(allowed: 3 to 18)\n    It is the volume at the bottom over that at the top."
        )
    if cylinder.rod_m <= 0.5 * cylinder.stroke_m:
        raise SparktickError(
            f"[engine] rod_mm = {cylinder.rod_m * 1e3:g}: the crank cannot turn (allowed: above "
            f"{cylinder.stroke_m * 500.0:g}, half the stroke)\n    Measure from centre to centre."
        )
    if top < 1.2 * idle:
        raise SparktickError(
            f"[engine] top_rpm = {top:g}: too close to idle (allowed: at least {1.2 * idle:g} rpm)"
            "\n    A curve needs room between idle and top speed."
        )


def _round_deg(deg: float) -> float:
    return round(deg / ROUND_DEG) * ROUND_DEG


def _round_rpm(rpm: float) -> float:
    return float(round(rpm / 100.0) * 100 if rpm >= 1000.0 else round(rpm / 50.0) * 50)


def _points(speeds: burn.F64, degrees: burn.F64) -> tuple[tuple[float, float], ...]:
    pairs = zip(speeds.tolist(), degrees.tolist(), strict=True)
    return tuple((float(rpm), _round_deg(deg)) for rpm, deg in pairs)


def _constants(fuel: str, strokes: int, starter: str) -> tuple[Constant, ...]:
    known = FUELS[fuel]
    practice = "common practice, no source"
    return (
        Constant(
            "half burnt at best torque",
            burn.BEST_HALF_BURNT_DEG_ATDC,
            "deg after TDC",
            "8 to 10: Heywood 15.3, from memory",
        ),
        Constant("burn constant C", burn.BURN_C, "1", f"fitted: {practice}"),
        Constant("Wiebe a", burn.WIEBE_A, "1", "BurnFraction, Ferguson and Kirkpatrick ex. 2.4"),
        Constant("Wiebe m", burn.WIEBE_M, "1", "as usual with a = 5; from memory"),
        Constant(
            f"laminar speed of {fuel} at 298 K, 1 atm",
            known.laminar_m_per_s,
            "m/s",
            f"{known.source}, in Heywood 9.3; from memory",
        ),
        Constant("its power of temperature", known.t_power, "1", f"{known.source}; from memory"),
        Constant("its power of pressure", known.p_power, "1", f"{known.source}; from memory"),
        Constant("polytropic exponent", COMPRESSION_N, "1", "Heywood 9.2: 1.3 to 1.35; memory"),
        Constant("richness", burn.RICHNESS, "1", practice),
        Constant("temperature of the charge", burn.CHARGE_K, "K", practice),
        Constant(
            "residual gas, full charge, times ratio",
            burn.RESIDUAL * (burn.RESIDUAL_TWO_STROKE if strokes == 2 else 1.0),
            "1",
            "from memory" if strokes == 4 else practice,
        ),
        Constant("burnt by TDC at the start, at most", START_BURNT, "1", practice),
        Constant(f"part of that for a start by {starter}", START_PART[starter], "1", practice),
        Constant("begin below the model by, at least", BEGIN_LESS_DEG, "deg", practice),
        Constant("or by that part of it, if more", BEGIN_LESS_PART, "1", practice),
        Constant("most advance proposed", MOST_DEG, "deg", practice),
    )
