"""`sparktick check`: what is wrong, odd or assumed in a description, and its electrical side."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from ..board import Board
from ..electrical_buy import shopping_list
from ..electrical_json import electrical_content
from ..electrical_of import Electrical, electrical_of
from ..electrical_text import electrical_lines, failure_sentence, verdict_lines
from ..engine import AssumedValue, Engine, assumed_values
from ..errors import Fault, toml_key, toml_value
from ..parts import load_parts
from ..pipeline import make_plan
from ..start_warnings import all_warnings
from ._common import json_document, json_option, plain


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("-q", "--quiet", is_flag=True, help="Do not list the assumed values.")
@click.option(
    "--pictures",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Write the electrical side as pictures (SVG) into this folder.",
)
@json_option
def command(file: Path, quiet: bool, pictures: Path | None, as_json: bool) -> None:
    """Check the engine description FILE.

    Shows every fault with its remedy; if there is none, what the engine is, what looks odd,
    whether the spark is strong enough and anything is overloaded, what to buy, and each value that
    was assumed because the description leaves it out.  Ends with 1 when something is overloaded or
    the spark too weak.
    """
    product = make_plan(file)
    engine, board = product.engine, product.design.board
    electrical = electrical_of(engine, product.design, product.plan)
    purchases = shopping_list(electrical, load_parts())
    warnings = all_warnings(engine, product.design, str(file))
    assumed = assumed_values(engine)
    written = [] if pictures is None else write_pictures(electrical, pictures)
    if as_json:
        content = {
            **check_content(engine, file, warnings, assumed),
            "passed": electrical.passed,
            "electrical": electrical_content(electrical, purchases),
            "pictures": [str(path) for path in written],
        }
        click.echo(json_document("check", content), nl=False)
    else:
        lines = summary_lines(engine, board, product.design.arc_deg)
        lines += odd_lines(warnings)
        lines += ["", *electrical_lines(electrical, purchases)]
        lines += ["", "Verdicts:", *verdict_lines(electrical.verdicts)]
        if not quiet:
            lines += ["", "Assumed, because the description leaves it out:"]
            lines += assumed_lines(assumed)
        lines += [f"{path}: written" for path in written]
        click.echo("\n".join([*lines, "", last_line(file, warnings, electrical)]))
    if not electrical.passed:
        for verdict in electrical.failures:
            click.echo(f"sparktick: {failure_sentence(verdict)}", err=True)
        click.get_current_context().exit(1)


def write_pictures(electrical: Electrical, folder: Path) -> list[Path]:
    """Write every picture as SVG; return their files."""
    from ..electrical_figures import write_figures

    return write_figures(electrical, folder)


def odd_lines(warnings: tuple[Fault, ...]) -> list[str]:
    """Return what is odd, under a heading, or nothing."""
    return ["", "Odd:", *(f"  {warning.format()}" for warning in warnings)] if warnings else []


def last_line(file: Path, warnings: tuple[Fault, ...], electrical: Electrical) -> str:
    """Return the outcome in one line."""
    odd = f", {len(warnings)} odd" if warnings else ""
    failed, all_of = len(electrical.failures), len(electrical.verdicts)
    verdicts = (
        f"all {all_of} electrical verdicts good"
        if electrical.passed
        else f"{failed} of {all_of} electrical verdicts FAILED"
    )
    return f"{file}: no faults{odd}; {verdicts}"


def check_content(
    engine: Engine, file: Path, warnings: tuple[Fault, ...], assumed: list[AssumedValue]
) -> dict[str, Any]:
    """Return the outcome as JSON holds it."""
    return {
        "file": str(file),
        "name": engine.name,
        "engine": engine.model_dump(mode="json", by_alias=True),
        "warnings": [{**warning.as_dict(), "value": plain(warning.value)} for warning in warnings],
        "assumed": [
            {
                "key": item.key,
                "value": plain(item.value),
                "what": item.what,
                "part": item.part or None,
            }
            for item in assumed
        ],
    }


def summary_lines(engine: Engine, board: Board, arc_deg: float) -> list[str]:
    """Return a few lines by which the user sees that the right engine was read."""
    part, pickup, advance = engine.engine, engine.pickup, engine.advance
    trail = pickup.lead_edge_deg_btdc - arc_deg
    side = "BTDC" if trail >= 0 else "after TDC"
    points = ", ".join(f"{deg:g} at {rpm:g}" for rpm, deg in advance.curve)
    cylinders = "1 cylinder" if part.cylinders == 1 else f"{part.cylinders} cylinders"
    return [
        f"{engine.name}: {part.strokes}-stroke, {cylinders}, {part.displacement_cc:.1f} cc, "
        f"{part.idle_rpm:g} to {part.top_rpm:g} rpm, started by {part.starter}",
        f"  pickup   magnet arrives {pickup.lead_edge_deg_btdc:g} deg BTDC, "
        f"leaves {abs(trail):.1f} deg {side}; {pickup.sensor} on the {pickup.shaft}shaft",
        f"  advance  {advance.start_deg_btdc:g} deg below {advance.start_below_rpm:g} rpm, then "
        f"{points} rpm; no sparks above {advance.limit_rpm:g}",
        f"  coil     {engine.coil.kind}, {engine.coil.leads} lead(s); driver {engine.driver.kind}; "
        f"{engine.supply.volts:g} V",
        f"  board    {board.name} ({board.title})",
    ]


def _left_out(what: str) -> str:
    """Return what is done when a key is left out, as its description tells, or ""."""
    found = re.search(r"Left out: (.*?)\.(?: |$)", what)
    return f"({found[1]})" if found else ""


def assumed_lines(assumed: list[AssumedValue]) -> list[str]:
    """Return the assumed values as TOML would write them, grouped by table."""
    lines, section = [], ""
    for item in assumed:
        table, _, name = item.key.rpartition(".")
        shown = toml_value(item.value) if item.value is not None else _left_out(item.what)
        if not shown:
            continue
        if table != section:
            section = table
            lines.append(f"  {toml_key(table + '.').strip()}" if table else "")
        origin = f"    (part {item.part})" if item.part else ""
        lines.append(f"    {name} = {shown}{origin}")
    return lines
