"""Primary circuit of an ignition coil: current, dwell, stored energy, and dwell at speed.

Everything is SI and every field or argument may be a float or an array; arrays broadcast.

The circuit is a supply, resistances in series, a constant drop in the driver and an iron
coil whose incremental inductance falls with current,

    L(i) = L0 (r + (1 - r) / (1 + (i/Is)^4)),

``Is`` the saturation current, ``r`` what is left of the inductance far beyond it.  At Is
the incremental inductance is midway between L0 and r L0, at half of Is 6 % of the fall is
done.  The model is ours, chosen because flux, energy and charging time are all closed:

    flux        lambda(i) = integral of L di          (increasing, so it has an inverse)
    energy      W(i)      = integral of i L di = 1/2 L0 i^2 (r + (1-r) atan(x^2)/x^2)
    charge      t(i)      = integral of L di / (V - R i), by partial fractions
    and from V = R i + d lambda/dt:
    charge      integral of i dt   = (V t - lambda) / R
    heat        integral of i^2 dt = (V integral of i dt - W) / R

with x = i/Is.  With Is infinite it is the textbook i = V/R (1 - exp(-t R/L)).
Copper: 0.00393 per kelvin at 20 C (annealed, 100 % IACS; read in a resistance-meter
manual, which gives 3810 to 3970 ppm/K for stamped wire).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

F64 = NDArray[np.float64]
Value = float | F64

COPPER_PER_K = 0.00393
SATURATED_PART = 0.10  # of L0, the air path's share; from memory, open cores keep more
_ROOT2 = np.sqrt(2.0)
# Dwell that follows the supply aims no nearer to the steady current: the last tenth takes longer
# than all the rest and heats more than it stores.
FOLLOWS_PART = 0.90
_REACH = 0.98  # a current nearer than 2 % to the steady one is reached only after 4 L/R


@dataclass(frozen=True)
class PrimaryCircuit:
    """What the primary current flows through.

    ``coil_ohm`` at 20 C, ``coil_c`` its temperature; ``driver_drop_v`` + ``driver_ohm``
    make the driver's on voltage; ``battery_ohm`` is the supply's internal resistance and
    ``supply_v`` its open voltage.  ``saturation_a`` is infinite for a coil that does not
    saturate.  The total resistance must be above zero.
    """

    coil_ohm: Value
    inductance_h: Value
    supply_v: Value
    ballast_ohm: Value = 0.0
    driver_drop_v: Value = 0.0
    driver_ohm: Value = 0.0
    wiring_ohm: Value = 0.0
    battery_ohm: Value = 0.0
    saturation_a: Value = np.inf
    saturated_part: Value = SATURATED_PART
    coil_c: Value = 20.0

    @property
    def hot_coil_ohm(self) -> Value:
        """Resistance of the primary winding at ``coil_c``."""
        return self.coil_ohm * (1.0 + COPPER_PER_K * (np.asarray(self.coil_c) - 20.0))

    @property
    def other_ohm(self) -> Value:
        """All resistance outside the coil."""
        return self.ballast_ohm + self.driver_ohm + self.wiring_ohm + self.battery_ohm

    @property
    def total_ohm(self) -> Value:
        """Resistance around the loop with the driver on."""
        return self.hot_coil_ohm + self.other_ohm

    @property
    def drive_v(self) -> Value:
        """Voltage left for resistance and inductance; zero when the drop eats it all."""
        return np.maximum(np.asarray(self.supply_v) - self.driver_drop_v, 0.0)

    @property
    def steady_a(self) -> Value:
        """Current with the driver stuck on, after the inductance has charged."""
        return self.drive_v / self.total_ohm

    def inductance_at_h(self, current_a: ArrayLike) -> F64:
        """Incremental inductance at a current."""
        x4 = (np.asarray(current_a) / self.saturation_a) ** 4
        return np.asarray(
            self.inductance_h * (self.saturated_part + (1.0 - self.saturated_part) / (1.0 + x4))
        )

    def flux_wb(self, current_a: ArrayLike) -> F64:
        """Flux linkage of the primary at a current."""
        i = np.asarray(current_a, dtype=np.float64)
        x = i / self.saturation_a
        p, q = _quartic_integrals(x)
        iron = np.divide(p + q, x, out=np.ones_like(x), where=x > 1e-9)
        return np.asarray(
            self.inductance_h * i * (self.saturated_part + (1.0 - self.saturated_part) * iron)
        )

    def energy_j(self, current_a: ArrayLike) -> F64:
        """Energy stored in the coil at a current."""
        i = np.asarray(current_a, dtype=np.float64)
        x2 = (i / self.saturation_a) ** 2
        iron = np.divide(np.arctan(x2), x2, out=np.ones_like(x2), where=x2 > 1e-12)
        part = self.saturated_part + (1.0 - self.saturated_part) * iron
        return np.asarray(0.5 * self.inductance_h * i**2 * part)

    def current_for_energy_a(self, energy_j: ArrayLike) -> F64:
        """Invert :meth:`energy_j`: the current that stores an energy."""
        low = np.sqrt(2.0 * np.asarray(energy_j) / self.inductance_h)
        return _bisect(self.energy_j, energy_j, low, low / np.sqrt(self.saturated_part))

    def current_for_flux_a(self, flux_wb: ArrayLike) -> F64:
        """Invert :meth:`flux_wb`: the current that links a flux."""
        low = np.asarray(flux_wb) / self.inductance_h
        return _bisect(self.flux_wb, flux_wb, low, low / self.saturated_part)

    def dwell_for_current_s(self, current_a: ArrayLike) -> F64:
        """Charging time from zero to a current; infinite at or above the steady current."""
        i = np.asarray(current_a, dtype=np.float64)
        part = np.divide(i, self.steady_a, out=np.ones(_shape(i, self.steady_a)), where=_some(self))
        inside = part < 1.0
        log = -np.log1p(-np.where(inside, part, 0.0))
        return np.where(inside, self._time_s(log), np.inf)

    def current_a(self, time_s: ArrayLike) -> F64:
        """Primary current after charging for a time from zero."""
        t = np.asarray(time_s, dtype=np.float64)
        scale = self.total_ohm / self.inductance_h
        log = np.asarray(t * scale, dtype=np.float64)
        if not np.all(np.isinf(self.saturation_a)):
            log = self._log_for_time(t, log)
        return np.asarray(-np.expm1(-log) * self.steady_a)

    def charges(self, time_s: ArrayLike, current_a: ArrayLike) -> tuple[F64, F64]:
        """Integrals of i dt (A s) and i^2 dt (A^2 s) over a dwell that ends at ``current_a``.

        The second times any resistance is its heat.
        """
        linear = (self.drive_v * np.asarray(time_s) - self.flux_wb(current_a)) / self.total_ohm
        square = (self.drive_v * linear - self.energy_j(current_a)) / self.total_ohm
        return np.asarray(linear), np.asarray(square)

    def with_supply(self, supply_v: Value) -> PrimaryCircuit:
        """Return the same circuit on another supply voltage (array allowed)."""
        return replace(self, supply_v=supply_v)

    def at_temperature(self, coil_c: Value) -> PrimaryCircuit:
        """Return the same circuit with the coil at another temperature (array allowed)."""
        return replace(self, coil_c=coil_c)

    def _time_s(self, log: F64) -> F64:
        """Charging time to the current steady_a (1 - exp(-log)); partial fractions in x."""
        a = np.asarray(self.steady_a / self.saturation_a)
        x = -np.expm1(-log) * a
        p, q = _quartic_integrals(x)
        iron = 0.25 * np.log1p(x**4) + a * (q - p) + 0.5 * a**2 * np.arctan(x**2) + a**3 * (q + p)
        part = self.saturated_part
        shape = part * log + (1.0 - part) * (log + iron) / (1.0 + a**4)
        return np.asarray(self.inductance_h / self.total_ohm * shape)

    def _log_for_time(self, t: F64, log: F64) -> F64:
        """Newton from below: the time is concave in ``log``, so no step ever overshoots."""
        for _ in range(100):
            slope = self.inductance_at_h(-np.expm1(-log) * self.steady_a) / self.total_ohm
            step = (t - self._time_s(log)) / slope
            log = log + step
            if np.all(np.abs(step) <= 1e-13 * (1.0 + log)):
                break
        return log


@dataclass(frozen=True)
class Reach:
    """Whether a wanted primary current can be reached, and what to change if not.

    ``reachable_a`` is the greatest useful current within ``longest_dwell_s`` (and within
    98 % of ``steady_a``); ``dwell_s`` reaches the smaller of it and ``wanted_a``.
    """

    wanted_a: float
    steady_a: float
    reachable_a: float
    dwell_s: float
    ok: bool
    remedy: str


def reach(circuit: PrimaryCircuit, wanted_a: float, longest_dwell_s: float = np.inf) -> Reach:
    """Judge a wanted current against a scalar circuit and the longest dwell that fits."""
    steady = float(circuit.steady_a)
    limit = _REACH * steady
    if np.isfinite(longest_dwell_s):
        limit = min(limit, float(circuit.current_a(longest_dwell_s)))
    ok = wanted_a <= limit
    remedy = "" if ok else _reach_remedy(circuit, wanted_a, limit)
    dwell_s = float(circuit.dwell_for_current_s(min(wanted_a, limit)))
    return Reach(wanted_a, steady, limit, dwell_s, ok, remedy)


def _reach_remedy(circuit: PrimaryCircuit, wanted_a: float, limit_a: float) -> str:
    """Say which ballast, supply or coil would give the wanted current."""
    most_ohm = _REACH * float(circuit.drive_v) / wanted_a
    others = float(circuit.total_ohm) - float(circuit.ballast_ohm)
    need_v = float(circuit.total_ohm) * wanted_a / _REACH + float(circuit.driver_drop_v)
    ways = [f"ask for {limit_a:.3g} A or less"]
    if float(circuit.steady_a) * _REACH >= wanted_a:
        return f"{ways[0]}; or choose a coil of lower inductance, or a lower top speed"
    if others < most_ohm:
        ways.append(f"lower the ballast to {most_ohm - others:.3g} ohm or less")
    else:
        rest = most_ohm - float(circuit.other_ohm) + float(circuit.ballast_ohm)
        if rest > 0.0:
            ways.append(f"choose a coil of {rest:.3g} ohm or less (hot) with no ballast")
    ways.append(f"raise the supply to {need_v:.3g} V or more")
    return "; or ".join(ways)


@dataclass(frozen=True)
class DwellAtSpeed:
    """What a constant wanted dwell becomes when it no longer fits between two sparks.

    Arrays over rpm.  ``cut`` marks speeds where ``dwell_s`` is shorter than wanted.
    """

    rpm: F64
    period_s: F64
    dwell_s: F64
    current_a: F64
    energy_j: F64
    cut: NDArray[np.bool_]


def event_period_s(rpm: ArrayLike, sparks_per_turn: float = 1.0) -> F64:
    """Time between two charges of one coil (0.5 spark per turn on a cam shaft)."""
    return np.asarray(60.0 / (np.asarray(rpm, dtype=np.float64) * sparks_per_turn))


def cut_above_rpm(dwell_s: float, min_off_s: float, sparks_per_turn: float = 1.0) -> float:
    """Speed above which dwell and the least off time no longer fit between two sparks."""
    return 60.0 / ((dwell_s + min_off_s) * sparks_per_turn)


def dwell_at_speed(
    circuit: PrimaryCircuit,
    rpm: ArrayLike,
    dwell_s: Value,
    *,
    min_off_s: float,
    sparks_per_turn: float = 1.0,
) -> DwellAtSpeed:
    """Cut a wanted dwell so that the off time stays at least ``min_off_s``; current and energy.

    The coil is taken to start each charge empty, which ``min_off_s`` must be long enough
    for (the spark lasts one to two milliseconds).
    """
    speed = np.asarray(rpm, dtype=np.float64)
    period = event_period_s(speed, sparks_per_turn)
    dwell = np.clip(period - min_off_s, 0.0, dwell_s)
    current = circuit.current_a(dwell)
    return DwellAtSpeed(speed, period, dwell, current, circuit.energy_j(current), dwell < dwell_s)


def _quartic_integrals(x: F64) -> tuple[F64, F64]:
    """P and Q with P + Q = integral of 1/(1+x^4) and Q - P = integral of x^2/(1+x^4), from 0."""
    x = np.asarray(x, dtype=np.float64)
    rise = 2.0 * _ROOT2 * x / (x**2 - _ROOT2 * x + 1.0)
    p = np.log1p(rise) / (4.0 * _ROOT2)
    q = (np.arctan(_ROOT2 * x + 1.0) + np.arctan(_ROOT2 * x - 1.0)) / (2.0 * _ROOT2)
    return p, q


def _shape(*values: ArrayLike) -> tuple[int, ...]:
    return np.broadcast_shapes(*(np.shape(v) for v in values))


def _some(circuit: PrimaryCircuit) -> NDArray[np.bool_]:
    return np.asarray(np.asarray(circuit.steady_a) > 0.0)


def _bisect(
    function: Callable[[ArrayLike], F64], target: ArrayLike, low: ArrayLike, high: ArrayLike
) -> F64:
    """Invert an increasing function of one array between two bounds, to the last bits."""
    wanted = np.asarray(target, dtype=np.float64)
    lo = np.asarray(low, dtype=np.float64)
    hi = np.asarray(high, dtype=np.float64)
    for _ in range(60):
        mid = 0.5 * (lo + hi)
        below = function(mid) < wanted
        lo, hi = np.where(below, mid, lo), np.where(below, hi, mid)
    return np.asarray(0.5 * (lo + hi))
