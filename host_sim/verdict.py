"""A measured run held against limits: named checks, each with its value and its limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.plan import EARLY_PART

from .bench import INVARIANT_FACTS
from .manifest import Manifest
from .measure import RULE_RUN, RULE_START, Measurement, locks_with_spark, start_slope
from .run import F64, Motion, Run, Train
from .train import DEG_S_PER_RPM

BOOL = NDArray[np.bool_]
SPEED_SAMPLES = 48
CHUNK = 1 << 15
# A crank counts as steady when its speed over two turns and the delay stays within this share.
STEADY_SHARE = 1e-9
TRAIL_SERVED_S = 0.5e-3  # from a trail edge to a spark that waited for it, on the slowest chip
FAR_DEG = 1.0


@dataclass(frozen=True)
class Limits:
    """What a run is held against; the defaults are the project's own bars.

    ``steady`` times the error that whole ticks cost (``measure.allowed``) is allowed at steady
    speed.  At changing speed ``changing`` times the share by which the speed has varied since
    the pulse before last is allowed on top, as a share of the delay, and what the curve itself
    varies meanwhile: no one-pulse-a-turn ignition can know better.  ``dwell_share`` of it and
    ``dwell_ticks`` together are how far a charge at steady speed may be from its wanted length,
    from the fifth pulse on.  Stray sparks, or a first spark after pulse ``first_spark_pulse``
    (one more where less than half the dwell fits behind its edge), fail.

    With a disturbed line: up to ``moved_share`` of the sparks may come late, or early by no more
    than ``early_us``; up to ``missed_share`` of them may be missing.
    """

    steady: float = 1.0
    changing: float = 1.0
    dwell_share: float = 0.005
    dwell_ticks: float = 1.0
    missed_share: float = 0.0
    moved_share: float = 0.0
    far_share: float = 0.01
    early_us: float = 0.0
    stray: int = 0
    first_spark_pulse: int = 3
    on_margin_ticks: float = 20.0


@dataclass(frozen=True)
class Check:
    """One bar: ``value`` against ``limit`` in ``unit``; ``at_s`` where it was worst, if anywhere.

    ``count`` is how many instants were looked at: a check of nothing passes and says so.
    """

    name: str
    value: float
    limit: float
    unit: str
    passed: bool
    count: int
    at_s: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the check as JSON holds it, the unit in the key."""
        return {
            "name": self.name,
            f"value_{self.unit}": round(self.value, 6),
            f"limit_{self.unit}": round(self.limit, 6),
            "passed": self.passed,
            "count": self.count,
            "at_s": self.at_s,
        }


@dataclass(frozen=True)
class Verdict:
    """All checks of one run."""

    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        """True when every check passed."""
        return all(check.passed for check in self.checks)

    @property
    def failures(self) -> tuple[Check, ...]:
        """The checks that failed."""
        return tuple(check for check in self.checks if not check.passed)

    def __getitem__(self, name: str) -> Check:
        return next(check for check in self.checks if check.name == name)

    def as_dict(self) -> dict[str, Any]:
        """Return the verdict as JSON holds it."""
        return {"passed": self.passed, "checks": [check.as_dict() for check in self.checks]}


def _worst(
    name: str, value: F64, limit: F64, unit: str, at_s: F64, where: BOOL | None = None
) -> Check:
    """Check value <= limit for every spark of ``where``; report the one nearest to its limit."""
    index = np.arange(len(value)) if where is None else np.flatnonzero(where)
    if len(index) == 0:
        return Check(name, 0.0, 0.0, unit, True, 0)
    excess = value[index] - limit[index]
    worst = index[int(np.argmax(excess))]
    passed = bool(np.all(excess <= 0.0))
    return Check(
        name,
        float(value[worst]),
        float(limit[worst]),
        unit,
        passed,
        len(index),
        float(at_s[worst]),
    )


def _count(name: str, found: int, limit: int, unit: str, of: int, at_s: float | None) -> Check:
    return Check(name, float(found), float(limit), unit, found <= limit, of, at_s)


