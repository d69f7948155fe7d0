"""Instants to degrees: what a run did, spark by spark, and whether that keeps the limits.

The pins' instants carry two delays that are not the chip's: the train's edges come
``sensor_delay_us`` after the magnet, the spark ``output_delay_us`` after the coil pin.  Both are
taken into account here once: a pulse's crank angle is that of its edge less the sensor's delay,
a spark's that of the pin's instant plus the output's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .manifest import Manifest
from .run import F64, Run, Train
from .train import DEG_S_PER_RPM

I64 = NDArray[np.int64]
BOOL = NDArray[np.bool_]

# Which rule a spark is judged by.
RULE_RUN = 0
RULE_START = 1


@dataclass(frozen=True)
class Pulses:
    """True pulses of a train: lead edges at the pin and what the crank did there.

    ``index`` (n,) number of the top dead centre the pulse belongs to; ``rpm`` (n,) mean speed
    over the interval that ends at the pulse (nan for the first); ``speed_rpm`` (n,) true speed
    there, negative backwards; ``ordinal`` (n,) 1, 2, ... since the crank was last slower than the
    floor.
    """

    at_s: F64
    index: I64
    rpm: F64
    speed_rpm: F64
    ordinal: I64


@dataclass(frozen=True)
class Measurement:
    """One run, measured; arrays have one value a spark unless said otherwise.

    ``angle_deg_btdc`` true crank angle; ``rpm`` true speed then; ``rule`` RULE_RUN (advance
    curve) or RULE_START (start advance); ``wanted_deg`` by that rule at that speed;
    ``error_deg`` angle less wanted, positive early; ``error_ticks`` the same in timer ticks;
    ``allowed_deg`` what quantisation of edge, period and spark can cost (see ``allowed``).
    ``dwell_us`` charge before it.  ``pulse`` index into ``pulses`` or -1.  ``missed`` (k,) indices
    into ``pulses`` whose spark should have come and did not; ``stray`` (j,) sparks without a pulse
    of their own; ``wrong_coil`` (i,) sparks of the coil whose cylinder the pulse was not.
    ``first_spark_pulse`` is the ordinal of the pulse that sparked first (0: none),
    ``lock_spark`` the first spark by the run rule (-1: none).
    """

    spark_s: F64
    pulse: I64
    angle_deg_btdc: F64
    rpm: F64
    accel_rpm_per_s: F64
    rule: I64
    wanted_deg: F64
    error_deg: F64
    error_ticks: F64
    allowed_deg: F64
    dwell_us: F64
    dwell_wanted_us: F64
    pulses: Pulses
    missed: I64
    stray: I64
    wrong_coil: I64
    first_spark_pulse: int
    lock_spark: int
    on_max_us: float
    off_min_us: float
    on_at_end_us: float


def find_pulses(train: Train, manifest: Manifest, ready_s: float = 0.0) -> Pulses:
    """Return the train's true pulses; true edges alternate between lead and trail.

    What comes before ``ready_s``, while a chip still starts up, counts for standstill.
    """
    at_s = train.edge_s[train.true_edge == 1][0::2]
    geometry = manifest.geometry
    true_s = at_s - manifest.sensor_delay_us * 1e-6
    angle = train.motion.angle_at(true_s)
    index = np.rint((angle + geometry.lead_edge_deg_btdc) / geometry.spacing_deg).astype(np.int64)
    with np.errstate(divide="ignore", invalid="ignore"):
        rpm = geometry.spacing_deg / DEG_S_PER_RPM / np.diff(at_s, prepend=np.nan)
    unseen = at_s < ready_s
    broken = ~(rpm >= manifest.start.floor_rpm) | unseen | np.insert(unseen[:-1], 0, False)
    begin = np.maximum.accumulate(np.where(broken, np.arange(len(at_s)), 0))
    ordinal = np.arange(len(at_s)) - begin + 1
    return Pulses(at_s, index, rpm, train.motion.speed_at(true_s) / DEG_S_PER_RPM, ordinal)


def _pulse_rules(pulses: Pulses, manifest: Manifest) -> tuple[I64, BOOL]:
    """Rule of each pulse by its interval's speed, with hysteresis, and where both are right.

    Both are right for the pulses after a change of rule in which lock is being found.
    """
    start = manifest.start
    known = (pulses.rpm < start.leave_rpm) | (pulses.rpm >= start.below_rpm)
    known |= ~np.isfinite(pulses.rpm)
    rule = np.where(pulses.rpm >= start.below_rpm, RULE_RUN, RULE_START)
    last = np.maximum.accumulate(np.where(known, np.arange(len(rule)), 0))
    rule = rule[last] if len(rule) else rule
    change = np.diff(rule, prepend=rule[:1]) != 0
    since = np.arange(len(rule)) - np.maximum.accumulate(np.where(change, np.arange(len(rule)), 0))
    near_border = ~known | (since <= manifest.lock_intervals)
    return rule.astype(np.int64), near_border


def _match(spark_index: I64, pulse_index: I64) -> I64:
    """Place of each spark's pulse, or -1; of two pulses with one index the later counts."""
    if len(pulse_index) == 0:
        return np.full(len(spark_index), -1)
    order = np.argsort(pulse_index, kind="stable")
    ordered = pulse_index[order]
    place = np.searchsorted(ordered, spark_index, side="right") - 1
    found = (place >= 0) & (ordered[np.maximum(place, 0)] == spark_index)
    return np.where(found, order[np.maximum(place, 0)], -1)


