"""Noise families: what disturbs the pickup line, one class each.

Every family has a level; 1 is the severe default that its class describes, others scale voltages
(what is analogue) or how often it happens (what the sensor itself does).  Whatever is analogue goes
through the folder's own sensor line (noise_line.py) before it is an edge.  The same seed gives the
same edges.  "memory" marks figures of standards and practice that were not looked up.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from .bench import CoilNoise, NoisePatterns
from .manifest import Manifest
from .noise_line import NO_EVENTS, Events, Hum, SensorEdges, Shape, Wire
from .run import F64, U8, Train

BOOL = NDArray[np.bool_]
PATTERNS = 64
HALF_TO_DECAY = 1.0 / np.log(2.0)  # an exponential's time constant from its width at half value


@dataclass(frozen=True)
class Disturbed:
    """What reaches the pin.  ``told`` (pulses,) whether each true pulse reached the line at all.

    ``train`` has the pin's edges; ``coil`` what follows the coil's own switching, for the bench
    to add; ``events`` how many disturbances there were (bursts of one pulse count as one).
    """

    train: Train
    coil: CoilNoise | None
    told: BOOL
    events: int


class Family(Protocol):
    """A noise family.  ``spark_bar``: share of sparks that must be within 1 deg at level 1.

    ``imitates``: its edges can be just as the magnet's, so that no firmware can tell them apart
    and no spark's angle can be promised (noise_bound.py says how far).
    """

    name: ClassVar[str]
    title: ClassVar[str]
    spark_bar: ClassVar[float | None]
    imitates: ClassVar[bool]

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """Return a clean train, as it is at the pin, disturbed."""
        ...


def _rng(name: str, seed: int) -> np.random.Generator:
    """Return a stream of the family's own, so that adding one family does not shift another."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def _disturbed(
    clean: Train,
    wire: Wire,
    sensor: SensorEdges,
    events: Events = NO_EVENTS,
    told: BOOL | None = None,
) -> Disturbed:
    edge_s, active = wire.at_pin(sensor, events)
    return _bound(clean, edge_s, active, told, len(events.at_s))


def _bound(clean: Train, edge_s: F64, active: U8, told: BOOL | None, events: int) -> Disturbed:
    edge_s = np.maximum.accumulate(edge_s)  # of two closed forms at one instant
    keep = edge_s < clean.end_s
    edge_s, active = edge_s[keep], active[keep]
    marks = np.zeros(len(edge_s), np.uint8)
    train = replace(clean, edge_s=edge_s, active=active, true_edge=marks)
    pulses = int(np.count_nonzero(clean.true_edge) + 1) // 2
    everything = np.ones(pulses, dtype=bool)
    return Disturbed(train, None, everything if told is None else told, events)


