"""A circuit as an SVG drawing.

Places follow from which parts there are, so that every combination of choices has room for its
words; the tests measure that no word meets another, a wire or a symbol.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from .circuit import SECOND, Circuit
from .circuit_coil import draw_inductive, draw_unit
from .circuit_sheet import Place, Sheet, elm, logic

RAIL, COIL_RAIL = 10.0, 13.0  # heights of the board's and the coil's supply
PIN_Y, LOGIC_Y = 3.0, 4.8  # heights of the signal pins and of the logic supply's
SENSOR = (-1.6, 1.0, 2.0, 5.6)
BOARD_WIDE, BOARD_LOW, BOARD_HIGH = 3.6, -1.0, 6.0
FUSED_X = 2.0
SECOND_SENSOR, SECOND_ISOLATED, SECOND_COIL = 5.6, 7.2, 13.6  # how far below the first
SELECT_Y = 0.2
GATES_WIDE = 3.6


@dataclass(frozen=True)
class Layout:
    """Where the board and the switch's gate are, in drawing units."""

    board_x: float
    gate_x: float
    board_low: float
    sensor_down: float

    @property
    def right(self) -> float:
        """Right edge of the board."""
        return self.board_x + BOARD_WIDE


def layout_of(circuit: Circuit) -> Layout:
    """Return how far to the right things are, by what stands before them."""
    supply_x = FUSED_X + (5.2 if "D1" in circuit else 0.0) + (3.8 if "U2" in circuit else 0.0)
    board_x = max(8.2 + (3.4 if "U3" in circuit else 0.0), supply_x + 0.4 - 1.8)
    x = board_x + BOARD_WIDE + (2.4 if "C3" in circuit else 0.6)
    x += GATES_WIDE if "U4" in circuit else 0.0
    x += 2.4 if "R4" in circuit else 0.0
    x += 2.2 if "R5" in circuit else 0.0
    down = SECOND_ISOLATED if "U3" in circuit else SECOND_SENSOR
    low = PIN_Y - down - 1.4 if "B2" in circuit else BOARD_LOW
    return Layout(board_x, x + (2.8 if "D4" in circuit else 0.0), low, down)


def circuit_sheet(circuit: Circuit) -> Sheet:
    """Return the drawing of a circuit."""
    sheet, at = Sheet(circuit), layout_of(circuit)
    _supply(sheet, at)
    _board(sheet, at)
    _pickup(sheet, at)
    if "B2" in circuit:
        with sheet.moved(at.sensor_down, SECOND):
            _pickup(sheet, at, second=True)
    sheet.line((FUSED_X, RAIL), (FUSED_X, COIL_RAIL))
    sheet.across(elm.Switch, "S1", FUSED_X, FUSED_X + 2.4, COIL_RAIL)
    _coils(sheet, at)
    if "R10" in circuit:
        _divider(sheet, at)
    words = f"{circuit.name}: all grounds meet in one point, at the coil's own."
    below = min(at.board_low, -at.sensor_down if "B2" in circuit else 0.0)
    sheet.text(SENSOR[0], below - 2.4, words)
    return sheet


def circuit_svg(circuit: Circuit) -> bytes:
    """Return the drawing as SVG; the same circuit gives the same bytes."""
    import schemdraw

    schemdraw.use("svg")
    return circuit_sheet(circuit).svg().encode()


def _coils(s: Sheet, at: Layout) -> None:
    """Draw what is right of the board: one channel, or two behind a pair of gates."""
    draw = draw_inductive if s.circuit.coil == "inductive" else draw_unit
    begin = at.right
    if s.has("U4"):
        begin = _gate_pair(s, at)
    _gate(s, begin, at.gate_x)
    draw(s, at.gate_x, (FUSED_X + 2.4, COIL_RAIL))
    if s.has("U4"):
        with s.moved(SECOND_COIL, SECOND):
            _gate(s, begin, at.gate_x)
            free = (at.gate_x - 2.0, COIL_RAIL)
            s.dot(*free, free=True)
            s.text(free[0] - 0.2, COIL_RAIL, f"from {s.ref('S1')}", "right")
            draw(s, at.gate_x, free)


