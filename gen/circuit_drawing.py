"""A circuit as an SVG drawing.

Places are fixed and far apart, so that every combination of choices has room for its words; the
tests measure that no two words overlap.
"""

from __future__ import annotations

import re
from importlib import import_module
from itertools import pairwise
from typing import Any

import schemdraw

from .circuit import Circuit

# Its elements are untyped.
elm: Any = import_module("schemdraw.elements")

RAIL, COIL_RAIL = 10.0, 13.0
BOARD = (10.0, -1.0, 14.5, 6.0)
PIN_Y = 3.0
GATE_X = 25.0
FONT = 11
MARGIN_PT = 40.0
GAP_TOP, GAP_LOW = 4.6, 2.6


class Sheet:
    """A drawing with absolute places; a part is drawn with its reference and value."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.drawing = schemdraw.Drawing(show=False, fontsize=FONT, unit=2)

    def add(self, element: Any) -> Any:
        """Place an element."""
        return self.drawing.add(element)

    def words(self, ref: str) -> str:
        """Return reference and value, as drawn."""
        return f"{ref}\n{self.circuit[ref].value}"

    def text(self, x: float, y: float, words: str, align: str = "left") -> None:
        """Write words at a place."""
        self.add(elm.Label().at((x, y)).theta(0).label(words, halign=align, valign="center"))

    def line(self, *points: tuple[float, float]) -> None:
        """Draw a wire through points."""
        for a, b in pairwise(points):
            self.add(elm.Line().at(a).to(b))

    def dot(self, x: float, y: float) -> None:
        """Mark a junction."""
        self.add(elm.Dot().at((x, y)))

    def ground(self, x: float, y: float) -> None:
        """Draw the common ground."""
        self.add(elm.Ground().at((x, y)).theta(0))

    def across(self, kind: Any, ref: str, x1: float, x2: float, y: float) -> None:
        """Draw a part lying, its words above it."""
        self.add(kind().at((x1, y)).to((x2, y)))
        self.text((x1 + x2) / 2, y + 1.0, self.words(ref), "center")

    def down(self, kind: Any, ref: str, x: float, y1: float, y2: float) -> None:
        """Draw a standing part, its words to the right."""
        self.add(kind().at((x, y1)).to((x, y2)))
        self.text(x + 0.6, (y1 + y2) / 2, self.words(ref))


def circuit_svg(circuit: Circuit) -> bytes:
    """Return the drawing; the same circuit gives the same bytes."""
    schemdraw.use("svg")
    sheet = Sheet(circuit)
    _supply(sheet)
    _board(sheet)
    _pickup(sheet)
    _gate(sheet)
    if circuit.coil == "inductive":
        _switch(sheet)
    else:
        _unit(sheet)
    sheet.text(-1.0, -3.6, f"{circuit.name}: all grounds meet in one point, at the coil's own.")
    return _with_margin(sheet.drawing.get_imagedata("svg").decode()).encode()


def _with_margin(svg: str) -> str:
    """Widen a drawing by a margin: the library's box does not count words."""

    def wider(found: re.Match[str]) -> str:
        x, y, width, height = (float(word) for word in found[3].split())
        x, width = x - MARGIN_PT, width + 3.0 * MARGIN_PT
        size = f'height="{height:.1f}pt" width="{width:.1f}pt"'
        return f'{size} viewBox="{x:.1f} {y:.1f} {width:.1f} {height:.1f}"'

    return re.sub(
        r'height="([\d.]+)pt" width="([\d.]+)pt" viewBox="([-\d. ]+)"', wider, svg, count=1
    )


def _supply(s: Sheet) -> None:
    s.add(elm.Battery().at((-1.0, RAIL - 3.0)).to((-1.0, RAIL)))
    s.text(-2.0, RAIL - 1.5, "battery", "right")
    s.ground(-1.0, RAIL - 3.0)
    s.across(elm.Fuse, "F1", -1.0, 1.5, RAIL)
    s.dot(1.5, RAIL)
    s.line((1.5, RAIL), (1.5, COIL_RAIL))
    s.across(elm.Switch, "S1", 1.5, 5.0, COIL_RAIL)
    x1 = BOARD[0] + 2.0
    if "R1" not in s.circuit:
        s.line((1.5, RAIL), (x1, RAIL), (x1, BOARD[3]))
        return
    s.across(elm.Schottky, "D1", 1.5, 4.0, RAIL)
    s.dot(4.5, RAIL)
    s.line((4.0, RAIL), (5.0, RAIL))
    s.down(elm.Zener, "D2", 4.5, RAIL - 2.2, RAIL)
    s.ground(4.5, RAIL - 2.2)
    s.across(elm.ResistorIEC, "R1", 5.0, 8.0, RAIL)
    s.dot(8.5, RAIL)
    s.down(elm.Capacitor, "C1", 8.5, RAIL, RAIL - 2.2)
    s.ground(8.5, RAIL - 2.2)
    s.line((8.0, RAIL), (x1, RAIL), (x1, BOARD[3]))


