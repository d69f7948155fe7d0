"""Resistance, inductance and turns of an unknown coil from what a workshop can measure.

Pure functions: readings in, a :class:`Measured` out, whose ``values`` are keys of [coil].
A reading that cannot be raises SparktickError; one that is odd ends up in ``doubts``.

* meter          R = reading - leads
* voltage divider, one current through both: R = R_known V_coil / V_known
* copper         R20 = R / (1 + 0.00393 (T - 20))
* step           the current of R and L has risen to 1 - 1/e (63.2 %) after L/R
* ramp           from V = R i + L di/dt: L = R dt / ln((V - R i1) / (V - R i2))
* three voltmeters on AC: cos phi = (V_both^2 - V_known^2 - V_coil^2) / (2 V_known V_coil),
  Z = R_known V_coil / V_known, L = Z sin phi / (2 pi f)

All are textbook relations (from memory); the tests send them through the circuit model and
an ODE solver and get the coil back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from .coil import COPPER_PER_K, SATURATED_PART
from .errors import SparktickError

RISE_63 = 1.0 - math.exp(-1.0)
LEAST_TOLERANCE_PERCENT = 2.0
# How good each way is in a workshop; common practice, no source.
DIVIDER_PERCENT, STEP_PERCENT, RAMP_PERCENT, AC_PERCENT = 3.0, 10.0, 5.0, 20.0
HALFWAY = 0.5 * (1.0 + SATURATED_PART)  # share of the inductance left at saturation_a


@dataclass(frozen=True)
class Measured:
    """What readings mean: ``values`` by key of [coil], where from, and what is doubtful."""

    values: dict[str, float]
    source: str
    doubts: tuple[str, ...] = ()


def toml_lines(measured: Measured) -> list[str]:
    """Return lines to paste into a description."""
    shown = [f"{key} = {value:.4g}" for key, value in measured.values.items()]
    return [f"# measured: {measured.source}", "[coil]", *shown]


def resistance_at_20_c(ohm: float, winding_c: float) -> float:
    """Return the resistance of a copper winding at 20 C from one at another temperature."""
    _within("winding temperature", winding_c, -40.0, 150.0, "C", "measure at room temperature")
    return ohm / (1.0 + COPPER_PER_K * (winding_c - 20.0))


def from_meter(
    reading_ohm: float, leads_ohm: float, *, winding_c: float = 20.0, digit_ohm: float = 0.1
) -> Measured:
    """Two readings: across the primary, and with the probes held together.

    ``digit_ohm`` is the last digit of the meter; it becomes the tolerance.
    """
    _positive("reading", reading_ohm, "ohm")
    _positive("last digit", digit_ohm, "ohm")
    if not 0.0 <= leads_ohm < reading_ohm:
        raise SparktickError(
            f"leads = {leads_ohm:g} ohm: not below the reading of {reading_ohm:g} ohm (allowed: 0 "
            "to below the reading)\n    Hold the probes together and read again; worn probes or a "
            "flat battery in the meter read too much."
        )
    difference = reading_ohm - leads_ohm
    ohm = resistance_at_20_c(difference, winding_c)
    tolerance = max(100.0 * digit_ohm / difference, LEAST_TOLERANCE_PERCENT)
    doubts = _doubt_ohm(ohm)
    if leads_ohm > 0.5 * difference:
        doubts += ("the leads are half of the reading or more: use the voltage divider",)
    elif tolerance > 15.0:
        doubts += (
            f"one digit of the meter is {tolerance:.0f} % of the result: use the voltage divider",
        )
    source = f"meter {reading_ohm:g} ohm, leads {leads_ohm:g} ohm, winding at {winding_c:g} C"
    return Measured(_ohm_values(ohm, tolerance), source, doubts)


def from_divider(
    known_ohm: float, known_v: float, coil_v: float, *, winding_c: float = 20.0
) -> Measured:
    """Battery, known resistor and coil in a row: steady voltages across resistor and coil."""
    for name, value, unit in (
        ("known resistor", known_ohm, "ohm"),
        ("voltage across the resistor", known_v, "V"),
        ("voltage across the coil", coil_v, "V"),
    ):
        _positive(name, value, unit)
    ohm = resistance_at_20_c(known_ohm * coil_v / known_v, winding_c)
    current = known_v / known_ohm
    doubts = _doubt_ohm(ohm)
    if coil_v < 0.02:
        doubts += (f"only {coil_v * 1e3:.0f} mV across the coil: use a smaller resistor",)
    if current > 3.0:
        doubts += (f"{current:.1f} A warms coil and resistor while you read: use a larger one",)
    source = (
        f"{known_v:g} V across {known_ohm:g} ohm, {coil_v:g} V across the coil, winding at "
        f"{winding_c:g} C"
    )
    return Measured(_ohm_values(ohm, DIVIDER_PERCENT), source, doubts)


def from_step(total_ohm: float, rise_63_s: float) -> Measured:
    """Battery switched onto known resistor and coil: time to 63 % of the final current.

    ``total_ohm`` is everything in the loop: coil, resistor, switch and battery.
    """
    _positive("resistance of the loop", total_ohm, "ohm")
    _positive("time to 63 %", rise_63_s, "s")
    mh = total_ohm * rise_63_s * 1e3
    doubts = _doubt_mh(mh)
    if rise_63_s < 20e-6:
        doubts += ("a time this short is hard to read: use a smaller resistor",)
    source = f"{rise_63_s * 1e3:g} ms to 63 % of the current, {total_ohm:g} ohm in the loop"
    return Measured(_mh_values(mh, STEP_PERCENT), source, doubts)


def ramp_inductances_h(
    volts: float, total_ohm: float, points: Sequence[tuple[float, float]]
) -> list[float]:
    """Return the inductance between each two (s, A) points of a current ramp (k-1 of k points).

    ``volts`` is the supply less the switch's drop; ``total_ohm`` is everything in the loop.
    """
    found = []
    for (t1, i1), (t2, i2) in pairwise(points):
        if total_ohm == 0.0:
            found.append(volts * (t2 - t1) / (i2 - i1))
        else:
            left = (volts - total_ohm * i1) / (volts - total_ohm * i2)
            found.append(total_ohm * (t2 - t1) / math.log(left))
    return found


def from_ramp(volts: float, total_ohm: float, points: Sequence[tuple[float, float]]) -> Measured:
    """Take two or more (s, A) points of the current's rise on a scope; four show saturation."""
    _check_ramp(volts, total_ohm, points)
    henry = ramp_inductances_h(volts, total_ohm, points)
    values = _mh_values(henry[0] * 1e3, RAMP_PERCENT)
    doubts = _doubt_mh(henry[0] * 1e3)
    middles = [0.5 * (a[1] + b[1]) for a, b in pairwise(points)]
    if henry[-1] > 1.15 * henry[0]:
        doubts += (
            "the inductance seems to grow with the current, which no coil does: the resistance "
            "or the voltage is off, or the points are misread",
        )
    saturates = _crossing(middles, henry, HALFWAY * henry[0])
    if saturates is not None:
        values["saturation_a"] = saturates
    elif len(henry) > 1 and henry[-1] < 0.85 * henry[0]:
        doubts += (
            f"it begins to saturate near {middles[-1]:.2g} A; points at more current would tell "
            "saturation_a",
        )
    source = f"current ramp of {len(points)} points at {volts:g} V, {total_ohm:g} ohm in the loop"
    return Measured(values, source, doubts)


