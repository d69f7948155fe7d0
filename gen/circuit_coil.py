"""Right part of a circuit's drawing: switch, coil and plugs, or a unit that brings its switch."""

from __future__ import annotations

from .circuit_sheet import Place, Sheet, elm

PIN_Y = 3.0
NODE_Y = 5.4  # collector and what hangs on it
COIL_LOW, COIL_HIGH, LEAD_Y = 7.0, 9.4, 10.2
SECOND = 1.5  # secondary, to the right of the primary
LOW_LEAD_Y = 6.4
PLUG_X, NEXT_PLUG = 5.6, 3.2
GAP_TOP, GAP_LOW = 4.6, 2.6


def draw_inductive(s: Sheet, gate_x: float, rail: Place) -> None:
    """Draw a switch of its own, clamp, ballast, coil and plugs; ``rail`` is the coil's supply."""
    x, ends = _transistor(s, gate_x, s.circuit.driver)
    s.text(x + 0.6, PIN_Y, s.words("Q1"))
    s.line((x, ends[1]), (x, 1.0))
    s.ground(x, 1.0)
    s.line((x, ends[0]), (x, COIL_LOW))
    if s.has("D3"):
        s.dot(x, NODE_Y)
        s.line((x, NODE_Y), (x + 2.8, NODE_Y))
        s.down(elm.Zener, "D3", x + 2.8, 1.0, NODE_Y)
        s.ground(x + 2.8, 1.0)
    top = rail[1]
    s.line(rail, (x, top))
    if s.has("R6"):
        s.between(elm.ResistorIEC(), (x, top), (x, top - 2.4))
        s.text(x - 0.5, top - 1.2, s.words("R6"), "right")
        top -= 2.4
    s.line((x, top), (x, COIL_HIGH))
    s.text(x - 0.5, 0.5 * (COIL_LOW + COIL_HIGH), s.words("T1"), "right")
    _windings(s, x)
    _leads(s, x, common=True)


def _transistor(s: Sheet, gate_x: float, kind: str) -> tuple[float, tuple[float, float]]:
    """Draw the switch with its gate at a place; return its x and the heights of its two ends."""
    place = (gate_x, PIN_Y)
    if kind == "bipolar":
        at = s.anchored(elm.BjtNpn(), "base", place)
    elif kind == "mosfet":
        at = s.anchored(elm.NFet().reverse(), "gate", place)
        at |= {"collector": at["drain"], "emitter": at["source"]}
    else:
        at = s.anchored(elm.IgbtN(), "base", place)
    return at["collector"][0], (at["collector"][1], at["emitter"][1])


def _windings(s: Sheet, x: float) -> None:
    """Draw primary, core and secondary side by side."""
    s.between(elm.Inductor2(loops=4), (x, COIL_HIGH), (x, COIL_LOW))
    for k in (0.65, 0.85):
        s.line((x + k, COIL_LOW + 0.1), (x + k, COIL_HIGH - 0.1))
    s.between(elm.Inductor2(loops=4), (x + SECOND, COIL_LOW), (x + SECOND, COIL_HIGH))


def _leads(s: Sheet, x: float, *, common: bool) -> None:
    """Draw leads and plugs; ``common``: the secondary's low end is the primary's."""
    second, twin = x + SECOND, s.circuit.leads == 2
    s.line((second, COIL_HIGH), (second, LEAD_Y))
    far = x + PLUG_X + (NEXT_PLUG if twin else 0.0)
    _plug(s, 1, (second, LEAD_Y), far)
    s.line((second, COIL_LOW), (second, LOW_LEAD_Y))
    if twin:
        _plug(s, 2, (second, LOW_LEAD_Y), x + PLUG_X)
    elif common:
        s.line((second, LOW_LEAD_Y), (x, LOW_LEAD_Y))
        s.dot(x, LOW_LEAD_Y)
    else:
        s.ground(second, LOW_LEAD_Y)


def _plug(s: Sheet, number: int, begin: Place, end: float) -> None:
    """Draw lead, resistor and plug from a place to the right and down."""
    name, (x, y) = f"R{6 + number}", begin
    if s.has(name):
        s.line((x, y), (x + 1.0, y))
        s.across(elm.ResistorIEC, name, x + 1.0, x + 3.2, y)
        x += 3.2
    s.line((x, y), (end, y), (end, GAP_TOP))
    s.between(elm.SparkGap(), (end, GAP_TOP), (end, GAP_LOW))
    s.text(end + 0.5, 0.5 * (GAP_TOP + GAP_LOW), s.words(f"E{number}"))
    s.ground(end, GAP_LOW)


def draw_unit(s: Sheet, gate_x: float, rail: Place) -> None:
    """Draw a unit that brings its own switch, with what is inside a dashed outline."""
    own_switch = s.circuit.coil == "logic"
    left = gate_x + 0.4
    x = gate_x + (3.0 if own_switch else 4.0)
    s.box(left, 0.2, x + 2.2, 10.8, "--")
    word = "signal" if own_switch else "trigger"
    s.text(left + 0.2, PIN_Y + (0.4 if own_switch else -0.5), word)
    if own_switch:
        x, ends = _transistor(s, x - 0.75, "igbt")
        s.line((gate_x, PIN_Y), (x - 0.75, PIN_Y))
        s.line((x, ends[1]), (x, 1.0))
        s.line((x, ends[0]), (x, COIL_LOW))
        s.line(rail, (x, rail[1]), (x, COIL_HIGH))
        s.ground(x, 1.0)
    else:
        _discharge(s, gate_x, x, rail)
    _windings(s, x)
    _leads(s, x, common=own_switch)
    title = "coil with its own switch" if own_switch else "capacitor-discharge unit"
    s.text(x - (0.4 if own_switch else 2.4), 11.9, f"{s.words('T1')}\n{title}", "right")


def _discharge(s: Sheet, gate_x: float, x: float, rail: Place) -> None:
    """Draw charger, capacitor and thyristor, and the primary's grounded end."""
    thyristor = s.between(elm.SCR(), (x, NODE_Y - 0.6), (x, 1.4))
    s.line((gate_x, PIN_Y), (thyristor["gate"][0], PIN_Y), thyristor["gate"])
    s.line((x, 1.4), (x, 1.0))
    s.ground(x, 1.0)
    s.line((x, NODE_Y - 0.6), (x, NODE_Y))
    s.dot(x, NODE_Y)
    s.box(x - 3.0, NODE_Y - 0.6, x - 1.0, NODE_Y + 0.6)
    s.text(x - 2.0, NODE_Y, "charger", "center")
    s.line((x - 1.0, NODE_Y), (x, NODE_Y))
    s.line(rail, (x - 2.0, rail[1]), (x - 2.0, NODE_Y + 0.6))
    s.between(elm.Capacitor(), (x, NODE_Y), (x, COIL_LOW))
    s.line((x, COIL_HIGH), (x, COIL_HIGH + 0.4), (x - 0.9, COIL_HIGH + 0.4))
    s.ground(x - 0.9, COIL_HIGH + 0.4)
