"""Engine + board -> Design: what follows from physics, in SI units and crank degrees.

One function, `design`; nothing downstream looks at the description again.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .board import Board
from .coil import FOLLOWS_PART, PrimaryCircuit, reach
from .engine import CapacitorDischarge, Engine, InductiveCoil, LogicCoil
from .errors import DescriptionError, Fault
from .hand_start import HandCrank, carry_speed_rad_s, slowing_allowance, stopping_turn_rpm
from .magnet import Magnet, sensor_pulse
from .sensor_line import PIN_F, LineDelays, SensorLine, line_delays
from .slider_crank import ATMOSPHERE_PA, Cylinder

F64 = NDArray[np.float64]

# Input thresholds as parts of the supply: ATmega328P data sheet, typical curves of the Schmitt
# input; from memory.
RISE_THRESHOLD, FALL_THRESHOLD = 0.52, 0.42
DRIVEN = ("drill", "belt")
EDGE_FIRES_DEG = 0.5  # a trail edge that near the start advance is the spark
MEAN_PRESSURE_PA = 9e5  # mean effective pressure of a good small engine at full load; from memory
LEAST_GATE_PART = 0.015  # spread of magnet, sensor and prediction at steady speed
STOP_SPARE = 1.1  # drag that is not described makes a crank that stops faster before
START_LEAVE = 0.94  # running timing is left this far below the starting speed
GUARD_S = 20e-6
SUPPLY_STEPS = 16  # intervals of the dwell table over the 10 bits of the measured supply


@dataclass(frozen=True)
class StartDesign:
    """The start: delay after the trail edge against the time of the arc (see hand_start).

    ``arc_s`` and ``delay_s`` (k,) ascend.  ``arc_floor_rpm``, over the arc, is the slowest that
    sparks: a slower crank, let go, could stop on the compression and turn back into the spark.
    ``floor_rpm`` is the same over the turn before: after a slower one the crank may have stopped
    within the magnet and swung back out of it.
    ``charge_early``: the charge may begin before the trail edge; only where that edge is the spark
    and a drill or belt drives.
    """

    deg_btdc: float
    below_rpm: float
    floor_rpm: float
    arc_floor_rpm: float
    arc_s: F64
    delay_s: F64
    carry_rpm: float
    charge_early: bool


@dataclass(frozen=True)
class Layers:
    """The belief layers: which are on, and their times and counts."""

    capture_filter: bool
    confirm_s: float
    blank_on_s: float
    blank_off_s: float
    gate: bool
    arc_check: bool
    arc_tolerance: float
    lock_pulses: int
    lock_tolerance: float
    bridge_missing: int
    bridge_above_rpm: float
    most_false_edges: int


@dataclass(frozen=True)
class SupplyDwell:
    """Dwell that follows the measured supply.

    ``volts`` and ``dwell_s`` (17,) at every 64th of the 1024 counts of the board's analogue input;
    ``pin_part`` of the supply is what the pin sees, ``full_v`` where its range ends.  Below
    ``least_v`` or above ``most_v`` is no sound supply: the dwell there is that of the nominal one.
    """

    volts: F64
    dwell_s: F64
    pin_part: float
    full_v: float
    least_v: float
    most_v: float

    @property
    def longest_s(self) -> float:
        """Longest charge any supply gets."""
        return float(self.dwell_s.max())

    def counts(self, volts: float) -> float:
        """Return the counts, 0 to 1023, that a supply gives."""
        return volts * self.pin_part / self.full_v * 1023.0


@dataclass(frozen=True)
class Design:
    """Everything the plan is made of.  Angles in crank degrees BTDC, the rest in SI units."""

    name: str
    digest: str
    board: Board
    strokes: int
    lead_deg_btdc: float
    arc_deg: float
    spacing_deg: float
    pulses_per_turn: int
    shaft: str
    active_low: bool
    lead_delay_s: float
    trail_delay_s: float
    isolator_delay_s: float
    capture_delay_s: float
    output_delay_s: float
    service_s: float
    curve: tuple[tuple[float, float], ...]
    limit_rpm: float
    resume_rpm: float
    top_rpm: float
    accel_rpm_per_s: float
    gate_margin_deg: float
    floor_rpm: float
    start: StartDesign
    spark_on_rise: bool
    coil_on_high: bool
    dwell_s: float
    spark_current_a: float
    off_min_s: float
    hard_limit_s: float | None
    predictor: str
    predictor_reason: str
    arc_timing: bool
    layers: Layers
    serial: bool
    baud: int
    lines_per_s: int
    line: LineDelays
    wire: SensorLine
    circuit: PrimaryCircuit | None
    two_coils: bool = False
    supply_volts: float = 12.0
    supply_dwell: SupplyDwell | None = None

    @property
    def trail_deg_btdc(self) -> float:
        """Crank angle at which the magnet leaves."""
        return self.lead_deg_btdc - self.arc_deg

    @property
    def greatest_deg_btdc(self) -> float:
        """Greatest advance, start included."""
        return max([self.start.deg_btdc, *(deg for _, deg in self.curve)])

    def advance_deg(self, rpm: float) -> float:
        """Wanted advance of the curve."""
        speeds, advance = zip(*self.curve, strict=True)
        return float(np.interp(rpm, speeds, advance))


def description_digest(engine: Engine) -> str:
    """SHA-256 of the description's meaning: the same for any layout of the file."""
    plain = json.dumps(engine.model_dump(mode="json", by_alias=True), sort_keys=True)
    return hashlib.sha256(plain.encode()).hexdigest()


