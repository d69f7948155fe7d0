"""`sparktick compare`: what changed in timing between two firmware folders."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ._common import json_document, json_option

if TYPE_CHECKING:
    from sparktick.host_sim.compare import Change, SpeedChange


@click.command()
@click.argument("old", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.argument("new", type=click.Path(path_type=Path, exists=True, file_okay=False))
@json_option
def command(old: Path, new: Path, as_json: bool) -> None:
    """Tell what changed in timing between two firmware folders.

    Keep a copy of the folder that runs well as OLD.  The manifests are compared value by value,
    and both folders' C is run at the same steady speeds.  Ends with 1 when anything changed.
    """
    from sparktick.host_sim.compare import biggest_deg, compare_folders

    changes, rows = compare_folders(old, new)
    changed = bool(changes) or any(row.changed for row in rows)
    if as_json:
        content = {
            "old": str(old),
            "new": str(new),
            "changed": changed,
            "angle_change_max_deg": round(biggest_deg(rows), 4),
            "manifest": [asdict(change) for change in changes],
            "speeds": [{**asdict(row), "changed": row.changed} for row in rows],
        }
        click.echo(json_document("compare", content), nl=False)
    else:
        click.echo(_text(changes, rows))
    if changed:
        click.get_current_context().exit(1)


def _cell(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _text(changes: list[Change], rows: list[SpeedChange]) -> str:
    lines = [f"{change.key}: {change.old} -> {change.new}" for change in changes]
    moved = [row for row in rows if row.changed]
    if moved:
        lines += ["", "   rpm   spark [deg BTDC]        dwell [us]"]
        lines += [
            f"{row.rpm:6.0f}{_cell(row.old_deg, 2):>9} -> {_cell(row.new_deg, 2):<8}"
            f"{_cell(row.old_dwell_us, 0):>7} -> {_cell(row.new_dwell_us, 0)}"
            for row in moved
        ]
    lines += ["", f"{len(moved)} of {len(rows)} speeds changed."]
    return "\n".join(lines).strip()