def speed_range_rpm(motion: Motion, begin_s: F64, end_s: F64) -> tuple[F64, F64]:
    """Return least and greatest true crank speed between pairs of instants, from 48 samples."""
    low, high = np.empty(len(begin_s)), np.empty(len(begin_s))
    share = np.linspace(0.0, 1.0, SPEED_SAMPLES)
    for k in range(0, len(begin_s), CHUNK):
        part = slice(k, k + CHUNK)
        at = begin_s[part, None] + share * (end_s[part] - begin_s[part])[:, None]
        speed = motion.speed_at(at) / DEG_S_PER_RPM
        low[part], high[part] = speed.min(axis=1), speed.max(axis=1)
    return low, high


def _known_speeds(m: Measurement, train: Train, manifest: Manifest) -> tuple[F64, F64]:
    """Speed range over which the firmware can have measured, to the spark.

    Two intervals back; four where it takes what was wrong at the pulse before the last.
    """
    if len(train.motion.t_s) == 1 and train.motion.accel_deg_s2[0] == 0.0:
        return m.rpm, m.rpm
    reach = 4 if manifest.predictor == "same-stroke" else 2
    back = np.maximum(m.pulse - reach, 0)
    begin_s = (
        np.where(m.pulse >= 0, m.pulses.at_s[back], m.spark_s) if len(m.pulses.at_s) else m.rpm
    )
    return speed_range_rpm(train.motion, begin_s, m.spark_s)


def _sudden_deg(m: Measurement, manifest: Manifest) -> F64:
    """Return how much sooner each pulse came than the crank had shown it could, (pulses,) degrees.

    Such a pulse may be a false one: its spark waits for where one was due, or for the trail edge
    that tells.  Due is the last interval less the greater of the last two changes, and less
    ``EARLY_PART`` of it (st_foresee in st_gate.c).
    """
    interval_s = np.diff(m.pulses.at_s, prepend=np.nan)
    change_s = np.abs(np.diff(interval_s, prepend=np.nan))
    swing_s = np.fmax(change_s, np.roll(change_s, 1))
    due_s = np.roll(interval_s * (1.0 - EARLY_PART) - swing_s, 1)
    with np.errstate(invalid="ignore"):
        share = np.nan_to_num(np.maximum(due_s / interval_s - 1.0, 0.0), nan=0.0)
    return np.asarray(manifest.geometry.spacing_deg * share)


def _waits_deg(m: Measurement, manifest: Manifest) -> F64:
    """Return how late sparks may be whose pulses came suddenly, (sparks,) degrees.

    Behind the trail edge at most, and a charge more if none had begun; a trend that begins so is
    followed from the next pulse on.
    """
    if not len(m.pulses.at_s):
        return np.zeros(len(m.pulse))
    own = np.where(m.pulse >= 0, _sudden_deg(m, manifest)[np.maximum(m.pulse, 0)], 0.0)
    geometry = manifest.geometry
    trail_deg = geometry.lead_edge_deg_btdc - geometry.arc_deg
    served_deg = (TRAIL_SERVED_S + manifest.dwell_us * 1e-6) * DEG_S_PER_RPM * np.abs(m.rpm)
    behind_deg = np.maximum(m.wanted_deg - trail_deg, 0.0) + served_deg
    trend_deg = own / geometry.spacing_deg * (geometry.lead_edge_deg_btdc - m.wanted_deg)
    return np.asarray(np.minimum(own, behind_deg) + trend_deg)


def _timing(m: Measurement, train: Train, manifest: Manifest, limits: Limits) -> list[Check]:
    low, high = _known_speeds(m, train, manifest)
    matched = m.pulse >= 0
    spread = np.where(low > 0.0, high / np.maximum(low, 1e-9) - 1.0, 1.0)
    steady = matched & (spread < STEADY_SHARE)
    changing = matched & ~steady
    delay_deg = manifest.geometry.lead_edge_deg_btdc - m.wanted_deg
    xs, ys = zip(*manifest.curve, strict=True)
    curve_deg = np.abs(np.interp(high, xs, ys) - np.interp(low, xs, ys))
    loose_deg = np.where(steady, 0.0, limits.changing * delay_deg * spread + curve_deg)
    error = np.abs(m.error_deg)
    start, run = m.rule == RULE_START, m.rule == RULE_RUN
    # A pulse's width seen wrong is carried over the start delay as often as that is longer.
    carried = np.where(start, 1.0 + start_slope(manifest, m.rpm), 1.0)
    early_deg = limits.early_us * 1e-6 * DEG_S_PER_RPM * np.abs(m.rpm) * carried
    start_deg = manifest.start.deg_btdc + _start_loose_deg(m, train, manifest)
    not_before = start_deg + m.allowed_deg + early_deg
    greatest = manifest.greatest_advance_deg + m.allowed_deg + loose_deg + early_deg
    return [
        *_steady_timing(m, limits, steady, early_deg),
        _worst(
            "timing_changing",
            error,
            m.allowed_deg + loose_deg + np.where(m.error_deg < 0.0, _waits_deg(m, manifest), 0.0),
            "deg",
            m.spark_s,
            changing & run,
        ),
        _worst("start_advance", m.angle_deg_btdc, not_before, "deg", m.spark_s, start & matched),
        _worst("greatest_advance", m.angle_deg_btdc, greatest, "deg", m.spark_s, run),
        *_dwell(m, manifest, limits, steady),
    ]


