"""The whole electrical side in one call: dwell, energy, voltage and heat at every corner.

:func:`electrical_report` takes plain values (:class:`ElectricalInput`), works out the coil at
its nominal values and at all corners of its tolerances, temperature and supply at once,
and judges each part against its limits.  SI units; rpm and crank degrees where named so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from .battery import life_h, sagged_v
from .coil import (
    FOLLOWS_PART,
    PrimaryCircuit,
    Reach,
    Value,
    cut_above_rpm,
    event_period_s,
    reach,
)
from .coil_heat import (
    BallastChoice,
    StuckOn,
    Temperatures,
    recommend_ballast,
    steady_temperatures,
    stuck_on,
)
from .electrical_input import (
    CapacitorStore,
    Coil,
    Corners,
    ElectricalInput,
    LogicCoil,
    SparkCurves,
    Tolerances,
)
from .electrical_verdicts import PartVerdict, judge_drive, judge_plug, judge_store
from .schemes import (
    POINTS_CLOSED_PART,
    SchemeCurve,
    capacitor_discharge,
    constant_dwell,
    contact_points,
    fixed_rc,
    hall_direct,
)
from .secondary import (
    BURN_V,
    available_v,
    demanded_in_cylinder_v,
    second_gap_v,
    spark_burn,
)

F64 = NDArray[np.float64]

__all__ = [
    "BatteryUse",
    "CapacitorStore",
    "Coil",
    "Corners",
    "ElectricalInput",
    "ElectricalReport",
    "LogicCoil",
    "PartVerdict",
    "SparkCurves",
    "Tolerances",
    "electrical_report",
]

SPEEDS = 160
HEAT_SPEEDS = 40


@dataclass(frozen=True)
class BatteryUse:
    """The battery at top speed: mean and peak current, voltage under the peak, hours."""

    mean_a: float
    peak_a: float
    sagged_full_v: float
    sagged_flat_v: float
    life_h: float


@dataclass(frozen=True)
class ElectricalReport:
    """The result; parts that a kind of coil does not have are None or empty.

    ``dwell_min_supply_s`` is what the lowest supply would need, infinite when it cannot
    reach the wanted current; ``cut_above_rpm`` where dwell begins to be cut;
    ``heat`` is the hottest corner.  ``passed`` is true when every verdict is.
    """

    kind: str
    dwell_s: float
    dwell_min_supply_s: float
    cut_above_rpm: float
    reach: Reach | None
    nominal: SparkCurves | None
    corners: Corners | None
    heat: Temperatures | None
    stuck: StuckOn | None
    ballast: BallastChoice | None
    battery: BatteryUse | None
    schemes: tuple[SchemeCurve, ...]
    verdicts: tuple[PartVerdict, ...]
    notes: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether every verdict passed."""
        return all(v.passed for v in self.verdicts)


def electrical_report(given: ElectricalInput) -> ElectricalReport:
    """Work out and judge the electrical side; under 0.3 s for every kind of coil."""
    if isinstance(given.source, Coil):
        return _coil_report(given, given.source)
    if isinstance(given.source, CapacitorStore):
        return _store_report(given, given.source)
    return _logic_report(given, given.source)


def speeds_rpm(given: ElectricalInput, count: int = SPEEDS) -> F64:
    """Speeds (count,) from cranking to top, evenly spaced in logarithm."""
    return np.geomspace(given.start_rpm, given.top_rpm, count)


def asked_v(given: ElectricalInput, rpm: F64) -> F64:
    """Voltage asked for at the spark angle of each speed, both plugs of a twin lead included."""
    at, deg = np.asarray(given.curve, dtype=np.float64).T
    one = demanded_in_cylinder_v(given.cylinder, given.plug_gap_m, np.interp(rpm, at, deg))
    if given.plugs_in_series == 2:
        return second_gap_v(given.plug_gap_m, one, given.both_compress)
    return one


