"""A circuit as an SVG drawing.

Places follow from which parts there are, so that every combination of choices has room for its
words; the tests measure that no word meets another, a wire or a symbol.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from .circuit import Circuit
from .circuit_coil import draw_inductive, draw_unit
from .circuit_sheet import Sheet, elm

RAIL, COIL_RAIL = 10.0, 13.0  # heights of the board's and the coil's supply
PIN_Y, LOGIC_Y = 3.0, 4.8  # heights of the signal pins and of the logic supply's
SENSOR = (-1.6, 1.0, 2.0, 5.6)
BOARD_WIDE, BOARD_LOW, BOARD_HIGH = 3.6, -1.0, 6.0
FUSED_X = 2.0


@dataclass(frozen=True)
class Place:
    """Where the board and the switch's gate are, in drawing units."""

    board_x: float
    gate_x: float


def place_of(circuit: Circuit) -> Place:
    """Return how far to the right things are, by what stands before them."""
    board_x = 8.2 + (3.4 if "U3" in circuit else 0.0)
    x = board_x + BOARD_WIDE + (2.4 if "C3" in circuit else 0.6)
    x += 2.4 if "R4" in circuit else 0.0
    x += 2.2 if "R5" in circuit else 0.0
    return Place(board_x, x + (2.8 if "D4" in circuit else 0.0))


def circuit_sheet(circuit: Circuit) -> Sheet:
    """Return the drawing of a circuit."""
    sheet, place = Sheet(circuit), place_of(circuit)
    _supply(sheet, place)
    _board(sheet, place)
    _pickup(sheet, place)
    _gate(sheet, place)
    sheet.line((FUSED_X, RAIL), (FUSED_X, COIL_RAIL))
    sheet.across(elm.Switch, "S1", FUSED_X, FUSED_X + 2.4, COIL_RAIL)
    if circuit.coil == "inductive":
        draw_inductive(sheet, place.gate_x, (FUSED_X + 2.4, COIL_RAIL))
    else:
        draw_unit(sheet, place.gate_x, (FUSED_X + 2.4, COIL_RAIL))
    words = f"{circuit.name}: all grounds meet in one point, at the coil's own."
    sheet.text(SENSOR[0], -3.0, words)
    return sheet


def circuit_svg(circuit: Circuit) -> bytes:
    """Return the drawing as SVG; the same circuit gives the same bytes."""
    import schemdraw

    schemdraw.use("svg")
    return circuit_sheet(circuit).svg().encode()


def _supply(s: Sheet, place: Place) -> None:
    c, raw_x = s.circuit, place.board_x + 1.8
    s.add(elm.Battery().at((-0.6, RAIL - 3.0)).to((-0.6, RAIL)))
    s.text(-1.3, RAIL - 1.5, "battery", "right")
    s.ground(-0.6, RAIL - 3.0)
    s.across(elm.Fuse, "F1", -0.6, FUSED_X, RAIL)
    s.dot(FUSED_X, RAIL)
    x = FUSED_X
    if "D1" in c:
        s.across(elm.Schottky, "D1", x, x + 2.0, RAIL)
        s.line((x + 2.0, RAIL), (x + 2.4, RAIL))
        s.dot(x + 2.4, RAIL)
        s.down(elm.Zener, "D2", x + 2.4, RAIL - 2.2, RAIL)
        s.ground(x + 2.4, RAIL - 2.2)
        s.across(elm.ResistorIEC, "R1", x + 2.4, x + 4.8, RAIL)
        s.dot(x + 5.0, RAIL)
        s.line((x + 4.8, RAIL), (x + 5.2, RAIL))
        s.down(elm.Capacitor, "C1", x + 5.0, RAIL, RAIL - 2.2)
        s.ground(x + 5.0, RAIL - 2.2)
        x += 5.2
    if "U2" in c:
        s.line((x, RAIL), (x + 1.4, RAIL))
        x += 1.4
        s.box(x + 0.6, RAIL - 0.7, x + 2.4, RAIL + 0.7)
        s.text(x + 1.5, RAIL, s.words("U2"), "center")
        s.line((x, RAIL), (x + 0.6, RAIL))
        s.line((x + 1.5, RAIL - 0.7), (x + 1.5, RAIL - 2.2))
        s.ground(x + 1.5, RAIL - 2.2)
        x += 2.4
    turn_x = max(raw_x, x + 0.4)
    s.line((x, RAIL), (turn_x, RAIL), (turn_x, 7.0), (raw_x, 7.0), (raw_x, BOARD_HIGH))


def _board(s: Sheet, place: Place) -> None:
    board, x1 = s.circuit.board, place.board_x
    x2, middle = x1 + BOARD_WIDE, x1 + 1.8
    s.box(x1, BOARD_LOW, x2, BOARD_HIGH)
    name = textwrap.fill(board.name, 10)
    s.text(middle, 1.4, f"U1\n{name}", "center")
    s.text(middle, BOARD_HIGH - 0.4, board.power.printed, "center")
    s.text(x1 + 0.2, LOGIC_Y, board.power.logic_printed)
    s.text(x1 + 0.2, PIN_Y, board.pins.pickup.printed)
    s.text(x2 - 0.2, PIN_Y, board.pins.coil.printed, "right")
    s.text(x2 - 0.2, 0.0, board.pins.serial_tx.printed, "right")
    s.text(middle, BOARD_LOW + 0.4, "GND", "center")
    s.line((x2, 0.0), (x2 + 0.8, 0.0))
    s.dot(x2 + 0.8, 0.0, free=True)
    s.text(x2 + 1.1, -0.8, "to the computer")
    s.ground(middle, BOARD_LOW)