def _steady_timing(m: Measurement, limits: Limits, steady: BOOL, early_deg: F64) -> list[Check]:
    """Check every spark; with a disturbed line how many have moved, and how far the early ones."""
    error, limit = np.abs(m.error_deg), limits.steady * m.allowed_deg
    if limits.moved_share == 0.0:
        return [_worst("timing_steady", error, limit, "deg", m.spark_s, steady)]
    moved = steady & (error > limit)
    share = float(moved.sum()) / max(int(steady.sum()), 1)
    at_s = float(m.spark_s[np.argmax(moved)]) if moved.any() else None
    return [
        Check(
            "sparks_moved",
            100.0 * share,
            100.0 * limits.moved_share,
            "percent",
            share <= limits.moved_share,
            int(steady.sum()),
            at_s,
        ),
        _worst("moved_early", m.error_deg, limit + early_deg, "deg", m.spark_s, steady),
        _far(m, limits, steady),
    ]


def _far(m: Measurement, limits: Limits, steady: BOOL) -> Check:
    """Check how many sparks a disturbed line moved further than FAR_DEG."""
    far = steady & (np.abs(m.error_deg) > FAR_DEG)
    share = float(far.sum()) / max(int(steady.sum()), 1)
    at_s = float(m.spark_s[np.argmax(far)]) if far.any() else None
    most = limits.far_share
    found = 100.0 * share
    return Check(
        "sparks_far_off", found, 100.0 * most, "percent", share <= most, int(steady.sum()), at_s
    )


def _start_loose_deg(m: Measurement, train: Train, manifest: Manifest) -> F64:
    """Return what slowing within the pulse makes a start spark early: nothing where allowed for.

    Where the charge begins behind the trail edge, the delay has the slowing allowance.
    """
    if manifest.start.charge == "after-trail" or not len(m.pulses.at_s):
        return np.zeros(len(m.spark_s))
    lead_s = m.pulses.at_s[np.maximum(m.pulse, 0)]
    low, high = speed_range_rpm(train.motion, np.minimum(lead_s, m.spark_s), m.spark_s)
    geometry = manifest.geometry
    delay_deg = geometry.lead_edge_deg_btdc - geometry.arc_deg - m.wanted_deg
    return np.asarray(np.maximum(delay_deg, 0.0) * (high / np.maximum(low, 1e-9) - 1.0))


def _dwell(m: Measurement, manifest: Manifest, limits: Limits, steady: BOOL) -> list[Check]:
    """Check charges at steady speed, once lock has been held for a turn, unless all may be."""
    if not np.isfinite(limits.dwell_share):
        return []
    wanted = np.minimum(m.dwell_wanted_us, manifest.dwell_us)
    off = np.abs(m.dwell_us - wanted)
    limit = limits.dwell_share * wanted + (
        limits.dwell_ticks * 1e6 / manifest.tick_hz + 3.0 * manifest.capture_late_us
    )
    if manifest.spark_on_rise:  # a trigger pulse charges nothing: only its hard limit counts
        limit = np.maximum(limit, manifest.hard_limit_us - manifest.dwell_us)
    ordinal = m.pulses.ordinal[np.maximum(m.pulse, 0)] if len(m.pulses.at_s) else m.pulse
    settled = steady & (ordinal >= 5) & np.isfinite(wanted) & (wanted > 0.0)
    for back in (1, 2):  # a charge may be planned an interval ahead, from the two before it
        settled[back:] &= steady[:-back] & (m.pulse[back:] - m.pulse[:-back] == back)
        settled[:back] = False
    return [_worst("dwell_steady", off, limit, "us", m.spark_s, settled)]


