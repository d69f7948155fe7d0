"""Heat in the primary circuit: at speed, in the long run, and with the driver stuck on.

Powers are averages over the time between sparks, in watts; temperatures in degrees C.
Each part is one thermal mass behind one thermal resistance to the air: coarse, and on the
safe side for the coil, whose whole case helps to soak up heat in a short fault.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike, NDArray

from .coil import PrimaryCircuit, Reach, Value, dwell_at_speed, reach
from .eseries import Series, next_power_w, next_up

F64 = NDArray[np.float64]

COUPLING = 0.985  # of primary to secondary; from memory, 0.97 to 0.99 is usual
_NODES, _WEIGHTS = leggauss(64)


@dataclass(frozen=True)
class Thermal:
    """One part's way to get rid of heat: kelvin per watt to air, joule per kelvin, limit."""

    k_per_w: float
    j_per_k: float
    limit_c: float


@dataclass(frozen=True)
class ThermalSet:
    """The parts that heat up; ``ballast`` is None where there is none."""

    coil: Thermal
    driver: Thermal
    ballast: Thermal | None = None

    def named(self) -> dict[str, Thermal]:
        """Return the parts that exist, by name."""
        parts = {"coil": self.coil, "ballast": self.ballast, "driver": self.driver}
        return {name: part for name, part in parts.items() if part is not None}


@dataclass(frozen=True)
class Powers:
    """Average powers over rpm (arrays of one shape).

    ``supply_w`` leaves the cell's open voltage; it equals the heat in coil, ballast,
    wiring, battery and driver conduction plus ``spark_w``, which goes to the secondary
    but for the part in the leakage that ``clamp_w`` says ends in the driver's clamp.
    """

    rpm: F64
    dwell_s: F64
    current_a: F64
    energy_j: F64
    mean_a: F64
    coil_w: F64
    ballast_w: F64
    conduction_w: F64
    clamp_w: F64
    wiring_w: F64
    battery_w: F64
    spark_w: F64
    supply_w: F64

    @property
    def driver_w(self) -> F64:
        """Conduction and clamp loss of the driver."""
        return self.conduction_w + self.clamp_w


def average_powers(
    circuit: PrimaryCircuit,
    rpm: ArrayLike,
    dwell_s: Value,
    *,
    min_off_s: float,
    sparks_per_turn: float = 1.0,
    coupling: float = COUPLING,
) -> Powers:
    """Average powers at speeds of one or more shape; the dwell is cut where it does not fit.

    The leakage inductance, (1 - coupling^2) of the energy, ends in the driver's clamp.
    """
    fit = dwell_at_speed(
        circuit, rpm, dwell_s, min_off_s=min_off_s, sparks_per_turn=sparks_per_turn
    )
    charge, square_charge = circuit.charges(fit.dwell_s, fit.current_a)
    mean_a, square = charge / fit.period_s, square_charge / fit.period_s
    spark_w = fit.energy_j / fit.period_s
    lossy_v = np.minimum(circuit.supply_v, circuit.driver_drop_v)
    return Powers(
        rpm=fit.rpm,
        dwell_s=fit.dwell_s,
        current_a=fit.current_a,
        energy_j=fit.energy_j,
        mean_a=mean_a,
        coil_w=square * circuit.hot_coil_ohm,
        ballast_w=square * circuit.ballast_ohm,
        conduction_w=square * circuit.driver_ohm + mean_a * lossy_v,
        clamp_w=spark_w * (1.0 - coupling**2),
        wiring_w=square * circuit.wiring_ohm,
        battery_w=square * circuit.battery_ohm,
        spark_w=spark_w,
        supply_w=mean_a * circuit.supply_v,
    )


@dataclass(frozen=True)
class Temperatures:
    """Steady temperatures over rpm; ``ballast_c`` is the air's where there is no ballast."""

    rpm: F64
    coil_c: F64
    ballast_c: F64
    driver_c: F64
    powers: Powers


