"""Tables of an engine description that say what the engine is: [engine] [pickup] [advance]."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator

from .fields import Section, named_part, num, pick

STARTER_RPM = {"hand": 250.0, "cord": 600.0, "drill": 900.0, "belt": 1200.0}
SENSOR_DELAY_US = {"hall": 2.0, "hall-latching": 2.0, "optical": 5.0, "points": 0.0}
SENSOR_VOLTS_MIN = {"hall": 4.5, "hall-latching": 3.5, "optical": 3.0, "points": 0.0}


def _as_tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_as_tuples(item) for item in value)
    return value


CurvePoint = tuple[float, float]
Curve = Annotated[tuple[CurvePoint, ...], BeforeValidator(_as_tuples)]


class EngineSection(Section):
    """[engine]: cylinders, size, flywheel, speeds and how it is started."""

    strokes: Literal[2, 4] = pick("Strokes of the working cycle: 2 or 4.")
    cylinders: Literal[1, 2] = pick("Number of cylinders: 1 or 2.", 1)
    tdc_spacing_deg: Literal[0, 180] = pick(
        "Two cylinders only: crank degrees between their top dead centres. 0 = both pistons rise "
        "together (opposed two-stroke twin, parallel twin), 180 = alternately. Uneven twins "
        "(V engines) are not served.",
        0,
    )
    bore_mm: float = num("Cylinder bore.", 5, 80, "engines of a few cc to about 100 cc a cylinder.")
    stroke_mm: float = num("Piston stroke.", 5, 80, "engines of a few cc to about 100 cc.")
    rod_mm: float = num(
        "Connecting rod, centre to centre. Left out: 1.9 x stroke.",
        5,
        250,
        "it must also be longer than 0.6 x stroke for the crank to turn.",
        factory=lambda d: 1.9 * d["stroke_mm"],
    )
    compression_ratio: float = num(
        "Volume at bottom over volume at top dead centre (full stroke, not from the port).",
        3,
        18,
        "below 3 petrol hardly runs, above 18 is a diesel.",
    )
    compression_begins_deg_btdc: float = num(
        "Where the cylinder closes: exhaust port (2-stroke) or inlet valve (4-stroke). "
        "Left out: 105 (2-stroke), 135 (4-stroke).",
        60,
        180,
        "earlier than 180 is the stroke before, later than 60 leaves no compression.",
        factory=lambda d: 105.0 if d["strokes"] == 2 else 135.0,
    )
    flywheel_inertia_kg_m2: float | None = num(
        "Moment of inertia of all that turns: flywheel, crank, propeller. Left out: that of a "
        "solid disc of flywheel_mass_kg and flywheel_diameter_mm.",
        1e-7,
        1.0,
        "a 2 cm disc of 5 g to a 40 cm wheel of 50 kg.",
        None,
    )
    flywheel_mass_kg: float | None = num(
        "Mass of the flywheel, taken as a solid disc.", 0.005, 50, "a small engine's wheel.", None
    )
    flywheel_diameter_mm: float | None = num(
        "Outside diameter of the flywheel, taken as a solid disc.",
        15,
        600,
        "a small engine's wheel.",
        None,
    )
    friction_nm: float | None = num(
        "Mean friction torque while cranking. Left out: estimated from the displacement.",
        0,
        10,
        "0 for a rig without friction; no small engine needs 10 N m.",
        None,
    )
    idle_rpm: float = num(
        "Lowest speed at which it should run.", 200, 6000, "slower stalls, faster is no idle."
    )
    top_rpm: float = num(
        "Highest speed at which it should run.",
        500,
        20000,
        "above 20000 rpm the delays of a Hall sensor and coil cost too many degrees.",
    )
    max_accel_rpm_per_s: float | None = num(
        "Fastest rise of speed that must be followed; sets the gate. Left out: computed from "
        "the greatest torque and the inertia.",
        100,
        200000,
        "less is narrower than the unevenness of one turn.",
        None,
    )
    max_decel_rpm_per_s: float | None = num(
        "Fastest fall of speed that must be followed. Left out: computed from the compression "
        "and the inertia.",
        100,
        200000,
        "less is narrower than the unevenness of one turn.",
        None,
    )
    starter: Literal["hand", "cord", "drill", "belt"] = pick(
        "How it is started; sets the cranking speed and how careful the start must be.", "hand"
    )
    starter_rpm: float = num(
        "Speed at which the starter turns it. Left out: hand 250, cord 600, drill 900, belt 1200.",
        30,
        3000,
        "slower gives no usable pulse, faster is running.",
        factory=lambda d: STARTER_RPM[d["starter"]],
    )
    fuel: Literal["petrol", "methanol", "ethanol", "propane"] = pick(
        "Fuel; sets the burning time used to propose a starting curve.", "petrol"
    )

    @property
    def displacement_cc(self) -> float:
        """Swept volume of all cylinders in cubic centimetres."""
        return self.cylinders * math.pi / 4.0 * self.bore_mm**2 * self.stroke_mm / 1000.0

    @property
    def inertia_kg_m2(self) -> float:
        """Moment of inertia: as given, or of a solid disc, m d^2 / 8."""
        if self.flywheel_inertia_kg_m2 is not None:
            return self.flywheel_inertia_kg_m2
        if self.flywheel_mass_kg is None or self.flywheel_diameter_mm is None:
            raise ValueError("flywheel not described")
        return self.flywheel_mass_kg * (self.flywheel_diameter_mm / 1000.0) ** 2 / 8.0

    @property
    def sparks_per_turn(self) -> int:
        """Sparks the engine asks for in one crank turn (a 4-stroke's idle spark included)."""
        return 2 if self.cylinders == 2 and self.tdc_spacing_deg == 180 else 1


class PickupSection(Section):
    """[pickup]: sensor, magnet and the parts between sensor and pin.

    All angles are degrees of the crank, also when the magnet sits on the camshaft.
    """

    part: str | None = named_part("a sensor")
    sensor: Literal["hall", "hall-latching", "optical", "points"] = pick(
        "What feels the shaft. A latching Hall sensor needs two magnets of opposite pole.", "hall"
    )
    shaft: Literal["crank", "cam"] = pick("Shaft that carries the magnet.", "crank")
    pulses_per_turn: int = num(
        "Pulses in one turn of that shaft, evenly spaced.",
        1,
        4,
        "one pulse makes one spark; no engine of one or two cylinders needs more.",
        1,
    )
    lead_edge_deg_btdc: float = num(
        "Crank position at which the sensor's output changes as the magnet arrives.",
        10,
        170,
        "it must come before the greatest advance, and after the stroke before.",
    )
    arc_deg: float | None = num(
        "Crank degrees from the magnet arriving to the magnet leaving, as measured with pickup "
        "lamp and degree wheel: then a pulse's own length may time its spark. Left out: computed "
        "from magnet_diameter_mm, magnet_radius_mm, gap_mm and the sensor, to a few degrees.",
        1,
        350,
        "shorter is not seen at speed; the sensor must also be free for part of the turn.",
        None,
    )
    magnet_diameter_mm: float | None = num(
        "Diameter of a round magnet.", 1, 30, "magnets that fit a small flywheel.", None
    )
    magnet_radius_mm: float | None = num(
        "Distance from the shaft's centre to the magnet's centre.",
        3,
        300,
        "flywheels of small engines.",
        None,
    )
    gap_mm: float | None = num(
        "Distance from the magnet's face to the sensor's element (its package included).",
        0.2,
        15,
        "closer touches, farther is not felt.",
        None,
    )
    magnet_length_mm: float = num(
        "Length of the magnet along its axis.", 0.5, 50, "magnets on sale.", 3.0
    )
    magnet_remanence_t: float = num(
        "Remanence of the magnet: about 1.2 neodymium, 0.4 ferrite.",
        0.1,
        1.5,
        "ferrite to the strongest neodymium.",
        1.2,
    )
    operate_mt: float = num(
        "Field at which the Hall sensor switches on (its largest guaranteed value is safest).",
        0.5,
        60,
        "Hall switches on sale.",
        10.0,
    )
    release_mt: float = num(
        "Field at which it switches off; negative for a latching sensor.",
        -60,
        60,
        "Hall switches on sale.",
        factory=lambda d: (
            -d["operate_mt"] if d["sensor"] == "hall-latching" else 0.7 * d["operate_mt"]
        ),
    )
    active: Literal["low", "high"] = pick(
        "Level at the pin while the magnet is there; open-collector sensors pull low.", "low"
    )
    sensor_delay_us: float = num(
        "Delay of the sensor itself; the firmware takes it back. Left out: 2 for Hall, 5 optical.",
        0,
        200,
        "above 200 us the sensor is too slow for ignition.",
        factory=lambda d: SENSOR_DELAY_US[d["sensor"]],
    )
    sensor_supply: Literal["board", "battery"] = pick(
        "What feeds the sensor: the board's own logic supply, or the battery.", "board"
    )
    sensor_volts_min: float = num(
        "Lowest supply at which the sensor works. Left out: Hall 4.5, latching 3.5, optical 3.",
        0,
        24,
        "sensors on sale.",
        factory=lambda d: SENSOR_VOLTS_MIN[d["sensor"]],
    )
    output: Literal["open-collector", "push-pull"] = pick(
        "The sensor's output: one that only pulls low, or one that drives both ways and needs no "
        "pull-up.",
        "open-collector",
    )
    isolator_delay_us: float = num(
        "Delay of an optical isolator between sensor and board, the slower of its two edges; the "
        "firmware takes it back. 0 if none.",
        0,
        50,
        "slower isolators jitter by degrees.",
        0.0,
    )
    pull_up_ohm: float = num(
        "Pull-up from the sensor's output, or the isolator's, to the board's supply.",
        470,
        47000,
        "less overloads the sensor (25 mA), more lets noise in.",
        2200.0,
    )
    filter_ohm: float = num(
        "Series resistor from the sensor line to the pin.",
        0,
        22000,
        "0 if none; more slows the edge and lets noise in.",
        1000.0,
    )
    filter_nf: float = num(
        "Capacitor from the pin to ground, at the board.",
        0,
        100,
        "0 if none; more costs degrees at speed.",
        1.0,
    )

    @property
    def isolated(self) -> bool:
        """Whether an optical isolator stands between sensor and board."""
        return self.isolator_delay_us > 0.0

    @property
    def source_ohm(self) -> float:
        """Resistance that pulls the line up: the pull-up's, or none of an output driving both ways.

        An isolator's output is an open collector, whatever the sensor's is.
        """
        both_ways = self.output == "push-pull" and not self.isolated
        return 0.0 if both_ways else self.pull_up_ohm

    @property
    def spacing_deg(self) -> float:
        """Crank degrees from one pulse to the next."""
        return (720.0 if self.shaft == "cam" else 360.0) / self.pulses_per_turn

    @property
    def pulses_per_crank_turn(self) -> float:
        """Pulses in one turn of the crank (0.5 for one magnet on a camshaft)."""
        return 360.0 / self.spacing_deg

    @property
    def nominal_arc_deg(self) -> float:
        """Arc as given, or what the magnet's diameter subtends; the field decides the real one."""
        if self.arc_deg is not None:
            return self.arc_deg
        if self.magnet_diameter_mm is None or self.magnet_radius_mm is None:
            raise ValueError("arc not described")
        ratio = min(self.magnet_diameter_mm / 2.0 / self.magnet_radius_mm, 1.0)
        arc = 2.0 * math.degrees(math.asin(ratio))
        return 2.0 * arc if self.shaft == "cam" else arc

    @property
    def trail_edge_deg_btdc(self) -> float:
        """Crank position at which the magnet leaves; negative is after top dead centre."""
        return self.lead_edge_deg_btdc - self.nominal_arc_deg


class AdvanceSection(Section):
    """[advance]: when the spark comes, from cranking to the speed limit."""

    curve: Curve = pick(
        "Points [rpm, degrees BTDC], speed rising, joined by straight lines; the first advance "
        "holds below the first point, the last above the last. 1 to 16 points, 0 to 60 deg.",
        min_length=1,
        max_length=16,
    )
    start_deg_btdc: float = num(
        "Advance while it is being started.",
        0,
        30,
        "after dead centre it hardly starts; above 12 it kicks back and needs [safety] "
        "allow_start_advance_over_12_deg.",
        4.0,
    )
    start_below_rpm: float = num(
        "Below this speed the spark depends on the same pulse only. Left out: the curve's first "
        "speed.",
        100,
        3000,
        "below 100 rpm the flywheel cannot carry over; above 3000 is running.",
        factory=lambda d: min(max(d["curve"][0][0], 100.0), 3000.0) if d["curve"] else 700.0,
    )
    floor_rpm: float = num(
        "Below this speed nothing is charged and nothing sparks.",
        20,
        500,
        "slower, the crank may turn back; faster, a hand cannot start it.",
        80.0,
    )
    limit_rpm: float = num(
        "Speed limit: above it whole sparks are left out.",
        500,
        22000,
        "it must lie above top_rpm.",
    )
    limit_hysteresis_rpm: float = num(
        "Sparks return this far below the limit.",
        10,
        2000,
        "less chatters, more surges.",
        200.0,
    )

    @property
    def greatest_deg_btdc(self) -> float:
        """Greatest advance of the curve and the start."""
        return max([self.start_deg_btdc, *(deg for _, deg in self.curve)])

    def at_rpm(self, rpm: float) -> float:
        """Advance of the curve at one speed, held flat beyond its ends (degrees BTDC)."""
        before = self.curve[0]
        if rpm <= before[0]:
            return before[1]
        for after in self.curve[1:]:
            if rpm <= after[0]:
                share = (rpm - before[0]) / (after[0] - before[0])
                return before[1] + share * (after[1] - before[1])
            before = after
        return before[1]
