"""`sparktick check`: what is wrong, odd or assumed in a description."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from ..board import Board, load_board
from ..engine import AssumedValue, Engine, assumed_values, find_warnings, read_engine
from ..errors import Fault, toml_key, toml_value
from ._common import json_document, json_option, plain


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("-q", "--quiet", is_flag=True, help="Do not list the assumed values.")
@json_option
def command(file: Path, quiet: bool, as_json: bool) -> None:
    """Check the engine description FILE.

    Shows every fault with its remedy; if there is none, what the engine is, what looks odd, and
    each value that was assumed because the description leaves it out.
    """
    engine = read_engine(file)
    board = load_board(engine.board.name)
    warnings = find_warnings(engine, board, str(file))
    assumed = assumed_values(engine)
    if as_json:
        content = check_content(engine, file, warnings, assumed)
        click.echo(json_document("check", content), nl=False)
        return
    click.echo("\n".join(summary_lines(engine, board)))
    if warnings:
        click.echo("\nOdd:")
    for warning in warnings:
        click.echo(f"  {warning.format()}")
    if not quiet:
        click.echo("\nAssumed, because the description leaves it out:")
        click.echo("\n".join(assumed_lines(assumed)))
    click.echo(f"\n{file}: no faults" + (f", {len(warnings)} odd" if warnings else ""))


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
            {"key": item.key, "value": plain(item.value), "what": item.what} for item in assumed
        ],
    }


def summary_lines(engine: Engine, board: Board) -> list[str]:
    """Return a few lines by which the user sees that the right engine was read."""
    part, pickup, advance = engine.engine, engine.pickup, engine.advance
    trail = pickup.trail_edge_deg_btdc
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
        lines.append(f"    {name} = {shown}")
    return lines