def cylinder_of(engine: Engine) -> Cylinder:
    """Return one cylinder of the engine, for the physics modules."""
    part = engine.engine
    return Cylinder(
        part.bore_mm * 1e-3,
        part.stroke_mm * 1e-3,
        part.rod_mm * 1e-3,
        part.compression_ratio,
        part.compression_begins_deg_btdc,
    )


def circuit_of(engine: Engine, coil: InductiveCoil) -> PrimaryCircuit:
    """Return the primary circuit at the nominal supply and the winding's working temperature."""
    return PrimaryCircuit(
        coil_ohm=coil.primary_ohm,
        inductance_h=coil.primary_mh * 1e-3,
        supply_v=engine.supply.volts,
        ballast_ohm=coil.ballast_ohm,
        driver_drop_v=engine.driver.drop_v,
        driver_ohm=engine.driver.on_ohm,
        wiring_ohm=engine.supply.wiring_ohm,
        battery_ohm=engine.supply.internal_ohm,
        saturation_a=np.inf if coil.saturation_a is None else coil.saturation_a,
        coil_c=coil.temperature_c,
    )


def _dwell(engine: Engine) -> tuple[float, float, PrimaryCircuit | None]:
    """Dwell in s, current at the spark in A, and the circuit of an inductive coil."""
    coil = engine.coil
    if isinstance(coil, CapacitorDischarge):
        return coil.trigger_us * 1e-6, 0.0, None
    if isinstance(coil, LogicCoil):
        return coil.dwell_ms * 1e-3, coil.spark_current_a, None
    circuit = circuit_of(engine, coil)
    if coil.dwell_ms is not None:
        dwell_s = coil.dwell_ms * 1e-3
        return dwell_s, float(circuit.current_a(dwell_s)), circuit
    found = reach(circuit, coil.spark_current_a)
    if not found.ok:
        raise DescriptionError(
            Fault(
                engine.name,
                "coil.spark_current_a",
                "the circuit cannot reach it",
                value=coil.spark_current_a,
                allowed=f"up to {found.reachable_a:.2f} A",
                remedy=found.remedy,
            )
        )
    return found.dwell_s, coil.spark_current_a, circuit


def _supply_dwell(
    engine: Engine, board: Board, dwell_s: float, circuit: PrimaryCircuit | None
) -> SupplyDwell | None:
    """Dwell for the current that the nominal supply reaches, at every 64th count.

    At a supply that cannot reach it, FOLLOWS_PART of the most it can.  Held constant beyond
    volts_min and volts_max; from 0.7 of volts_min down and 1.2 of volts_max up, the nominal dwell.
    """
    supply = engine.supply
    if not supply.measure or circuit is None:
        return None
    part = supply.divider_bottom_ohm / (supply.divider_top_ohm + supply.divider_bottom_ohm)
    volts: F64 = np.arange(SUPPLY_STEPS + 1, dtype=np.float64) * 64.0 / 1023.0 * board.volts / part
    least, most = 0.7 * supply.volts_min, 1.2 * supply.volts_max
    held = circuit.with_supply(np.clip(volts, supply.volts_min, supply.volts_max))
    wanted = np.minimum(circuit.current_a(dwell_s), FOLLOWS_PART * held.steady_a)
    found = np.asarray(held.dwell_for_current_s(wanted), dtype=np.float64)
    found = np.where((volts < least) | (volts > most), dwell_s, found)
    return SupplyDwell(volts, found, part, board.volts, least, most)