def spark_curves(
    given: ElectricalInput, coil: Coil, circuit: PrimaryCircuit, dwell_s: Value, rpm: F64
) -> SparkCurves:
    """Compute current, energy, voltage and burn over rpm for a scalar or (c, 1) circuit."""
    period = event_period_s(rpm, given.sparks_per_turn)
    dwell = np.clip(period - given.min_off_s, 0.0, dwell_s)
    current = circuit.current_a(dwell)
    energy = circuit.energy_j(current)
    burn = spark_burn(
        energy,
        current,
        turns_ratio=coil.turns_ratio,
        series_ohm=coil.secondary_ohm + given.plug_ohm,
        burn_v=BURN_V * given.plugs_in_series,
        coupling=coil.coupling,
    )
    open_v = available_v(
        energy,
        turns_ratio=coil.turns_ratio,
        clamp_v=coil.clamp_v,
        secondary_f=coil.secondary_f,
        coupling=coil.coupling,
    )
    demand = np.broadcast_to(asked_v(given, rpm), open_v.shape)
    return SparkCurves(rpm, dwell, current, energy, burn, open_v, demand)


def corner_circuits(given: ElectricalInput, coil: Coil) -> tuple[tuple[str, ...], PrimaryCircuit]:
    """Names (c,) and one circuit whose fields are arrays (c, 1), for all corners."""
    tol = coil.tolerances
    sides = {
        "R": (1.0 - tol.coil_ohm, 1.0 + tol.coil_ohm),
        "L": (1.0 - tol.inductance, 1.0 + tol.inductance),
        "C": (tol.coldest_c, tol.hottest_c),
        "V": (given.supply_min_v, given.supply_v, given.supply_max_v),
    }
    table = np.array(list(product(*sides.values())))
    names = tuple(
        f"R {r - 1.0:+.0%}, L {x - 1.0:+.0%}, winding {c:g} C, supply {v:.3g} V"
        for r, x, c, v in table
    )
    ohm, henry, celsius, volts = (column[:, None] for column in table.T)
    at = replace(
        coil.circuit,
        coil_ohm=coil.circuit.coil_ohm * ohm,
        inductance_h=coil.circuit.inductance_h * henry,
        coil_c=celsius,
        supply_v=volts,
    )
    return names, at


def _dwell(given: ElectricalInput, coil: Coil) -> tuple[Reach, float, float]:
    """Reach at the nominal supply, the dwell used, and the one for the lowest supply."""
    longest = float(event_period_s(given.start_rpm, given.sparks_per_turn)) - given.min_off_s
    nominal = reach(coil.circuit.with_supply(given.supply_v), coil.wanted_a, longest)
    low = coil.circuit.with_supply(given.supply_min_v)
    low_s = float(low.dwell_for_current_s(coil.wanted_a))
    return nominal, coil.dwell_s if coil.dwell_s is not None else nominal.dwell_s, low_s


def corner_dwell_s(given: ElectricalInput, coil: Coil, dwell_s: float, corner_v: Value) -> Value:
    """Dwell at each corner: fixed, or for the wanted current of a nominal coil at that supply."""
    if not coil.follows_supply:
        return dwell_s
    scaled = coil.circuit.with_supply(corner_v)
    reached = np.minimum(
        coil.circuit.with_supply(given.supply_v).current_a(dwell_s), FOLLOWS_PART * scaled.steady_a
    )
    return scaled.dwell_for_current_s(reached)


def hot_corner(coil: Coil, given: ElectricalInput) -> PrimaryCircuit:
    """Coil of least resistance and inductance at the highest supply: most current and heat."""
    tol = coil.tolerances
    return replace(
        coil.circuit,
        coil_ohm=coil.circuit.coil_ohm * (1.0 - tol.coil_ohm),
        inductance_h=coil.circuit.inductance_h * (1.0 - tol.inductance),
        supply_v=given.supply_max_v,
    )