def _line(points: tuple[tuple[float, float], ...], x: F64) -> F64:
    xs, ys = zip(*points, strict=True)
    return np.asarray(np.interp(x, xs, ys))


def _start_terms(manifest: Manifest, rpm: F64) -> tuple[F64, F64]:
    """Ticks of start delay a tick of pulse width costs, and how far the steady line may be off.

    Both from the manifest's points alone: delay and width in seconds between two points give
    the slope; a corner of the firmware's start table between two points moves the straight line
    between them by at most a quarter of the change of slope around it.
    """
    geometry, points = manifest.geometry, np.array(manifest.start.steady)
    if len(points) < 2:
        return np.ones_like(rpm), np.zeros_like(rpm)
    at, deg = points[:, 0], points[:, 1]
    delay_deg = geometry.lead_edge_deg_btdc - geometry.arc_deg - deg
    slope = np.diff(delay_deg / at) / np.diff(geometry.arc_deg / at)
    climb = np.diff(deg) / np.diff(at)
    padded = np.concatenate((climb[:1], climb, climb[-1:]))
    corner = 0.25 * np.abs(padded[2:] - padded[:-2]) * np.diff(at)
    place = np.clip(np.searchsorted(at, rpm) - 1, 0, len(slope) - 1)
    return np.abs(slope)[place], corner[place]


def start_slope(manifest: Manifest, rpm: F64) -> F64:
    """Return the ticks of start delay that a tick of pulse width costs, at a speed (n,)."""
    return _start_terms(manifest, np.abs(rpm))[0]


def allowed(manifest: Manifest, rule: I64, wanted_deg: F64, rpm: F64) -> F64:
    """Return the error in degrees that counting in whole ticks can cost at steady speed.

    Edge and spark are each rounded by half a tick, the chip samples the line once a CPU clock
    (together 1.1 ticks; more where its capture filter looks less often), and the measured period,
    in whole ticks, is carried over the delay's share of it; the delay table adds its proven bound.
    In start mode the pulse's width takes the period's place; the sensor's unequal delays at its two
    edges lengthen or shorten it.
    """
    geometry = manifest.geometry
    share = (geometry.lead_edge_deg_btdc - wanted_deg) / geometry.spacing_deg
    late = manifest.late_ticks
    late += (manifest.capture_sample_cycles - 1) * manifest.tick_hz / manifest.f_cpu_hz
    carried = share * _carried(manifest, share) * (1.0 + late)
    deg_per_tick = np.abs(rpm) * DEG_S_PER_RPM / manifest.tick_hz
    running = rule == RULE_RUN
    if np.all(running):
        return (1.1 + late + carried) * deg_per_tick + manifest.table_bound_deg
    slope, corner_deg = _start_terms(manifest, np.abs(rpm))
    unequal_us = abs(manifest.trail_delay_us - manifest.sensor_delay_us)
    width_ticks = 1.0 + unequal_us * 1e-6 * manifest.tick_hz + late
    ticks = 1.1 + late + np.where(running, carried, slope * width_ticks)
    extra = manifest.table_bound_deg + np.where(running, 0.0, corner_deg)
    return ticks * deg_per_tick + extra


def _carried(manifest: Manifest, share: F64) -> F64:
    """Ticks by which counting can put off the period foreseen.

    One at a pulse a turn or less: the project's bar, kept although a trend of weight w counts three
    edges with (1 + 2 w).  With more pulses a turn the delay is a larger share of a shorter period,
    and the trend's whole sum is allowed.
    """
    if manifest.geometry.spacing_deg >= 360.0 or manifest.predictor != "trend":
        return np.ones_like(share)
    return 2.0 + share  # w = (1 + share) / 2, see delay_table


