"""Choosing how the firmware foresees the crank's speed, by turning the user's engine.

A steady crank is foreseen by anything; a small engine's is not steady.  The engine is turned at
idle, against a heavy load, at the top and through changes (``host_sim.engine_cycles``, no compiler
needed), its pickup edges are taken with a sensor's jitter and the timer's whole ticks, and each
predictor's sparks are put where the firmware's arithmetic would put them.  What counts is the
worst of them against the curve at the crank's true speed.

Predictors (the interval T ends at the pulse's lead edge):

- ``last``: T;
- ``trend``: T + (T - T before)(1/2 + delay / 720 deg);
- ``same-stroke``: T + (T - T before) 9/16, speeding up by an eighth of T at most, + what was wrong
  with that at the pulse before the last: the period its own arc told, less what had been foreseen.
  A four-stroke's turns alternate, and that with them; the pulse two before it must agree, and the
  smaller of both counts.

With ``arc_timing`` a spark that is still to come when the magnet leaves is timed anew from the
pulse's own arc.  What that tells is left alone within 1/512, so that an even crank is timed as
exactly as by whole turns.  It needs an arc that was measured: one that is computed from the
magnet's field is not known well enough.  Angles are crank degrees, times seconds unless a name says
ticks.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .design import LEAST_GATE_PART, Design
from .edge_cover import MOST_GATE_PART
from .engine import Engine
from .errors import SparktickError
from .turning import SEED, STEADY, motions_of

if TYPE_CHECKING:
    from sparktick.host_sim.run import Motion

    from .pipeline import Product

F64 = NDArray[np.float64]
Motions = dict[str, "Motion"]

PREDICTORS = ("last", "trend", "same-stroke")
SENSOR_JITTER_S = 1e-6  # of each edge, evenly spread either way; common practice, no source
# How well the arc is known: by pickup lamp and degree wheel, or computed from the field; no source.
ARC_KNOWN_DEG, ARC_COMPUTED_DEG = 0.3, 2.0
GATE_SPARE = 1.5
LIKE_WEIGHT = 9.0 / 16.0
LIKE_MOST = 1.0 / 8.0  # of an interval: more speed gained in a turn is not carried on
LEAST_OFF = 1.0 / 512.0  # an arc's period is left alone within that part of the foreseen one
ARC_TOLERANCE_MOST = 0.8
ARC_WORTH_DEG = 0.2  # a measured arc is asked for when it is worth more
WORSE_BY_DEG = 0.05  # a simpler predictor is kept when it is worse by less


@dataclass(frozen=True)
class Choice:
    """What was chosen, and why.

    ``worst_deg[scene][predictor]``: worst spark error by magnitude with the arc at the edge of
    its tolerance; ``worst_exact_deg`` the same with the arc as described.  ``irregularity``
    (greatest less least over mean speed) at idle.  ``gate_accel_rpm_per_s``: acceleration that
    makes the gate wide enough for every true edge of all scenes, with a spare;
    ``gate_need_part`` the greatest distance of a true edge from its foreseen place, as a part of
    the interval, and ``gate_need_rpm`` its speed.  ``arc_need_part``: greatest distance of a
    pulse's width from its expected one.  ``refused_edges``: true edges of all scenes that the
    gate or the arc check would refuse with the description's own or the chosen widths.
    ``errors_deg[predictor]``: all errors at idle, for the histogram.
    """

    predictor: str
    arc_timing: bool
    overridden: bool
    gate_accel_rpm_per_s: float
    gate_need_part: float
    gate_need_rpm: float
    arc_tolerance: float
    arc_need_part: float
    refused_edges: int
    irregularity: float
    worst_deg: dict[str, dict[str, float]]
    worst_exact_deg: dict[str, dict[str, float]]
    reason: str
    errors_deg: dict[str, F64] = field(repr=False, compare=False, default_factory=dict)


def choose_predictor(product: Product) -> Choice:
    """Turn the engine and choose predictor, gate width and arc tolerance.

    A predictor named in the description is kept; the figures tell what it costs.  Raises
    RunError when the engine cannot be turned as described (no torque left at the top, a stall at
    idle), with the turn and its state.
    """
    return choose(product.engine, product.design)


def settle(engine: Engine, designed: Design) -> tuple[Design, Choice | None]:
    """Return the design with what was chosen and why, and the choice.

    An engine that cannot be turned as described keeps the predictor it has; the reason says so.
    A gate's acceleration and an arc tolerance that the description gives are kept.
    """
    try:
        choice = choose(engine, designed)
    except SparktickError as error:
        reason = f"{designed.predictor}, without a choice: {str(error).splitlines()[0]}"
        return replace(designed, predictor_reason=reason), None
    changed = replace(
        designed,
        predictor=choice.predictor,
        predictor_reason=choice.reason,
        arc_timing=choice.arc_timing and designed.layers.arc_check,
        accel_rpm_per_s=choice.gate_accel_rpm_per_s,
        layers=replace(designed.layers, arc_tolerance=choice.arc_tolerance),
    )
    return changed, choice


def arc_known(engine: Engine) -> tuple[bool, float]:
    """Return whether the description gives the arc as measured, and how well it is then known."""
    given = engine.pickup.arc_deg is not None
    return given, ARC_KNOWN_DEG if given else ARC_COMPUTED_DEG


def choose(engine: Engine, design: Design) -> Choice:
    """As ``choose_predictor``, from engine and design."""
    motions = dict(motions_of(engine, design.advance_deg))
    given, arc_off = arc_known(engine)
    pulses = {name: _Pulses.of(motion, design) for name, motion in motions.items()}
    worst: dict[str, dict[str, float]] = {}
    exact: dict[str, dict[str, float]] = {}
    errors: dict[str, F64] = {}
    for name, found in pulses.items():
        worst[name], exact[name] = {}, {}
        for label, predictor, arc_timing in _candidates():
            as_described = found.errors_deg(design, predictor, arc_timing=arc_timing)
            exact[name][label] = float(np.abs(as_described).max())
            worst[name][label] = found.worst_deg(design, predictor, arc_timing, arc_off)
            if name == "idle":
                errors[label] = as_described
    label = _best(worst, arc=given)
    wanted = engine.prediction.predictor
    if wanted != "auto":
        label = wanted if label == wanted or not label.endswith(ARC) else wanted + ARC
        if label not in worst["idle"]:
            label = wanted
    predictor, arc_timing = label.removesuffix(ARC), label.endswith(ARC)
    needs = [found.gate_need(design, predictor) for found in pulses.values()]
    accel = GATE_SPARE * max(need.accel for need in needs)
    if engine.engine.max_accel_rpm_per_s is not None:
        accel = design.accel_rpm_per_s
    arc_need = max(float(found.arc_off(design).max()) for found in pulses.values())
    tolerance = _tolerance(engine, arc_need)
    refused = sum(found.refused(design, predictor, accel, tolerance) for found in pulses.values())
    need = max(needs, key=lambda one: one.part)
    irregularity = _irregularity(motions["idle"], engine.engine.strokes)
    return Choice(
        predictor=predictor,
        arc_timing=arc_timing,
        overridden=wanted != "auto",
        gate_accel_rpm_per_s=accel,
        gate_need_part=need.part,
        gate_need_rpm=need.rpm,
        arc_tolerance=tolerance,
        arc_need_part=arc_need,
        refused_edges=refused,
        irregularity=irregularity,
        worst_deg=worst,
        worst_exact_deg=exact,
        reason=_reason(label, worst, irregularity, wanted, arc_off)
        + _refusal(refused)
        + ("" if given else _if_measured(pulses, design, max(worst[s][label] for s in STEADY))),
        errors_deg=errors,
    )


ARC = " + arc"


def _candidates(*, arc: bool = True) -> Iterator[tuple[str, str, bool]]:
    """Label, predictor and arc timing of each candidate; ``arc`` False: none that need the arc."""
    for predictor in PREDICTORS:
        for arc_timing in (False, True):
            if arc or not (arc_timing or predictor == "same-stroke"):
                yield predictor + (ARC if arc_timing else ""), predictor, arc_timing


def _best(worst: dict[str, dict[str, float]], *, arc: bool) -> str:
    """Least worst error over the steady scenes; of those that come near, the best in all of them.

    The simplest is taken where that makes no difference.
    """
    labels = [label for label, _, _ in _candidates(arc=arc)]
    most = {label: max(worst[scene][label] for scene in STEADY) for label in labels}
    near = [label for label in labels if most[label] <= min(most.values()) + WORSE_BY_DEG]
    total = {label: sum(worst[scene][label] for scene in STEADY) for label in near}
    return next(label for label in near if total[label] <= min(total.values()) + WORSE_BY_DEG)


def _tolerance(engine: Engine, need: float) -> float:
    """Arc tolerance as described, or as wide as true pulses need where that was left out."""
    given = engine.noise.arc_tolerance_percent / 100.0
    if "arc_tolerance_percent" in engine.noise.model_fields_set:
        return given
    return min(max(given, GATE_SPARE * need), ARC_TOLERANCE_MOST)


def _irregularity(motion: Motion, strokes: int) -> float:
    turns = 2 if strokes == 4 else 1
    speed = motion.speed_deg_s[-20 * 360 * turns :].reshape(20, -1)
    return float(np.median((speed.max(axis=1) - speed.min(axis=1)) / speed.mean(axis=1)))


def _reason(
    label: str, worst: dict[str, dict[str, float]], irregularity: float, wanted: str, off: float
) -> str:
    shown = ", ".join(
        f"{name} {worst['idle'][name]:.2f} / {worst['full load'][name]:.2f} / "
        f"{worst['top'][name]:.2f}"
        for name, _, _ in _candidates()
    )
    who = "best of those compared:"
    if wanted != "auto":
        who = f'[prediction] predictor = "{wanted}" keeps'
    uneven = f"speed at idle varies by {100.0 * irregularity:.0f} % within a cycle"
    what = f"worst spark error in degrees at idle / full load / top, arc known to {off:g} deg"
    return f"{who} {label}: {uneven}; {what}: {shown}"


def _if_measured(pulses: Mapping[str, _Pulses], design: Design, now_deg: float) -> str:
    """Say what a measured arc would be worth, where it was computed; nothing if too little."""
    known = {
        name: {
            label: pulses[name].worst_deg(design, predictor, arc, ARC_KNOWN_DEG)
            for label, predictor, arc in _candidates()
        }
        for name in STEADY
    }
    label = _best(known, arc=True)
    then_deg = max(known[name][label] for name in STEADY)
    if then_deg > now_deg - ARC_WORTH_DEG:
        return ""
    return (
        "; the arc is computed from the magnet: measure it (pickup lamp and degree wheel), give it "
        f"as [pickup] arc_deg, and {label} brings the worst from {now_deg:.2f} to "
        f"{then_deg:.2f} deg"
    )


def _refusal(refused: int) -> str:
    if not refused:
        return "; gate and arc check refuse no true edge"
    return (
        f"; {refused} true edges are refused: widen [noise] arc_tolerance_percent, raise "
        "max_accel_rpm_per_s, or fit more flywheel"
    )


def worst_by_candidate(
    engine: Engine, motions: Mapping[str, Motion], design: Design
) -> dict[str, float]:
    """Worst spark error over some scenes of each predictor that the arc is known for."""
    pulses = [_Pulses.of(motion, design) for motion in motions.values()]
    given, off = arc_known(engine)
    return {
        label: max(found.worst_deg(design, predictor, arc_timing, off) for found in pulses)
        for label, predictor, arc_timing in _candidates(arc=given)
        if pulses
    }


# ---- Pulses and predictors -----------------------------------------------------------------------


@dataclass(frozen=True)
class _Need:
    accel: float
    part: float
    rpm: float


@dataclass(frozen=True)
class _Pulses:
    """Pulses of one motion as the firmware sees them; seconds; ``interval_s[0]`` is nan."""

    motion: Motion
    lead_s: F64
    trail_s: F64
    spark_top_deg: F64

    @classmethod
    def of(cls, motion: Motion, design: Design) -> _Pulses:
        spacing = design.spacing_deg
        first, last = motion.angle_deg[0], motion.angle_deg[-1]
        k = np.arange(np.ceil((first + design.lead_deg_btdc) / spacing), last // spacing)
        top = spacing * k
        rng = np.random.default_rng(SEED)
        tick_s = 1.0 / design.board.tick_hz

        def seen(deg: F64) -> F64:
            at = motion.time_at(deg) + rng.uniform(-SENSOR_JITTER_S, SENSOR_JITTER_S, len(deg))
            return np.asarray((np.floor(at / tick_s) + 0.5) * tick_s)

        lead, trail = design.lead_deg_btdc, design.trail_deg_btdc
        return cls(motion, seen(top - lead), seen(top - trail), top)

    @property
    def interval_s(self) -> F64:
        return np.diff(self.lead_s, prepend=np.nan)

    def _foreseen_s(self, design: Design, predictor: str) -> F64:
        """Period in the middle of the delay, as far as the intervals tell it."""
        interval = self.interval_s
        change = interval - np.roll(interval, 1)
        if predictor == "trend":
            delay = interval * (design.lead_deg_btdc - _advance(design, interval))
            weight = 0.5 + 0.5 * delay / interval / design.spacing_deg
            most = 0.25 * interval
            return interval + weight * np.clip(change, -most, most)
        if predictor == "same-stroke":
            return interval + LIKE_WEIGHT * np.maximum(change, -LIKE_MOST * interval)
        return interval

    def errors_deg(
        self, design: Design, predictor: str, *, arc_timing: bool, arc_off_deg: float = 0.0
    ) -> F64:
        """Spark errors, positive early, from the ninth pulse on, with an arc off by so much."""
        seen_arc = design.arc_deg + arc_off_deg
        width = self.trail_s - self.lead_s
        foreseen = self._foreseen_s(design, predictor)
        off = width * design.spacing_deg / seen_arc - foreseen
        off = np.where(np.abs(off) <= foreseen * LEAST_OFF, 0.0, off)
        lag = _agreed(np.roll(off, 2), np.roll(off, 4)) if predictor == "same-stroke" else 0.0
        spark_s = self.lead_s + _delay_s(design, foreseen + lag)
        if arc_timing:
            served = self.trail_s + design.layers.confirm_s + design.service_s
            again = self.lead_s + _delay_s(design, foreseen + off)
            spark_s = np.where(spark_s > served, np.maximum(again, served), spark_s)
        keep = slice(8, -1)  # two pulses of each kind have told how they are off
        at = spark_s[keep]
        angle = self.spark_top_deg[keep] - self.motion.angle_at(at)
        rpm = self.motion.speed_at(at) / 6.0
        speeds, degrees = zip(*design.curve, strict=True)
        return np.asarray(angle - np.interp(rpm, speeds, degrees))

    def worst_deg(
        self, design: Design, predictor: str, arc_timing: bool, arc_off_deg: float
    ) -> float:
        """Worst error by magnitude with an arc that is off by as much, either way."""
        uses_arc = arc_timing or predictor == "same-stroke"
        offs = (0.0, -arc_off_deg, arc_off_deg) if uses_arc else (0.0,)
        errors = [
            self.errors_deg(design, predictor, arc_timing=arc_timing, arc_off_deg=off)
            for off in offs
        ]
        return float(max(np.abs(one).max() for one in errors))

    def gate_off(self, design: Design, predictor: str) -> F64:
        """Distance of each true lead edge from its foreseen place, as a part of the interval."""
        interval = self.interval_s
        foreseen = interval.copy()
        if predictor == "trend":
            most = 0.25 * interval
            foreseen = interval + np.clip(interval - np.roll(interval, 1), -most, most)
        return np.asarray(np.abs(np.roll(interval, -1) - foreseen)[3:-1] / interval[3:-1])

    def _gate_terms(self, design: Design) -> tuple[float, F64]:
        """Return the gate's least half width, and what a unit of acceleration adds to it."""
        floor = LEAST_GATE_PART + design.gate_margin_deg / design.spacing_deg
        turns = design.spacing_deg / 360.0
        return floor, self.interval_s[3:-1] ** 2 / 60.0 / turns

    def gate_need(self, design: Design, predictor: str) -> _Need:
        """Return the acceleration that a wide enough gate needs, and where it is needed most."""
        off = self.gate_off(design, predictor)
        floor, per_accel = self._gate_terms(design)
        # where the gate is at its widest anyway, more acceleration would not widen it
        accel = np.where(off <= MOST_GATE_PART, np.maximum(off - floor, 0.0) / per_accel, 0.0)
        i = int(np.argmax(off))
        rpm = design.spacing_deg / 6.0 / self.interval_s[3:-1]
        return _Need(float(accel.max()), float(off[i]), float(rpm[i]))

    def arc_off(self, design: Design) -> F64:
        """Distance of each true pulse's width from the arc's part of its interval."""
        width = (self.trail_s - self.lead_s)[4:-1]
        expected = self.interval_s[4:-1] * design.arc_deg / design.spacing_deg
        return np.asarray(np.abs(width / expected - 1.0))

    def refused(self, design: Design, predictor: str, accel: float, tolerance: float) -> int:
        """Count true edges outside gate or arc check; a check that is off refuses none."""
        floor, per_accel = self._gate_terms(design)
        gate = np.minimum(floor + accel * per_accel, MOST_GATE_PART)
        by_gate = int(np.sum(self.gate_off(design, predictor) > gate)) if design.layers.gate else 0
        slack = max(1, round(tolerance * 8.0)) / 8.0  # the chip's eighths
        by_arc = int(np.sum(self.arc_off(design) > slack)) if design.layers.arc_check else 0
        return by_gate + by_arc


def _agreed(one: F64, other: F64) -> F64:
    """Return the smaller of two where they have one sign, else 0."""
    smaller = np.minimum(np.abs(one), np.abs(other))
    return np.where(one * other > 0.0, np.sign(one) * smaller, 0.0)


def _advance(design: Design, period_s: F64) -> F64:
    speeds, degrees = zip(*design.curve, strict=True)
    return np.asarray(np.interp(design.spacing_deg / 6.0 / period_s, speeds, degrees))


def _delay_s(design: Design, period_s: F64) -> F64:
    lead = design.lead_deg_btdc
    return np.asarray(period_s * (lead - _advance(design, period_s)) / design.spacing_deg)