@dataclass(frozen=True)
class Ringing:
    """Bursts tied to the coil's own switching: the spark's and the charge's ringing.

    Off: the gap breaks down (``gap_v``, ringing at ``gap_hz``), the primary rings at its clamp
    voltage, and the spark blows out and strikes again ``restrikes`` times in the mean within some
    hundred us.  On: the secondary's make voltage rings, the driver's edge couples.  ``couple_f``
    from the high-tension lead to the sensor's wire, ``primary_f`` from the coil's primary lead.
    Invented to be harsher than leads laid 10 cm apart (no source); each switching draws its own
    amplitudes (0.6 to 1.4), frequencies (one octave), and instants.
    """

    name: ClassVar[str] = "ringing"
    title: ClassVar[str] = "ringing after the coil's own switching"
    spark_bar: ClassVar[float | None] = 0.999
    imitates: ClassVar[bool] = False
    gap_v: float = 12e3
    gap_hz: float = 5e6
    gap_decay_s: float = 1e-6
    couple_f: float = 5e-12
    primary_v: float = 400.0
    primary_hz: float = 60e3
    primary_decay_s: float = 60e-6
    primary_f: float = 20e-12
    restrikes: float = 6.0
    restrike_v: float = 5e3
    restrike_span_s: float = 150e-6
    make_v: float = 1.5e3
    make_hz: float = 40e3
    make_decay_s: float = 50e-6
    driver_v: float = 14.0
    driver_rise_s: float = 100e-9

    def _off(self, rng: np.random.Generator, level: float) -> tuple[list[Shape], list[float]]:
        count = int(rng.poisson(self.restrikes))
        scale = level * rng.uniform(0.6, 1.4, count + 2) * rng.choice([-1.0, 1.0], count + 2)
        ring = 2.0 ** rng.uniform(-0.5, 0.5, 2)
        shapes = [
            Shape(
                scale[0] * self.gap_v, 2e-9, self.gap_decay_s, self.couple_f, self.gap_hz * ring[0]
            ),
            Shape(
                scale[1] * self.primary_v,
                1e-6,
                self.primary_decay_s,
                self.primary_f,
                self.primary_hz * ring[1],
            ),
        ]
        at = [float(rng.uniform(2e-6, 20e-6)), 0.0]  # the voltage must climb to the gap's
        for k in range(count):
            shapes.append(
                Shape(
                    scale[k + 2] * self.restrike_v,
                    2e-9,
                    self.gap_decay_s,
                    self.couple_f,
                    self.gap_hz * ring[0],
                )
            )
            at.append(at[0] + float(rng.exponential(self.restrike_span_s)))
        return shapes, at

    def _on(self, rng: np.random.Generator, level: float) -> tuple[list[Shape], list[float]]:
        scale = level * rng.uniform(0.6, 1.4, 2)
        ring = 2.0 ** rng.uniform(-0.5, 0.5)
        shapes = [
            Shape(
                scale[0] * self.make_v, 2e-6, self.make_decay_s, self.couple_f, self.make_hz * ring
            ),
            Shape(
                -scale[1] * self.driver_v,
                self.driver_rise_s,
                100.0 * self.driver_rise_s,
                self.primary_f,
            ),
        ]
        return shapes, [0.0, 0.0]

    def patterns(self, wire: Wire, level: float, seed: int) -> CoilNoise:
        """Return the pin's toggles after each switching, drawn from 64 patterns a kind."""
        groups = []
        for kind, make in enumerate((self._off, self._on)):
            drawn = []
            for k in range(PATTERNS):
                rng = np.random.default_rng([seed, zlib.crc32(self.name.encode()), kind, k])
                drawn.append(make(rng, level))
            for active in (False, True):
                found = tuple(wire.response_s(active, *one) for one in drawn)
                groups.append(NoisePatterns(found))
        return CoilNoise(groups[0], groups[1], groups[2], groups[3], jitter_s=1e-6, seed=seed)

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        coil = self.patterns(Wire.of(manifest), level, seed)
        told = np.ones(int(np.count_nonzero(clean.true_edge) + 1) // 2, dtype=bool)
        return Disturbed(clean, coil, told, 0)


def _bursts_s(
    rng: np.random.Generator,
    end_s: float,
    every_s: tuple[float, float],
    pulses: int,
    apart_s: float,
) -> F64:
    """Return (bursts, pulses) instants: bursts begin ``every_s`` apart, drawn evenly between."""
    count = int(end_s / every_s[0]) + 2
    begin_s = np.cumsum(rng.uniform(*every_s, count)) - rng.uniform(0.0, every_s[1])
    begin_s = begin_s[(begin_s > 0.0) & (begin_s < end_s)]
    return np.asarray(begin_s[:, None] + apart_s * np.arange(pulses))


def _peak(rise_s: float, decay_s: float) -> float:
    """Return the greatest value of exp(-t / decay) - exp(-t / rise), by its derivative's zero."""
    at = np.log(decay_s / rise_s) / (1.0 / rise_s - 1.0 / decay_s)
    return float(np.exp(-at / decay_s) - np.exp(-at / rise_s))


@dataclass(frozen=True)
class _Repeated:
    """Pulses of one shape in bursts, through a stray capacitance; ``volts`` at their peak."""

    name: ClassVar[str]
    title: ClassVar[str]
    spark_bar: ClassVar[float | None] = 0.999
    imitates: ClassVar[bool] = False
    volts: float
    rise_s: float
    decay_s: float
    couple_f: float
    pulses: int
    apart_s: float
    every_s: tuple[float, float]
    both_signs: bool = False

    def shape(self, volts: float) -> Shape:
        """Return one pulse of a peak voltage."""
        begin_v = volts / _peak(self.rise_s, self.decay_s)
        return Shape(begin_v, self.rise_s, self.decay_s, self.couple_f)

    def events(self, end_s: float, level: float, seed: int) -> Events:
        """Return the pulses up to ``end_s``."""
        rng = _rng(self.name, seed)
        at = _bursts_s(rng, end_s, self.every_s, self.pulses, self.apart_s)
        sign = rng.integers(0, 2, len(at)) if self.both_signs else np.zeros(len(at), np.int64)
        which = np.repeat(sign, self.pulses).astype(np.uint8)
        at_s, volts = at.ravel(), level * self.volts
        keep = at_s < end_s
        shapes = (self.shape(volts), self.shape(-volts))
        return Events(shapes, at_s[keep], which[keep])

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        wire = Wire.of(manifest)
        events = self.events(clean.end_s, level, seed)
        return _disturbed(clean, wire, SensorEdges.of(clean, wire), events)


IEC_RISE_S = 5e-9 / 2.2  # 5 ns from 10 to 90 %
IEC_DECAY_S = 50e-9 * HALF_TO_DECAY
IEC_EVERY_S = (0.297, 0.303)  # 300 ms, spread by 1 % so that bursts do not lock to the crank


@dataclass(frozen=True)
class Iec5k(_Repeated):
    """IEC 61000-4-4 bursts: 75 pulses 5/50 ns at 5 kHz (15 ms) every 300 ms, sign by burst.

    Default 2 kV, the standard's level 4 of signal lines (memory), through 100 pF, about what its
    coupling clamp has (memory): far beyond what a lead in an engine sees.
    """

    name: ClassVar[str] = "iec-5k"
    title: ClassVar[str] = "IEC 61000-4-4 bursts at 5 kHz"
    volts: float = 2000.0
    rise_s: float = IEC_RISE_S
    decay_s: float = IEC_DECAY_S
    couple_f: float = 100e-12
    pulses: int = 75
    apart_s: float = 200e-6
    every_s: tuple[float, float] = IEC_EVERY_S
    both_signs: bool = True


@dataclass(frozen=True)
class Iec100k(Iec5k):
    """The same at 100 kHz (0.75 ms), the rate nearer to real switching."""

    name: ClassVar[str] = "iec-100k"
    title: ClassVar[str] = "IEC 61000-4-4 bursts at 100 kHz"
    apart_s: float = 10e-6


# ISO 7637-2, 12 V.  Two editions are in use, and the later is the harder one: its annex A has up to
# -150, +112, -220 and +150 V for pulses 1, 2a, 3a and 3b, and 3a and 3b of 0.15 us (2011, level IV;
# from memory).  The 2004 edition's level IV, as data sheets of high-side switches quote it (read):
# -100, +50, -150 and +100 V, 0.1 us.  Repetition (read): the shortest allowed.
ISO_COUPLE_F = 100e-12  # a metre of supply lead beside the sensor's wire, from memory


@dataclass(frozen=True)
class Iso1(_Repeated):
    """ISO 7637-2 pulse 1: an inductive load cut off, -150 V (2011, level IV), 2 ms, each 0.5 s.

    Voltage and rise of 1 us from memory; -100 V in the 2004 edition, read.  The standard lets the
    pulse come each 0.5 to 5 s.  The supply lead lies beside the sensor's wire for a metre.
    """

    name: ClassVar[str] = "iso-1"
    title: ClassVar[str] = "ISO 7637-2 pulse 1 on the supply lead"
    volts: float = -150.0
    rise_s: float = 1e-6 / 2.2
    decay_s: float = 2e-3 / 2.3  # 2 ms down to 10 %
    couple_f: float = ISO_COUPLE_F
    pulses: int = 1
    apart_s: float = 0.0
    every_s: tuple[float, float] = (0.5, 0.51)


@dataclass(frozen=True)
class Iso2a(_Repeated):
    """ISO 7637-2 pulse 2a: current cut in parallel loads, +112 V (2011, level IV), 50 us.

    Each 0.2 s.  Voltage and rise from memory; +50 V in the 2004 edition, read.
    """

    name: ClassVar[str] = "iso-2a"
    title: ClassVar[str] = "ISO 7637-2 pulse 2a on the supply lead"
    volts: float = 112.0
    rise_s: float = 1e-6 / 2.2
    decay_s: float = 50e-6 / 2.3
    couple_f: float = ISO_COUPLE_F
    pulses: int = 1
    apart_s: float = 0.0
    every_s: tuple[float, float] = (0.2, 0.204)


@dataclass(frozen=True)
class Iso3a(_Repeated):
    """ISO 7637-2 pulse 3a: switching, -220 V (2011, level IV), 0.15 us; 10 ms of them each 0.1 s.

    Voltage, width, rise of 5 ns, 100 us from pulse to pulse and on/off times from memory; burst
    cycle of 90 to 100 ms read.  -150 V and 0.1 us in the 2004 edition, read.
    """

    name: ClassVar[str] = "iso-3a"
    title: ClassVar[str] = "ISO 7637-2 pulses 3a on the supply lead"
    volts: float = -220.0
    rise_s: float = 5e-9 / 2.2
    decay_s: float = 0.15e-6 / 2.3
    couple_f: float = ISO_COUPLE_F
    pulses: int = 100
    apart_s: float = 100e-6
    every_s: tuple[float, float] = (0.099, 0.101)


@dataclass(frozen=True)
class Iso3b(Iso3a):
    """ISO 7637-2 pulse 3b: the same upwards, +150 V (2011, level IV; +100 V in 2004)."""

    name: ClassVar[str] = "iso-3b"
    title: ClassVar[str] = "ISO 7637-2 pulses 3b on the supply lead"
    volts: float = 150.0


@dataclass(frozen=True)
class Background:
    """Random pulses from other gear (a motor's commutator, a relay): Poisson, ``rate_hz``.

    Decay times spread evenly over the logarithm, voltages evenly up to ``volts``, either sign.
    No source: 500 a second of up to 200 V through 100 pF is harsher than a lead kept from others.
    """

    name: ClassVar[str] = "background"
    title: ClassVar[str] = "random pulses from other gear"
    spark_bar: ClassVar[float | None] = None
    imitates: ClassVar[bool] = False
    rate_hz: float = 500.0
    volts: float = 200.0
    decay_s: tuple[float, float] = (0.1e-6, 10e-6)
    couple_f: float = 100e-12
    kinds: int = 64

    def events(self, end_s: float, level: float, seed: int) -> Events:
        """Return the pulses up to ``end_s``."""
        rng = _rng(self.name, seed)
        low, high = np.log(self.decay_s)
        decay = np.exp(rng.uniform(low, high, self.kinds))
        volts = level * self.volts * rng.uniform(-1.0, 1.0, self.kinds)
        shapes = tuple(
            Shape(v, 0.05 * d, d, self.couple_f) for v, d in zip(volts, decay, strict=True)
        )
        count = int(rng.poisson(self.rate_hz * end_s))
        at_s = np.sort(rng.uniform(0.0, end_s, count))
        return Events(shapes, at_s, rng.integers(0, self.kinds, count).astype(np.uint8))

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        wire = Wire.of(manifest)
        events = self.events(clean.end_s, level, seed)
        return _disturbed(clean, wire, SensorEdges.of(clean, wire), events)


@dataclass(frozen=True)
class MainsHum:
    """Mains hum in series with the sensor's wire, as from a bench supply's ground loop.

    ``volts`` peak of the fundamental, a third harmonic of ``third`` of it.  No source: 1 V is what
    a loop of several metres gives beside a motor; a battery-driven engine has none.
    """

    name: ClassVar[str] = "hum"
    title: ClassVar[str] = "mains hum on the sensor's line"
    spark_bar: ClassVar[float | None] = None
    imitates: ClassVar[bool] = False
    volts: float = 1.0
    hz: float = 50.0
    third: float = 0.2

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family."""
        wire = Wire.of(manifest)
        rng = _rng(self.name, seed)
        hz = self.hz * (1.0 + rng.uniform(-0.005, 0.005))  # a mains is never locked to the crank
        hum = Hum(level * self.volts, hz, float(rng.uniform(0.0, 2.0 * np.pi)), self.third)
        edge_s, active = wire.with_hum(SensorEdges.of(clean, wire), hum)
        return _bound(clean, edge_s, active, None, int(clean.end_s * hz))