def arc_deg_of(engine: Engine) -> float:
    """Arc in crank degrees: as given, or from the magnet's field at the sensor."""
    pickup = engine.pickup
    if pickup.arc_deg is not None:
        return pickup.arc_deg
    assert pickup.magnet_diameter_mm is not None
    assert pickup.magnet_radius_mm is not None
    assert pickup.gap_mm is not None
    magnet = Magnet(
        pickup.magnet_diameter_mm * 1e-3, pickup.magnet_length_mm * 1e-3, pickup.magnet_remanence_t
    )
    pulse = sensor_pulse(
        magnet,
        pickup.gap_mm * 1e-3,
        pickup.magnet_radius_mm * 1e-3,
        operate_t=pickup.operate_mt * 1e-3,
        release_t=pickup.release_mt * 1e-3,
    )
    if pulse.arc_deg is None:
        raise DescriptionError(
            Fault(
                engine.name,
                "pickup.gap_mm",
                f"the sensor does not switch: the field there is {pulse.peak_t * 1e3:.1f} mT",
                value=pickup.gap_mm,
                allowed=f"a field above {pickup.operate_mt:g} mT",
                remedy="Bring the sensor nearer, take a stronger magnet or a more sensitive "
                "sensor, or measure the arc and give arc_deg.",
            )
        )
    return pulse.arc_deg * (2.0 if pickup.shaft == "cam" else 1.0)


def sensor_line_of(engine: Engine, board: Board) -> SensorLine:
    """Return the wire from the sensor to the pin, for the physics modules."""
    pickup = engine.pickup
    return SensorLine(
        logic_v=board.volts,
        pull_up_ohm=pickup.source_ohm,
        series_ohm=pickup.filter_ohm,
        filter_f=pickup.filter_nf * 1e-9 + PIN_F,
        rise_threshold_v=RISE_THRESHOLD * board.volts,
        fall_threshold_v=FALL_THRESHOLD * board.volts,
    )


def greatest_accel(engine: Engine) -> float:
    """Greatest rate of change of speed, rpm/s: as given, or torque of a full load over inertia."""
    part = engine.engine
    given = [part.max_accel_rpm_per_s, part.max_decel_rpm_per_s]
    torque_nm = MEAN_PRESSURE_PA * part.displacement_cc * 1e-6 / (2.0 * np.pi * part.strokes / 2.0)
    computed = torque_nm / part.inertia_kg_m2 * 30.0 / np.pi
    return max(value if value is not None else computed for value in given)


def hand_crank_of(engine: Engine) -> HandCrank:
    """Return the crank that a start slows the most: cylinders filled completely, no help."""
    part = engine.engine
    together = 2 if part.cylinders == 2 and part.tdc_spacing_deg == 0 and part.strokes == 2 else 1
    filled = replace(cylinder_of(engine), closed_deg_btdc=180.0)
    drag_nm = part.friction_nm or 0.0  # a described one is held against; an estimate is left out
    return HandCrank(
        filled, part.inertia_kg_m2, together, closed_pa=ATMOSPHERE_PA, friction_nm=drag_nm
    )


def _check_carries(engine: Engine, crank: HandCrank) -> None:
    """Refuse running timing at speeds from which the crank, let go, does not carry over.

    It takes the last turn's mean for the speed, so the spark of a crank that stops on the
    compression comes as for one that runs, and throws it back.  Compression begins as described:
    an engine that runs is not filled as completely as the slowing allowance has it.
    """
    advance = engine.advance
    if engine.engine.starter in DRIVEN:
        return
    described = replace(crank, cylinder=cylinder_of(engine))
    carry = carry_speed_rad_s(described, 180.0) * 30.0 / np.pi
    if START_LEAVE * advance.start_below_rpm >= carry:
        return
    raise DescriptionError(
        Fault(
            engine.name,
            "advance.start_below_rpm",
            f"a crank let go at less than {carry:.0f} rpm does not carry over the compression, and "
            "above this speed sparks are timed as for one that does: it would be thrown back",
            value=advance.start_below_rpm,
            allowed=f"at least {np.ceil(carry / START_LEAVE):.0f} rpm",
            remedy="Raise it, fit more flywheel, or correct inertia, bore, stroke, compression "
            "ratio or friction.",
        )
    )


def _never_starts(engine: Engine, carry_rpm: float) -> DescriptionError:
    return DescriptionError(
        Fault(
            engine.name,
            "advance.start_below_rpm",
            f"no start spark would ever come: slower than {carry_rpm:.0f} rpm over the magnet the "
            "flywheel does not carry the piston over",
            value=engine.advance.start_below_rpm,
            allowed=f"above {carry_rpm:.0f} rpm",
            remedy="Fit more flywheel (of a driven engine its propeller or load counts), raise it, "
            "or correct inertia, bore, stroke or compression ratio.",
        )
    )


