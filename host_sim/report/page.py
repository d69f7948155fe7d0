"""ReportData -> one HTML file that needs nothing else: no network, no script, no other file."""

from __future__ import annotations

import importlib.resources
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import jinja2
from markupsafe import Markup

from sparktick.gen.bench_sheet import drawing_html, section_html
from sparktick.gen.bench_words import bench_sections, wiring_sections
from sparktick.gen.render import tool_version

from . import figure_turn, figures, figures_electrical, tables
from .data import ReportData
from .figures import Picture
from .figures_motion import motion_pictures
from .figures_parts import part_pictures
from .figures_watched import watched_picture
from .svg import to_svg
from .verdicts import Group, Row, all_rows, verdict_groups

PACKAGE = "sparktick.host_sim.report"
MARK = "sparktick report"  # by which a file of ours is known
UNITS = {"deg": "°", "us": "µs", "C": "°C", "percent": "%", "times": "times"}


@dataclass(frozen=True)
class Shown:
    """A picture in its place on the page: number, words, and both drawings as markup."""

    number: int
    picture: Picture
    wide: Markup
    narrow: Markup


def number(value: float) -> str:
    """Return a number with four figures, or whole.

    >>> number(0.0123456), number(15448.0), number(-3e-12)
    ('0.01235', '15448', '0')
    """
    if abs(value) < 1e-6:
        return "0"
    if abs(value - round(value)) < 1e-6 or abs(value) >= 10000:
        return f"{value:.0f}"
    return f"{value:.4g}"


def unit(name: str) -> str:
    """Return a unit as a reader expects it.

    >>> unit("us"), unit("ticks")
    ('µs', 'ticks')
    """
    return UNITS.get(name, name)


def pictures(data: ReportData) -> dict[str, list[Picture]]:
    """Return the pictures of each section, in the order of the page."""
    found: dict[str, list[Picture | None]] = {
        "angle": [figures.advance(data), figures.error(data)],
        "charge": [
            figures.dwell(data),
            figures_electrical.energy(data),
            figures_electrical.voltage(data),
            figures_electrical.heat(data),
            figures_electrical.schemes(data),
            *part_pictures(data, "charge"),
        ],
        "turn": [figure_turn.turn_picture(data, turn) for turn in data.turns],
        "start": [figures.start(data)],
        "motion": [] if isinstance(data.motion, str) else [*motion_pictures(data.motion)],
        "noise": [figures.noise(data)],
        "delays": [*part_pictures(data, "delays")],
        "bench": [watched_picture(data.watched) if data.watched else None],
    }
    return {section: [p for p in some if p is not None] for section, some in found.items()}


def drawn(data: ReportData, step: Callable[[str], None]) -> dict[str, list[Shown]]:
    """Draw every picture for both widths; ``step`` is told each one's title."""
    shown: dict[str, list[Shown]] = {}
    count = 0
    for section, some in pictures(data).items():
        shown[section] = []
        for picture in some:
            step(picture.title)
            count += 1
            wide, narrow = (
                Markup(to_svg(picture.draw, picture.name, picture.spoken, narrow=narrow))
                for narrow in (False, True)
            )
            shown[section].append(Shown(count, picture, wide, narrow))
    return shown


def _text(name: str) -> str:
    return (importlib.resources.files(PACKAGE) / name).read_text(encoding="utf-8")


def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        undefined=jinja2.StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        loader=jinja2.FunctionLoader(_text),
    )
    environment.filters.update(number=number, unit=unit)
    return environment


def failed_rows(groups: Iterable[Group]) -> list[tuple[Group, Row]]:
    """Return the bars that were not kept, each with its group."""
    return [(group, row) for group in groups for row in group.rows if not row.passed]


def _bench(data: ReportData) -> dict[str, Any]:
    """Return drawing, wiring and bench procedure as markup; empty without a description."""
    d = data.description
    if d is None:
        return {"drawing": "", "wiring": [], "bench": []}
    wiring = wiring_sections(d.design, d.electrical, d.circuit)
    bench = bench_sections(d.engine, d.design, d.plan, d.electrical)
    return {
        "drawing": Markup(drawing_html(d.circuit)),
        "wiring": [Markup(section_html(section, 3)) for section in wiring],
        "bench": [Markup(section_html(section, 3)) for section in bench],
    }


def render_page(data: ReportData, step: Callable[[str], None] = lambda what: None) -> str:
    """Return the page; the same data gives the same bytes."""
    groups = verdict_groups(data)
    description = data.description
    view: dict[str, Any] = {
        "mark": f"{MARK} {tool_version()}",
        "css": Markup(_text("report.css")),
        "version": tool_version(),
        "data": data,
        "m": data.manifest,
        "d": description,
        "groups": groups,
        "bars": len(all_rows(groups)),
        "failed": failed_rows(groups),
        "not_run": [part for part in data.chips if part.not_run],
        "ran": [part for part in data.chips if not part.not_run],
        "figures": drawn(data, step),
        "tables": tables,
        **_bench(data),
    }
    return _environment().get_template("report.html.j2").render(view)


def report_content(data: ReportData) -> dict[str, Any]:
    """Return what the page says as plain values for --json."""
    groups = verdict_groups(data)
    return {
        "name": data.manifest.name,
        "board": data.board.name,
        "description": data.description.file if data.description else None,
        "seed": data.seed,
        "passed": all(group.passed for group in groups),
        "verdicts": [
            {
                "title": group.title,
                "source": group.source,
                "passed": group.passed,
                "rows": [row.as_dict() for row in group.rows],
            }
            for group in groups
        ],
        "emulators": [
            {"name": part.emulator, "source": part.source, "not_run": part.not_run or None}
            for part in data.chips
        ],
        "figures": [picture.name for some in pictures(data).values() for picture in some],
        "speeds": [tables.speed_dict(point) for point in data.host],
        "delays": [
            {
                "name": delay.name,
                "delay_us": round(delay.us, 4),
                "at_top_speed_deg": round(delay.deg(data.manifest.top_rpm), 4),
            }
            for delay in data.delays
        ],
    }