def _board(s: Sheet) -> None:
    x1, y1, x2, y2 = BOARD
    board = s.circuit.board
    s.add(elm.Rect(corner1=(0, 0), corner2=(x2 - x1, y2 - y1)).at((x1, y1)).theta(0))
    s.text((x1 + x2) / 2, 1.2, board.name, "center")
    s.text(x1 + 2.0, y2 - 0.4, s.circuit.raw_pin, "center")
    s.text(x1 + 0.2, 4.8, s.circuit.logic_pin)
    s.text(x1 + 0.2, PIN_Y, board.pins.pickup.printed)
    s.text(x2 - 0.2, PIN_Y, board.pins.coil.printed, "right")
    s.text(x2 - 0.2, 0.0, board.pins.serial_tx.printed, "right")
    s.text(x1 + 2.0, y1 + 0.4, "GND", "center")
    s.line((x2, 0.0), (x2 + 1.0, 0.0))
    s.text(x2 + 1.2, 0.0, "to the computer")
    s.ground(x1 + 2.0, y1)


def _pickup(s: Sheet) -> None:
    c = s.circuit
    s.add(elm.Rect(corner1=(0, 0), corner2=(3.2, 4.6)).at((-1.0, 1.0)).theta(0))
    s.text(0.3, 3.3, f"B1\n{c.sensor}", "center")
    x1 = BOARD[0]
    if c.sensor != "points":
        s.text(2.0, 4.8, "+", "right")
        if c.sensor_from_battery:
            s.line((2.2, 4.8), (2.8, 4.8), (2.8, 6.0))
            s.add(elm.Dot(open=True).at((2.8, 6.0)))
            s.text(2.8, 6.5, f"to {c.raw_pin}", "center")
        else:
            s.line((2.2, 4.8), (4.2, 4.8))
    s.line((4.2, 4.8), (x1, 4.8))
    s.down(elm.ResistorIEC, "R2", 4.2, 4.8, PIN_Y)
    s.dot(4.2, PIN_Y)
    s.text(2.0, PIN_Y, "out", "right")
    s.line((2.2, PIN_Y), (4.2, PIN_Y))
    s.text(2.0, 1.6, "−", "right")
    s.line((2.2, 1.6), (2.8, 1.6), (2.8, 1.0))
    s.ground(2.8, 1.0)
    if "R3" in c:
        s.add(elm.ResistorIEC().at((5.0, PIN_Y)).to((8.0, PIN_Y)))
        s.text(6.5, PIN_Y - 1.0, s.words("R3"), "center")
        s.line((4.2, PIN_Y), (5.0, PIN_Y))
        s.line((8.0, PIN_Y), (x1, PIN_Y))
    else:
        s.line((4.2, PIN_Y), (x1, PIN_Y))
    if "C2" in c:
        s.dot(8.6, PIN_Y)
        s.add(elm.Capacitor().at((8.6, PIN_Y)).to((8.6, 0.6)))
        s.ground(8.6, 0.6)
        s.text(7.9, 0.8, s.words("C2"), "right")


def _gate(s: Sheet) -> None:
    c, x = s.circuit, BOARD[2]
    if "C3" in c:
        s.line((x, PIN_Y), (x + 0.5, PIN_Y))
        s.across(elm.Capacitor, "C3", x + 0.5, x + 2.5, PIN_Y)
    else:
        s.line((x, PIN_Y), (x + 2.5, PIN_Y))
    if "R4" in c:
        s.across(elm.ResistorIEC, "R4", x + 2.5, x + 5.0, PIN_Y)
    else:
        s.line((x + 2.5, PIN_Y), (x + 5.0, PIN_Y))
    s.line((x + 5.0, PIN_Y), (GATE_X, PIN_Y))
    if "R5" in c:
        s.dot(x + 5.3, PIN_Y)
        s.down(elm.ResistorIEC, "R5", x + 5.3, PIN_Y, 0.6)
        s.ground(x + 5.3, 0.6)
    if "D4" in c:
        s.dot(x + 8.2, PIN_Y)
        s.down(elm.Diode, "D4", x + 8.2, 0.6, PIN_Y)
        s.ground(x + 8.2, 0.6)