def steady_temperatures(
    circuit: PrimaryCircuit,
    thermal: ThermalSet,
    rpm: ArrayLike,
    dwell_s: Value,
    *,
    ambient_c: float,
    min_off_s: float,
    sparks_per_turn: float = 1.0,
    coupling: float = COUPLING,
) -> Temperatures:
    """Temperatures after long running at each speed, with the coil's own warming fed back.

    Repeated substitution: a warmer coil takes a smaller current, so it settles.
    """
    coil_c = np.full(np.shape(rpm), ambient_c)
    for _ in range(20):
        powers = average_powers(
            circuit.at_temperature(coil_c),
            rpm,
            dwell_s,
            min_off_s=min_off_s,
            sparks_per_turn=sparks_per_turn,
            coupling=coupling,
        )
        before, coil_c = coil_c, ambient_c + thermal.coil.k_per_w * powers.coil_w
        if np.all(np.abs(coil_c - before) < 0.01):
            break
    ballast = thermal.ballast.k_per_w if thermal.ballast else 0.0
    return Temperatures(
        rpm=powers.rpm,
        coil_c=coil_c,
        ballast_c=ambient_c + ballast * powers.ballast_w,
        driver_c=ambient_c + thermal.driver.k_per_w * powers.driver_w,
        powers=powers,
    )


@dataclass(frozen=True)
class StuckPart:
    """One part with the driver stuck on: power at first, temperature at last, time to its limit.

    ``limit_s`` is infinite where the limit is never reached; ``adiabatic_k_per_s`` bounds
    the rise in any shorter time.
    """

    name: str
    power_w: float
    steady_c: float
    limit_c: float
    limit_s: float
    adiabatic_k_per_s: float


@dataclass(frozen=True)
class StuckOn:
    """The engine stopped and the driver stuck on: steady current, each part, the first to fail.

    ``first`` is None when every part survives for ever.
    """

    current_a: float
    parts: tuple[StuckPart, ...]
    first: StuckPart | None

    def survives(self, on_s: float, start_c: float) -> bool:
        """Whether every part, from ``start_c`` and without cooling, stays below its limit."""
        return all(start_c + p.adiabatic_k_per_s * on_s <= p.limit_c for p in self.parts)


def stuck_on(
    circuit: PrimaryCircuit,
    thermal: ThermalSet,
    *,
    ambient_c: float,
    start_c: float | None = None,
) -> StuckOn:
    """Follow a driver stuck on in a scalar circuit; all parts start at ``start_c``.

    The coil's time is exact for its thermal model, with its resistance following its
    temperature; the others are taken at the greatest current on the way.
    """
    begin = ambient_c if start_c is None else start_c
    coil_steady = _stuck_coil_c(circuit, thermal.coil, ambient_c)
    cold = circuit.at_temperature(min(begin, coil_steady))
    current = float(cold.steady_a)
    parts = []
    for name, part in thermal.named().items():
        if name == "coil":
            power = float(_coil_w(circuit, np.asarray(begin)))
            limit_s = _coil_limit_s(circuit, part, ambient_c, begin)
            worst = float(np.max(_coil_w(circuit, np.linspace(begin, part.limit_c, 101))))
            steady = coil_steady
        else:
            power = worst = _part_w(cold, name)
            limit_s = _limit_s(part, power, ambient_c, begin)
            steady = ambient_c + power * part.k_per_w
        parts.append(StuckPart(name, power, steady, part.limit_c, limit_s, worst / part.j_per_k))
    first = min(parts, key=lambda p: p.limit_s)
    return StuckOn(current, tuple(parts), first if np.isfinite(first.limit_s) else None)


def stuck_on_course(
    circuit: PrimaryCircuit, thermal: ThermalSet, time_s: ArrayLike, *, ambient_c: float
) -> dict[str, F64]:
    """Temperature of each part over time (k,) with the driver stuck on, from the air's temperature.

    The coil's time as an integral over its temperature, inverted; the others are exponential
    at the first, greatest current.
    """
    time = np.asarray(time_s, dtype=np.float64)
    cold = circuit.at_temperature(ambient_c)
    course = {}
    for name, part in thermal.named().items():
        if name == "coil":
            course[name] = _coil_course(circuit, part, ambient_c, time)
        else:
            rise = _part_w(cold, name) * part.k_per_w
            course[name] = ambient_c - rise * np.expm1(-time / (part.k_per_w * part.j_per_k))
    return course


def _coil_course(circuit: PrimaryCircuit, part: Thermal, ambient_c: float, time: F64) -> F64:
    """Invert t(T) = integral of C dT / (P(T) - (T - T_air) / K), steps crowding at the end."""
    end = _stuck_coil_c(circuit, part, ambient_c)
    left = np.geomspace(1.0, 1e-7, 4001)  # of the whole rise
    middle = end - (end - ambient_c) * np.sqrt(left[1:] * left[:-1])
    net_w = _coil_w(circuit, middle) - (middle - ambient_c) / part.k_per_w
    steps = (end - ambient_c) * (left[:-1] - left[1:]) * part.j_per_k / np.maximum(net_w, 1e-12)
    reached = np.concatenate([[0.0], np.cumsum(steps)])
    return np.interp(time, reached, end - (end - ambient_c) * left)


