"""Fuse, arming switch and supply filter: what the worst corner of the supply asks of them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .board import Board
from .circuit import Component, capacitor, resistor
from .coil import event_period_s
from .electrical import corner_dwell_s, hot_corner, speeds_rpm
from .electrical_input import CapacitorStore, Coil, ElectricalInput, LogicCoil
from .electrical_of import Electrical
from .engine import Engine
from .eseries import nearest, next_up

# Blade fuses on sale; common practice, no source.
FUSES_A = (1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)
FUSE_SHARE = 0.66  # of its rating a fuse carries for ever; common practice, no source
FUSE_BLOWS = 2.0  # times its rating, and a blade fuse goes within seconds; from memory
FILTER_DROP_V, FILTER_CORNER_HZ = 1.0, 20.0  # common practice, no source
LEAST_DROP_V = 0.15  # a filter resistor that may drop less filters nothing
DIODE_DROP_V = 0.4  # Schottky; from memory
REGULATOR_DROP_V = 0.6  # low-drop regulator; from memory
REGULATORS_V = (5.0, 6.0, 8.0, 9.0, 10.0, 12.0, 15.0)
STAND_OFF_V = (5, 6, 8, 10, 13, 15, 16, 18, 24, 28, 33, 40)
DIODE_V = (20, 40, 60, 100, 150)
CHARGER_EFFICIENCY = 0.7  # of a capacitor-discharge unit's inverter; from memory


@dataclass(frozen=True)
class SupplyCurrent:
    """The coil's current from the supply at worst: mean, effective (it heats a fuse), and where.

    ``stuck_a`` flows when the switch never opens; None where a unit limits it by itself.
    """

    mean_a: float
    effective_a: float
    where: str
    stuck_a: float | None


def supply_current(given: ElectricalInput) -> SupplyCurrent:
    """Return the greatest current that the supply carries, over all speeds, at the worst corner.

    Coil: cold, of least resistance and inductance, at the highest supply; mean and effective value
    from the integrals of i and i^2 over each charge (coil.PrimaryCircuit.charges).
    """
    rpm = speeds_rpm(given)
    period_s = event_period_s(rpm, given.sparks_per_turn)
    if isinstance(given.source, Coil):
        return _coil_current(given, given.source)
    if isinstance(given.source, LogicCoil):
        source = given.source
        on_s = np.clip(period_s - given.min_off_s, 0.0, source.dwell_s)
        share = float(np.max(on_s / period_s))
        where = (
            f"{source.current_a:g} A for {100 * share:.0f} % of the time, {given.top_rpm:.0f} rpm"
        )
        return SupplyCurrent(source.current_a * share, source.current_a * share**0.5, where, None)
    return _store_current(given, given.source, float(np.min(period_s)))


def _coil_current(given: ElectricalInput, coil: Coil) -> SupplyCurrent:
    """Look at three supplies: where the dwell follows the supply, any of them may be worst."""
    rpm = speeds_rpm(given)
    period_s = event_period_s(rpm, given.sparks_per_turn)
    strong = hot_corner(coil, given).at_temperature(coil.tolerances.coldest_c)
    found = []
    for volts in (given.supply_max_v, given.supply_v, given.supply_min_v):
        worst = strong.with_supply(volts)
        wanted_s = corner_dwell_s(given, coil, coil.dwell_s or 0.0, volts)
        dwell_s = np.clip(period_s - given.min_off_s, 0.0, wanted_s)
        linear, square = worst.charges(dwell_s, worst.current_a(dwell_s))
        k = int(np.argmax(square / period_s))
        where = f"{volts:.3g} V, cold coil of least R and L, {rpm[k]:.0f} rpm"
        effective_a = float((square[k] / period_s[k]) ** 0.5)
        found.append((effective_a, float(linear[k] / period_s[k]), where))
    effective_a, mean_a, where = max(found, key=lambda one: one[0])
    return SupplyCurrent(mean_a, effective_a, where, float(np.min(strong.steady_a)))


def _store_current(given: ElectricalInput, store: CapacitorStore, period_s: float) -> SupplyCurrent:
    joules = 0.5 * store.capacitor_f * store.volts**2
    mean_a = joules / max(period_s, store.recharge_s) / CHARGER_EFFICIENCY / given.supply_min_v
    where = f"{given.supply_min_v:.3g} V, {given.top_rpm:.0f} rpm, charger of 70 %"
    return SupplyCurrent(mean_a, mean_a, where, None)


def fuse_a(current: SupplyCurrent) -> float:
    """Return the smallest fuse on sale that carries a current for ever."""
    return next((a for a in FUSES_A if a * FUSE_SHARE >= current.effective_a), FUSES_A[-1])


def _fuse_words(current: SupplyCurrent, fuse: float) -> str:
    words = (
        f"carries {current.effective_a:.2g} A effective, {current.mean_a:.2g} A in the mean, "
        f"at worst ({current.where})"
    )
    if current.stuck_a is None:
        return words
    if current.stuck_a >= FUSE_BLOWS * fuse:
        return f"{words}; blows when the switch sticks on: {current.stuck_a:.2g} A"
    return (
        f"{words}; a switch stuck on draws {current.stuck_a:.2g} A, which it may carry for "
        "minutes: the firmware's limit and the arming switch have to end that"
    )


def supply_parts(engine: Engine, board: Board, electrical: Electrical) -> Iterator[Component]:
    """Yield fuse, arming switch, and what stands between the battery and the board."""
    supply, power = engine.supply, board.power
    current = supply_current(electrical.given)
    fuse = fuse_a(current)
    yield Component(
        "F1",
        "fuse at the battery",
        f"{fuse:g} A",
        "blade fuse",
        _fuse_words(current, fuse),
        ("BAT", "FUSED"),
        fuse,
    )
    rating = f"{fuse:g} A or more at {supply.volts_max:g} V DC"
    why = "the coil has no supply until it is closed: bench, fuelling, first turns by hand"
    yield Component("S1", "arming switch", "coil supply", rating, why, ("FUSED", "COIL+"))
    regulated = supply.volts_max > power.volts_max
    own = power.printed != power.logic_printed  # the board brings a regulator
    enough = (v for v in REGULATORS_V if v >= power.volts_min)
    regulated_v = next(enough, power.volts_max) if own else board.volts
    needs_v = regulated_v + REGULATOR_DROP_V if regulated else power.volts_min
    room_v = supply.volts_min - DIODE_DROP_V - needs_v
    filtered = "FILTERED" if regulated else "RAW"
    if room_v >= LEAST_DROP_V:
        yield from _filter(engine, board, min(room_v, FILTER_DROP_V), filtered)
    elif regulated:
        filtered = "FUSED"
    if regulated:
        yield Component(
            "U2",
            "low-drop regulator",
            f"{regulated_v:g} V",
            f"takes {supply.volts_max:g} V; {board.power.current_ma:g} mA",
            f"{power.printed} of the board takes {power.volts_max:g} V at most",
            (filtered, "RAW", "GND"),
            regulated_v,
        )


def _filter(engine: Engine, board: Board, drop_v: float, out: str) -> Iterator[Component]:
    supply, amps = engine.supply, board.power.current_ma * 1e-3
    reverse = next((v for v in DIODE_V if v >= 2.0 * supply.volts_max), 3 * supply.volts_max)
    yield Component(
        "D1", "Schottky diode", "1 A", f"{reverse:g} V", "reversed battery", ("FUSED", "CLAMPED")
    )
    stand_off = next((v for v in STAND_OFF_V if v >= supply.volts_max), supply.volts_max)
    yield Component(
        "D2",
        "suppressor diode",
        f"{stand_off:g} V",
        "600 W pulse, unidirectional",
        "peaks on the supply; stands off the full battery",
        ("CLAMPED", "GND"),
        float(stand_off),
    )
    ohm = nearest(drop_v / amps)
    farad = next_up(1e6 / (2.0 * math.pi * ohm * FILTER_CORNER_HZ)) * 1e-6
    hz = 1.0 / (2.0 * math.pi * ohm * farad)
    why = f"with C1: corner at {hz:.0f} Hz; drops {ohm * amps:.1f} V at {1e3 * amps:.0f} mA"
    yield resistor("R1", "supply filter", ohm, ohm * amps**2, why, "CLAMPED", out)
    yield capacitor(
        "C1",
        "supply filter, electrolytic",
        farad,
        supply.volts_max,
        f"corner at {hz:.0f} Hz",
        out,
        "GND",
    )


def divider_parts(volts_max: float, top_ohm: float, bottom_ohm: float) -> Iterator[Component]:
    """Yield the divider through which the board measures the coil's supply."""
    pin_v = volts_max * bottom_ohm / (top_ohm + bottom_ohm)
    watts = volts_max**2 / (top_ohm + bottom_ohm)
    why = f"{pin_v:.2f} V at the pin at {volts_max:g} V; 1 % parts"
    yield resistor("R10", "supply divider, top", top_ohm, watts, why, "COIL+", "MEASURED")
    yield resistor("R11", "supply divider, bottom", bottom_ohm, watts, why, "MEASURED", "GND")