def _gate_pair(s: Sheet, at: Layout) -> float:
    """Draw the gates that lead the output to one of two coils; return where they end."""
    x = at.right
    coil_x, select_x = x + 0.5, x + 1.0
    ends = []
    for down in (0.0, SECOND_COIL):
        with s.moved(down, {}):
            gate = logic.And(inputs=2, inputnots=[2] if down == 0.0 else [])
            pins = s.anchored(gate, "out", (x + GATES_WIDE, PIN_Y))
            s.line((coil_x, pins["in1"][1]), pins["in1"])
            s.line((select_x, pins["in2"][1]), pins["in2"])
            ends.append((pins["in1"][1] - down, pins["in2"][1] - down))
    s.line((x, PIN_Y), (coil_x, PIN_Y))
    s.line((coil_x, ends[0][0]), (coil_x, ends[1][0]))
    s.dot(coil_x, PIN_Y)
    s.line((x, SELECT_Y), (select_x, SELECT_Y))
    s.line((select_x, ends[0][1]), (select_x, ends[1][1]))
    s.dot(select_x, SELECT_Y)
    s.text(x + 1.5, SELECT_Y, s.words("U4"))
    return x + GATES_WIDE


def _divider(s: Sheet, at: Layout) -> None:
    """Draw the divider by which the board measures the coil's supply."""
    x = at.board_x + 3.0
    s.dot(x, COIL_RAIL)
    s.down(elm.ResistorIEC, "R10", x, COIL_RAIL, COIL_RAIL - 3.0)
    s.line((x, COIL_RAIL - 3.0), (x, BOARD_HIGH))
    node = BOARD_HIGH + 2.6
    s.dot(x, node)
    s.line((x, node), (x + 1.6, node))
    s.down(elm.ResistorIEC, "R11", x + 1.6, node, node - 2.2)
    s.ground(x + 1.6, node - 2.2)


def _supply(s: Sheet, at: Layout) -> None:
    raw_x = at.board_x + 1.8
    s.between(elm.Battery(), (-0.6, RAIL - 3.0), (-0.6, RAIL))
    s.text(-1.3, RAIL - 1.5, "battery", "right")
    s.ground(-0.6, RAIL - 3.0)
    s.across(elm.Fuse, "F1", -0.6, FUSED_X, RAIL)
    s.dot(FUSED_X, RAIL)
    x = FUSED_X
    if s.has("D1"):
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
    if s.has("U2"):
        s.line((x, RAIL), (x + 1.4, RAIL))
        x += 1.4
        s.box(x + 0.6, RAIL - 0.7, x + 2.4, RAIL + 0.7)
        s.text(x + 1.5, RAIL, s.words("U2"), "center")
        s.line((x, RAIL), (x + 0.6, RAIL))
        s.line((x + 1.5, RAIL - 0.7), (x + 1.5, RAIL - 2.2))
        s.ground(x + 1.5, RAIL - 2.2)
        x += 2.4
    s.line((x, RAIL), (raw_x, RAIL), (raw_x, BOARD_HIGH))


def _board(s: Sheet, at: Layout) -> None:
    board, x1, x2, low = s.circuit.board, at.board_x, at.right, at.board_low
    middle = x1 + 1.8
    s.box(x1, low, x2, BOARD_HIGH)
    s.text(middle, 1.4, f"U1\n{textwrap.fill(board.name, 10)}", "center")
    s.text(middle, BOARD_HIGH - 0.4, board.power.printed, "center")
    s.text(x1 + 0.2, LOGIC_Y, board.power.logic_printed)
    s.text(x1 + 0.2, PIN_Y, board.pins.pickup.printed)
    s.text(x2 - 0.2, PIN_Y, board.pins.coil.printed, "right")
    if s.has("U4"):
        s.text(x2 - 0.2, SELECT_Y, s.circuit.printed["coil_select"], "right")
    if s.has("B2"):
        s.text(x1 + 0.2, PIN_Y - at.sensor_down, s.circuit.printed["phase"])
    if s.has("R10"):
        s.text(x2 - 0.2, BOARD_HIGH - 0.4, s.circuit.printed["supply"], "right")
    if "serial_tx" in s.circuit.printed:
        s.text(x1 + 0.9, low + 0.4, s.circuit.printed["serial_tx"], "center")
        s.line((x1 + 0.9, low), (x1 + 0.9, low - 0.6))
        s.dot(x1 + 0.9, low - 0.6, free=True)
        s.text(x1 + 0.9, low - 1.2, "to the computer", "center")
    s.text(x1 + 2.8, low + 0.4, "GND", "center")
    s.ground(x1 + 2.8, low)


