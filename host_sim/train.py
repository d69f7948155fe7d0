"""Crank motions, and the pickup's pulse train that follows from one, edge by edge exact.

A motion is made of pieces of constant acceleration, so every edge is the root of a quadratic and
the true angle at any instant is known without asking the firmware.  Angles as in ``run.py``:
cumulative degrees, 0 at top dead centre, a point b deg BTDC at 360 k - b.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sparktick.gen.errors import RunError

from .manifest import Geometry, Manifest
from .run import F64, U8, Motion, Train

DEG_S_PER_RPM = 6.0


def profile(t_s: ArrayLike, rpm: ArrayLike, *, angle_deg: float = 0.0) -> Motion:
    """Return a motion whose speed follows straight lines over time.

    ``t_s`` (n,) strictly increasing; ``rpm`` (n,) there, negative backwards; the last speed is
    kept.  ``angle_deg`` is the crank angle at ``t_s[0]``.
    """
    t = np.asarray(t_s, dtype=np.float64)
    speed = np.asarray(rpm, dtype=np.float64) * DEG_S_PER_RPM
    if t.ndim != 1 or len(t) != len(speed) or len(t) < 1 or np.any(np.diff(t) <= 0):
        raise RunError("a speed profile needs increasing instants and one speed for each")
    span = np.diff(t)
    accel = np.append(np.diff(speed) / span, 0.0)
    turned = 0.5 * (speed[1:] + speed[:-1]) * span
    angle = angle_deg + np.concatenate(([0.0], np.cumsum(turned)))
    return Motion(t_s=t, angle_deg=angle, speed_deg_s=speed, accel_deg_s2=accel)


def steady(rpm: float, *, angle_deg: float = 0.0) -> Motion:
    """Return a motion at one speed from time 0."""
    return profile([0.0], [rpm], angle_deg=angle_deg)


def ramp(
    from_rpm: float,
    to_rpm: float,
    rpm_per_s: float,
    *,
    before_s: float = 0.5,
    angle_deg: float = 0.0,
) -> Motion:
    """Return a motion that holds one speed, changes at a constant rate, and holds another.

    ``rpm_per_s`` is the magnitude; before_s > 0 is how long the first speed is held.
    """
    change_s = abs(to_rpm - from_rpm) / abs(rpm_per_s)
    t = [0.0, before_s, before_s + change_s]
    return profile(t, [from_rpm, from_rpm, to_rpm], angle_deg=angle_deg)


def from_standstill(
    rpm: float, rpm_per_s: float, *, wait_s: float = 0.2, angle_deg: float = 90.0
) -> Motion:
    """Return a motion that rests at ``angle_deg``, then speeds up to ``rpm`` and holds it."""
    return profile([0.0, wait_s, wait_s + rpm / rpm_per_s], [0.0, 0.0, rpm], angle_deg=angle_deg)


def to_standstill(
    rpm: float, rpm_per_s: float, *, before_s: float = 0.5, angle_deg: float = 0.0
) -> Motion:
    """Return a motion that holds ``rpm``, slows down at a constant rate, and rests."""
    return ramp(rpm, 0.0, rpm_per_s, before_s=before_s, angle_deg=angle_deg)


@dataclass(frozen=True)
class _Sweep:
    """Part of a motion in one direction: +1 or -1; ``motion`` is mirrored when backwards."""

    motion: Motion
    end_s: float
    direction: int


def _split_at_reversals(motion: Motion, end_s: float) -> Motion:
    """Return the same motion with a piece border wherever the speed passes through zero."""
    w, acc = motion.speed_deg_s, motion.accel_deg_s2
    ends = np.append(motion.t_s[1:], max(end_s, motion.t_s[-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        turn_s = motion.t_s - w / acc
    inside = (acc != 0.0) & (w != 0.0) & (turn_s > motion.t_s) & (turn_s < ends)
    if not inside.any():
        return motion
    at = turn_s[inside]
    t = np.concatenate((motion.t_s, at))
    order = np.argsort(t, kind="stable")
    return Motion(
        t_s=t[order],
        angle_deg=np.concatenate((motion.angle_deg, motion.angle_at(at)))[order],
        speed_deg_s=np.concatenate((w, np.zeros(len(at))))[order],
        accel_deg_s2=np.concatenate((acc, acc[inside]))[order],
    )


def _sweeps(motion: Motion, end_s: float) -> list[_Sweep]:
    """Cut a motion where it changes direction; a motion that never reverses is one sweep."""
    if np.all(motion.speed_deg_s >= 0.0) and (
        motion.accel_deg_s2[-1] >= 0.0 or motion.speed_at(np.array([end_s]))[0] >= 0.0
    ):
        return [_Sweep(motion, end_s, 1)]
    whole = _split_at_reversals(motion, end_s)
    ends = np.append(whole.t_s[1:], max(end_s, whole.t_s[-1]))
    sign = np.sign(whole.angle_at(0.5 * (whole.t_s + ends)) - whole.angle_deg).astype(int)
    for i in range(1, len(sign)):  # a rest belongs to what went before; few pieces reverse
        if sign[i] == 0:
            sign[i] = sign[i - 1]
    sign[sign == 0] = 1
    starts = np.flatnonzero(np.diff(sign, prepend=sign[0] + 1))
    stops = np.append(starts[1:], len(sign))
    found = []
    for start, stop in zip(starts, stops, strict=True):
        s = int(sign[start])
        part = slice(start, stop)
        piece = Motion(
            t_s=whole.t_s[part],
            angle_deg=s * whole.angle_deg[part],
            speed_deg_s=s * whole.speed_deg_s[part],
            accel_deg_s2=s * whole.accel_deg_s2[part],
        )
        found.append(_Sweep(piece, float(ends[stop - 1]), s))
    return found


def _crossings(low: float, high: float, edge_deg: float, spacing: float) -> NDArray[np.float64]:
    """Angles ``spacing`` k + edge_deg that lie in (low, high]."""
    first = np.floor((low - edge_deg) / spacing) + 1.0
    last = np.floor((high - edge_deg) / spacing)
    return np.asarray(edge_deg + spacing * np.arange(first, last + 1.0))


def _sweep_edges(sweep: _Sweep, geometry: Geometry) -> tuple[F64, U8]:
    low = float(sweep.motion.angle_deg[0])
    high = float(sweep.motion.angle_at(np.array([sweep.end_s]))[0])
    return _edges_between(sweep.motion, geometry, low, high, sweep.direction)


def _edges_between(
    motion: Motion, geometry: Geometry, low: float, high: float, direction: int = 1
) -> tuple[F64, U8]:
    """Edges in time between two angles; a backward motion is given mirrored."""
    spacing = geometry.spacing_deg
    arrives = -geometry.lead_edge_deg_btdc
    leaves = arrives + geometry.arc_deg
    if direction < 0:  # mirrored: the trail edge comes first
        arrives, leaves = -leaves, -arrives
    active_s = motion.time_at(_crossings(low, high, arrives, spacing))
    rest_s = motion.time_at(_crossings(low, high, leaves, spacing))
    edge_s = np.concatenate((active_s, rest_s))
    active = np.concatenate((np.ones(len(active_s), np.uint8), np.zeros(len(rest_s), np.uint8)))
    order = np.argsort(edge_s, kind="stable")
    return edge_s[order], active[order]


def _check_geometry(geometry: Geometry) -> None:
    if not 0.0 < geometry.arc_deg < geometry.spacing_deg:
        raise RunError(
            f"arc_deg {geometry.arc_deg:g} does not fit between pulses {geometry.spacing_deg:g} "
            "deg apart"
        )


@dataclass(frozen=True)
class LineDelay:
    """How late the line's edges are at the pin: sensor and filter, magnet arriving and leaving."""

    lead_s: float = 0.0
    trail_s: float = 0.0

    @classmethod
    def of(cls, manifest: Manifest) -> LineDelay:
        """Return the delays that the firmware folder allows for."""
        return cls(manifest.sensor_delay_us * 1e-6, manifest.trail_delay_us * 1e-6)

    def of_edges(self, active: U8) -> F64:
        """Return the delay of each edge; ``active`` 1 where the magnet arrives."""
        return np.where(active == 1, self.lead_s, self.trail_s)


