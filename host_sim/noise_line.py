"""What the wire from the sensor makes of a disturbance, before the pin sees it (noise_line.c).

The sensor drives the wire against its pull-up; a disturbing voltage reaches the wire through a
stray capacitance; series resistor and capacitor stand before the pin, whose diodes clamp and whose
Schmitt input has two thresholds.  Values come from the firmware folder's manifest, so another
filter in the description is another result here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.errors import FolderError, RunError
from sparktick.gen.sensor_line import SensorLine, line_delays

from .library import load_alone
from .manifest import Manifest
from .run import F64, U8, Train

WIRE_F = 50e-12  # half a metre of lead against ground, from memory (100 pF/m)
SINK_OHM = 1.0  # a saturated open-collector output, seen from its low level
DIODE_V = 0.5  # absolute maximum of an input beyond the supply, DS40002061 table 28-1
SERIES_LEAST_OHM = 1.0


@dataclass(frozen=True)
class Shape:
    """A disturbing voltage and the stray capacitance through which it reaches the wire.

    ``volts`` x (exp(-t/decay_s) - exp(-t/rise_s)) x cos(2 pi ring_hz t), as double exponentials
    are usual for standard pulses; ``ring_hz`` 0: no ringing.
    """

    volts: float
    rise_s: float
    decay_s: float
    couple_f: float
    ring_hz: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 < self.rise_s < self.decay_s or self.couple_f < 0.0 or self.ring_hz < 0.0:
            raise RunError(f"{self}: 0 < rise_s < decay_s, couple_f >= 0, ring_hz >= 0 are wanted")


@dataclass(frozen=True)
class Hum:
    """Mains hum in series with the wire, as a ground loop makes it: volts (sin + third sin 3)."""

    volts: float
    hz: float
    phase_rad: float
    third: float


@dataclass(frozen=True)
class Events:
    """Disturbances in time: ``at_s`` (n,) ascending, ``which`` (n,) index into ``shapes``."""

    shapes: tuple[Shape, ...]
    at_s: F64
    which: U8


NO_EVENTS = Events((), np.zeros(0), np.zeros(0, np.uint8))


@dataclass(frozen=True)
class Wire:
    """The sensor's line of one firmware folder, with what the description does not say."""

    line: SensorLine
    active_low: bool
    wire_f: float = WIRE_F
    sink_ohm: float = SINK_OHM

    @classmethod
    def of(cls, manifest: Manifest) -> Wire:
        """Return the line of a firmware folder.  FolderError when its manifest does not tell."""
        if manifest.sensor_line is None:
            raise FolderError(
                f"{manifest.folder / 'manifest.json'}: the key sensor_line is missing\n"
                "    Generate the folder again: `sparktick generate ENGINE.toml FOLDER --force`."
            )
        return cls(manifest.sensor_line, manifest.raw["pickup_pin"]["active"] == "low")

    def _struct(self, ffi: Any) -> Any:
        line, delays = self.line, line_delays(self.line)
        values = (
            line.logic_v,
            line.low_v,
            line.pull_up_ohm,
            self.sink_ohm,
            max(line.series_ohm, SERIES_LEAST_OHM),
            line.filter_f,
            self.wire_f,
            line.rise_threshold_v,
            line.fall_threshold_v,
            DIODE_V,
            delays.fall_s,
            delays.rise_s,
        )
        return ffi.new("noise_wire *", values)

    def at_pin(self, sensor: SensorEdges, events: Events = NO_EVENTS) -> tuple[F64, U8]:
        """Return the pin's changes (instants, 1 = magnet there) for sensor edges and events."""
        ffi, lib = load_alone("noise_line")
        shapes = ffi.new("noise_shape[]", max(1, len(events.shapes)))
        for place, shape in zip(shapes, events.shapes, strict=False):
            place.volts, place.rise_s, place.decay_s = shape.volts, shape.rise_s, shape.decay_s
            place.ring_hz, place.couple_f = shape.ring_hz, shape.couple_f
        edge_s, high = self._high(sensor)
        event_s, which = _double(events.at_s), np.ascontiguousarray(events.which, np.uint8)

        def run(room: int, out_s: Any, out_high: Any) -> int:
            return int(
                lib.noise_line_run(
                    self._struct(ffi),
                    int(self.active_low),
                    _pointer(ffi, "double *", edge_s),
                    _pointer(ffi, "uint8_t *", high),
                    len(edge_s),
                    shapes,
                    len(events.shapes),
                    _pointer(ffi, "double *", event_s),
                    _pointer(ffi, "uint8_t *", which),
                    len(event_s),
                    sensor.end_s,
                    out_s,
                    out_high,
                    room,
                )
            )

        return self._collect(ffi, run, len(edge_s) + 8 * len(event_s) + 1024)

    def with_hum(self, sensor: SensorEdges, hum: Hum) -> tuple[F64, U8]:
        """Return the pin's changes for sensor edges on a line that hums."""
        ffi, lib = load_alone("noise_line")
        edge_s, high = self._high(sensor)
        struct = ffi.new("noise_hum *", astuple(hum))

        def run(room: int, out_s: Any, out_high: Any) -> int:
            return int(
                lib.noise_line_hum(
                    self._struct(ffi),
                    struct,
                    int(self.active_low),
                    _pointer(ffi, "double *", edge_s),
                    _pointer(ffi, "uint8_t *", high),
                    len(edge_s),
                    0.0,
                    sensor.end_s,
                    out_s,
                    out_high,
                    room,
                )
            )

        return self._collect(ffi, run, 2 * len(edge_s) + int(sensor.end_s * hum.hz * 16) + 1024)

    def response_s(self, active: bool, shapes: Sequence[Shape], at_s: Sequence[float]) -> F64:
        """Return the pin's toggles after disturbances of a settled line, magnet there or not."""
        order = np.argsort(at_s, kind="stable")
        if len(order) > 255:
            raise RunError(f"{len(order)} disturbances in one response: at most 255")
        events = Events(
            tuple(shapes[i] for i in order),
            np.asarray(at_s, dtype=np.float64)[order] + 1e-3,
            np.arange(len(order), dtype=np.uint8),
        )
        start = np.zeros(int(active))  # the magnet has been there long before
        sensor = SensorEdges(start, np.ones(int(active), np.uint8), 1.0)
        found, _ = self.at_pin(sensor, events)
        return np.asarray(found[int(active) :] - 1e-3)

    def wave_v(self, active: bool, shape: Shape, step_s: float, points: int) -> tuple[F64, F64]:
        """Return wire and pin voltage (points,) at steps after one disturbance."""
        ffi, lib = load_alone("noise_line")
        struct = ffi.new("noise_shape *")
        struct.volts, struct.rise_s, struct.decay_s = shape.volts, shape.rise_s, shape.decay_s
        struct.ring_hz, struct.couple_f = shape.ring_hz, shape.couple_f
        wire, pin = np.zeros(points), np.zeros(points)
        high = int(active != self.active_low)
        lib.noise_line_wave(
            self._struct(ffi),
            high,
            struct,
            step_s,
            points,
            _pointer(ffi, "double *", wire),
            _pointer(ffi, "double *", pin),
        )
        return wire, pin

    def _high(self, sensor: SensorEdges) -> tuple[F64, U8]:
        level = np.ascontiguousarray(sensor.active ^ np.uint8(self.active_low), dtype=np.uint8)
        return _double(sensor.edge_s), level

    def _collect(self, ffi: Any, run: Any, room: int) -> tuple[F64, U8]:
        while True:
            out_s, out_high = np.empty(room), np.empty(room, np.uint8)
            count = run(
                room, _pointer(ffi, "double *", out_s), _pointer(ffi, "uint8_t *", out_high)
            )
            if count >= 0:
                return out_s[:count], out_high[:count] ^ np.uint8(self.active_low)
            room *= 4


def _double(values: NDArray[Any]) -> F64:
    return np.ascontiguousarray(values, dtype=np.float64)


def _pointer(ffi: Any, kind: str, array: NDArray[Any]) -> Any:
    return ffi.cast(kind, ffi.from_buffer(array))


@dataclass(frozen=True)
class SensorEdges:
    """The sensor's output: ``edge_s`` (n,) ascending, ``active`` (n,) 1 = magnet there."""

    edge_s: F64
    active: U8
    end_s: float

    @classmethod
    def of(cls, train: Train, wire: Wire) -> SensorEdges:
        """Return the sensor's edges behind a train at the pin: the line's own delay taken off."""
        delays = line_delays(wire.line)
        falls = (train.active == 1) == wire.active_low
        return cls(
            train.edge_s - np.where(falls, delays.fall_s, delays.rise_s), train.active, train.end_s
        )