def _judge_rules(
    manifest: Manifest, angle: F64, rpm: F64, rule: I64, either: BOOL
) -> tuple[I64, F64]:
    """Return the final rule and wanted angle; where both rules are right, the nearer one."""
    by_run = _line(manifest.curve, rpm)
    if not np.any(either) and np.all(rule == RULE_RUN):
        return rule, by_run
    by_start = _line(manifest.start.steady, rpm)
    nearer = np.where(np.abs(angle - by_run) <= np.abs(angle - by_start), RULE_RUN, RULE_START)
    rule = np.where(either, nearer, rule)
    return rule, np.where(rule == RULE_RUN, by_run, by_start)


def locks_with_spark(manifest: Manifest, rpm: F64) -> BOOL:
    """Return at which speeds the pulse that finds lock can spark: half the dwell fits behind it.

    That pulse's charge begins at its own edge; faster, the next pulse's is the first worth
    asking for.
    """
    delay_deg = manifest.geometry.lead_edge_deg_btdc - _line(manifest.curve, rpm)
    with np.errstate(divide="ignore", invalid="ignore"):
        delay_us = delay_deg / (DEG_S_PER_RPM * rpm) * 1e6
    return np.asarray(delay_us >= 0.5 * manifest.dwell_us) | manifest.spark_on_rise


def _missed(pulses: Pulses, sparked: BOOL, manifest: Manifest, end_s: float) -> I64:
    """Return pulses without a spark: from the third on, below the limit, well above the floor."""
    turn_s = manifest.geometry.spacing_deg / DEG_S_PER_RPM / np.maximum(pulses.rpm, 1e-9)
    slowest_rpm = np.minimum(pulses.rpm, pulses.speed_rpm)
    first = np.where(locks_with_spark(manifest, pulses.rpm), 3, 4)
    expected = (pulses.ordinal >= first) & (slowest_rpm > manifest.start.floor_rpm * 1.1)
    below_limit = pulses.rpm < manifest.resume_rpm
    expected &= below_limit & np.concatenate((below_limit[:1], below_limit[:-1]))
    expected &= pulses.at_s + turn_s < end_s
    return np.flatnonzero(expected & ~sparked)


def measure(run: Run, train: Train, manifest: Manifest) -> Measurement:
    """Measure one run against the crank's true motion.

    ``train`` is the one that drove the run; its ``true_edge`` marks and its motion are the truth.
    Two coils take turns on one output, so their sparks are measured as those of one.
    """
    coil_s, coil_on = run.coil_s, run.coil_on.astype(bool)
    on_s, off_s, coil_on_at_end = _on_times(coil_s, coil_on)
    spark_pin_s = on_s if manifest.spark_on_rise else off_s
    spark_s = spark_pin_s + manifest.output_delay_us * 1e-6
    dwell_us = (off_s - on_s) * 1e6
    pulses = find_pulses(train, manifest, run.facts.get("boot_s", 0.0))

    spacing = manifest.geometry.spacing_deg
    turned = train.motion.angle_at(spark_s)
    index = np.rint(turned / spacing).astype(np.int64)
    angle = index * spacing - turned
    rpm = train.motion.speed_at(spark_s) / DEG_S_PER_RPM
    pulse = _match(index, pulses.index)
    pulse_rule, border = _pulse_rules(pulses, manifest)
    matched = pulse >= 0
    safe = np.maximum(pulse, 0)
    rule0 = np.where(matched, pulse_rule[safe] if len(pulse_rule) else RULE_RUN, RULE_RUN)
    either = np.where(matched, border[safe] if len(border) else True, True)
    rule, wanted = _judge_rules(manifest, angle, rpm, rule0, either)
    error = angle - wanted
    deg_per_tick = np.maximum(np.abs(rpm) * DEG_S_PER_RPM / manifest.tick_hz, 1e-12)

    repeated = np.zeros(len(pulse), dtype=bool)
    repeated[1:] = matched[1:] & (pulse[1:] == pulse[:-1])
    sparked = np.zeros(len(pulses.at_s), dtype=bool)
    sparked[pulse[matched]] = True
    first = int(pulses.ordinal[pulse[matched][0]]) if matched.any() else 0
    by_run = np.flatnonzero(matched & (rule == RULE_RUN))
    interval_s = _interval_of(pulses, pulse)
    return Measurement(
        spark_s=spark_s,
        pulse=pulse,
        angle_deg_btdc=angle,
        rpm=rpm,
        accel_rpm_per_s=train.motion.accel_at(spark_s) / DEG_S_PER_RPM,
        rule=rule,
        wanted_deg=wanted,
        error_deg=error,
        error_ticks=error / deg_per_tick,
        allowed_deg=allowed(manifest, rule, wanted, rpm),
        dwell_us=dwell_us,
        dwell_wanted_us=np.minimum(manifest.dwell_us, interval_s * 1e6 - manifest.off_min_us),
        pulses=pulses,
        missed=_missed(pulses, sparked, manifest, train.end_s),
        stray=np.flatnonzero(~matched | repeated),
        wrong_coil=_wrong_coil(run, index, manifest),
        first_spark_pulse=first,
        lock_spark=int(by_run[0]) if len(by_run) else -1,
        on_max_us=float(dwell_us.max(initial=0.0)),
        off_min_us=float(((on_s[1:] - off_s[:-1]) * 1e6).min(initial=np.inf)),
        on_at_end_us=(train.end_s - coil_s[-1]) * 1e6 if coil_on_at_end else 0.0,
    )


