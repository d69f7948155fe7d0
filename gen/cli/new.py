"""`sparktick new`: a commented description to start from."""

from __future__ import annotations

import re
from pathlib import Path

import click

from ..files import write_file
from ..starter import starter_text


def name_of(file: Path) -> str:
    """Return a name for an engine from its file's name."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", file.stem).strip("._-").capitalize()[:40] or "Engine"


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--name", help="Name of the engine.  [default: from the file's name]")
@click.option("--strokes", type=click.Choice(["2", "4"]), default="4", show_default=True)
@click.option("--cylinders", type=click.Choice(["1", "2"]), default="1", show_default=True)
@click.option("--board", default="nano-328p", show_default=True, help="See: sparktick boards")
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
def command(
    file: Path, name: str | None, strokes: str, cylinders: str, board: str, force: bool
) -> None:
    """Write an engine description to FILE.

    It describes a sound engine of that kind, with a comment on every number. Replace the numbers
    by those of your engine; the speeds, the magnet's place and the coil matter most.
    """
    text = starter_text(
        name or name_of(file), strokes=int(strokes), cylinders=int(cylinders), board=board
    )
    write_file(file, text, overwrite=force)
    click.echo(f"{file}: written.  Edit it, then: sparktick check {file}")