def _pickup(s: Sheet, place: Place) -> None:
    c, x1 = s.circuit, place.board_x
    isolated = "U3" in c
    out_y = PIN_Y - 1.45 if isolated else PIN_Y
    _sensor(s, out_y)
    x = 3.0
    if isolated:
        x = _isolator(s, out_y)
    elif not c.sensor_from_battery and c.sensor != "points":
        s.line((2.0, LOGIC_Y), (x, LOGIC_Y))
    if "R2" in c:
        s.down(elm.ResistorIEC, "R2", x, LOGIC_Y, PIN_Y)
        s.dot(x, PIN_Y)
    if "R2" in c or (not c.sensor_from_battery and c.sensor != "points"):
        s.line((x, LOGIC_Y), (x1, LOGIC_Y))
    if not isolated:
        s.line((2.0, PIN_Y), (x, PIN_Y))
    if "R3" in c:
        s.add(elm.ResistorIEC().at((x, PIN_Y)).to((x + 3.0, PIN_Y)))
        s.text(x + 1.5, PIN_Y - 1.0, s.words("R3"), "center")
    else:
        s.line((x, PIN_Y), (x + 3.0, PIN_Y))
    s.line((x + 3.0, PIN_Y), (x1, PIN_Y))
    if "C2" in c:
        s.dot(x + 3.4, PIN_Y)
        s.down(elm.Capacitor, "C2", x + 3.4, PIN_Y, 0.6)
        s.ground(x + 3.4, 0.6)


def _sensor(s: Sheet, out_y: float) -> None:
    """Draw the sensor's box, or the points as the switch they are."""
    c = s.circuit
    x1, y1, x2, y2 = SENSOR
    y1 -= 1.4 if "U3" in c else 0.0
    s.box(x1, y1, x2, y2)
    if c.sensor == "points":
        s.text(x1 + 0.2, 4.9, s.words("B1"))
        s.line((x2, out_y), (1.2, out_y), (1.2, out_y - 0.1))
        s.add(elm.Switch().at((1.2, out_y - 0.1)).to((1.2, y1)).flip())
        s.ground(1.2, y1)
        if "U3" in c:
            _to_supply(s, 2.8)
        return
    s.text(0.0, 4.4, s.words("B1"), "center")
    s.text(x2 - 0.2, LOGIC_Y + 0.45, "+", "right")
    s.text(x2 - 0.2, out_y - 0.35, "out", "right")
    s.text(0.2, y1 + 0.3, "−", "center")
    s.ground(0.2, y1)
    if c.sensor_from_battery:
        stub_x = 2.8 if "U3" in c else 2.3
        s.line((x2, LOGIC_Y), (stub_x, LOGIC_Y))
        _to_supply(s, stub_x)


def _to_supply(s: Sheet, x: float) -> None:
    """Draw a free end that goes to the board's supply pin."""
    s.line((x, LOGIC_Y), (x, 6.0))
    s.dot(x, 6.0, free=True)
    s.above(x, 6.15, f"to {s.circuit.board.power.printed}")


def _isolator(s: Sheet, out_y: float) -> float:
    """Draw diode resistor and isolator; return where the board's side begins."""
    s.down(elm.ResistorIEC, "R9", 2.8, LOGIC_Y, PIN_Y)
    u = s.add(elm.Optocoupler().theta(0).anchor("cathode").at((3.4, out_y)))
    anode, collector = u.absanchors["anode"], u.absanchors["collector"]
    emitter = u.absanchors["emitter"]
    s.line((2.8, PIN_Y), (2.8, float(anode[1])), (float(anode[0]), float(anode[1])))
    s.line((2.0, out_y), (3.4, out_y))
    s.text(4.6, 0.2, s.words("U3"), "center")
    x = float(collector[0]) + 0.6
    s.line((float(collector[0]), float(collector[1])), (x, float(collector[1])), (x, PIN_Y))
    s.line((float(emitter[0]), float(emitter[1])), (x - 0.2, float(emitter[1])))
    s.ground(x - 0.2, float(emitter[1]))
    return x


def _gate(s: Sheet, place: Place) -> None:
    c, x = s.circuit, place.board_x + BOARD_WIDE
    if "C3" in c:
        s.across(elm.Capacitor, "C3", x, x + 2.4, PIN_Y)
        x += 2.4
    else:
        s.line((x, PIN_Y), (x + 0.6, PIN_Y))
        x += 0.6
    if "R4" in c:
        s.across(elm.ResistorIEC, "R4", x, x + 2.4, PIN_Y)
        x += 2.4
    s.line((x, PIN_Y), (place.gate_x, PIN_Y))
    if "R5" in c:
        s.dot(x + 0.2, PIN_Y)
        s.down(elm.ResistorIEC, "R5", x + 0.2, PIN_Y, 0.6)
        s.ground(x + 0.2, 0.6)
    if "D4" in c:
        s.dot(x + 2.6, PIN_Y)
        s.down(elm.Diode, "D4", x + 2.6, 0.6, PIN_Y)
        s.ground(x + 2.6, 0.6)
