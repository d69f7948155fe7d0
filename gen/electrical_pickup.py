"""The pickup's electrical side: what line and magnet do to the edges, and verdicts on them.

SI units; rpm and crank degrees where named so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .board import Board
from .design import Design, sensor_line_of
from .electrical_verdicts import PartVerdict, at_least, at_most
from .engine import Engine
from .magnet import Magnet, passing_field_t, sensor_pulse, widest_gap_m
from .parts import SensorPart
from .sensor_line import SensorLine, delay_deg, greatest_rpm, line_delays, shortest_noise_s

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class LineUse:
    """What the wire from sensor to pin does; the lead and trail delays hold the sensor's own.

    ``shortest_noise_s`` is the shortest full-swing pulse at the line that flips the pin at
    rest; the firmware then wants the level to hold for ``confirm_s``.  ``greatest_rpm`` is
    where the magnet's pulse becomes shorter than line, confirmation and chip need (``needs_s``).
    """

    line: SensorLine
    idle_high: bool
    lead_s: float
    trail_s: float
    lead_deg: float
    trail_deg: float
    at_rpm: float
    shortest_noise_s: float
    confirm_s: float
    needs_s: float
    greatest_rpm: float


@dataclass(frozen=True)
class FieldUse:
    """The magnet at the sensor: fields in tesla, arc in crank degrees (None: no two edges).

    It is on from ``on_deg`` before the magnet's centre to ``off_deg`` after it.
    ``operate_worst_t`` is the operate point of the least sensitive part of the class, equal
    to ``operate_t`` when no part is named.
    """

    magnet: Magnet
    gap_m: float
    orbit_m: float
    degrees_per_shaft_deg: float
    peak_t: float
    operate_t: float
    operate_worst_t: float
    release_t: float
    on_deg: float | None
    off_deg: float | None
    widest_gap_m: float | None

    @property
    def arc_deg(self) -> float | None:
        """Crank degrees over which the sensor is on."""
        if self.on_deg is None or self.off_deg is None:
            return None
        return self.on_deg + self.off_deg

    def course_t(self, shaft_deg: F64) -> F64:
        """Field at the sensor with the shaft turned so far from face to face."""
        return passing_field_t(self.magnet, self.gap_m, self.orbit_m, shaft_deg)


def line_use(engine: Engine, design: Design) -> LineUse:
    """Return what the wire from sensor to pin does at the engine's top speed."""
    line, top = sensor_line_of(engine, design.board), engine.engine.top_rpm
    delays = line_delays(line)
    layers = design.layers
    needs_s = max(delays.fall_s, delays.rise_s) + layers.confirm_s
    if layers.arc_check:  # the chip must be free again to watch for the trail edge
        needs_s += design.service_s
    idle_high = design.active_low
    shortest = float(shortest_noise_s(line, line.logic_v - line.low_v, idle_high))
    return LineUse(
        line=line,
        idle_high=idle_high,
        lead_s=design.lead_delay_s,
        trail_s=design.trail_delay_s,
        lead_deg=float(delay_deg(design.lead_delay_s, top)),
        trail_deg=float(delay_deg(design.trail_delay_s, top)),
        at_rpm=top,
        shortest_noise_s=shortest,
        confirm_s=layers.confirm_s,
        needs_s=needs_s,
        greatest_rpm=greatest_rpm(design.arc_deg, needs_s),
    )


def field_use(engine: Engine) -> FieldUse | None:
    """Return the field at the sensor; None when the magnet is not described or none is felt."""
    pickup = engine.pickup
    if not pickup.sensor.startswith("hall"):
        return None
    diameter, radius, gap = pickup.magnet_diameter_mm, pickup.magnet_radius_mm, pickup.gap_mm
    if diameter is None or radius is None or gap is None:
        return None
    magnet = Magnet(diameter * 1e-3, pickup.magnet_length_mm * 1e-3, pickup.magnet_remanence_t)
    operate_t, part = pickup.operate_mt * 1e-3, engine.taken.parts.get("pickup")
    worst_t = operate_t
    if isinstance(part, SensorPart) and "pickup.operate_mt" in engine.taken.keys:
        worst_t = part.operate_mt.high * 1e-3
    pulse = sensor_pulse(
        magnet,
        gap * 1e-3,
        radius * 1e-3,
        operate_t=operate_t,
        release_t=pickup.release_mt * 1e-3,
    )
    crank = 2.0 if pickup.shaft == "cam" else 1.0
    return FieldUse(
        magnet=magnet,
        gap_m=gap * 1e-3,
        orbit_m=radius * 1e-3,
        degrees_per_shaft_deg=crank,
        peak_t=pulse.peak_t,
        operate_t=operate_t,
        operate_worst_t=worst_t,
        release_t=pickup.release_mt * 1e-3,
        on_deg=None if pulse.on_deg is None else pulse.on_deg * crank,
        off_deg=None if pulse.off_deg is None else pulse.off_deg * crank,
        widest_gap_m=widest_gap_m(magnet, worst_t),
    )


def field_verdicts(field: FieldUse | None) -> tuple[PartVerdict, ...]:
    """Judge the field at the gap against the least sensitive sensor of its class."""
    if field is None:
        return ()
    widest = field.widest_gap_m
    nearer = f"Bring the sensor to {widest * 1e3:.2g} mm or nearer, or take" if widest else "Take"
    return (
        at_least(
            "magnet",
            "field at the sensor",
            field.peak_t * 1e3,
            field.operate_worst_t * 1e3,
            "mT",
            "least sensitive sensor of its class"
            if field.operate_worst_t > field.operate_t
            else f"gap {field.gap_m * 1e3:.3g} mm",
            f"{nearer} a stronger magnet or a more sensitive sensor.",
        ),
    )


def sensor_verdicts(engine: Engine, board: Board) -> tuple[PartVerdict, ...]:
    """Judge the pull-up's current and the supply against a named sensor part."""
    part, pickup = engine.taken.parts.get("pickup"), engine.pickup
    if not isinstance(part, SensorPart):
        return ()
    from_board = pickup.sensor_supply == "board"
    volts = board.volts if from_board else engine.supply.volts_max
    return (
        at_most(
            "sensor",
            "current from the pull-up",
            board.volts / pickup.pull_up_ohm * 1e3,
            part.sink_ma,
            "mA",
            f"{board.volts:g} V over {pickup.pull_up_ohm:g} ohm",
            f"Take a pull-up of at least {board.volts / part.sink_ma * 1e3:.0f} ohm.",
        ),
        at_most(
            "sensor",
            "supply voltage",
            volts,
            part.volts_max,
            "V",
            f"fed by the {pickup.sensor_supply}",
            'Feed it from the board (sensor_supply = "board").',
        ),
    )