@dataclass(frozen=True)
class BallastChoice:
    """A ballast from a preferred series, what it costs and whether the spark survives it.

    ``ohm`` is 0 when none is needed.  ``worst_w`` is its heat with the driver stuck on and
    the coil at ``circuit.coil_c``; ``rating_w`` a usual rating of at least ``derating``
    times that.
    """

    needed_ohm: float
    ohm: float
    worst_w: float
    rating_w: float
    steady_a: float
    reach: Reach


def recommend_ballast(
    circuit: PrimaryCircuit,
    *,
    steady_limit_a: float,
    wanted_a: float,
    supply_min_v: float,
    longest_dwell_s: float = np.inf,
    series: Series = "E12",
    derating: float = 2.0,
) -> BallastChoice:
    """Smallest preferred ballast that keeps a stuck-on driver's current to ``steady_limit_a``.

    ``circuit`` is scalar, at its greatest supply voltage; its own ballast is disregarded.
    ``reach`` judges ``wanted_a`` with the new ballast at ``supply_min_v``.
    """
    bare = replace(circuit, ballast_ohm=0.0)
    needed = max(float(bare.drive_v) / steady_limit_a - float(bare.total_ohm), 0.0)
    ohm = next_up(needed, series) if needed > 0.0 else 0.0
    chosen = replace(circuit, ballast_ohm=ohm)
    steady = float(chosen.steady_a)
    worst_w = steady**2 * ohm
    return BallastChoice(
        needed_ohm=needed,
        ohm=ohm,
        worst_w=worst_w,
        rating_w=next_power_w(derating * worst_w) if ohm else 0.0,
        steady_a=steady,
        reach=reach(chosen.with_supply(supply_min_v), wanted_a, longest_dwell_s),
    )


def _coil_w(circuit: PrimaryCircuit, coil_c: F64) -> F64:
    """Heat in the stuck-on coil at its own temperature."""
    hot = circuit.at_temperature(coil_c)
    return np.asarray(np.asarray(hot.steady_a) ** 2 * hot.hot_coil_ohm)


def _part_w(circuit: PrimaryCircuit, name: str) -> float:
    current = float(circuit.steady_a)
    if name == "ballast":
        return current**2 * float(circuit.ballast_ohm)
    return current**2 * float(circuit.driver_ohm) + current * float(circuit.driver_drop_v)


def _stuck_coil_c(circuit: PrimaryCircuit, part: Thermal, ambient_c: float) -> float:
    """Temperature where the coil sheds what it takes; bisection between air and a sure bound."""
    low = ambient_c
    most_w = float(circuit.drive_v) ** 2 / float(circuit.at_temperature(ambient_c).total_ohm)
    high = ambient_c + part.k_per_w * most_w
    for _ in range(60):
        mid = 0.5 * (low + high)
        warming = ambient_c + part.k_per_w * float(_coil_w(circuit, np.asarray(mid))) > mid
        low, high = (mid, high) if warming else (low, mid)
    return 0.5 * (low + high)


def _coil_limit_s(
    circuit: PrimaryCircuit, part: Thermal, ambient_c: float, start_c: float
) -> float:
    """Time to the limit: integral of C dT / (P(T) - (T - T_air) / K)."""
    if start_c >= part.limit_c:
        return 0.0
    half = 0.5 * (part.limit_c - start_c)
    temperature = start_c + half * (1.0 + _NODES)
    dense = np.concatenate([temperature, [start_c, part.limit_c]])
    net_w = _coil_w(circuit, dense) - (dense - ambient_c) / part.k_per_w
    if np.any(net_w <= 0.0):
        return np.inf
    return float(part.j_per_k * half * np.sum(_WEIGHTS / net_w[:-2]))


def _limit_s(part: Thermal, power_w: float, ambient_c: float, start_c: float) -> float:
    """Time to the limit at constant power: tau ln((T_end - T_start) / (T_end - T_limit))."""
    if start_c >= part.limit_c:
        return 0.0
    end_c = ambient_c + power_w * part.k_per_w
    if end_c <= part.limit_c:
        return np.inf
    tau_s = part.k_per_w * part.j_per_k
    return float(tau_s * np.log((end_c - start_c) / (end_c - part.limit_c)))
