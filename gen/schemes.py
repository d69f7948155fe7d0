"""Spark energy against speed for the ways of switching a coil, to be drawn in one plot.

Every scheme takes crank speeds and returns the stored energy per *wanted* spark, so that
skipped sparks count as nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .coil import PrimaryCircuit, dwell_at_speed, event_period_s
from .secondary import capacitor_energy_j

F64 = NDArray[np.float64]

CAPACITOR = "capacitor discharge"
STORE_TO_PLUG = 0.5  # of a capacitor's energy; the rest stays in its transformer; from memory
POINTS_CLOSED_PART = 60.0 / 90.0  # of the angle between sparks; four-cylinder textbook figure


@dataclass(frozen=True)
class SchemeCurve:
    """One scheme over rpm (n,): dwell, current and energy per wanted spark."""

    name: str
    rpm: F64
    dwell_s: F64
    current_a: F64
    energy_j: F64


def contact_points(
    circuit: PrimaryCircuit, rpm: ArrayLike, dwell_deg: float, sparks_per_turn: float = 1.0
) -> SchemeCurve:
    """Contact points closed for ``dwell_deg`` crank degrees between two sparks.

    No more than the whole angle between sparks counts.
    """
    whole_deg = 360.0 / sparks_per_turn
    return _for_angle("contact points", circuit, rpm, min(dwell_deg, whole_deg))


def hall_direct(circuit: PrimaryCircuit, rpm: ArrayLike, arc_deg: float) -> SchemeCurve:
    """Sensor pulse switching the coil itself: charging lasts the magnet's arc."""
    return _for_angle("sensor pulse direct", circuit, rpm, arc_deg)


def fixed_rc(
    circuit: PrimaryCircuit,
    rpm: ArrayLike,
    dwell_s: float,
    *,
    recovery_s: float,
    sparks_per_turn: float = 1.0,
) -> SchemeCurve:
    """One-shot of a resistor and capacitor: a set dwell from each edge, the spark at its end.

    An edge that comes before the one-shot has ended and its capacitor recovered is lost,
    so at speed only every second, third ... spark is left.  (Its spark also slips by
    6 deg per ms and 1000 rpm.)
    """
    speed = np.asarray(rpm, dtype=np.float64)
    period = event_period_s(speed, sparks_per_turn)
    every = np.ceil((dwell_s + recovery_s) / period * (1.0 - 1e-12))
    current = np.full_like(speed, circuit.current_a(dwell_s))
    energy = circuit.energy_j(current) / np.maximum(every, 1.0)
    return SchemeCurve("one-shot (RC)", speed, np.full_like(speed, dwell_s), current, energy)


def constant_dwell(
    circuit: PrimaryCircuit,
    rpm: ArrayLike,
    dwell_s: float,
    *,
    min_off_s: float,
    sparks_per_turn: float = 1.0,
) -> SchemeCurve:
    """Charge for the wanted time at every speed, cut only to keep the off time."""
    fit = dwell_at_speed(
        circuit, rpm, dwell_s, min_off_s=min_off_s, sparks_per_turn=sparks_per_turn
    )
    return SchemeCurve("constant dwell", fit.rpm, fit.dwell_s, fit.current_a, fit.energy_j)


def capacitor_discharge(
    rpm: ArrayLike,
    capacitor_f: float,
    volts: float,
    recharge_s: float,
    sparks_per_turn: float = 1.0,
) -> SchemeCurve:
    """Capacitor store, recharged at constant power between sparks; it has no dwell."""
    speed = np.asarray(rpm, dtype=np.float64)
    energy = capacitor_energy_j(
        capacitor_f, volts, event_period_s(speed, sparks_per_turn), recharge_s
    )
    nothing = np.zeros_like(speed)
    return SchemeCurve(CAPACITOR, speed, nothing, nothing, energy)


def at_plug_j(curve: SchemeCurve, given_gap_j: F64) -> F64:
    """Energy at the plug of a wanted spark (n,).

    ``given_gap_j`` is what a spark of the curve's current and energy leaves at the gap (see
    :func:`~sparktick.gen.secondary.spark_burn`); a capacitor's spark has no current in the
    primary to begin with and loses about half in its transformer.
    """
    if curve.name == CAPACITOR:
        return STORE_TO_PLUG * curve.energy_j
    return given_gap_j


def _for_angle(name: str, circuit: PrimaryCircuit, rpm: ArrayLike, deg: float) -> SchemeCurve:
    speed = np.asarray(rpm, dtype=np.float64)
    dwell = deg / (6.0 * speed)
    current = circuit.current_a(dwell)
    return SchemeCurve(name, speed, dwell, current, circuit.energy_j(current))
