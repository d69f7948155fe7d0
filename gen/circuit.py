"""The circuit of one build: every part with its value, its rating and where it is connected.

Values come from the description and the design; what no key tells is computed, and says why.
The drawing (circuit_drawing) and the parts list (parts_list) show these parts and no others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .board import Board
from .electrical_of import Electrical
from .engine import Engine, InductiveCoil
from .errors import DescriptionError, Fault
from .plan import Plan

RESISTORS_W = (0.25, 0.5, 1.0, 2.0, 5.0)
CAPACITORS_V = (10, 16, 25, 35, 50, 63, 100)


# References of a second coil's parts, and of a second sensor's, by those of the first.
SECOND = {
    **{f"R{k}": f"R{k + 10}" for k in (4, 5, 6, 7)},
    "C3": "C13",
    "D3": "D13",
    "D4": "D14",
    "Q1": "Q2",
    "T1": "T2",
    "E1": "E2",
    "B1": "B2",
    "R2": "R12",
    "R3": "R13",
    "C2": "C12",
    "U3": "U13",
    "R9": "R19",
}


@dataclass(frozen=True)
class Component:
    """One part: ``value`` as drawn, ``rating`` as bought, ``si`` the value as a number.

    ``nodes`` names what its ends are connected to, in the order a drawing meets them.
    """

    ref: str
    what: str
    value: str
    rating: str
    why: str
    nodes: tuple[str, ...]
    si: float | None = None


@dataclass(frozen=True)
class Circuit:
    """All parts by reference, and the choices that decide how they are drawn."""

    name: str
    board: Board
    coil: str
    driver: str
    leads: int
    sensor: str
    sensor_from_battery: bool
    ac_gate: bool
    parts: tuple[Component, ...]

    @property
    def printed(self) -> dict[str, str]:
        """What the board prints at the pin of each use."""
        return {use: pin.printed for use, pin in self.board.pins.named().items()}

    def __getitem__(self, ref: str) -> Component:
        return next(part for part in self.parts if part.ref == ref)

    def __contains__(self, ref: str) -> bool:
        return any(part.ref == ref for part in self.parts)


def ohm_text(ohm: float) -> str:
    """Return a resistance as it is written on drawings.

    >>> ohm_text(2200.0), ohm_text(0.8)
    ('2.2 kΩ', '0.8 Ω')
    """
    return f"{ohm / 1e3:.4g} kΩ" if ohm >= 1000.0 else f"{ohm:.4g} Ω"


def farad_text(farad: float) -> str:
    """Return a capacitance as it is written on drawings."""
    for unit, size in (("µF", 1e-6), ("nF", 1e-9)):
        if farad >= size * 0.9999:
            return f"{farad / size:.4g} {unit}"
    return f"{farad / 1e-12:.4g} pF"


def resistor(ref: str, what: str, ohm: float, watts: float, why: str, *nodes: str) -> Component:
    """Return a resistor rated for at least twice the ``watts`` it sheds."""
    rating = next((w for w in RESISTORS_W if w >= 2.0 * watts), 2.0 * watts)
    return Component(ref, what, ohm_text(ohm), f"{rating:g} W", why, nodes, ohm)


def capacitor(ref: str, what: str, farad: float, volts: float, why: str, *nodes: str) -> Component:
    """Return a capacitor rated for at least one and a half times its ``volts``."""
    rating = next((v for v in CAPACITORS_V if v >= 1.5 * volts), math.ceil(1.5 * volts))
    return Component(ref, what, farad_text(farad), f"{rating} V", why, nodes, farad)


def circuit_of(
    engine: Engine, board: Board, plan: Plan, electrical: Electrical, *, ac_gate: bool = False
) -> Circuit:
    """Return the circuit of a description.

    The gate is coupled through a capacitor where the description or ``ac_gate`` says so; only for
    switches with an insulated gate (DescriptionError otherwise).
    """
    from .circuit_parts import coil_parts, gate_parts, pickup_parts, switch_parts
    from .circuit_supply import divider_parts, supply_parts
    from .circuit_two import two_channels, two_sensors

    kind = "logic" if not isinstance(engine.coil, InductiveCoil) else engine.driver.kind
    if ac_gate and kind not in ("igbt", "mosfet"):
        raise DescriptionError(
            Fault(
                engine.name,
                "driver.kind",
                "a gate coupled through a capacitor needs an insulated gate",
                value=kind,
                allowed='"igbt" or "mosfet" with an inductive coil',
                remedy="Leave out --ac-gate.",
            )
        )
    coupled = ac_gate or engine.driver.gate_coupling == "capacitor"
    channel = (
        *gate_parts(engine, board, plan, coupled),
        *switch_parts(engine, kind, electrical),
        *coil_parts(engine, electrical),
    )
    pickup = tuple(pickup_parts(engine, board))
    supply = engine.supply
    divider = (supply.volts_max, supply.divider_top_ohm, supply.divider_bottom_ohm)
    two = engine.coil.coils == 2
    parts = (
        *supply_parts(engine, board, electrical),
        *(divider_parts(*divider) if supply.measure else ()),
        *(two_sensors(pickup) if two else pickup),
        *(two_channels(engine, board, channel) if two else channel),
    )
    return Circuit(
        name=engine.name,
        board=board,
        coil=engine.coil.kind,
        driver=kind,
        leads=engine.coil.leads,
        sensor=engine.pickup.sensor,
        sensor_from_battery=engine.pickup.sensor_supply == "battery",
        ac_gate=coupled,
        parts=parts,
    )