def _coil_report(given: ElectricalInput, coil: Coil) -> ElectricalReport:
    rpm = speeds_rpm(given)
    reached, dwell_s, low_dwell_s = _dwell(given, coil)
    nominal_circuit = coil.circuit.with_supply(given.supply_v)
    nominal = spark_curves(given, coil, nominal_circuit, dwell_s, rpm)
    names, circuits = corner_circuits(given, coil)
    dwells = corner_dwell_s(given, coil, dwell_s, circuits.supply_v)
    corners = Corners(
        names, np.ravel(circuits.supply_v), spark_curves(given, coil, circuits, dwells, rpm)
    )
    hot = hot_corner(coil, given)
    hot_dwell = float(np.asarray(corner_dwell_s(given, coil, dwell_s, given.supply_max_v)))
    heat = steady_temperatures(
        hot,
        coil.thermal,
        speeds_rpm(given, HEAT_SPEEDS),
        hot_dwell,
        ambient_c=given.ambient_c,
        min_off_s=given.min_off_s,
        sparks_per_turn=given.sparks_per_turn,
        coupling=coil.coupling,
    )
    stuck = stuck_on(hot, coil.thermal, ambient_c=given.ambient_c)
    cut = cut_above_rpm(dwell_s, given.min_off_s, given.sparks_per_turn)
    ballast = _ballast(given, coil, stuck)
    cold = hot.at_temperature(coil.tolerances.coldest_c)
    fault_a = float(cold.current_a(coil.on_limit_s or 0.0))
    verdicts = judge_drive(given, coil, reached, corners, heat, stuck, fault_a)
    return ElectricalReport(
        kind="inductive",
        dwell_s=dwell_s,
        dwell_min_supply_s=low_dwell_s,
        cut_above_rpm=cut,
        reach=reached,
        nominal=nominal,
        corners=corners,
        heat=heat,
        stuck=stuck,
        ballast=ballast,
        battery=_battery_use(given, nominal, nominal_circuit),
        schemes=scheme_curves(given, coil, dwell_s, rpm),
        verdicts=(*verdicts, *judge_plug(given, corners)),
        notes=_coil_notes(given, coil, cut, nominal, stuck, ballast),
    )


def _harmless_a(given: ElectricalInput, coil: Coil, warm: PrimaryCircuit) -> tuple[float, float]:
    """Steady currents that the coil, at its hottest, and the driver bear for ever."""
    thermal = coil.thermal
    spare_w, driver_w = (
        max(part.limit_c - given.ambient_c, 0.0) / part.k_per_w
        for part in (thermal.coil, thermal.driver)
    )
    coil_a = float(np.sqrt(spare_w / warm.hot_coil_ohm))
    drop_v, on_ohm = float(warm.driver_drop_v), float(warm.driver_ohm)
    over = drop_v + np.sqrt(drop_v**2 + 4.0 * on_ohm * driver_w)  # of drop I + ohm I^2 = W
    driver_a = float(2.0 * driver_w / over) if over > 0.0 else np.inf
    return coil_a, min(driver_a, coil.driver_max_a)


def _ballast(given: ElectricalInput, coil: Coil, stuck: StuckOn) -> BallastChoice | None:
    """Ballast that makes a stuck-on driver harmless; None when it is so already.

    A hot winding decides for the coil and for what stays in reach, a cold one, which takes
    more current, for the driver.
    """
    if stuck.first is None and stuck.current_a <= coil.driver_max_a:
        return None
    corner = hot_corner(coil, given)
    warm, cold = (corner.at_temperature(c) for c in (coil.thermal.coil.limit_c, given.ambient_c))
    limits = tuple(zip((warm, cold), _harmless_a(given, coil, warm), strict=True))
    if all(float(replace(c, ballast_ohm=0.0).steady_a) <= limit for c, limit in limits):
        return None
    shortest = float(event_period_s(given.top_rpm, given.sparks_per_turn)) - given.min_off_s
    longest = max(shortest, 1e-6)
    choice = max(
        (
            recommend_ballast(
                circuit,
                steady_limit_a=limit,
                wanted_a=coil.wanted_a,
                supply_min_v=given.supply_min_v,
                longest_dwell_s=longest,
            )
            for circuit, limit in limits
        ),
        key=lambda found: found.ohm,
    )
    low = replace(warm, ballast_ohm=choice.ohm).with_supply(given.supply_min_v)
    return replace(choice, reach=reach(low, coil.wanted_a, longest))


def scheme_curves(
    given: ElectricalInput, coil: Coil, dwell_s: float, rpm: F64
) -> tuple[SchemeCurve, ...]:
    """Energy of every way to switch this coil, over rpm (k,), for one plot.

    Capacitor discharge is drawn for 1 uF at 300 V filled again in 3 ms (45 mJ).
    """
    circuit, per = coil.circuit.with_supply(given.supply_v), given.sparks_per_turn
    return (
        contact_points(circuit, rpm, POINTS_CLOSED_PART * 360.0 / per, per),
        hall_direct(circuit, rpm, given.arc_deg),
        fixed_rc(circuit, rpm, dwell_s, recovery_s=given.min_off_s, sparks_per_turn=per),
        constant_dwell(circuit, rpm, dwell_s, min_off_s=given.min_off_s, sparks_per_turn=per),
        capacitor_discharge(rpm, 1e-6, 300.0, 3e-3, per),
    )