def _start(engine: Engine, arc_deg: float) -> StartDesign:
    part, advance, pickup = engine.engine, engine.advance, engine.pickup
    trail = pickup.lead_edge_deg_btdc - arc_deg
    start_deg = min(advance.start_deg_btdc, trail)
    edge_fires = part.starter in DRIVEN and trail - start_deg <= EDGE_FIRES_DEG
    crank = hand_crank_of(engine)
    _check_carries(engine, crank)
    found = slowing_allowance(
        crank,
        lead_deg_btdc=pickup.lead_edge_deg_btdc,
        arc_deg=arc_deg,
        start_deg_btdc=start_deg,
        start_below_rpm=advance.start_below_rpm,
        points=6,
    )
    if not edge_fires and found.carry_rpm >= advance.start_below_rpm:
        raise _never_starts(engine, found.carry_rpm)
    keep = slice(0, 1) if edge_fires else slice(None)
    floor = advance.floor_rpm if edge_fires else max(advance.floor_rpm, found.carry_rpm)
    stops = STOP_SPARE * stopping_turn_rpm(crank, pickup.lead_edge_deg_btdc, pickup.spacing_deg)
    return StartDesign(
        deg_btdc=start_deg,
        below_rpm=advance.start_below_rpm,
        floor_rpm=floor if edge_fires else max(floor, stops),
        arc_floor_rpm=floor,
        arc_s=found.arc_s[keep],
        delay_s=found.delay_s[keep],
        carry_rpm=found.carry_rpm,
        charge_early=edge_fires,
    )


def _layers(engine: Engine) -> Layers:
    noise = engine.noise
    return Layers(
        capture_filter=noise.capture_filter,
        confirm_s=noise.confirm_us * 1e-6,
        blank_on_s=noise.blank_after_on_us * 1e-6,
        blank_off_s=noise.blank_after_off_us * 1e-6,
        gate=noise.gate,
        arc_check=noise.arc_check,
        arc_tolerance=noise.arc_tolerance_percent / 100.0,
        lock_pulses=noise.lock_pulses,
        lock_tolerance=noise.lock_tolerance_percent / 100.0,
        bridge_missing=noise.bridge_missing,
        bridge_above_rpm=noise.bridge_above_rpm,
        most_false_edges=noise.max_rejects_per_gate,
    )


def design(engine: Engine, board: Board) -> Design:
    """Compute what follows from the description.

    Raises DescriptionError when the parts cannot do what is wanted (current out of reach, magnet
    too weak) and names what they can do.
    """
    pickup, hard_ms = engine.pickup, engine.safety.hard_limit_ms
    wire = sensor_line_of(engine, board)
    line = line_delays(wire)
    active_low = pickup.active == "low"
    edges = (line.fall_s, line.rise_s) if active_low else (line.rise_s, line.fall_s)
    before_line_s = (pickup.sensor_delay_us + pickup.isolator_delay_us) * 1e-6
    dwell_s, current_a, circuit = _dwell(engine)
    arc_deg = arc_deg_of(engine)
    filter_cycles = board.timer.filter_cycles if engine.noise.capture_filter else 0
    predictor = engine.prediction.predictor
    return Design(
        name=engine.name,
        digest=description_digest(engine),
        board=board,
        strokes=engine.engine.strokes,
        lead_deg_btdc=pickup.lead_edge_deg_btdc,
        arc_deg=arc_deg,
        spacing_deg=pickup.spacing_deg,
        pulses_per_turn=pickup.pulses_per_turn,
        shaft=pickup.shaft,
        active_low=active_low,
        lead_delay_s=before_line_s + edges[0],
        trail_delay_s=before_line_s + edges[1],
        isolator_delay_s=pickup.isolator_delay_us * 1e-6,
        capture_delay_s=(
            0.5 * (board.timer.sync_cycles_min + board.timer.sync_cycles_max) + filter_cycles
        )
        / board.f_cpu_hz,
        output_delay_s=engine.driver.output_delay_us * 1e-6,
        service_s=board.service_cycles / board.f_cpu_hz,
        curve=engine.advance.curve,
        limit_rpm=engine.advance.limit_rpm,
        resume_rpm=engine.advance.limit_rpm - engine.advance.limit_hysteresis_rpm,
        top_rpm=engine.engine.top_rpm,
        accel_rpm_per_s=greatest_accel(engine),
        gate_margin_deg=engine.noise.gate_margin_deg,
        floor_rpm=engine.advance.floor_rpm,
        start=_start(engine, arc_deg),
        spark_on_rise=isinstance(engine.coil, CapacitorDischarge),
        coil_on_high=engine.driver.on_level == "high",
        dwell_s=dwell_s,
        spark_current_a=current_a,
        off_min_s=engine.coil.min_off_ms * 1e-3,
        hard_limit_s=None if hard_ms is None else hard_ms * 1e-3,
        predictor="trend" if predictor == "auto" else predictor,
        predictor_reason="not chosen by turning the engine",
        arc_timing=predictor == "same-stroke",
        layers=_layers(engine),
        serial=engine.telling.serial and board.has_serial,
        baud=engine.telling.baud,
        lines_per_s=engine.telling.lines_per_s,
        line=line,
        wire=wire,
        circuit=circuit,
        two_coils=engine.coil.coils == 2,
        supply_volts=engine.supply.volts,
        supply_dwell=_supply_dwell(engine, board, dwell_s, circuit),
    )