NO_DELAY = LineDelay()


def pickup_train(motion: Motion, manifest: Manifest, end_s: float) -> Train:
    """Return the train of a firmware folder's own pickup, delays included."""
    train = make_train(motion, manifest.geometry, end_s, delay=LineDelay.of(manifest))
    return with_phase(train, manifest.geometry) if manifest.two_coils else train


def with_phase(train: Train, geometry: Geometry) -> Train:
    """Return the train with a phase sensor that is on around every second pulse.

    The first cylinder's are those before top dead centre 0, 2, 4 ...; the sensor changes midway
    between a pulse of one and a pulse of the other.
    """
    middle = geometry.lead_edge_deg_btdc - 0.5 * geometry.arc_deg
    angle = train.motion.angle_at(train.edge_s)
    index = np.rint((angle + middle) / geometry.spacing_deg).astype(np.int64) & 1
    change = np.flatnonzero(np.diff(index))
    toggles = 0.5 * (train.edge_s[change] + train.edge_s[change + 1])
    if len(index) and index[0]:
        toggles = np.concatenate((train.motion.t_s[:1], toggles))
    return replace(train, second_s=toggles)


def make_train(
    motion: Motion, geometry: Geometry, end_s: float, *, delay: LineDelay = NO_DELAY
) -> Train:
    """Return the pulses at the chip's pin from the motion's begin to ``end_s``.

    A magnet that is at the sensor from the start shows as an edge at the motion's begin.  Works
    for motions that stop or reverse; fully vectorised for those that do not.
    """
    _check_geometry(geometry)
    parts = [_sweep_edges(sweep, geometry) for sweep in _sweeps(motion, end_s)]
    active = np.concatenate([part[1] for part in parts])
    edge_s = np.concatenate([part[0] for part in parts]) + delay.of_edges(active)
    if len(active) and active[0] == 0:
        edge_s = np.concatenate(([motion.t_s[0]], edge_s))
        active = np.concatenate((np.ones(1, np.uint8), active))
    elif not len(active) and _magnet_there(motion, geometry):
        edge_s, active = motion.t_s[:1].copy(), np.ones(1, np.uint8)
    keep = edge_s < end_s
    edge_s, active = edge_s[keep], active[keep]
    return Train(edge_s, active, np.ones(len(edge_s), np.uint8), end_s, motion)


