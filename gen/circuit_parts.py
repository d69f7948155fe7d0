"""Pickup, gate, switch, coil and plugs of a circuit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from .board import Board
from .circuit import Component, capacitor, ohm_text, resistor
from .electrical_buy import cooling_need, driver_need
from .electrical_input import Coil
from .electrical_of import Electrical
from .engine import Engine, InductiveCoil, LogicCoil
from .eseries import nearest, next_up
from .plan import Plan

OFF_GATE_V = 1.0  # below it every switch of these kinds is off, hot too; from memory
# An isolator's diode: what it asks for and drops, with what the sensor leaves; from memory.
LED_A, LED_V, SENSOR_LOW_V = 5e-3, 1.4, 0.2
SENSORS = {
    "hall": "Hall switch",
    "hall-latching": "latching\nHall switch",
    "optical": "optical switch",
    "points": "contact points",
}
SWITCHES = {
    "igbt": "ignition IGBT with its own clamp",
    "bipolar": "high-voltage darlington",
    "mosfet": "high-voltage MOSFET",
}


def pickup_parts(engine: Engine, board: Board) -> Iterator[Component]:
    """Yield sensor, isolator, pull-up and filter."""
    p, volts = engine.pickup, board.volts
    kind = "open collector" if p.output == "open-collector" else "push-pull"
    points = p.sensor == "points"
    source = "RAW" if p.sensor_supply == "battery" else "LOGIC"
    sinks_a = LED_A if p.isolated else volts / p.source_ohm if p.source_ohm else volts / 1e3
    out = "SENSOR" if p.isolated else "LINE"
    yield Component(
        "B1",
        "contact points" if points else f"{p.sensor} switch, {kind}",
        SENSORS[p.sensor] + ("" if points else f"\n{kind}"),
        f"carries {1e3 * sinks_a:.2g} mA"
        + ("" if points else f"; works from {p.sensor_volts_min:g} V"),
        f"lead edge {p.lead_edge_deg_btdc:g} deg before top dead centre",
        (out, "GND") if points else (source, out, "GND"),
    )
    if p.isolated:
        yield from _isolator(engine, board, source)
    if p.source_ohm > 0.0:
        watts = volts**2 / p.pull_up_ohm
        why = "the isolator's output only pulls low" if p.isolated else "the output only pulls low"
        yield resistor("R2", "pull-up", p.pull_up_ohm, watts, why, "LOGIC", "LINE")
    if p.filter_ohm > 0.0:
        hz = 1.0 / (2.0 * math.pi * p.filter_ohm * p.filter_nf * 1e-9) if p.filter_nf else math.inf
        why = (
            f"with C2: corner at {hz / 1e3:.3g} kHz" if p.filter_nf else "limits the pin's current"
        )
        yield resistor("R3", "pickup filter", p.filter_ohm, 0.0, why, "LINE", "PICKUP")
    if p.filter_nf > 0.0:
        why, node = "at the board, short leads", "PICKUP" if p.filter_ohm > 0.0 else "LINE"
        what, farad = "pickup filter, ceramic C0G", p.filter_nf * 1e-9
        yield capacitor("C2", what, farad, volts, why, node, "GND")


def _isolator(engine: Engine, board: Board, source: str) -> Iterator[Component]:
    p, supply = engine.pickup, engine.supply
    low, high = (
        (supply.volts_min, supply.volts_max) if source == "RAW" else (board.volts, board.volts)
    )
    ohm = nearest((low - LED_V - SENSOR_LOW_V) / LED_A)
    watts = (high - LED_V) ** 2 / ohm
    why = f"at least {1e3 * (low - LED_V - SENSOR_LOW_V) / ohm:.2g} mA at {low:g} V"
    yield resistor("R9", "isolator's diode", ohm, watts, why, source, "LED")
    deg = 6e-6 * engine.engine.top_rpm * p.isolator_delay_us
    yield Component(
        "U3",
        "optical isolator, transistor or logic output",
        f"isolator\n{p.isolator_delay_us:g} µs",
        f"delay {p.isolator_delay_us:g} µs at most with {ohm_text(p.pull_up_ohm)}",
        f"no metallic way from the sensor's lead to the pin; its delay is {deg:.2g} deg at "
        f"{engine.engine.top_rpm:.0f} rpm, which the firmware takes back",
        ("LED", "SENSOR", "LINE", "GND"),
        p.isolator_delay_us * 1e-6,
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


def gate_parts(engine: Engine, board: Board, plan: Plan, coupled: bool) -> Iterator[Component]:
    """Yield what stands between the coil pin and the switch."""
    d, volts = engine.driver, board.volts
    before = "COIL_PIN"
    if coupled:
        farad = coupling_farad(engine, board, plan)
        stuck_ms = 1e3 * stuck_on_s(engine, board, plan)
        why = (
            f"time constant {1e3 * farad * d.gate_pull_down_ohm:.0f} ms with R5: a pin stuck on "
            f"lets go of the coil after {stuck_ms:.0f} ms"
        )
        part = capacitor("C3", "gate coupling, film", farad, volts, why, before, "COUPLED")
        tau_ms = 1e3 * farad * d.gate_pull_down_ohm
        yield replace(part, value=f"{part.value}\nτ {tau_ms:.0f} ms")
        before = "COUPLED"
    if d.gate_ohm > 0.0:
        why = f"at most {1e3 * volts / d.gate_ohm:.2g} mA from the pin"
        watts = volts**2 / d.gate_ohm if d.kind == "bipolar" else 0.0
        yield resistor("R4", "gate or base resistor", d.gate_ohm, watts, why, before, "GATE")
        before = "GATE"
    if d.gate_pull_down_ohm > 0.0:
        why = "off while the chip is in reset or unplugged; at the switch"
        watts = volts**2 / d.gate_pull_down_ohm
        yield resistor("R5", "pull-down", d.gate_pull_down_ohm, watts, why, before, "GND")
    if coupled:
        why = "empties C3 between charges"
        yield Component("D4", "signal diode", "100 mA", "50 V", why, ("GND", before))


def switch_parts(engine: Engine, kind: str, electrical: Electrical) -> Iterator[Component]:
    """Yield switch and clamp of an inductive coil, rated for the worst corner."""
    d, coil = engine.driver, electrical.given.source
    if not isinstance(coil, Coil):
        return
    amps, joules, clamp_v = driver_need(electrical, coil)
    watts, cooling = cooling_need(electrical, coil)
    gate = "GATE" if d.gate_ohm > 0.0 else "COUPLED" if d.gate_coupling != "direct" else "COIL_PIN"
    yield Component(
        "Q1",
        SWITCHES[kind],
        f"{d.max_current_a:g} A" + (f"\nclamps at {d.clamp_v:g} V" if kind == "igbt" else ""),
        f"{amps:.3g} A or more and {1e3 * joules:.3g} mJ clamped, hot; clamp of {clamp_v:.0f} V or "
        f"more; fully on at {d.gate_volts_min:g} V; {cooling:.2g} K/W or less from junction to air "
        f"for {watts:.2g} W",
        "charges the coil, opening it is the spark; current and energy of the worst corner of "
        "supply, coil and the longest fault",
        (gate, "COIL-", "GND"),
        d.max_current_a,
    )
    if kind != "igbt":
        yield Component(
            "D3",
            "clamp from collector to ground",
            f"{d.clamp_v:g} V",
            f"{1e3 * joules:.3g} mJ a pulse",
            "a plug lead that has come off: the coil's whole energy",
            ("COIL-", "GND"),
            d.clamp_v,
        )


def coil_parts(engine: Engine, electrical: Electrical) -> Iterator[Component]:
    """Yield ballast, coil or unit, resistors and plugs."""
    c = engine.coil
    gate = "GATE" if engine.driver.gate_ohm > 0.0 else "COIL_PIN"
    leads = ("HT", "HT2")[: c.leads]
    if isinstance(c, InductiveCoil):
        yield from _inductive(c, electrical, leads)
    elif isinstance(c, LogicCoil):
        yield Component(
            "T1",
            "coil with its own switch",
            f"{c.dwell_ms:g} ms dwell",
            f"at most {c.max_on_ms:g} ms on",
            f"{c.spark_current_a:g} A at the spark",
            ("COIL+", gate, "GND", *leads),
            c.dwell_ms * 1e-3,
        )
    else:
        yield Component(
            "T1",
            "capacitor-discharge unit with its coil",
            f"{c.capacitor_uf:g} µF, {c.capacitor_volts:g} V",
            f"trigger {c.trigger_us:g} µs",
            "fires when the trigger goes on",
            ("COIL+", gate, "GND", *leads),
            c.capacitor_uf * 1e-6,
        )
    yield from _plugs(engine)


def _inductive(
    c: InductiveCoil, electrical: Electrical, leads: tuple[str, ...]
) -> Iterator[Component]:
    heat = electrical.report.heat
    if c.ballast_ohm > 0.0:
        sheds = float(heat.powers.ballast_w.max()) if heat is not None else 0.0
        yield Component(
            "R6",
            "ballast, wirewound",
            ohm_text(c.ballast_ohm),
            f"{c.ballast_w:g} W",
            f"limits the current of a switch stuck on; sheds {sheds:.2g} W at worst in running",
            ("COIL+", "PRIMARY"),
            c.ballast_ohm,
        )
    yield Component(
        "T1",
        "ignition coil",
        f"{c.primary_mh:g} mH\n{ohm_text(c.primary_ohm)}",
        f"{c.spark_current_a:g} A",
        f"1 : {c.turns_ratio:g}",
        ("PRIMARY" if c.ballast_ohm > 0.0 else "COIL+", "COIL-", *leads),
        c.primary_mh * 1e-3,
    )


def _plugs(engine: Engine) -> Iterator[Component]:
    ohm, gap_mm = engine.plug.resistor_ohm, engine.plug.gap_mm
    for k in range(engine.coil.leads):
        lead = "HT" if k == 0 else "HT2"
        plug = f"PLUG{k + 1}" if ohm > 0.0 else lead
        if ohm > 0.0:
            why = "damps the spark's interference at its source"
            what, rating = "resistor in plug or lead", "ignition type"
            yield Component(f"R{7 + k}", what, ohm_text(ohm), rating, why, (lead, plug), ohm)
        yield Component(
            f"E{k + 1}", "spark plug", f"{gap_mm:g} mm gap", "", "", (plug, "GND"), gap_mm
        )
