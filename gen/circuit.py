"""The circuit of one build: every part with its value, its rating and where it is connected.

Values come from the description and the design; what no key tells is computed here, and says why.
The drawing (circuit_drawing) and the parts list (parts_list) show these parts and no others.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from .board import Board
from .electrical_of import Electrical
from .engine import CapacitorDischarge, Engine, InductiveCoil, LogicCoil
from .errors import DescriptionError, Fault
from .eseries import nearest, next_up
from .plan import Plan

# Blade fuses on sale; common practice, no source.
FUSES_A = (1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)
FUSE_SHARE = 0.66  # of its rating a fuse carries for ever; common practice
# Supply filter: what the board and the sensor take, and the volt they may lose; from memory.
BOARD_A, FILTER_DROP_V = 0.03, 1.0
FILTER_CORNER_HZ = 20.0
REGULATOR_MIN_V = 7.0  # a 5 V linear regulator of such a board; from memory
RAW_PINS = {"promini-328p-8mhz": ("RAW", "VCC")}
USUAL_PINS = ("VIN", "5V")
OFF_GATE_V = 1.0  # below it every switch of these kinds is off, hot too; from memory
CHARGER_EFFICIENCY = 0.7  # of a capacitor-discharge unit's inverter; from memory
RESISTORS_W = (0.25, 0.5, 1.0, 2.0, 5.0)


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
    raw_pin: str
    logic_pin: str
    parts: tuple[Component, ...]

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


def _resistor(ref: str, what: str, ohm: float, watts: float, why: str, *nodes: str) -> Component:
    """Return a resistor whose rating is at least twice what it sheds."""
    rating = next((w for w in RESISTORS_W if w >= 2.0 * watts), 2.0 * watts)
    return Component(ref, what, ohm_text(ohm), f"{rating:g} W", why, nodes, ohm)


def _capacitor(ref: str, what: str, farad: float, volts: float, why: str, *nodes: str) -> Component:
    rating = next(v for v in (10, 16, 25, 35, 50, 63, 100) if v >= 1.5 * volts)
    return Component(ref, what, farad_text(farad), f"{rating} V", why, nodes, farad)


def circuit_of(
    engine: Engine, board: Board, plan: Plan, electrical: Electrical, *, ac_gate: bool = False
) -> Circuit:
    """Return the circuit of a description.

    ``ac_gate`` couples the gate through a capacitor, so that a pin stuck on cannot hold the coil
    on; only for switches with an insulated gate (DescriptionError otherwise).
    """
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
    raw_pin, logic_pin = RAW_PINS.get(board.name, USUAL_PINS)
    parts = (
        *_supply(engine, electrical),
        *_pickup(engine, board),
        *_gate(engine, board, plan, ac_gate),
        *_switch(engine, kind),
        *_coil(engine),
    )
    return Circuit(
        name=engine.name,
        board=board,
        coil=engine.coil.kind,
        driver=kind,
        leads=engine.coil.leads,
        sensor=engine.pickup.sensor,
        sensor_from_battery=engine.pickup.sensor_supply == "battery",
        ac_gate=ac_gate,
        raw_pin=raw_pin,
        logic_pin=logic_pin,
        parts=parts,
    )


def mean_current_a(engine: Engine, electrical: Electrical) -> float:
    """Return the greatest mean current from the supply at any described point."""
    coil = engine.coil
    if isinstance(coil, CapacitorDischarge):
        joules = 0.5 * coil.capacitor_uf * 1e-6 * coil.capacitor_volts**2
        sparks = engine.engine.top_rpm / 60.0 * engine.pickup.pulses_per_crank_turn
        return joules * sparks / CHARGER_EFFICIENCY / engine.supply.volts_min
    found = [point.mean_a for point in electrical.points if point.mean_a]
    if found:
        return max(found)
    sparks = engine.engine.top_rpm / 60.0 * engine.pickup.pulses_per_crank_turn
    on_s = min(coil.dwell_ms * 1e-3, 1.0 / sparks) if isinstance(coil, LogicCoil) else 1.0 / sparks
    return coil.spark_current_a * on_s * sparks


def _supply(engine: Engine, electrical: Electrical) -> Iterator[Component]:
    supply = engine.supply
    mean_a = mean_current_a(engine, electrical)
    fuse = next((a for a in FUSES_A if a * FUSE_SHARE >= mean_a), FUSES_A[-1])
    why = f"carries {mean_a:.2g} A in the mean at the most"
    yield Component(
        "F1", "fuse at the battery", f"{fuse:g} A", "blade fuse", why, ("BAT", "FUSED"), fuse
    )
    rating = f"{fuse:g} A or more at {supply.volts_max:g} V DC"
    why = "the coil has no supply until it is closed: bench, fuelling, first turns by hand"
    yield Component("S1", "arming switch", "coil supply", rating, why, ("FUSED", "COIL+"))
    if supply.volts_min < REGULATOR_MIN_V:
        return
    yield Component(
        "D1",
        "Schottky diode",
        "1 A",
        f"{3 * supply.volts_max:.0f} V",
        "reversed battery",
        ("FUSED", "CLAMPED"),
    )
    standoff = next(v for v in (13, 15, 16, 18, 24, 28, 33, 40) if v >= supply.volts_max)
    yield Component(
        "D2",
        "suppressor diode",
        f"{standoff} V",
        "600 W pulse, unidirectional",
        "peaks on the supply; stands off the full battery",
        ("CLAMPED", "GND"),
        float(standoff),
    )
    ohm = nearest(FILTER_DROP_V / BOARD_A)
    corner_f = 1.0 / (2.0 * math.pi * ohm * FILTER_CORNER_HZ)
    farad = next_up(corner_f * 1e6) * 1e-6
    hz = 1.0 / (2.0 * math.pi * ohm * farad)
    why = f"with C1: corner at {hz:.0f} Hz; drops {ohm * BOARD_A:.1f} V at {1e3 * BOARD_A:.0f} mA"
    yield _resistor("R1", "supply filter", ohm, ohm * BOARD_A**2, why, "CLAMPED", "RAW")
    yield _capacitor(
        "C1",
        "supply filter, electrolytic",
        farad,
        supply.volts_max,
        f"corner at {hz:.0f} Hz",
        "RAW",
        "GND",
    )


def _pickup(engine: Engine, board: Board) -> Iterator[Component]:
    p, volts = engine.pickup, board.volts
    what = {"points": "contact points"}.get(p.sensor, f"{p.sensor} switch, open collector")
    rating = f"sinks {1e3 * volts / p.pull_up_ohm:.2g} mA; works from {p.sensor_volts_min:g} V"
    why = f"lead edge {p.lead_edge_deg_btdc:g} deg before top dead centre"
    source = "RAW" if p.sensor_supply == "battery" else "LOGIC"
    yield Component("B1", what, p.sensor, rating, why, (source, "SENSOR", "GND"))
    watts = volts**2 / p.pull_up_ohm
    yield _resistor("R2", "pull-up", p.pull_up_ohm, watts, "open collector", "LOGIC", "SENSOR")
    if p.filter_ohm > 0.0:
        hz = 1.0 / (2.0 * math.pi * p.filter_ohm * p.filter_nf * 1e-9) if p.filter_nf else math.inf
        why = (
            f"with C2: corner at {hz / 1e3:.3g} kHz" if p.filter_nf else "limits the pin's current"
        )
        yield _resistor("R3", "pickup filter", p.filter_ohm, 0.0, why, "SENSOR", "PICKUP")
    if p.filter_nf > 0.0:
        yield _capacitor(
            "C2",
            "pickup filter, ceramic C0G",
            p.filter_nf * 1e-9,
            volts,
            "at the board, short leads",
            "PICKUP",
            "GND",
        )


def coupling_farad(engine: Engine, board: Board, plan: Plan) -> float:
    """Return the gate's coupling capacitor: the gate keeps its voltage through the dwell.

    From V exp(-t/RC) >= gate_volts_min at the end of the dwell, R the pull-down; next E12 up.
    Where the pin gives no more than a tenth above it, a fall by a tenth is allowed.
    """
    driver, dwell_s = engine.driver, plan.dwell_ticks / plan.tick_hz
    ratio = max(board.volts / driver.gate_volts_min, 1.1)
    tau_s = dwell_s / math.log(ratio)
    return next_up(tau_s / driver.gate_pull_down_ohm * 1e6) * 1e-6


def stuck_on_s(engine: Engine, board: Board, plan: Plan) -> float:
    """Return after which time a pin stuck on has let go of the coil, with the coupled gate."""
    tau_s = coupling_farad(engine, board, plan) * engine.driver.gate_pull_down_ohm
    return tau_s * math.log(board.volts / OFF_GATE_V)


def _gate(engine: Engine, board: Board, plan: Plan, ac_gate: bool) -> Iterator[Component]:
    d, volts = engine.driver, board.volts
    before = "COIL_PIN"
    if ac_gate:
        farad = coupling_farad(engine, board, plan)
        stuck_ms = 1e3 * stuck_on_s(engine, board, plan)
        why = (
            f"time constant {1e3 * farad * d.gate_pull_down_ohm:.0f} ms with R5: a pin stuck on "
            f"lets go of the coil after {stuck_ms:.0f} ms"
        )
        yield _capacitor("C3", "gate coupling, film", farad, volts, why, before, "COUPLED")
        before = "COUPLED"
    if d.gate_ohm > 0.0:
        why = f"at most {1e3 * volts / d.gate_ohm:.2g} mA from the pin"
        watts = volts**2 / d.gate_ohm if d.kind == "bipolar" else 0.0
        yield _resistor("R4", "gate or base resistor", d.gate_ohm, watts, why, before, "GATE")
    if d.gate_pull_down_ohm > 0.0:
        why = "off while the chip is in reset or unplugged; at the switch"
        watts = volts**2 / d.gate_pull_down_ohm
        yield _resistor("R5", "pull-down", d.gate_pull_down_ohm, watts, why, "GATE", "GND")
    if ac_gate:
        yield Component(
            "D4", "signal diode", "100 mA", "50 V", "empties C3 between charges", ("GND", "GATE")
        )


def _switch(engine: Engine, kind: str) -> Iterator[Component]:
    d, coil = engine.driver, engine.coil
    if not isinstance(coil, InductiveCoil):
        return
    amps = 1.2 * coil.spark_current_a
    rating = (
        f"{max(amps, 0.0):.3g} A or more, clamp {d.clamp_v:g} V, fully on at {d.gate_volts_min:g} V"
    )
    what = {
        "igbt": "ignition IGBT with its own clamp",
        "bipolar": "high-voltage darlington",
        "mosfet": "high-voltage MOSFET",
    }[kind]
    value = f"{d.max_current_a:g} A" + (f"\nclamps at {d.clamp_v:g} V" if kind == "igbt" else "")
    yield Component(
        "Q1",
        what,
        value,
        rating,
        "charges the coil; opening it is the spark",
        ("GATE", "COIL-", "GND"),
        d.max_current_a,
    )
    if kind != "igbt":
        energy = d.clamp_energy_mj
        yield Component(
            "D3",
            "clamp from collector to ground",
            f"{d.clamp_v:g} V",
            f"{energy:g} mJ a pulse" if energy else "the coil's whole energy",
            "a plug lead that has come off",
            ("COIL-", "GND"),
            d.clamp_v,
        )


def _coil(engine: Engine) -> Iterator[Component]:
    c = engine.coil
    if isinstance(c, InductiveCoil):
        if c.ballast_ohm > 0.0:
            yield Component(
                "R6",
                "ballast, wirewound",
                ohm_text(c.ballast_ohm),
                f"{c.ballast_w:g} W",
                "limits the current of a switch stuck on",
                ("COIL+", "PRIMARY"),
                c.ballast_ohm,
            )
        value, rating = (
            f"{c.primary_mh:g} mH, {ohm_text(c.primary_ohm)}",
            f"{c.spark_current_a:g} A",
        )
        nodes: tuple[str, ...] = ("PRIMARY" if c.ballast_ohm > 0.0 else "COIL+", "COIL-", "HT")
        yield Component("T1", "ignition coil", value, rating, f"1 : {c.turns_ratio:g}", nodes)
    elif isinstance(c, LogicCoil):
        rating = f"at most {c.max_on_ms:g} ms on"
        yield Component(
            "T1",
            "coil with its own switch",
            f"{c.dwell_ms:g} ms dwell",
            rating,
            f"{c.spark_current_a:g} A at the spark",
            ("COIL+", "GATE", "GND", "HT"),
        )
    else:
        value = f"{c.capacitor_uf:g} µF, {c.capacitor_volts:g} V"
        yield Component(
            "T1",
            "capacitor-discharge unit with its coil",
            value,
            f"trigger {c.trigger_us:g} µs",
            "fires when the trigger goes on",
            ("COIL+", "GATE", "GND", "HT"),
        )
    ohm = engine.plug.resistor_ohm
    for k in range(c.leads):
        if ohm > 0.0:
            yield Component(
                f"R{7 + k}",
                "resistor in plug or lead",
                ohm_text(ohm),
                "ignition type",
                "damps the spark's interference at its source",
                ("HT", f"PLUG{k + 1}"),
                ohm,
            )
        yield Component(
            f"E{k + 1}",
            "spark plug",
            f"{engine.plug.gap_mm:g} mm gap",
            "",
            "",
            (f"PLUG{k + 1}", "GND"),
            engine.plug.gap_mm,
        )
