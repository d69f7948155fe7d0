"""A sheet to print for one engine's bench: readings to expect, and noise to keep out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from .circuit import Circuit
from .design import Design
from .electrical_of import Electrical
from .plan import Plan

STROBE_DEG = 0.5  # what a strobe and a degree wheel tell (common practice, no source)
OPTO_S = 5e-6  # a fast optical isolator with its pull-up; from memory
COUNT_S = 10.0
CAUTIONS = (
    "The plug lead carries tens of kilovolts: stay clear while the arming switch is closed.",
    "Propeller or load off, fingers and cables away from what turns; no fuel or vapour near.",
    "Local rules and people licensed for such work come first.",
)


@dataclass(frozen=True)
class Step:
    """One speed: expected strobe reading and its tolerance, dwell, and counts in ten seconds."""

    rpm: float
    strobe_deg_btdc: float
    tolerance_deg: float
    dwell_us: float
    pulses: int


def steps(design: Design, plan: Plan) -> list[Step]:
    """Return the curve's points and two speeds between each, up to the speed limit.

    The tolerance is the strobe's, and what two timer ticks are at that speed.
    """
    points = [rpm for rpm, _ in design.curve]
    between = [a + (b - a) * k / 3 for a, b in pairwise(points) for k in (1, 2)]
    found = []
    for rpm in sorted({*points, *between, design.top_rpm}):
        if not design.start.below_rpm <= rpm <= design.limit_rpm:
            continue
        period_us = design.spacing_deg / (6.0 * rpm) * 1e6
        dwell_us = min(plan.dwell_ticks / plan.tick_hz * 1e6, period_us - design.off_min_s * 1e6)
        tolerance = STROBE_DEG + 2.0 * 6.0 * rpm / plan.tick_hz
        pulses = round(COUNT_S * 1e6 / period_us)
        found.append(Step(rpm, design.advance_deg(rpm), tolerance, max(dwell_us, 0.0), pulses))
    return found


def noise_rows(design: Design, electrical: Electrical, circuit: Circuit) -> list[tuple[str, str]]:
    """Return what to do against noise, with this build's numbers, and why."""
    line = electrical.line
    opto_deg = 6.0 * design.top_rpm * OPTO_S
    plug = circuit["R7"].value if "R7" in circuit else "none is described: fit one"
    rows = [
        (f"Resistor in plug or lead: {plug}", "damps the spark's current where it begins"),
        (
            f"Pickup filter {_value(circuit, 'R3')} and {_value(circuit, 'C2')}: pulses "
            f"shorter than {line.shortest_noise_s * 1e6:.2g} µs do not reach the pin, the "
            f"firmware wants the level to hold for {line.confirm_s * 1e6:.0f} µs",
            "series resistor and capacitor on each line from outside (AVR040, from memory)",
        ),
        (
            "Sensor lead twisted and screened, screen to ground at the board only",
            "no loop for the spark's field, no spark current in the screen (common practice)",
        ),
        (
            "One ground point at the coil; the board's ground goes there by its own wire",
            "star ground without loops (AVR040 and AN1259, from memory)",
        ),
        (
            f"Isolator in the pickup line where nothing else helps: about {OPTO_S * 1e6:.0f} µs, "
            f"{opto_deg:.2f} deg at {design.top_rpm:.0f} rpm; add it to sensor_delay_us",
            "no metallic way into the board; the delay is taken back when it is described",
        ),
        (
            "Board 0.3 m or more from coil and plug lead, its leads not beside them",
            "the field falls with distance (common practice, no source)",
        ),
    ]
    if "R1" in circuit:
        row = (
            f"Supply filter {_value(circuit, 'R1')} and {_value(circuit, 'C1')}",
            circuit["R1"].why,
        )
        rows.insert(2, row)
    return rows


def _value(circuit: Circuit, ref: str) -> str:
    return circuit[ref].value if ref in circuit else "none"


def _table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    head = "".join(f"<th>{escape(word)}</th>" for word in heads)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<table><tr>{head}</tr>{body}</table>"


def sheet_html(design: Design, plan: Plan, electrical: Electrical, circuit: Circuit) -> str:
    """Return the sheet: cautions, static check, speeds with expected readings, noise."""
    rows = [
        (
            f"{s.rpm:.0f}",
            f"{s.strobe_deg_btdc:.1f} ± {s.tolerance_deg:.1f}",
            f"{s.dwell_us:.0f}",
            f"{s.pulses}",
            "",
        )
        for s in steps(design, plan)
    ]
    noise = [(what, why, "") for what, why in noise_rows(design, electrical, circuit)]
    static = (
        f"Coil's fuse out. Turn by hand: the lamp changes at {design.lead_deg_btdc:.1f} deg "
        f"before top dead centre and back at {design.trail_deg_btdc:.1f} deg. Else correct "
        "the description, generate, build and flash again."
    )
    counters = (
        "pulse and spark grow by what the table says in ten seconds, all other counters stand "
        "still but for those of starting. One that grows is explained in docs/bench.md."
    )
    parts = [
        f"<h1>{escape(circuit.name)}: bench sheet</h1>",
        "<ul>" + "".join(f"<li>{escape(word)}</li>" for word in CAUTIONS) + "</ul>",
        f"<h2>At rest</h2><p>{escape(static)}</p>",
        "<h2>Turned by a drill, coil armed, no fuel</h2>",
        _table(("rpm", "strobe [deg BTDC]", "dwell [µs]", "pulses in 10 s", "read"), rows),
        f"<p>{escape(counters)}</p>",
        f"<p>Above {design.limit_rpm:.0f} rpm no sparks come, below {design.resume_rpm:.0f} rpm "
        f"they come again. Below {design.floor_rpm:.0f} rpm there are none.</p>",
        "<h2>Keeping noise out</h2>",
        _table(("what", "why", "done"), noise),
    ]
    style = (
        "body{font:14px/1.5 sans-serif;max-width:48em;margin:2em auto;padding:0 1em}"
        "table{border-collapse:collapse;width:100%}"
        "td,th{border:1px solid #999;padding:.3em .6em;text-align:left;vertical-align:top}"
        "td:last-child{min-width:4em}"
    )
    head = '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>'
    head += f"{escape(circuit.name)}: bench sheet</title><style>{style}</style></head>"
    return f"{head}<body>{''.join(parts)}</body></html>\n"