def _magnet_there(motion: Motion, geometry: Geometry) -> bool:
    past_lead = (motion.angle_deg[0] + geometry.lead_edge_deg_btdc) % geometry.spacing_deg
    return bool(past_lead < geometry.arc_deg)


def train_blocks(
    motion: Motion,
    geometry: Geometry,
    end_s: float,
    *,
    delay: LineDelay = NO_DELAY,
    pulses: int = 10_000,
) -> Iterator[Train]:
    """Yield the same train in consecutive blocks of ``pulses`` pulses, in bounded memory.

    For motions that never reverse.  Each block ends midway between two magnets; what would be less
    than an eighth of one is added to the last, as every block costs something of its own.  As many
    pulses as by default stay in the processor's cache from train to verdict.
    """
    _check_geometry(geometry)
    if np.any(motion.speed_deg_s < 0.0) or motion.speed_at(np.array([end_s]))[0] < 0.0:
        raise RunError("a train in blocks needs a motion that does not reverse")
    spacing = geometry.spacing_deg
    between = 0.5 * (spacing + geometry.arc_deg) - geometry.lead_edge_deg_btdc
    low, last = (float(a) for a in motion.angle_at(np.array([motion.t_s[0], end_s])))
    borders = _block_borders(low, last, between, spacing, pulses)
    opening = motion.t_s[:1] if _magnet_there(motion, geometry) else np.zeros(0)
    for high in borders:
        at_s = float(motion.time_at(np.array([high]))[0]) + max(delay.lead_s, delay.trail_s)
        stop_s = end_s if high >= last else min(at_s, end_s)
        edge_s, active = _edges_between(motion, geometry, low, high)
        edge_s = np.concatenate((opening, edge_s + delay.of_edges(active)))
        active = np.concatenate((np.ones(len(opening), np.uint8), active))
        keep = edge_s < stop_s
        edge_s, active = edge_s[keep], active[keep]
        yield Train(edge_s, active, np.ones(len(edge_s), np.uint8), stop_s, motion)
        low, opening = high, np.zeros(0)


def _block_borders(
    low: float, last: float, between: float, spacing: float, pulses: int
) -> Iterator[float]:
    k = np.floor((low - between) / spacing)
    border = low
    while border < last:
        k += pulses
        border = float(spacing * k + between)
        if border + 0.125 * pulses * spacing > last:
            border = last
        yield border
