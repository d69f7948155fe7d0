"""What a recording says: speed, spark angle, dwell, missing and stray sparks, against the plan.

The crank's motion is not known from outside: within a turn it is taken to change its speed evenly,
as the turns beside show.  At even speed that is what a degree wheel and a strobe show.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .bench import Hardware, run_train
from .library import load
from .manifest import Manifest
from .measure import RULE_RUN, Measurement, RunDifference, compare_runs, measure
from .recording import Recording
from .run import F64, U8, Motion, Run, Train
from .trace_two import cylinder_before, with_coils, with_cylinders
from .train import DEG_S_PER_RPM
from .verdict import Check, Limits, Verdict, judge

LEAD_IN_S = 0.05
FINEST_DEG = 0.25  # a bench's strobe and degree wheel tell about this much (common practice)
MOST_DWELL_OFF = 0.03
MOST_UNSTEADY = 0.02
SHOWN_APART = 20
CLOCK_OFF = 1e-5  # what is left of a clock's error within one turn, whose period it scales as well


@dataclass(frozen=True)
class Finding:
    """Something about the recording itself that has a name; ``fatal``: it cannot be judged so."""

    name: str
    text: str
    fatal: bool = True


@dataclass(frozen=True)
class TraceResult:
    """A recording measured and judged; ``replay`` is set when the host core was asked too."""

    recording: Recording
    manifest: Manifest
    train: Train
    run: Run
    measurement: Measurement
    verdict: Verdict
    findings: tuple[Finding, ...]
    replay: RunDifference | None = None

    @property
    def passed(self) -> bool:
        """True when every check passed and nothing about the recording speaks against it."""
        return self.verdict.passed and not any(finding.fatal for finding in self.findings)

    @property
    def jitter_deg(self) -> float | None:
        """Root mean square of a spark's error beside that of the spark before, over root two.

        Only where both follow the running rule; what changes slowly, such as a shift, is no jitter.
        """
        m = self.measurement
        step = np.diff(m.error_deg)
        both = (m.rule[1:] == RULE_RUN) & (m.rule[:-1] == RULE_RUN) & (np.diff(m.pulse) == 1)
        if not both.any():
            return None
        return round(float(np.sqrt(np.mean(step[both] ** 2) / 2.0)), 5)

    @property
    def apart_us(self) -> float:
        """What recording and replay may be apart: two samples, two ticks, the clock's error."""
        turn_us = 1e6 * self.manifest.geometry.spacing_deg / DEG_S_PER_RPM
        slowest = float(np.nanmin(self.measurement.pulses.rpm, initial=np.inf))
        return (
            2e6 * self.recording.sample_s
            + 2e6 / self.manifest.tick_hz
            + CLOCK_OFF * turn_us / max(slowest, self.manifest.start.floor_rpm)
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the result as JSON holds it, without the arrays."""
        m = self.measurement
        return {
            "sample_us": round(self.recording.sample_s * 1e6, 6),
            "duration_s": self.recording.end_s,
            "pulses": len(m.pulses.at_s),
            "sparks": len(m.spark_s),
            "missed": len(m.missed),
            "stray": len(m.stray),
            **_spread("speed_rpm", m.rpm),
            **_spread("spark_deg_btdc", m.angle_deg_btdc),
            **_spread("error_deg", m.error_deg),
            **_spread("dwell_us", m.dwell_us),
            "jitter_deg_rms": self.jitter_deg,
            "findings": [{"name": f.name, "text": f.text, "fatal": f.fatal} for f in self.findings],
            "replay": self._replay_dict(),
            "passed": self.passed,
            "checks": self.verdict.as_dict()["checks"],
        }

    def _replay_dict(self) -> dict[str, Any] | None:
        if self.replay is None:
            return None
        us = self.replay.ticks / self.manifest.tick_hz * 1e6
        worst = np.argsort(-np.abs(us), kind="stable")[:SHOWN_APART]
        apart = [
            {"at_s": round(float(self.replay.at_s[k]), 6), "apart_us": round(float(us[k]), 3)}
            for k in sorted(worst)
            if abs(us[k]) > self.apart_us
        ]
        return {
            "compared": len(us),
            "allowed_us": round(self.apart_us, 3),
            "apart_max_us": round(float(np.abs(us).max(initial=0.0)), 3),
            "apart": apart,
            "only_recorded": self.replay.only_a,
            "only_firmware": self.replay.only_b,
            "only_recorded_s": [round(float(t), 6) for t in self.replay.alone_a_s[:SHOWN_APART]],
            "only_firmware_s": [round(float(t), 6) for t in self.replay.alone_b_s[:SHOWN_APART]],
        }


def _spread(name: str, values: F64) -> dict[str, float | None]:
    if not len(values):
        return {f"{name}_{part}": None for part in ("min", "mean", "max")}
    parts = (("min", values.min()), ("mean", values.mean()), ("max", values.max()))
    return {f"{name}_{part}": round(float(value), 4) for part, value in parts}


def remove_short(at_s: F64, active: U8, shortest_s: float) -> tuple[F64, U8, int]:
    """Drop level spans shorter than ``shortest_s``; the first edge of a real change stays.

    Returned: instants, levels after them, and how many edges were dropped.
    """
    if len(at_s) < 2:
        return at_s, active, 0
    short = np.diff(at_s) < shortest_s
    group = np.concatenate(([0], np.cumsum(~short)))
    size = np.bincount(group)
    first = np.concatenate(([0], np.flatnonzero(np.diff(group)) + 1))
    kept = first[size[group[first]] % 2 == 1]
    return at_s[kept], active[kept], len(at_s) - len(kept)


def _active_share(at_s: F64, active: U8, end_s: float) -> float:
    spans = np.diff(np.append(at_s, end_s))
    return float(spans[active == 1].sum() / max(spans.sum(), 1e-12))


def _motion(lead_s: F64, manifest: Manifest) -> Motion:
    """Return the turning between lead edges, exact at each; speed changes as the turns beside show.

    Exact for constant acceleration.  Before the first and after the last edge as beside them.
    """
    geometry = manifest.geometry
    true_s: F64 = lead_s - manifest.sensor_delay_us * 1e-6
    angle = (1.0 + np.arange(len(true_s))) * geometry.spacing_deg - geometry.lead_edge_deg_btdc
    span_s = np.diff(true_s)
    mean: F64 = geometry.spacing_deg / span_s
    accel: F64 = np.gradient(mean, 0.5 * (true_s[1:] + true_s[:-1]))
    most = 1.8 * mean / span_s
    accel = np.clip(accel, -most, most)
    speed = mean - 0.5 * accel * span_s
    last = speed[-1] + accel[-1] * span_s[-1]
    return Motion(true_s, np.asarray(angle), np.append(speed, last), np.append(accel, 0.0))


def _pickup(recording: Recording, manifest: Manifest) -> tuple[F64, U8, list[Finding]]:
    """Return the pickup's edges as active or not; an inverted line is turned and named."""
    low = manifest.raw["pickup_pin"]["active"] == "low"
    at_s, active = recording.pickup_s, recording.pickup_level ^ np.uint8(low)
    geometry = manifest.geometry
    part = geometry.arc_deg / geometry.spacing_deg
    share = _active_share(at_s, active, recording.end_s)
    if abs(share - part) <= abs(share - (1.0 - part)):
        return at_s, active, []
    text = (
        f"the pickup line is active {100 * share:.0f} % of the time, the magnet's arc is "
        f"{100 * part:.0f} %: the line is inverted, or the magnet the other way round"
    )
    return at_s, active ^ np.uint8(True), [Finding("pickup inverted", text)]


def _plausible(recording: Recording, manifest: Manifest, at_s: F64, clean_s: F64) -> list[Finding]:
    """Name what makes all else meaningless: a cut file, swapped lines, another unit of time."""
    found = []
    if recording.truncated:
        text = "the file ends in the middle of a row; what is before it was judged"
        found.append(Finding("truncated", text, fatal=False))
    if len(at_s) < 8:
        return found
    rpm = manifest.geometry.spacing_deg / DEG_S_PER_RPM / (2.0 * float(np.median(np.diff(at_s))))
    if rpm > 5.0 * manifest.limit_rpm and len(clean_s) < 8:
        text = (
            f"the pickup's edges would be those of {rpm:.3g} rpm, the limit is "
            f"{manifest.limit_rpm:.0f}: another unit of time (--time-unit), or nothing but noise"
        )
        found.append(Finding("speed implausible", text))
    elif _swapped(recording, manifest):
        text = "what is read as the pickup charges like the coil, and the other way round"
        found.append(Finding("lines swapped", f"{text}: exchange --pickup and --coil"))
    return found


def _swapped(recording: Recording, manifest: Manifest) -> bool:
    """Whether the pickup's spans are a charge long, and the coil line's share is the magnet's."""
    if len(recording.coil_s) < 8:
        return False
    dwell_s, part = manifest.dwell_us * 1e-6, manifest.geometry.arc_deg
    part /= manifest.geometry.spacing_deg
    spans = np.diff(recording.pickup_s)
    charges = any(abs(np.median(spans[k::2]) - dwell_s) < 0.1 * dwell_s for k in (0, 1))
    share = _active_share(recording.coil_s, recording.coil_level, recording.end_s)
    own = _active_share(recording.pickup_s, recording.pickup_level, recording.end_s)
    like, unlike = (min(abs(x - part), abs(1.0 - x - part)) for x in (share, own))
    return bool(charges and like < 0.3 * part and unlike > like)


def _coil(recording: Recording, manifest: Manifest) -> tuple[F64, U8, list[Finding]]:
    high = manifest.raw["coil_pins"][0]["on_level"] == "high"
    at_s, on = recording.coil_s, recording.coil_level ^ np.uint8(not high)
    if len(at_s) < 4:
        return at_s, on, []
    spans, state = np.diff(at_s), on[:-1]
    on_us = float(np.median(spans[state == 1])) * 1e6
    off_us = float(np.median(spans[state == 0])) * 1e6
    if abs(on_us - manifest.dwell_us) <= abs(off_us - manifest.dwell_us):
        return at_s, on, []
    text = (
        f"the coil line is on for {on_us:.0f} us and off for {off_us:.0f} us, the charge is "
        f"{manifest.dwell_us:.0f} us: the line is inverted"
    )
    return at_s, on ^ np.uint8(True), [Finding("coil inverted", text)]


def _rate_finding(recording: Recording, manifest: Manifest, top_rpm: float) -> list[Finding]:
    step_deg = recording.sample_s * DEG_S_PER_RPM * top_rpm
    width_s = manifest.geometry.arc_deg / (DEG_S_PER_RPM * max(top_rpm, 1.0))
    if step_deg <= FINEST_DEG and width_s > 4.0 * recording.sample_s:
        return []
    need_hz = DEG_S_PER_RPM * top_rpm / FINEST_DEG
    text = (
        f"one sample ({recording.sample_s * 1e6:.3g} us) is {step_deg:.2f} deg at "
        f"{top_rpm:.0f} rpm: sample at {need_hz / 1e3:.0f} kHz or faster to judge"
    )
    return [Finding("sample rate too low", text)]


def _shift_finding(m: Measurement) -> list[Finding]:
    """Name a shift common to all sparks: in degrees, in time, or not to be told apart."""
    mine = (m.rule == RULE_RUN) & (m.pulse >= 0)
    if mine.sum() < 10:
        return []
    error, rpm, allowed = m.error_deg[mine], m.rpm[mine], m.allowed_deg[mine]
    middle = float(np.median(error))
    if abs(middle) <= float(np.median(allowed)) or np.mean(np.sign(error) == np.sign(middle)) < 0.9:
        return []
    us = middle / (DEG_S_PER_RPM * float(np.median(rpm))) * 1e6
    way = "early" if middle > 0.0 else "late"
    text = f"the sparks come {abs(middle):.2f} deg {way}"
    if rpm.max() < 1.3 * rpm.min():
        text += f" ({abs(us):.0f} us at this speed; another speed tells which)"
    else:
        rows = np.stack((np.ones(len(rpm)), rpm * DEG_S_PER_RPM), axis=1)
        by_deg = np.median(np.abs(error - middle))
        by_time = np.median(np.abs(error - us * 1e-6 * rows[:, 1]))
        if by_time < by_deg:
            text += f" in the middle, {abs(us):.0f} us at every speed: a delay, such as a filter's"
        else:
            text += " at every speed: the magnet or the sensor is moved, or the plan's edge is"
    return [Finding("shifted", text)]


def _dwell_check(m: Measurement, manifest: Manifest, sample_s: float) -> Check:
    """Check charges where four turns and the spark itself differ by no more than 2 % in speed.

    A charge is planned from the turns before, so the speed's change times the interval is allowed.
    A measured supply may ask for any of its charging times.
    """
    if not len(m.spark_s) or not len(m.pulses.at_s):
        return Check("dwell_steady", 0.0, 0.0, "us", True, 0)
    speeds = np.stack([m.pulses.rpm[np.maximum(m.pulse - back, 0)] for back in range(4)] + [m.rpm])
    spread = speeds.max(axis=0) / np.maximum(speeds.min(axis=0), 1e-9) - 1.0
    wanted = np.minimum(m.dwell_wanted_us, manifest.dwell_us)
    mine = (m.rule == RULE_RUN) & (m.pulse >= 6) & (wanted > 0.0) & (spread < MOST_UNSTEADY)
    mine &= m.pulses.ordinal[np.maximum(m.pulse, 0)] >= 6
    if not mine.any():
        return Check("dwell_steady", 0.0, 0.0, "us", True, 0)
    if "supply_pin" in manifest.raw:  # what the supply was, the recording does not tell
        bounds = [us for _, us in manifest.raw["supply_pin"]["dwell_us"]]
        wanted = np.clip(m.dwell_us, min(min(bounds), *wanted[mine]), max(bounds))
    off, wanted, at_s = np.abs(m.dwell_us - wanted)[mine], wanted[mine], m.spark_s[mine]
    turn_us = manifest.geometry.spacing_deg / (DEG_S_PER_RPM * speeds.min(axis=0)[mine]) * 1e6
    limit = np.maximum(MOST_DWELL_OFF * wanted, 30.0) + 2e6 * sample_s + spread[mine] * turn_us
    worst = int(np.argmax(off - limit))
    passed = bool(np.all(off <= limit))
    value, most = float(off[worst]), float(limit[worst])
    return Check("dwell_steady", value, most, "us", passed, len(off), float(at_s[worst]))


def _train_of(
    recording: Recording, manifest: Manifest, at_s: F64, active: U8
) -> tuple[Train, list[Finding]]:
    """Return the pickup's edges as a train whose true edges are the magnet's."""
    shortest_s = 0.25 * manifest.geometry.arc_deg / (DEG_S_PER_RPM * 1.1 * manifest.limit_rpm)
    clean_s, clean_on, dropped = remove_short(at_s, active, shortest_s)
    skip = int(len(clean_on) > 0 and clean_on[0] == 0)  # began inside a pulse
    clean_s, clean_on = clean_s[skip:], clean_on[skip:]
    findings = []
    if dropped:
        text = (
            f"{dropped} pickup edges closer together than {shortest_s * 1e6:.0f} us were left out"
        )
        findings.append(Finding("noisy", text, fatal=False))
    lead_s = clean_s[clean_on == 1]
    if len(lead_s) < 4:
        stuck = Finding("no pulses", f"only {len(lead_s)} pickup pulses: nothing to judge")
        return _empty(recording.end_s), [*findings, stuck]
    true_edge = np.ones(len(clean_s), np.uint8)
    motion = _motion(lead_s, manifest)
    return Train(clean_s, clean_on, true_edge, recording.end_s, motion), findings


def _empty(end_s: float) -> Train:
    none = np.zeros(0, np.uint8)
    one, zero = np.ones(1), np.zeros(1)
    return Train(np.zeros(0), none, none, end_s, Motion(zero, zero, one, zero))


def _run_of(at_s: F64, on: U8, train: Train, manifest: Manifest) -> Run:
    """Return the coil's changes from the first whole charge after the first pulse."""
    first = train.edge_s[0] if len(train.edge_s) else 0.0
    whole = np.flatnonzero((on == 1) & (at_s >= first))
    begin = int(whole[0]) if len(whole) else len(at_s)
    at_s, on = at_s[begin:], on[begin:]
    channel = np.zeros(len(at_s), np.uint8)
    return Run("recording", manifest.tick_hz, 0.0, at_s, on, channel)


def examine(recording: Recording, manifest: Manifest, *, replay: bool = False) -> TraceResult:
    """Measure a recording against a firmware folder's plan, turn by turn.

    What a sample can cost is allowed on top of what the firmware may.  ``replay`` feeds the
    recorded pickup line, noise included, through the folder's own C.
    """
    at_s, active, findings = _pickup(recording, manifest)
    coil_s, coil_on, more = _coil(recording, manifest)
    train, noise = _train_of(recording, manifest, at_s, active)
    first = _plausible(recording, manifest, at_s, train.edge_s)
    hopeless = any(finding.fatal for finding in first)
    findings = first if hopeless else [*first, *findings, *more, *noise]
    run = _run_of(coil_s, coil_on, train, manifest)
    if manifest.two_coils and len(train.edge_s):
        train = with_cylinders(train, recording, manifest, run.coil_s[run.coil_on == 0])
        run = with_coils(run, recording, cylinder_before(train, run.coil_s, manifest))
        findings = [*findings, *_coil_lines(recording)]
    m = measure(run, train, manifest)
    sample_deg = 2.0 * recording.sample_s * DEG_S_PER_RPM * np.abs(m.rpm)
    m = replace(m, allowed_deg=m.allowed_deg + sample_deg)
    top_rpm = float(np.nanmax(m.pulses.rpm)) if len(m.pulses.at_s) > 1 else 0.0
    if not hopeless:
        findings += _rate_finding(recording, manifest, top_rpm) + _shift_finding(m)
    margin = 20.0 + 2.0 * recording.sample_s * manifest.tick_hz
    limits = Limits(dwell_share=np.inf, on_margin_ticks=margin, first_spark_pulse=5)
    verdict = judge(m, run, train, manifest, limits)
    verdict = Verdict((*verdict.checks, _dwell_check(m, manifest, recording.sample_s)))
    second_s = train.second_s
    difference = _replay(at_s, active, second_s, run, recording, manifest) if replay else None
    return TraceResult(recording, manifest, train, run, m, verdict, tuple(findings), difference)


def _coil_lines(recording: Recording) -> list[Finding]:
    """Say what could not be judged of two coils."""
    if "select" in recording.more:
        return []
    text = "no line of the select pin was recorded (--select): which coil sparked was not judged"
    return [Finding("coils not told apart", text, fatal=False)]


def _replay(
    at_s: F64, active: U8, second_s: F64, run: Run, recording: Recording, manifest: Manifest
) -> RunDifference:
    """Run the recorded pickup line through the host core and compare from its sixth spark on."""
    begin = int(len(active) > 0 and active[0] == 0)
    at_s, active = at_s[begin:] + LEAD_IN_S, active[begin:]
    ones = np.ones(len(at_s), np.uint8)
    end_s, still = recording.end_s + LEAD_IN_S, _empty(0.0).motion
    train = Train(at_s, active, ones, end_s, still, second_s + LEAD_IN_S)
    host = run_train(load(manifest.folder), Hardware.of(manifest), train)
    sparks = host.coil_s[host.coil_on == 0]
    from_s = float(sparks[5]) - 1e-3 if len(sparks) > 5 else np.inf
    mine, other = run.coil_s + LEAD_IN_S, host.coil_s
    keep, keep_host = mine >= from_s, (other >= from_s) & (other <= recording.end_s + LEAD_IN_S)
    recorded = replace(run, coil_s=mine[keep], coil_on=run.coil_on[keep])
    computed = Run(
        "host",
        host.tick_hz,
        0.0,
        other[keep_host],
        host.coil_on[keep_host],
        host.coil_channel[keep_host],
    )
    found = compare_runs(recorded, computed)
    places = {name: getattr(found, name) - LEAD_IN_S for name in ("at_s", "alone_a_s", "alone_b_s")}
    return replace(found, **places)
