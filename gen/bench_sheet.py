"""A sheet to print for one engine's bench: drawing, parts, noise, readings, first start."""

from __future__ import annotations

import re
from html import escape

from .bench_words import CAUTIONS, Section, all_sections
from .circuit import Circuit
from .circuit_drawing import circuit_svg
from .design import Design
from .electrical_of import Electrical
from .engine import Engine
from .plan import Plan

STYLE = (
    "body{font:14px/1.45 sans-serif;max-width:56em;margin:2em auto;padding:0 1em;color:#111}"
    "h1{font-size:1.5em}h2{font-size:1.15em;border-bottom:1px solid #111;margin-top:1.6em}"
    "table{border-collapse:collapse;width:100%;font-size:.88em}"
    "td,th{border:1px solid #999;padding:.25em .5em;text-align:left;vertical-align:top}"
    ".blank td:last-child{min-width:5em}svg{width:100%;height:auto}"
    ".cautions{border:2px solid #b3122b;padding:.2em 1em .2em 2em}"
    "@page{size:A4;margin:14mm}"
    "@media print{body{font-size:9.5pt;margin:0;max-width:none;padding:0}"
    "td,th{padding:.12em .4em}h2{break-after:avoid}tr,.cautions,figure{break-inside:avoid}"
    "thead{display:table-header-group}"
    ".page{break-before:page}}"
)
NEW_PAGE = ("noise", "rest", "counters", "first")


def _words(text: str) -> str:
    """Return text as HTML, commands in backticks as code."""
    return re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(text))


def section_html(section: Section, level: int = 2) -> str:
    """Return one section as HTML, its title as a heading of a level."""
    parts = [f"<h{level}>{escape(section.title)}</h{level}>"]
    parts += [f"<p>{_words(word)}</p>" for word in section.words]
    if section.steps:
        items = "".join(f"<li>{_words(step)}</li>" for step in section.steps)
        parts.append(f"<ol>{items}</ol>")
    if section.rows:
        parts.append(_table(section))
    return "".join(parts)


def _table(section: Section) -> str:
    head = "".join(f'<th scope="col">{escape(word)}</th>' for word in section.heads)
    rows = ("".join(f"<td>{_words(cell)}</td>" for cell in row) for row in section.rows)
    body = "".join(f"<tr>{row}</tr>" for row in rows)
    kind = ' class="wordy blank"' if section.blank else ' class="wordy"'
    where = f'class="scroll" tabindex="0" role="region" aria-label="{escape(section.title)}"'
    return (
        f"<div {where}><table{kind}><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        "</div>"
    )


def drawing_html(circuit: Circuit) -> str:
    """Return the circuit's drawing as inline SVG that says what it is."""
    svg = re.sub(r' xmlns(:\w+)?="[^"]*"', "", circuit_svg(circuit).decode())
    parts = ", ".join(f"{part.ref} {part.what}" for part in circuit.parts)
    label = escape(f"Circuit of {circuit.name}: {parts}", quote=True)
    return svg.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


def sheet_html(
    engine: Engine, design: Design, plan: Plan, electrical: Electrical, circuit: Circuit
) -> str:
    """Return the sheet as one page."""
    sections = all_sections(engine, design, plan, electrical, circuit)
    name = escape(circuit.name)
    cautions = "".join(f"<li>{escape(word)}</li>" for word in CAUTIONS)
    body = [
        f'<h1>{name}: bench sheet</h1><ul class="cautions">{cautions}</ul>',
        f"<h2>Circuit</h2><figure>{drawing_html(circuit)}</figure>",
    ]
    for section in sections:
        kind = ' class="page"' if section.key in NEW_PAGE else ""
        body.append(f"<section{kind}>{section_html(section)}</section>")
    head = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{name}: bench sheet</title><style>{STYLE}</style></head>"
    )
    return f"{head}<body>{''.join(body)}</body></html>\n"
