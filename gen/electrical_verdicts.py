"""Each electrical part against its limit: value, limit, the corner it happens at, the remedy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .coil import Reach, event_period_s
from .coil_heat import StuckOn, Temperatures
from .electrical_input import CapacitorStore, Coil, Corners, ElectricalInput, LogicCoil

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class PartVerdict:
    """One quantity of one part judged: ``value`` must be ``sense`` ``limit``, both in ``unit``.

    ``corner`` says where the worst value occurs; ``remedy`` is a sentence, empty when it
    passed.
    """

    part: str
    quantity: str
    value: float
    limit: float
    unit: str
    sense: Literal["at most", "at least"]
    corner: str
    remedy: str
    passed: bool


def at_most(
    part: str, quantity: str, value: float, limit: float, unit: str, corner: str, remedy: str
) -> PartVerdict:
    """Judge a value that must not exceed its limit."""
    passed = value <= limit * (1.0 + 1e-9)
    left = "" if passed else remedy
    return PartVerdict(part, quantity, value, limit, unit, "at most", corner, left, passed)


def at_least(
    part: str, quantity: str, value: float, limit: float, unit: str, corner: str, remedy: str
) -> PartVerdict:
    """Judge a value that must not fall below its limit."""
    passed = value >= limit * (1.0 - 1e-9)
    left = "" if passed else remedy
    return PartVerdict(part, quantity, value, limit, unit, "at least", corner, left, passed)


def judge_drive(
    given: ElectricalInput,
    coil: Coil,
    reached: Reach,
    corners: Corners,
    heat: Temperatures,
    stuck: StuckOn,
    fault_a: float,
) -> tuple[PartVerdict, ...]:
    """Judge current, clamp energy, temperatures and the longest fault of an inductive coil.

    ``fault_a`` is the current at the end of the longest fault, in the corner of most current.
    """
    current, at_current = _worst(corners.curves.current_a, corners, np.argmax)
    energy, at_energy = _worst(corners.curves.energy_j, corners, np.argmax)
    return (
        at_least(
            "coil",
            "greatest current the circuit reaches",
            reached.reachable_a,
            reached.wanted_a,
            "A",
            "nominal",
            f"Do one of these: {reached.remedy}.",
        ),
        at_most(
            "driver",
            "peak current",
            current,
            coil.driver_max_a,
            "A",
            at_current,
            "Shorten the dwell, add ballast, or take a stronger switch.",
        ),
        at_most(
            "driver",
            "clamp energy with the plug lead off",
            energy * 1e3,
            coil.clamp_energy_j * 1e3,
            "mJ",
            at_energy,
            "Take a switch rated for the coil's whole energy, or less current.",
        ),
        *_heat_verdicts(given, coil, heat),
        *_fault_verdicts(given, coil, heat, stuck, fault_a),
    )


def _heat_verdicts(
    given: ElectricalInput, coil: Coil, heat: Temperatures
) -> tuple[PartVerdict, ...]:
    corner = f"supply {given.supply_max_v:.3g} V, coil of least R and L, air {given.ambient_c:g} C"
    remedies = {
        "coil": "Ask for less current, or take a larger coil.",
        "driver": "Give the switch a heat sink, or ask for less current.",
        "ballast": "Move the ballast into free air, or take a larger one.",
    }
    limits = {name: part.limit_c for name, part in coil.thermal.named().items()}
    reached = {"coil": heat.coil_c, "driver": heat.driver_c, "ballast": heat.ballast_c}
    verdicts = []
    for name, limit in limits.items():
        i = int(np.argmax(reached[name]))
        where = f"{heat.rpm[i]:.0f} rpm, {corner}"
        value = float(reached[name][i])
        verdicts.append(
            at_most(name, "steady temperature", value, limit, "C", where, remedies[name])
        )
    if coil.ballast_rating_w > 0.0:
        i = int(np.argmax(heat.powers.ballast_w))
        verdicts.append(
            at_most(
                "ballast",
                "mean power",
                float(heat.powers.ballast_w[i]),
                coil.ballast_rating_w,
                "W",
                f"{heat.rpm[i]:.0f} rpm, {corner}",
                "Take a ballast of a higher rating.",
            )
        )
    return tuple(verdicts)


def _fault_verdicts(
    given: ElectricalInput, coil: Coil, heat: Temperatures, stuck: StuckOn, fault_a: float
) -> tuple[PartVerdict, ...]:
    """Judge current and temperatures after the longest on-time a fault can cause."""
    if coil.on_limit_s is None:
        return ()
    where = f"driver on for {coil.on_limit_s * 1e3:.3g} ms"
    current = at_most(
        "driver",
        "current after the longest fault",
        fault_a,
        coil.driver_max_a,
        "A",
        f"{where}, supply {given.supply_max_v:.3g} V, cold coil of least R and L",
        "Add ballast, take a stronger switch, or shorten the hard limit.",
    )
    begin = {"coil": heat.coil_c, "driver": heat.driver_c, "ballast": heat.ballast_c}
    heats = tuple(
        at_most(
            part.name,
            "temperature after the longest fault",
            float(np.max(begin[part.name])) + part.adiabatic_k_per_s * coil.on_limit_s,
            part.limit_c,
            "C",
            f"{where} after long running, no cooling",
            "Shorten the hard limit or the watchdog, or add ballast."
            if float(np.max(begin[part.name])) < part.limit_c
            else "It is too hot without a fault: cure its steady temperature first.",
        )
        for part in stuck.parts
    )
    return (current, *heats)


def judge_plug(given: ElectricalInput, corners: Corners) -> tuple[PartVerdict, ...]:
    """Judge voltage margin and energy at the gap over all corners and speeds."""
    margin, at_margin = _worst(corners.curves.margin, corners, np.argmin)
    gap_j, at_gap = _worst(corners.curves.burn.gap_j, corners, np.argmin)
    return (
        at_least(
            "plug",
            "available over asked-for voltage",
            margin,
            given.least_margin,
            "times",
            at_margin,
            "Close the plug gap, raise current or turns ratio, or shorten the plug lead.",
        ),
        at_least(
            "plug",
            "energy at the gap",
            gap_j * 1e3,
            given.least_gap_j * 1e3,
            "mJ",
            at_gap,
            "Raise the wanted current, the supply, or choose a coil of more inductance.",
        ),
    )


def judge_store(
    given: ElectricalInput, source: CapacitorStore | LogicCoil
) -> tuple[PartVerdict, ...]:
    """Judge what can be known of a capacitor store or a coil with its own switch."""
    top = f"{given.top_rpm:.0f} rpm"
    period = float(event_period_s(given.top_rpm, given.sparks_per_turn))
    if isinstance(source, LogicCoil):
        return _logic_verdicts(given, source, period, top)
    return (
        at_most(
            "capacitor",
            "recharging time",
            source.recharge_s * 1e3,
            period * 1e3,
            "ms",
            top,
            "Take a stronger converter or a smaller capacitor, or lower top_rpm.",
        ),
    )


def _logic_verdicts(
    given: ElectricalInput, coil: LogicCoil, period_s: float, top: str
) -> tuple[PartVerdict, ...]:
    verdicts = [
        at_most(
            "coil",
            "dwell and least off time",
            (coil.dwell_s + given.min_off_s) * 1e3,
            period_s * 1e3,
            "ms",
            top,
            "Take a coil of shorter dwell, or lower top_rpm.",
        )
    ]
    if coil.on_limit_s is not None:
        verdicts.append(
            at_most(
                "coil",
                "longest on-time after a fault",
                coil.on_limit_s * 1e3,
                coil.max_on_s * 1e3,
                "ms",
                "hard limit and one watchdog period",
                "Shorten the hard limit or the watchdog, or take a coil that limits itself.",
            )
        )
    return tuple(verdicts)


def _worst(values: F64, corners: Corners, pick: Callable[[F64], np.intp]) -> tuple[float, str]:
    """Worst value over corners and speeds and the words for where it is."""
    row, column = np.unravel_index(int(pick(values)), values.shape)
    where = f"{corners.curves.rpm[column]:.0f} rpm, {corners.names[row]}"
    return float(values[row, column]), where