def _pickup(s: Sheet, at: Layout, *, second: bool = False) -> None:
    """Draw a sensor and its line; a second one's logic supply is not led to the board's pin."""
    c, x1 = s.circuit, at.board_x
    isolated = s.has("U3")
    out_y = PIN_Y - 1.45 if isolated else PIN_Y
    fed = not c.sensor_from_battery and c.sensor != "points"
    _sensor(s, out_y)
    x = 3.0
    if isolated:
        x = _isolator(s, out_y)
    elif fed:
        s.line((2.0, LOGIC_Y), (x, LOGIC_Y))
    if s.has("R2"):
        s.down(elm.ResistorIEC, "R2", x, LOGIC_Y, PIN_Y)
        s.dot(x, PIN_Y)
    if s.has("R2") or fed:
        end = x + 2.2 if second else x1
        s.line((x, LOGIC_Y), (end, LOGIC_Y))
        if second:
            s.dot(end, LOGIC_Y, free=True)
            s.text(end + 0.3, LOGIC_Y, c.board.power.logic_printed)
    if not isolated:
        s.line((2.0, PIN_Y), (x, PIN_Y))
    if s.has("R3"):
        s.between(elm.ResistorIEC(), (x, PIN_Y), (x + 3.0, PIN_Y))
        s.text(x + 1.5, PIN_Y - 1.0, s.words("R3"), "center")
    else:
        s.line((x, PIN_Y), (x + 3.0, PIN_Y))
    s.line((x + 3.0, PIN_Y), (x1, PIN_Y))
    if s.has("C2"):
        s.dot(x + 3.4, PIN_Y)
        s.down(elm.Capacitor, "C2", x + 3.4, PIN_Y, 0.6)
        s.ground(x + 3.4, 0.6)


def _sensor(s: Sheet, out_y: float) -> None:
    """Draw the sensor's box, or the points as the switch they are."""
    c = s.circuit
    x1, y1, x2, y2 = SENSOR
    y1 -= 1.4 if s.has("U3") else 0.0
    s.box(x1, y1, x2, y2)
    if c.sensor == "points":
        s.text(x1 + 0.2, 4.9, s.words("B1"))
        s.line((x2, out_y), (1.2, out_y), (1.2, out_y - 0.1))
        s.between(elm.Switch().flip(), (1.2, out_y - 0.1), (1.2, y1))
        s.ground(1.2, y1)
        if s.has("U3"):
            _to_supply(s, 2.8)
        return
    s.text(0.0, 4.4, s.words("B1"), "center")
    s.text(x2 - 0.2, LOGIC_Y + 0.45, "+", "right")
    s.text(x2 - 0.2, out_y - 0.35, "out", "right")
    s.text(0.2, y1 + 0.3, "−", "center")
    s.ground(0.2, y1)
    if c.sensor_from_battery:
        stub_x = 2.8 if s.has("U3") else 2.3
        s.line((x2, LOGIC_Y), (stub_x, LOGIC_Y))
        _to_supply(s, stub_x)


def _to_supply(s: Sheet, x: float) -> None:
    """Draw a free end that goes to the board's supply pin."""
    s.line((x, LOGIC_Y), (x, LOGIC_Y + 0.5))
    s.dot(x, LOGIC_Y + 0.5, free=True)
    s.text(x + 0.3, LOGIC_Y + 0.5, s.circuit.board.power.printed)


def _isolator(s: Sheet, out_y: float) -> float:
    """Draw diode resistor and isolator; return where the board's side begins."""
    s.down(elm.ResistorIEC, "R9", 2.8, LOGIC_Y, PIN_Y)
    at: dict[str, Place] = s.anchored(elm.Optocoupler(), "cathode", (3.4, out_y))
    anode, collector, emitter = at["anode"], at["collector"], at["emitter"]
    s.line((2.8, PIN_Y), (2.8, anode[1]), anode)
    s.line((2.0, out_y), (3.4, out_y))
    s.text(4.6, 0.2, s.words("U3"), "center")
    x = collector[0] + 0.6
    s.line(collector, (x, collector[1]), (x, PIN_Y))
    s.line(emitter, (x - 0.2, emitter[1]))
    s.ground(x - 0.2, emitter[1])
    return x


def _gate(s: Sheet, x: float, gate_x: float) -> None:
    if s.has("C3"):
        s.across(elm.Capacitor, "C3", x, x + 2.4, PIN_Y)
        x += 2.4
    else:
        s.line((x, PIN_Y), (x + 0.6, PIN_Y))
        x += 0.6
    if s.has("R4"):
        s.across(elm.ResistorIEC, "R4", x, x + 2.4, PIN_Y)
        x += 2.4
    s.line((x, PIN_Y), (gate_x, PIN_Y))
    if s.has("R5"):
        s.dot(x + 0.2, PIN_Y)
        s.down(elm.ResistorIEC, "R5", x + 0.2, PIN_Y, 0.6)
        s.ground(x + 0.2, 0.6)
    if s.has("D4"):
        s.dot(x + 2.6, PIN_Y)
        s.down(elm.Diode, "D4", x + 2.6, 0.6, PIN_Y)
        s.ground(x + 2.6, 0.6)
