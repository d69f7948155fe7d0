"""Noise families of the sensor itself: stuck, chattering, missing and double pulses, bounce.

They change what the sensor's output does; the line behind it filters as ever.  The level scales
how often it happens.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from .manifest import Manifest
from .noise import BOOL, Disturbed, _bound, _rng
from .noise_line import SensorEdges, Wire
from .run import F64, U8, Train


def combine(
    edge_s: F64, level: U8, other_s: F64, other: U8, rule: Callable[[U8, U8], U8]
) -> tuple[F64, U8]:
    """Return the changes of ``rule(level, other)`` of two lines that both begin at 0."""
    at = np.concatenate((edge_s, other_s))
    mine = np.concatenate((np.ones(len(edge_s), bool), np.zeros(len(other_s), bool)))
    order = np.argsort(at, kind="stable")
    at, mine = at[order], mine[order]
    count_a, count_b = np.cumsum(mine), np.cumsum(~mine)
    levels_a = np.concatenate((np.zeros(1, np.uint8), level))[count_a]
    levels_b = np.concatenate((np.zeros(1, np.uint8), other))[count_b]
    result = rule(levels_a, levels_b).astype(np.uint8)
    last = np.append(at[1:] != at[:-1], True)  # of several changes at one instant the last
    at, result = at[last], result[last]
    zero = np.zeros(1, np.uint8)
    changed = np.diff(result.astype(np.int8), prepend=rule(zero, zero).astype(np.int8)) != 0
    return at[changed], result[changed]


def _spans(begin_s: F64, end_s: F64) -> tuple[F64, U8]:
    """Return spans that do not overlap as changes of a line."""
    at = np.column_stack((begin_s, end_s)).ravel()
    return at, np.tile(np.array([1, 0], np.uint8), len(begin_s))


def _apart(begin_s: F64, length_s: F64, end_s: float) -> tuple[F64, F64]:
    """Drop spans that begin before the one before has ended, or end too late."""
    if not len(begin_s):
        return begin_s, length_s
    free = np.ones(len(begin_s), bool)
    free[1:] = begin_s[1:] > np.maximum.accumulate(begin_s + length_s)[:-1]
    free &= begin_s + length_s < end_s
    return begin_s[free], begin_s[free] + length_s[free]


def _touched(clean: Train, begin_s: F64, end_s: F64) -> BOOL:
    """Return which true pulses lie, with an edge, in one of the spans."""
    lead, trail = clean.edge_s[0::2], clean.edge_s[1::2]
    trail = np.append(trail, lead[len(trail) :])
    place = np.searchsorted(end_s, lead)
    safe = np.minimum(place, max(len(begin_s) - 1, 0))
    if not len(begin_s):
        return np.zeros(len(lead), bool)
    return np.asarray((place < len(begin_s)) & (begin_s[safe] <= trail))


def _sensor(clean: Train, wire: Wire, edges: tuple[F64, U8], told: BOOL, events: int) -> Disturbed:
    edge_s, active = wire.at_pin(SensorEdges(*edges, clean.end_s))
    return _bound(clean, edge_s, active, told, events)


@dataclass(frozen=True)
class Stuck:
    """The sensor freezes at either level for a while: ``per_s`` times a second, ``length_s`` long.

    No source: a sensor that latches up or a wire that touches ground now and then; 0.4 a second
    is thousands of times what an engine survives at all.
    """

    name: ClassVar[str] = "stuck"
    title: ClassVar[str] = "line stuck for a while"
    spark_bar: ClassVar[float | None] = None
    imitates: ClassVar[bool] = True
    per_s: float = 0.4
    length_s: tuple[float, float] = (0.02, 0.3)

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        rng, wire = _rng(self.name, seed), Wire.of(manifest)
        count = int(rng.poisson(level * self.per_s * clean.end_s))
        begin_s, end_s = _apart(
            np.sort(rng.uniform(0.0, clean.end_s, count)),
            rng.uniform(*self.length_s, count),
            clean.end_s,
        )
        at_one = rng.integers(0, 2, len(begin_s)).astype(bool)
        sensor = SensorEdges.of(clean, wire)
        edges = combine(
            sensor.edge_s,
            sensor.active,
            *_spans(begin_s[~at_one], end_s[~at_one]),
            lambda a, b: a & (1 - b),
        )
        edges = combine(*edges, *_spans(begin_s[at_one], end_s[at_one]), lambda a, b: a | b)
        return _sensor(clean, wire, edges, ~_touched(clean, begin_s, end_s), len(begin_s))


@dataclass(frozen=True)
class Chatter:
    """A loose plug: for ``length_s`` the wire opens at random, ``rate_hz`` a second while shut.

    It stays open for half as long as it stays shut, in the mean, so it opens 2/3 ``rate_hz`` times.
    Open, the pull-up says that there is no magnet.  No source.
    """

    name: ClassVar[str] = "chatter"
    title: ClassVar[str] = "chattering line, a loose plug"
    spark_bar: ClassVar[float | None] = None
    imitates: ClassVar[bool] = True
    per_s: float = 0.4
    length_s: tuple[float, float] = (0.01, 0.1)
    rate_hz: float = 5000.0

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        rng, wire = _rng(self.name, seed), Wire.of(manifest)
        count = int(rng.poisson(level * self.per_s * clean.end_s))
        begin_s, end_s = _apart(
            np.sort(rng.uniform(0.0, clean.end_s, count)),
            rng.uniform(*self.length_s, count),
            clean.end_s,
        )
        opens = rng.poisson(self.rate_hz * (end_s - begin_s))
        at = np.repeat(begin_s, opens) + rng.uniform(0.0, 1.0, int(opens.sum())) * np.repeat(
            end_s - begin_s, opens
        )
        at = np.sort(at)
        lasts = np.minimum(rng.exponential(0.5 / self.rate_hz, len(at)), 5.0 / self.rate_hz)
        open_s, shut_s = _apart(at, lasts, clean.end_s)
        sensor = SensorEdges.of(clean, wire)
        edges = combine(
            sensor.edge_s, sensor.active, *_spans(open_s, shut_s), lambda a, b: a & (1 - b)
        )
        return _sensor(clean, wire, edges, ~_touched(clean, begin_s, end_s), len(begin_s))


@dataclass(frozen=True)
class Storm(Chatter):
    """The same at ``rate_hz`` 100 000 a second for some ms: an arcing contact, a radio keyed near.

    No source: about the most that the capture filter lets through and handlers cannot serve.
    """

    name: ClassVar[str] = "storm"
    title: ClassVar[str] = "storm of edges, an arcing contact"
    per_s: float = 1.0
    length_s: tuple[float, float] = (0.002, 0.02)
    rate_hz: float = 100e3


@dataclass(frozen=True)
class Missing:
    """Pulses that do not come: each with the ``share``, alone.  No source: a gap at its limit."""

    name: ClassVar[str] = "missing"
    title: ClassVar[str] = "missing pulses"
    spark_bar: ClassVar[float | None] = None
    imitates: ClassVar[bool] = False
    share: float = 0.02

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        rng, wire = _rng(self.name, seed), Wire.of(manifest)
        sensor = SensorEdges.of(clean, wire)
        pulses = (len(sensor.edge_s) + 1) // 2
        told = rng.uniform(0.0, 1.0, pulses) >= min(0.9, level * self.share)
        keep = np.repeat(told, 2)[: len(sensor.edge_s)]
        edges = sensor.edge_s[keep], sensor.active[keep]
        return _sensor(clean, wire, edges, told, int(np.count_nonzero(~told)))


@dataclass(frozen=True)
class Double:
    """A second pulse after a true one: with the ``share``, anywhere in the rest of the turn.

    ``width`` its part of the true pulse's, evenly spread.  No source: a bolt head that passes the
    sensor, a second magnet's stray field.
    """

    name: ClassVar[str] = "double"
    title: ClassVar[str] = "second pulses in a turn"
    spark_bar: ClassVar[float | None] = None
    imitates: ClassVar[bool] = True
    share: float = 0.02
    width: tuple[float, float] = (0.05, 0.5)

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        rng, wire = _rng(self.name, seed), Wire.of(manifest)
        sensor = SensorEdges.of(clean, wire)
        lead, trail = sensor.edge_s[0:-2:2], sensor.edge_s[1:-1:2]
        lead, after = lead[: len(trail)], sensor.edge_s[2::2][: len(trail)]
        lead, trail = lead[: len(after)], trail[: len(after)]
        drawn = rng.uniform(0.0, 1.0, len(lead)) < min(0.9, level * self.share)
        length = rng.uniform(*self.width, len(lead)) * (trail - lead)
        begin = trail + rng.uniform(0.02, 0.98, len(lead)) * (after - trail - length)
        spans = _spans(begin[drawn], (begin + length)[drawn])
        edges = combine(sensor.edge_s, sensor.active, *spans, lambda a, b: a | b)
        told = np.ones((len(sensor.edge_s) + 1) // 2, bool)
        return _sensor(clean, wire, edges, told, int(drawn.sum()))


@dataclass(frozen=True)
class Bounce:
    """Points bounce: after each edge the contact opens and shuts up to ``most`` times.

    Over within ``length_s``; 0.1 to 0.3 ms are said of worn ignition points (memory).  The level
    scales the length.  An edge after the first looks just as that does.
    """

    name: ClassVar[str] = "bounce"
    title: ClassVar[str] = "bouncing contact"
    spark_bar: ClassVar[float | None] = None
    imitates: ClassVar[bool] = True
    length_s: float = 100e-6
    most: int = 3

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        rng, wire = _rng(self.name, seed), Wire.of(manifest)
        sensor = SensorEdges.of(clean, wire)
        count = len(sensor.edge_s)
        room_s = 0.4 * np.diff(sensor.edge_s, append=clean.end_s)
        span_s = np.minimum(level * self.length_s, room_s) * rng.uniform(0.3, 1.0, count)
        extra = rng.uniform(0.0, 1.0, (count, 2 * self.most))
        extra[rng.uniform(0.0, 1.0, (count, self.most)).repeat(2, axis=1) < 0.3] = 0.0
        parts = np.concatenate((np.zeros((count, 1)), np.sort(extra, axis=1)), axis=1)
        at = (sensor.edge_s[:, None] + parts * span_s[:, None]).ravel()
        flips = np.arange(2 * self.most + 1) % 2
        active = (sensor.active[:, None] ^ flips[None, :].astype(np.uint8)).ravel()
        told = np.ones((count + 1) // 2, bool)
        return _sensor(clean, wire, (at, active.astype(np.uint8)), told, count)
