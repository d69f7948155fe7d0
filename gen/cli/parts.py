"""`sparktick parts`: the library of generic parts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import click

from ..errors import SparktickError
from ..faults import nearest
from ..fields import unit_of
from ..parts import TABLES, Part, Parts, Spread, load_parts
from ._common import json_document, json_option

TITLES = {
    "coil": "Coils",
    "logic_coil": "Coils with their own switch",
    "driver": "Switches",
    "sensor": "Sensors",
    "battery": "Batteries",
}
ABOUT = ("name", "text", "source", "confidence")


@click.command()
@click.argument("name", required=False)
@click.option("--kind", type=click.Choice(list(TABLES)), help="Only parts of this kind.")
@click.option(
    "--file",
    "files",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Also read parts of your own from this file; repeat.",
)
@click.option("--toml", "as_toml", is_flag=True, help="Print as a file of parts to start from.")
@json_option
def command(
    name: str | None, kind: str | None, files: tuple[Path, ...], as_toml: bool, as_json: bool
) -> None:
    """List generic parts, or show the part NAME with all its values.

    Each value is typical, with what such parts differ by in brackets.  They are classes, not
    products: measure the coil you have (sparktick measure).  A description takes one by name:
    part = "moped" in [coil], and so in [driver], [pickup] and [supply].
    """
    chosen = list(_chosen(load_parts(*files), name, kind))
    if as_json:
        content = {"parts": [{"kind": table, **part_content(part)} for table, part in chosen]}
        click.echo(json_document("parts", content), nl=False)
    elif as_toml:
        click.echo("\n".join(part_toml(table, part) for table, part in chosen), nl=False)
    elif name is not None:
        click.echo("\n".join(line for _, part in chosen for line in part_lines(part)))
    else:
        click.echo("\n".join(list_lines(chosen)))


def _chosen(library: Parts, name: str | None, kind: str | None) -> Iterator[tuple[str, Part]]:
    """Yield kind and part of all that were asked for; raise when the name is unknown."""
    every = [
        (table, part)
        for table, (group, _) in TABLES.items()
        for part in getattr(library, group).values()
        if kind in (None, table)
    ]
    found = [item for item in every if name in (None, item[1].name)]
    if not found:
        guess = nearest(name or "", [part.name for _, part in every])
        hint = f"Did you mean {guess}? " if guess else ""
        raise SparktickError(
            f"{name}: no such part\n    {hint}`sparktick parts` without a name lists them."
        )
    yield from found


def part_content(part: Part) -> dict[str, Any]:
    """Return a part as JSON holds it: a spread as typical, low and high."""
    return asdict(part)


def list_lines(parts: list[tuple[str, Part]]) -> list[str]:
    """Return one line a part, by kind."""
    width = max(len(part.name) for _, part in parts)
    lines: list[str] = []
    for table, title in TITLES.items():
        rows = [part for kind, part in parts if kind == table]
        if rows:
            lines += ["", title, *(f"  {part.name:{width}}  {part.text}" for part in rows)]
    return [*lines[1:], "", "All values of one: sparktick parts NAME"]


def part_lines(part: Part) -> list[str]:
    """Return every value of a part with its unit."""
    keys = [f.name for f in fields(part) if f.name not in ABOUT]
    width = max(map(len, keys))
    rows = [f"  {key:{width}}  {_shown(key, getattr(part, key))}" for key in keys]
    return [
        f"{part.name}: {part.text}",
        *rows,
        f"  source: {part.source}",
        f"  confidence: {part.confidence}",
    ]


def _shown(key: str, value: object) -> str:
    unit = unit_of(key)
    if isinstance(value, Spread):
        return f"{value.typical:g} {unit}".rstrip() + f"  ({value.low:g} to {value.high:g})"
    if isinstance(value, tuple):
        if value and isinstance(value[0], tuple):
            return ", ".join(f"{ah:g} Ah at {a:g} A" for a, ah in value)
        return " x ".join(f"{number:g}" for number in value) + f" {unit}"
    if isinstance(value, float):
        return f"{value:g} {unit}".rstrip()
    return str(value)


def part_toml(table: str, part: Part) -> str:
    """Return a part as a file of parts holds it."""
    lines = [f"[[{table}]]"]
    for f in fields(part):
        value = getattr(part, f.name)
        if isinstance(value, Spread):
            low, high = value.low, value.high
            shown = f"{{ typical = {value.typical:g}, low = {low:g}, high = {high:g} }}"
        elif isinstance(value, tuple):
            shown = json.dumps(value)
        elif isinstance(value, float):
            shown = f"{value:g}"
        else:
            shown = json.dumps(value, ensure_ascii=False)
        lines.append(f"{f.name} = {shown}")
    return "\n".join(lines) + "\n"
