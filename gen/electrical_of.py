"""Engine + Design + Plan -> the electrical side: input, report, sensor line, magnet, bench check.

The one place where a description's keys meet the electrical sums.  What no key tells is
taken from the constants here; docs/electrical.md says where they come from.  SI units;
rpm and crank degrees where named so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .battery import Battery, life_h, simple_battery
from .board import Board
from .coil import PrimaryCircuit, event_period_s
from .coil_heat import Thermal, ThermalSet
from .design import Design, circuit_of, cylinder_of
from .electrical import (
    ElectricalReport,
    asked_v,
    corner_circuits,
    electrical_report,
    spark_curves,
    speeds_rpm,
)
from .electrical_input import (
    CapacitorStore,
    Coil,
    ElectricalInput,
    LogicCoil,
    Tolerances,
)
from .electrical_pickup import (
    FieldUse,
    LineUse,
    field_use,
    field_verdicts,
    line_use,
    sensor_verdicts,
)
from .electrical_verdicts import PartVerdict, at_least, at_most
from .engine import CapacitorDischarge, Engine, InductiveCoil
from .engine import LogicCoil as LogicCoilSection
from .parts import BatteryPart, LogicCoilPart
from .plan import Plan
from .secondary import bench_gap_m, bench_needle_gap_m, capacitor_energy_j, uniform_field_v

F64 = NDArray[np.float64]

RATED_AIR_C = 40.0  # air in which [coil] heat_limit_w just warms the winding to its limit
BALLAST_MAX_C, BALLAST_RATED_AIR_C = 275.0, 70.0  # usual wirewound limits; from memory
NOMINAL = "nominal"
BALLAST_J_PER_K_PER_W = 0.8  # ceramic of a usual wirewound resistor, 1 g a watt; from memory


@dataclass(frozen=True)
class OperatingPoint:
    """One speed at one supply; None where a kind of coil does not tell it.

    ``corner`` is "nominal" or the corner with the least voltage margin at that speed.
    ``life_h`` is the battery's, running at this speed for ever.
    """

    name: str
    rpm: float
    corner: str
    supply_v: float
    dwell_s: float
    current_a: float | None
    energy_j: float | None
    gap_j: float | None
    available_v: float | None
    demanded_v: float
    mean_a: float | None
    life_h: float | None


@dataclass(frozen=True)
class Bench:
    """Voltages in the open air and in the cylinder, and gaps that show a coil to be good.

    ``asked_v`` is the greatest voltage asked for in the cylinder at any speed, all plugs in
    series together; ``round_gap_m`` and ``needle_gap_m`` are the open-air gaps, between
    round and between pointed ends, that ask for it and the wanted margin.
    ``plug_open_air_v`` is what the plug itself asks for on the bench.
    """

    asked_v: float
    asked_at_rpm: float
    margin: float
    plug_open_air_v: float
    round_gap_m: float
    needle_gap_m: float


@dataclass(frozen=True)
class Electrical:
    """The whole electrical side of one description, and the verdicts on it."""

    name: str
    given: ElectricalInput
    report: ElectricalReport
    points: tuple[OperatingPoint, ...]
    line: LineUse
    field: FieldUse | None
    bench: Bench
    on_limit_s: float
    hard_limit_s: float
    verdicts: tuple[PartVerdict, ...]

    @property
    def passed(self) -> bool:
        """Whether every verdict passed."""
        return not self.failures

    @property
    def failures(self) -> tuple[PartVerdict, ...]:
        """The verdicts that failed."""
        return tuple(verdict for verdict in self.verdicts if not verdict.passed)

    def point(self, name: str) -> OperatingPoint:
        """Return the nominal point "start", "idle" or "top" at the nominal supply."""
        return next(p for p in self.points if p.name == name and p.corner == NOMINAL)


def electrical_of(engine: Engine, design: Design, plan: Plan) -> Electrical:
    """Work out and judge the electrical side of a description; well under 0.5 s."""
    given = electrical_input(engine, design, plan)
    report = electrical_report(given)
    line = line_use(engine, design)
    field = field_use(engine)
    own = (
        *_logic_verdicts(engine, design.board),
        *sensor_verdicts(engine, design.board),
        *field_verdicts(field),
    )
    return Electrical(
        name=engine.name,
        given=given,
        report=report,
        points=tuple(_points(engine, given)),
        line=line,
        field=field,
        bench=_bench(given),
        on_limit_s=on_limit_s(design.board, plan),
        hard_limit_s=plan.hard_limit_ticks / plan.tick_hz,
        verdicts=(*report.verdicts, *own),
    )


def on_limit_s(board: Board, plan: Plan) -> float:
    """Longest on-time any single fault can cause: hard limit and one longest watchdog period."""
    return plan.hard_limit_ticks / plan.tick_hz + board.watchdog.longest_us * 1e-6


def electrical_input(engine: Engine, design: Design, plan: Plan) -> ElectricalInput:
    """Return what the electrical report takes.

    While starting, the spark is taken at top dead centre, where the plug asks for most.
    """
    part, supply = engine.engine, engine.supply
    both_fire = part.strokes == 2 and part.tdc_spacing_deg == 0
    return ElectricalInput(
        source=_source(engine, design.board, plan),
        cylinder=cylinder_of(engine),
        curve=((design.start.below_rpm * (1.0 - 1e-9), 0.0), *design.curve),
        start_rpm=design.start.floor_rpm,
        top_rpm=part.top_rpm,
        supply_v=supply.volts,
        supply_min_v=supply.volts_min,
        supply_max_v=supply.volts_max,
        plug_gap_m=engine.plug.gap_mm * 1e-3,
        plug_ohm=engine.plug.resistor_ohm,
        plugs_in_series=2 if part.cylinders == 2 and engine.coil.leads == 2 else 1,
        both_compress=both_fire,
        min_off_s=design.off_min_s,
        sparks_per_turn=360.0 / design.spacing_deg,
        arc_deg=design.arc_deg,
        ambient_c=engine.driver.ambient_c,
        battery=_battery(engine),
    )


def _source(engine: Engine, board: Board, plan: Plan) -> Coil | LogicCoil | CapacitorStore:
    coil = engine.coil
    if isinstance(coil, InductiveCoil):
        return _coil(engine, coil, board, plan)
    if isinstance(coil, CapacitorDischarge):
        return CapacitorStore(
            coil.capacitor_uf * 1e-6, coil.capacitor_volts, coil.recharge_ms * 1e-3
        )
    return LogicCoil(
        dwell_s=plan.dwell_ticks / plan.tick_hz,
        max_on_s=coil.max_on_ms * 1e-3,
        current_a=coil.spark_current_a,
        energy_j=None if coil.energy_mj is None else coil.energy_mj * 1e-3,
        on_limit_s=on_limit_s(board, plan),
    )


def _coil(engine: Engine, coil: InductiveCoil, board: Board, plan: Plan) -> Coil:
    driver = engine.driver
    return Coil(
        circuit=circuit_of(engine, coil),
        wanted_a=coil.spark_current_a,
        thermal=_thermal(engine, coil),
        driver_max_a=driver.max_current_a,
        clamp_v=driver.clamp_v,
        clamp_energy_j=driver.clamp_energy_mj * 1e-3,
        turns_ratio=coil.turns_ratio,
        secondary_ohm=coil.secondary_ohm,
        secondary_f=coil.secondary_pf * 1e-12,
        dwell_s=plan.dwell_ticks / plan.tick_hz,
        on_limit_s=on_limit_s(board, plan),
        ballast_rating_w=coil.ballast_w if coil.ballast_ohm > 0.0 else 0.0,
        tolerances=Tolerances(
            coil_ohm=coil.primary_ohm_tolerance_percent / 100.0,
            inductance=coil.primary_mh_tolerance_percent / 100.0,
        ),
    )


def _thermal(engine: Engine, coil: InductiveCoil) -> ThermalSet:
    driver = engine.driver
    ballast = Thermal(
        (BALLAST_MAX_C - BALLAST_RATED_AIR_C) / coil.ballast_w,
        BALLAST_J_PER_K_PER_W * coil.ballast_w,
        BALLAST_MAX_C,
    )
    return ThermalSet(
        coil=Thermal(
            (coil.winding_max_c - RATED_AIR_C) / coil.heat_limit_w,
            coil.heat_capacity_j_per_k,
            coil.winding_max_c,
        ),
        driver=Thermal(driver.thermal_k_per_w, driver.heat_capacity_j_per_k, driver.junction_max_c),
        ballast=ballast if coil.ballast_ohm > 0.0 else None,
    )


def _battery(engine: Engine) -> Battery | None:
    """Cells of a named part unless the user gave a capacity; else one block, as far as known."""
    supply, part = engine.supply, engine.taken.parts.get("supply")
    if isinstance(part, BatteryPart) and "supply.capacity_ah" in engine.taken.keys:
        return part.battery()
    if supply.capacity_ah is None:
        return None
    return simple_battery(supply.volts, supply.internal_ohm, supply.capacity_ah)


def _points(engine: Engine, given: ElectricalInput) -> Iterable[OperatingPoint]:
    """Yield the lowest sparking speed, idle and top: nominal, at the lowest supply, at worst."""
    speeds = {"start": given.start_rpm, "idle": engine.engine.idle_rpm, "top": given.top_rpm}
    for name, rpm in speeds.items():
        if isinstance(given.source, Coil):
            yield from _coil_points(given, given.source, name, rpm)
        else:
            yield _other_point(given, given.source, name, rpm)


def _coil_points(
    given: ElectricalInput, coil: Coil, name: str, rpm: float
) -> Iterable[OperatingPoint]:
    names, corners = corner_circuits(given, coil)
    margin = spark_curves(given, coil, corners, coil.dwell_s or 0.0, np.array([rpm])).margin
    worst = int(np.argmin(margin[:, 0]))
    corner = replace(
        coil.circuit,
        **{
            key: float(np.ravel(getattr(corners, key))[worst])
            for key in ("coil_ohm", "inductance_h", "coil_c", "supply_v")
        },
    )
    low = f"nominal, supply {given.supply_min_v:.3g} V"
    yield _coil_point(given, coil, coil.circuit.with_supply(given.supply_v), name, rpm, NOMINAL)
    yield _coil_point(given, coil, coil.circuit.with_supply(given.supply_min_v), name, rpm, low)
    yield _coil_point(given, coil, corner, name, rpm, names[worst])


def _coil_point(
    given: ElectricalInput, coil: Coil, circuit: PrimaryCircuit, name: str, rpm: float, corner: str
) -> OperatingPoint:
    period_s = float(event_period_s(rpm, given.sparks_per_turn))
    curves = spark_curves(given, coil, circuit, coil.dwell_s or 0.0, np.array([rpm]))
    charge, _ = circuit.charges(curves.dwell_s, curves.current_a)
    mean_a = float(charge[0]) / period_s
    return OperatingPoint(
        name=name,
        rpm=rpm,
        corner=corner,
        supply_v=float(circuit.supply_v),
        dwell_s=float(curves.dwell_s[0]),
        current_a=float(curves.current_a[0]),
        energy_j=float(curves.energy_j[0]),
        gap_j=float(curves.burn.gap_j[0]),
        available_v=float(curves.available_v[0]),
        demanded_v=float(curves.demanded_v[0]),
        mean_a=mean_a,
        life_h=_life_h(given, mean_a),
    )


def _other_point(
    given: ElectricalInput, source: LogicCoil | CapacitorStore, name: str, rpm: float
) -> OperatingPoint:
    """Return what a coil with its own switch (a ramp to its current) or a store tells."""
    period_s = float(event_period_s(rpm, given.sparks_per_turn))
    dwell_s, current_a, mean_a = 0.0, None, None
    if isinstance(source, LogicCoil):
        dwell_s = max(min(source.dwell_s, period_s - given.min_off_s), 0.0)
        current_a, energy_j = source.current_a, source.energy_j
        mean_a = 0.5 * current_a * dwell_s / period_s
    else:
        energy_j = float(
            capacitor_energy_j(source.capacitor_f, source.volts, period_s, source.recharge_s)
        )
    return OperatingPoint(
        name=name,
        rpm=rpm,
        corner=NOMINAL,
        supply_v=given.supply_v,
        dwell_s=dwell_s,
        current_a=current_a,
        energy_j=energy_j,
        gap_j=None,
        available_v=None,
        demanded_v=float(asked_v(given, np.array([rpm]))[0]),
        mean_a=mean_a,
        life_h=None if mean_a is None else _life_h(given, mean_a),
    )


def _life_h(given: ElectricalInput, mean_a: float) -> float | None:
    return None if given.battery is None else float(life_h(given.battery, mean_a))


def _logic_verdicts(engine: Engine, board: Board) -> tuple[PartVerdict, ...]:
    """Judge the pin's level, and the dwell against the window of a named coil part."""
    coil, part = engine.coil, engine.taken.parts.get("coil")
    if not isinstance(coil, LogicCoilSection):
        return ()
    level = at_least(
        "coil",
        "level at its logic pin",
        board.volts,
        engine.driver.gate_volts_min,
        "V",
        f"supply of {board.name}",
        "Put a level shifter between, or use a board of higher voltage.",
    )
    if not isinstance(part, LogicCoilPart):
        return (level,)
    low, high, dwell = part.dwell_ms.low, part.dwell_ms.high, coil.dwell_ms
    remedy = f"Take a dwell_ms of {low:g} to {high:g}, as its class wants."
    return (
        level,
        at_least("coil", "dwell against its window", dwell, low, "ms", f"part {part.name}", remedy),
        at_most("coil", "dwell against its window", dwell, high, "ms", f"part {part.name}", remedy),
    )


def _bench(given: ElectricalInput) -> Bench:
    rpm = speeds_rpm(given)
    asked = asked_v(given, rpm)
    worst = int(np.argmax(asked))
    needed = float(asked[worst]) * given.least_margin
    return Bench(
        asked_v=float(asked[worst]),
        asked_at_rpm=float(rpm[worst]),
        margin=given.least_margin,
        plug_open_air_v=float(uniform_field_v(given.plug_gap_m)) * given.plugs_in_series,
        round_gap_m=float(bench_gap_m(needed)),
        needle_gap_m=float(bench_needle_gap_m(needed)),
    )