def from_ac(
    known_ohm: float, known_v: float, coil_v: float, both_v: float, hertz: float
) -> Measured:
    """Three voltages of known resistor and coil in a row on low-voltage AC."""
    for name, value, unit in (
        ("known resistor", known_ohm, "ohm"),
        ("voltage across the resistor", known_v, "V"),
        ("voltage across the coil", coil_v, "V"),
        ("voltage across both", both_v, "V"),
        ("frequency", hertz, "Hz"),
    ):
        _positive(name, value, unit)
    if not abs(known_v - coil_v) < both_v < known_v + coil_v:
        raise SparktickError(
            f"voltage across both = {both_v:g} V: the three cannot be sides of a triangle "
            f"(allowed: above {abs(known_v - coil_v):.3g} and below {known_v + coil_v:.3g} V)\n"
            "    Read all three again without changing anything; the meter must stand on AC."
        )
    cosine = (both_v**2 - known_v**2 - coil_v**2) / (2.0 * known_v * coil_v)
    impedance = known_ohm * coil_v / known_v
    mh = impedance * math.sqrt(1.0 - cosine**2) / (2.0 * math.pi * hertz) * 1e3
    doubts = _doubt_mh(mh)
    if cosine < 0.0:
        doubts += ("the coil seems to give power back: a reading is off",)
    if math.sqrt(1.0 - cosine**2) < 0.3:
        doubts += ("the coil is nearly all resistance at this frequency: use a scope",)
    if abs(hertz - 50.0) > 15.0:
        doubts += ("eddy currents in the core make far other frequencies read too little",)
    source = (
        f"{known_v:g} V across {known_ohm:g} ohm, {coil_v:g} V across the coil, {both_v:g} V "
        f"across both at {hertz:g} Hz"
    )
    return Measured(_mh_values(mh, AC_PERCENT), source, doubts)


