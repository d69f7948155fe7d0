"""Keeping noise out of one build: what to do, with its numbers, why, and who advises it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .circuit import Circuit
from .design import Design
from .electrical_of import Electrical

OPTO_US = 5.0  # a fast optical isolator with its pull-up; from memory
LEAD_MIN_OHM = 1000.0  # less damps little; common practice, no source
BOARD_AWAY_M = 0.3
PRACTICE = "common practice, no source"
AVR040 = "AVR040 (from memory)"


@dataclass(frozen=True)
class Advice:
    """One line of the checklist: ``source`` names who recommends it, and how sure that is."""

    what: str
    why: str
    source: str


def noise_advice(design: Design, electrical: Electrical, circuit: Circuit) -> list[Advice]:
    """Return the checklist of one build."""
    found = [
        _plug(circuit, electrical),
        _line(circuit, electrical),
        Advice(
            "Sensor lead twisted and screened, the screen to ground at the board only; not beside "
            "coil or plug lead",
            "twisting leaves no loop for the spark's field; a screen grounded at both ends would "
            "carry the spark's current",
            PRACTICE,
        ),
        *_supply(circuit),
        Advice(
            "One ground point, at the coil's own; the board's ground goes there by a wire of its "
            "own, the engine's body by another",
            "the coil's and the spark's current must not flow through the board's ground",
            f"{AVR040}; AN1259 (from memory)",
        ),
        Advice(
            f"Board {BOARD_AWAY_M:g} m or more from coil and plug lead, in a metal box grounded at "
            "the same point",
            "the field falls with distance",
            PRACTICE,
        ),
        _isolator(design, circuit),
        Advice(
            "No input of the board left open: unused pins stay as the firmware sets them, nothing "
            "else is connected to them",
            "an open pin is an antenna",
            AVR040,
        ),
    ]
    if "C3" in circuit:
        why = circuit["C3"].why
        found.append(Advice(f"Gate coupled through {circuit['C3'].value}", why, PRACTICE))
    if design.board.fuse:
        found.append(
            Advice(
                "Brown-out reset set by the fuses (see the firmware folder's README)",
                "a chip below its voltage runs wrong instead of stopping",
                "AVR040, AVR042 (from memory)",
            )
        )
    return found


def _plug(circuit: Circuit, electrical: Electrical) -> Advice:
    ohm = electrical.given.plug_ohm
    pf = getattr(electrical.given.source, "secondary_f", 0.0) * 1e12
    why = "it damps the spark's current where the interference begins"
    if pf:
        why += f"; without it the lead's {pf:.0f} pF discharge through the gap unhindered"
    if ohm >= LEAD_MIN_OHM:
        return Advice(f"Resistor in plug, cap or lead: {circuit['R7'].value}", why, PRACTICE)
    return Advice("Fit a plug, cap or lead with 1 to 10 kΩ: none is described", why, PRACTICE)


def _line(circuit: Circuit, electrical: Electrical) -> Advice:
    line = electrical.line
    us = line.shortest_noise_s * 1e6
    if "R3" not in circuit or "C2" not in circuit:
        what = "Fit a resistor and a capacitor at the pickup pin ([pickup] filter_ohm, filter_nf)"
    else:
        hz = 1.0 / (2.0 * math.pi * (circuit["R3"].si or 1.0) * (circuit["C2"].si or 1.0))
        what = (
            f"Pickup filter {circuit['R3'].value} and {circuit['C2'].value} at the board: corner "
            f"{hz / 1e3:.3g} kHz, {line.lead_deg:.2g} deg at {line.at_rpm:.0f} rpm, taken back"
        )
    return Advice(
        what,
        f"pulses shorter than {us:.2g} µs do not reach the pin's threshold, and the firmware wants "
        f"the level to hold for {line.confirm_s * 1e6:.0f} µs",
        f"resistor and capacitor on each line from outside: {AVR040}, AN2764 (from memory); "
        "reading inputs several times: AN1015, 2.3",
    )


def _supply(circuit: Circuit) -> list[Advice]:
    found = []
    if "R1" in circuit:
        what = f"Supply filter {circuit['R1'].value} and {circuit['C1'].value}, at the board"
        found.append(Advice(what, circuit["R1"].why, f"decoupling close to the pins: {AVR040}"))
        found.append(
            Advice(
                f"Suppressor {circuit['D2'].value} behind {circuit['D1'].ref}, short leads",
                "switched coils and motors put pulses of +37 to +100 V on a 12 V supply "
                "(ISO 7637-2 pulses 2a and 3b, levels III and IV)",
                "ISO 7637-2, as switches' data sheets quote it",
            )
        )
    else:
        found.append(
            Advice(
                "Give the board a battery of its own, or one with volts to spare for a filter",
                "the battery leaves no room for a filter's drop above what the board needs",
                PRACTICE,
            )
        )
    return found


def _isolator(design: Design, circuit: Circuit) -> Advice:
    source = PRACTICE
    if "U3" in circuit:
        part = circuit["U3"]
        return Advice(f"Optical isolator in the sensor's line ({part.rating})", part.why, source)
    deg = 6e-6 * design.top_rpm * OPTO_US
    return Advice(
        f"Where nothing else helps: an optical isolator in the sensor's line, about {OPTO_US:.0f} "
        f"µs, {deg:.2f} deg at {design.top_rpm:.0f} rpm ([pickup] isolator_delay_us)",
        "no metallic way from the lead into the board; the firmware takes the delay back, its "
        "jitter stays",
        source,
    )