def _counts(m: Measurement, manifest: Manifest, limits: Limits) -> list[Check]:
    pulses, sparks = len(m.pulses.at_s), len(m.spark_s)
    over = np.zeros(0, np.int64)
    if pulses:  # a charge that had begun before the pulse told the speed has to end in a spark
        own = np.maximum(m.pulse, 0)
        begun = m.spark_s - (m.dwell_us + manifest.output_delay_us) * 1e-6
        too_fast = (m.pulse >= 0) & (m.pulses.rpm[own] > manifest.limit_rpm * 1.001)
        over = np.flatnonzero(too_fast & (begun > m.pulses.at_s[own]))
    allowed = int(limits.missed_share * pulses)
    # One that came sooner by a whole magnet sparks behind it, if charge is left by then.
    missed = m.missed[_sudden_deg(m, manifest)[m.missed] <= manifest.geometry.arc_deg]
    missed_s = float(m.pulses.at_s[missed[0]]) if len(missed) else None
    stray_s = float(m.spark_s[m.stray[0]]) if len(m.stray) else None
    over_s = float(m.spark_s[over[0]]) if len(over) else None
    return [
        _count("missed", len(missed), allowed, "sparks", pulses, missed_s),
        _count("stray", len(m.stray), limits.stray, "sparks", sparks, stray_s),
        *_coils(m, manifest),
        _count("above_limit_rpm", len(over), 0, "sparks", sparks, over_s),
        _first_spark(m, manifest, limits),
    ]


def _coils(m: Measurement, manifest: Manifest) -> list[Check]:
    """Check that each coil sparked at its own cylinder's pulses only, where there are two."""
    if not manifest.two_coils:
        return []
    at_s = float(m.spark_s[m.wrong_coil[0]]) if len(m.wrong_coil) else None
    return [_count("wrong_coil", len(m.wrong_coil), 0, "sparks", len(m.spark_s), at_s)]


def _first_spark(m: Measurement, manifest: Manifest, limits: Limits) -> Check:
    """Check the first spark since the crank began to turn, where there should be one."""
    due = (m.pulses.rpm > manifest.start.floor_rpm * 1.05) & (m.pulses.rpm < manifest.resume_rpm)
    enough = bool(np.any(due & (m.pulses.ordinal > limits.first_spark_pulse)))
    locking_rpm = m.pulses.rpm[m.pulses.ordinal == limits.first_spark_pulse][:1]
    late = len(locking_rpm) and not locks_with_spark(manifest, locking_rpm)[0]
    value, limit = float(m.first_spark_pulse), float(limits.first_spark_pulse + bool(late))
    passed = (0 < value <= limit) or not enough
    at_s = float(m.spark_s[0]) if len(m.spark_s) else None
    return Check("first_spark_pulse", value, limit, "pulses", passed, int(enough), at_s)


def _coil(m: Measurement, run: Run, manifest: Manifest, limits: Limits) -> list[Check]:
    most_us = manifest.hard_limit_us + limits.on_margin_ticks / manifest.tick_hz * 1e6
    longest_us = max(m.on_max_us, m.on_at_end_us)
    checks = [Check("on_time", longest_us, most_us, "us", longest_us <= most_us, len(m.dwell_us))]
    if "state_out_of_range" in run.facts:
        broken = sum(int(run.facts[name]) for name in INVARIANT_FACTS)
        checks.append(_count("invariants", broken, 0, "events", int(run.facts["captured"]), None))
    return checks


def judge(
    m: Measurement, run: Run, train: Train, manifest: Manifest, limits: Limits | None = None
) -> Verdict:
    """Hold a measured run against limits.

    The checks: timing_steady, timing_changing, start_advance (no start spark before the start
    advance), greatest_advance, dwell_steady, missed, stray, above_limit_rpm, first_spark_pulse,
    on_time (with a spark that is still to come), and on the host invariants.
    """
    limits = limits or Limits()
    checks = [
        *_timing(m, train, manifest, limits),
        *_counts(m, manifest, limits),
        *_coil(m, run, manifest, limits),
    ]
    return Verdict(tuple(checks))
