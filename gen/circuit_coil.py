"""Right part of a circuit's drawing: switch, coil and plugs, or a unit that brings its switch."""

from __future__ import annotations

from .circuit_sheet import Sheet, elm

PIN_Y = 3.0
NODE_Y = 5.4  # collector and what hangs on it
COIL_LOW, COIL_HIGH, LEAD_Y = 7.0, 9.4, 10.2
SECOND = 1.5  # secondary, to the right of the primary
LOW_LEAD_Y = 6.4
PLUG_X, NEXT_PLUG = 5.6, 3.2
GAP_TOP, GAP_LOW = 4.6, 2.6

Rail = tuple[float, float]


def draw_inductive(s: Sheet, gate_x: float, rail: Rail) -> None:
    """Draw a switch of its own, clamp, ballast, coil and plugs; ``rail`` is the coil's supply."""
    c = s.circuit
    x, ends = _transistor(s, gate_x, c.driver)
    s.text(x + 0.6, PIN_Y, s.words("Q1"))
    s.line((x, ends[1]), (x, 1.0))
    s.ground(x, 1.0)
    s.line((x, ends[0]), (x, COIL_LOW))
    if "D3" in c:
        s.dot(x, NODE_Y)
        s.line((x, NODE_Y), (x + 2.8, NODE_Y))
        s.down(elm.Zener, "D3", x + 2.8, 1.0, NODE_Y)
        s.ground(x + 2.8, 1.0)
    top = rail[1]
    s.line(rail, (x, top))
    if "R6" in c:
        s.add(elm.ResistorIEC().at((x, top)).to((x, top - 2.4)))
        s.text(x - 0.5, top - 1.2, s.words("R6"), "right")
        top -= 2.4
    s.line((x, top), (x, COIL_HIGH))
    s.text(x - 0.5, 0.5 * (COIL_LOW + COIL_HIGH), s.words("T1"), "right")
    _windings(s, x)
    _leads(s, x, common=True)


def _transistor(s: Sheet, gate_x: float, kind: str) -> tuple[float, tuple[float, float]]:
    """Draw the switch with its gate at a place; return its x and the heights of its two ends."""
    if kind == "bipolar":
        q = s.add(elm.BjtNpn().theta(0).anchor("base").at((gate_x, PIN_Y)))
        high, low = q.absanchors["collector"], q.absanchors["emitter"]
    elif kind == "mosfet":
        q = s.add(elm.NFet().theta(0).reverse().anchor("gate").at((gate_x, PIN_Y)))
        high, low = q.absanchors["drain"], q.absanchors["source"]
    else:
        q = s.add(elm.IgbtN().theta(0).anchor("base").at((gate_x, PIN_Y)))
        high, low = q.absanchors["collector"], q.absanchors["emitter"]
    return float(high[0]), (float(high[1]), float(low[1]))


def _windings(s: Sheet, x: float) -> None:
    """Draw primary, core and secondary side by side."""
    s.add(elm.Inductor2(loops=4).at((x, COIL_HIGH)).to((x, COIL_LOW)))
    for k in (0.65, 0.85):
        s.line((x + k, COIL_LOW + 0.1), (x + k, COIL_HIGH - 0.1))
    s.add(elm.Inductor2(loops=4).at((x + SECOND, COIL_LOW)).to((x + SECOND, COIL_HIGH)))


def _leads(s: Sheet, x: float, *, common: bool) -> None:
    """Draw leads and plugs; ``common``: the secondary's low end is the primary's."""
    second, twin = x + SECOND, s.circuit.leads == 2
    s.line((second, COIL_HIGH), (second, LEAD_Y))
    far = x + PLUG_X + (NEXT_PLUG if twin else 0.0)
    _plug(s, 1, second, LEAD_Y, far)
    s.line((second, COIL_LOW), (second, LOW_LEAD_Y))
    if twin:
        _plug(s, 2, second, LOW_LEAD_Y, x + PLUG_X)
    elif common:
        s.line((second, LOW_LEAD_Y), (x, LOW_LEAD_Y))
        s.dot(x, LOW_LEAD_Y)
    else:
        s.ground(second, LOW_LEAD_Y)


def _plug(s: Sheet, number: int, x: float, y: float, end: float) -> None:
    """Draw lead, resistor and plug from (x, y) to the right and down."""
    ref = f"R{6 + number}"
    start = x + 1.0
    if ref in s.circuit:
        s.line((x, y), (start, y))
        s.across(elm.ResistorIEC, ref, start, start + 2.2, y)
        start += 2.2
    else:
        start = x
    s.line((start, y), (end, y), (end, GAP_TOP))
    s.add(elm.SparkGap().at((end, GAP_TOP)).to((end, GAP_LOW)))
    s.text(end + 0.5, 0.5 * (GAP_TOP + GAP_LOW), s.words(f"E{number}"))
    s.ground(end, GAP_LOW)


def draw_unit(s: Sheet, gate_x: float, rail: Rail) -> None:
    """Draw a unit that brings its own switch, with what is inside a dashed outline."""
    logic = s.circuit.coil == "logic"
    left = gate_x + 0.4
    x = gate_x + (3.0 if logic else 4.0)
    s.box(left, 0.2, x + 2.2, 10.8, "--")
    s.text(left + 0.2, PIN_Y + (0.4 if logic else -0.5), "signal" if logic else "trigger")
    if logic:
        q, ends = _transistor(s, x - 0.75, "igbt")
        s.line((gate_x, PIN_Y), (x - 0.75, PIN_Y))
        s.line((q, ends[1]), (q, 1.0))
        s.line((q, ends[0]), (q, COIL_LOW))
        s.line(rail, (q, rail[1]), (q, COIL_HIGH))
        s.ground(q, 1.0)
        x = q
    else:
        _discharge(s, gate_x, x, rail)
    _windings(s, x)
    _leads(s, x, common=logic)
    title = "coil with its own switch" if logic else "capacitor-discharge unit"
    s.text(x - (0.4 if logic else 2.4), 11.9, f"{s.words('T1')}\n{title}", "right")


def _discharge(s: Sheet, gate_x: float, x: float, rail: Rail) -> None:
    """Draw charger, capacitor and thyristor, and the primary's grounded end."""
    scr = s.add(elm.SCR().at((x, NODE_Y - 0.6)).to((x, 1.4)))
    gate = scr.absanchors["gate"]
    s.line((gate_x, PIN_Y), (float(gate[0]), PIN_Y), (float(gate[0]), float(gate[1])))
    s.line((x, 1.4), (x, 1.0))
    s.ground(x, 1.0)
    s.line((x, NODE_Y - 0.6), (x, NODE_Y))
    s.dot(x, NODE_Y)
    s.box(x - 3.0, NODE_Y - 0.6, x - 1.0, NODE_Y + 0.6)
    s.text(x - 2.0, NODE_Y, "charger", "center")
    s.line((x - 1.0, NODE_Y), (x, NODE_Y))
    s.line(rail, (x - 2.0, rail[1]), (x - 2.0, NODE_Y + 0.6))
    s.add(elm.Capacitor().at((x, NODE_Y)).to((x, COIL_LOW)))
    s.line((x, COIL_HIGH), (x, COIL_HIGH + 0.4), (x - 0.9, COIL_HIGH + 0.4))
    s.ground(x - 0.9, COIL_HIGH + 0.4)