def _switch(s: Sheet) -> None:
    c = s.circuit
    x, ends = _transistor(s, c.driver)
    s.text(x + 0.9, PIN_Y, s.words("Q1"))
    s.line((x, ends[1]), (x, 1.0))
    s.ground(x, 1.0)
    s.line((x, ends[0]), (x, 7.0))
    s.dot(x, 5.4)
    if "D3" in c:
        s.line((x, 5.4), (x + 4.0, 5.4))
        s.down(elm.Zener, "D3", x + 4.0, 1.0, 5.4)
        s.ground(x + 4.0, 1.0)
    top = COIL_RAIL
    s.line((5.0, COIL_RAIL), (x, COIL_RAIL))
    if "R6" in c:
        s.add(elm.ResistorIEC().at((x, COIL_RAIL)).to((x, COIL_RAIL - 2.4)))
        s.text(x - 0.6, COIL_RAIL - 1.2, s.words("R6"), "right")
        top = COIL_RAIL - 2.4
    _coil(s, x, top)


def _transistor(s: Sheet, kind: str) -> tuple[float, tuple[float, float]]:
    """Draw the switch with its gate at GATE_X; return its x and the heights of its two ends."""
    if kind == "bipolar":
        q = s.add(elm.BjtNpn().theta(0).anchor("base").at((GATE_X, PIN_Y)))
        high, low = q.absanchors["collector"], q.absanchors["emitter"]
    elif kind == "mosfet":
        q = s.add(elm.NFet().theta(0).reverse().anchor("gate").at((GATE_X, PIN_Y)))
        high, low = q.absanchors["drain"], q.absanchors["source"]
    else:
        q = s.add(elm.IgbtN().theta(0).anchor("base").at((GATE_X, PIN_Y)))
        high, low = q.absanchors["collector"], q.absanchors["emitter"]
    return float(high[0]), (float(high[1]), float(low[1]))


def _coil(s: Sheet, x: float, top: float) -> None:
    """Draw primary and secondary side by side, and the plugs behind."""
    s.add(elm.Inductor2(loops=4).at((x, 9.4)).to((x, 7.0)))
    s.line((x, top), (x, 9.4))
    s.text(x - 1.0, 8.2, s.words("T1"), "right")
    for k in (0.65, 0.85):
        s.line((x + k, 7.1), (x + k, 9.3))
    second = x + 1.5
    s.add(elm.Inductor2(loops=4).at((second, 7.0)).to((second, 9.4)))
    s.line((second, 9.4), (second, 10.2))
    _plug(s, 1, second, 10.2)
    if s.circuit.leads == 2:
        s.line((second, 7.0), (second, 6.4), (second + 2.6, 6.4), (second + 2.6, 7.0))
        _plug(s, 2, second + 2.6, 7.0)
    else:
        s.line((second, 7.0), (second, 6.4), (x, 6.4))
        s.dot(x, 6.4)


def _plug(s: Sheet, number: int, x: float, y: float) -> None:
    """Draw lead, resistor and plug from (x, y) to the right."""
    ref, plug = f"R{6 + number}", f"E{number}"
    end = x + (7.4 if number == 1 else 4.8)
    if ref in s.circuit:
        start = x + (2.6 if number == 1 else 0.0)
        s.line((x, y), (start, y))
        s.across(elm.ResistorIEC, ref, start, start + 2.4, y)
        s.line((start + 2.4, y), (end, y))
    else:
        s.line((x, y), (end, y))
    end_x = end + (4.0 if number == 1 else 0.0)
    s.line((end, y), (end_x, y), (end_x, GAP_TOP))
    s.add(elm.SparkGap().at((end_x, GAP_TOP)).to((end_x, GAP_LOW)))
    s.text(end_x + 0.6, 3.6, s.words(plug))
    s.ground(end_x, GAP_LOW)


def _unit(s: Sheet) -> None:
    """Draw a unit that brings its own switch: supply, signal, ground, plug leads."""
    c = s.circuit
    title = "coil with its own switch" if c.coil == "logic" else "capacitor-discharge unit"
    s.add(elm.Rect(corner1=(0, 0), corner2=(6.5, 7.4)).at((GATE_X, 1.0)).theta(0))
    s.text(GATE_X + 3.25, 5.4, f"T1\n{title}\n{c['T1'].value}\n{c['T1'].rating}", "center")
    s.text(GATE_X + 0.2, PIN_Y, "signal" if c.coil == "logic" else "trigger")
    s.text(GATE_X + 3.25, 8.0, "+", "center")
    s.line((5.0, COIL_RAIL), (GATE_X + 3.25, COIL_RAIL), (GATE_X + 3.25, 8.4))
    s.text(GATE_X + 3.25, 1.4, "−", "center")
    s.ground(GATE_X + 3.25, 1.0)
    right = GATE_X + 6.5
    _plug(s, 1, right, 7.6)
    if c.leads == 2:
        _plug(s, 2, right, 5.2)