def _battery_use(
    given: ElectricalInput, curves: SparkCurves, circuit: PrimaryCircuit
) -> BatteryUse | None:
    if given.battery is None:
        return None
    period = event_period_s(given.top_rpm, given.sparks_per_turn)
    charge, _ = circuit.charges(curves.dwell_s[-1], curves.current_a[-1])
    mean, peak = float(charge / period), float(np.max(curves.current_a))
    return BatteryUse(
        mean_a=mean,
        peak_a=peak,
        sagged_full_v=float(sagged_v(given.battery, peak)),
        sagged_flat_v=float(sagged_v(given.battery, peak, 0.0)),
        life_h=float(life_h(given.battery, mean)),
    )


def _coil_notes(
    given: ElectricalInput,
    coil: Coil,
    cut: float,
    curves: SparkCurves,
    stuck: StuckOn,
    ballast: BallastChoice | None,
) -> tuple[str, ...]:
    notes = []
    if cut < given.top_rpm:
        notes.append(
            f"Above {cut:.0f} rpm dwell is cut to keep {given.min_off_s * 1e3:.3g} ms off; at "
            f"{given.top_rpm:.0f} rpm {curves.energy_j[-1] * 1e3:.3g} mJ of "
            f"{np.max(curves.energy_j) * 1e3:.3g} mJ are left."
        )
    if coil.wanted_a > float(coil.circuit.saturation_a):
        notes.append(
            f"{coil.wanted_a:.3g} A is above the coil's saturation ({coil.circuit.saturation_a:.3g}"
            " A): more current there is heat, hardly more spark."
        )
    burn_s = float(np.max(curves.burn.duration_s))
    if burn_s > given.min_off_s and cut < given.top_rpm:
        notes.append(
            f"The spark may burn for {burn_s * 1e3:.3g} ms, longer than the least off time: at top "
            "speed the coil is charged again before it is empty."
        )
    if stuck.first is not None:
        notes.append(
            f"With the driver stuck on the {stuck.first.name} fails first, after "
            f"{stuck.first.limit_s:.3g} s."
        )
    if ballast is not None:
        cost = (
            "the wanted current stays in reach"
            if ballast.reach.ok
            else (
                f"only {ballast.reach.reachable_a:.3g} A would be left at the lowest supply, so "
                "the firmware's hard limit has to protect it"
            )
        )
        notes.append(
            f"A ballast of {ballast.ohm:.3g} ohm, {ballast.rating_w:.3g} W would make that "
            f"harmless; {cost}."
        )
    return tuple(notes)


def _store_report(given: ElectricalInput, store: CapacitorStore) -> ElectricalReport:
    curve = capacitor_discharge(
        speeds_rpm(given), store.capacitor_f, store.volts, store.recharge_s, given.sparks_per_turn
    )
    return _bare_report("capacitor-discharge", 0.0, np.inf, judge_store(given, store), (curve,))


def _logic_report(given: ElectricalInput, coil: LogicCoil) -> ElectricalReport:
    cut = cut_above_rpm(coil.dwell_s, given.min_off_s, given.sparks_per_turn)
    return _bare_report("logic", coil.dwell_s, cut, judge_store(given, coil), ())


def _bare_report(
    kind: str,
    dwell_s: float,
    cut: float,
    verdicts: tuple[PartVerdict, ...],
    schemes: tuple[SchemeCurve, ...],
) -> ElectricalReport:
    return ElectricalReport(
        kind=kind,
        dwell_s=dwell_s,
        dwell_min_supply_s=dwell_s,
        cut_above_rpm=cut,
        reach=None,
        nominal=None,
        corners=None,
        heat=None,
        stuck=None,
        ballast=None,
        battery=None,
        schemes=schemes,
        verdicts=verdicts,
        notes=(),
    )