def from_turns(primary_v: float, secondary_v: float) -> Measured:
    """Take the AC voltage put on the primary and what the open secondary then shows."""
    _positive("primary voltage", primary_v, "V")
    _positive("secondary voltage", secondary_v, "V")
    ratio = secondary_v / primary_v
    doubts: tuple[str, ...] = ()
    if not 40.0 <= ratio <= 150.0:
        doubts = (
            f"a turns ratio of {ratio:.3g} is unusual (50 to 130): a meter of less than 10 Mohm "
            "reads the secondary too low, and the ends may be mixed up",
        )
    source = f"{secondary_v:g} V at the secondary for {primary_v:g} V at the primary"
    return Measured({"turns_ratio": ratio}, source, doubts)


def _ohm_values(ohm: float, tolerance: float) -> dict[str, float]:
    return {"primary_ohm": ohm, "primary_ohm_tolerance_percent": min(tolerance, 80.0)}


def _mh_values(mh: float, tolerance: float) -> dict[str, float]:
    return {"primary_mh": mh, "primary_mh_tolerance_percent": tolerance}


def _doubt_ohm(ohm: float) -> tuple[str, ...]:
    """Tell what a resistance outside the usual of primaries most likely is."""
    if ohm < 0.2:
        return (f"{ohm:.2g} ohm is less than any primary: shorted turns, or not a coil",)
    if ohm > 1000.0:
        return (f"{ohm:.3g} ohm is a secondary: measure between the two low-voltage ends",)
    if ohm > 6.0:
        return (
            f"{ohm:.2g} ohm is more than usual (0.3 to 5): a 24 V coil, corroded ends, or a "
            "ballast built in",
        )
    return ()


def _doubt_mh(mh: float) -> tuple[str, ...]:
    """Tell what an inductance outside the usual of battery coils most likely is."""
    if mh < 0.4:
        return (
            f"{mh:.2g} mH is less than usual (0.6 to 12): a coil for capacitor discharge (it "
            "stores nothing), shorted turns, or a core already saturated",
        )
    if mh > 15.0:
        return (f"{mh:.3g} mH is more than usual (0.6 to 12): was it the secondary?",)
    return ()


def _crossing(amperes: list[float], henry: list[float], level: float) -> float | None:
    """Return the current at which the inductance falls through a level, None if it does not."""
    for (i1, l1), (i2, l2) in pairwise(zip(amperes, henry, strict=True)):
        if l1 > level >= l2:
            return i1 + (i2 - i1) * (l1 - level) / (l1 - l2)
    return None


def _check_ramp(volts: float, total_ohm: float, points: Sequence[tuple[float, float]]) -> None:
    _positive("voltage", volts, "V")
    if not (math.isfinite(total_ohm) and total_ohm >= 0.0):
        raise SparktickError(f"resistance of the loop = {total_ohm:g} ohm: must be 0 or more")
    if len(points) < 2:
        raise SparktickError("a ramp needs two points or more, each a time and a current")
    if not all(math.isfinite(number) and number >= 0.0 for point in points for number in point):
        raise SparktickError("the points of a ramp must be 0 or more")
    for (t1, i1), (t2, i2) in pairwise(points):
        if t2 <= t1 or i2 <= i1:
            raise SparktickError(
                f"point {t2 * 1e3:g} ms {i2:g} A: time and current must both rise from "
                f"{t1 * 1e3:g} ms {i1:g} A\n    Give the points in order, while the coil charges."
            )
    most = points[-1][1]
    if total_ohm * most >= volts:
        raise SparktickError(
            f"point {points[-1][0] * 1e3:g} ms {most:g} A: {volts:g} V drive no more than "
            f"{volts / total_ohm:.3g} A through {total_ohm:g} ohm\n    Check the scale of the "
            "current (shunt, probe factor), the voltage and the resistance."
        )


def _positive(name: str, value: float, unit: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise SparktickError(f"{name} = {value:g} {unit}: must be above 0")


def _within(name: str, value: float, low: float, high: float, unit: str, remedy: str) -> None:
    if not low <= value <= high:
        raise SparktickError(
            f"{name} = {value:g} {unit} (allowed: {low:g} to {high:g} {unit})\n    {remedy}"
        )