def _wrong_coil(run: Run, index: I64, manifest: Manifest) -> I64:
    """Return sparks whose coil is not that of the cylinder nearest to its top dead centre."""
    if not manifest.two_coils:
        return np.zeros(0, np.int64)
    on = run.coil_on.astype(bool)
    at = np.flatnonzero(~on[1:] & on[:-1]) + 1 - int(manifest.spark_on_rise)
    return np.flatnonzero(run.coil_channel[at] != (index & 1))


def _on_times(coil_s: F64, coil_on: BOOL) -> tuple[F64, F64, bool]:
    """Begin and end of each on-time that ended, and whether one is still going on."""
    off_at = np.flatnonzero(~coil_on[1:] & coil_on[:-1]) + 1
    return coil_s[off_at - 1], coil_s[off_at], bool(len(coil_on) and coil_on[-1])


def _interval_of(pulses: Pulses, pulse: I64) -> F64:
    """Seconds from the pulse before a spark's own pulse to that; nan where unknown."""
    interval = np.diff(pulses.at_s, prepend=np.nan)
    return np.where(pulse >= 0, interval[np.maximum(pulse, 0)] if len(interval) else np.nan, np.nan)


@dataclass(frozen=True)
class RunDifference:
    """Two runs of one train compared spark by spark.

    ``ticks`` (n,) instant of b less that of a, in timer ticks, for sparks both have;
    ``only_a``, ``only_b`` how many the other lacks; the same for the begin of each charge in
    ``on_ticks``.  ``at_s`` (n,) the instants of a, ``alone_a_s``, ``alone_b_s`` of those alone.
    """

    ticks: F64
    on_ticks: F64
    only_a: int
    only_b: int
    at_s: F64
    alone_a_s: F64
    alone_b_s: F64


def _pair(a_s: F64, b_s: F64, within_s: float) -> tuple[I64, I64]:
    """Return indices of instants that are each other's nearest and no further apart than given."""
    if len(a_s) == 0 or len(b_s) == 0:
        empty = np.zeros(0, np.int64)
        return empty, empty
    mid = 0.5 * (b_s[1:] + b_s[:-1])
    nearest_b = np.searchsorted(mid, a_s)
    nearest_a = np.searchsorted(0.5 * (a_s[1:] + a_s[:-1]), b_s)
    here = np.arange(len(a_s))
    mutual = (nearest_a[nearest_b] == here) & (np.abs(b_s[nearest_b] - a_s) <= within_s)
    return here[mutual], nearest_b[mutual]


def compare_runs(a: Run, b: Run, *, within_s: float = 1e-3) -> RunDifference:
    """Compare two runs of the same train; instants further apart than ``within_s`` do not pair."""

    def instants(run: Run, on: int) -> F64:
        return np.asarray(run.coil_s[run.coil_on == on])

    a_off, b_off = instants(a, 0), instants(b, 0)
    i, j = _pair(a_off, b_off, within_s)
    a_on, b_on = instants(a, 1), instants(b, 1)
    k, m = _pair(a_on, b_on, within_s)
    return RunDifference(
        ticks=(b_off[j] - a_off[i]) * a.tick_hz,
        on_ticks=(b_on[m] - a_on[k]) * a.tick_hz,
        only_a=len(a_off) - len(i),
        only_b=len(b_off) - len(j),
        at_s=a_off[i],
        alone_a_s=np.delete(a_off, i),
        alone_b_s=np.delete(b_off, j),
    )
