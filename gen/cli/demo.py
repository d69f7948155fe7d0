"""`sparktick demo`: the whole job once, each step the very command a user would give."""

from __future__ import annotations

import importlib
import importlib.resources
import shlex
import time
from pathlib import Path

import click

from ..errors import FolderError, ToolError
from ..files import write_file

EXAMPLE = "plover.toml"
FIRMWARE = "firmware"
REPORT = "report.html"


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Replace what an earlier demo wrote there.")
def command(folder: Path | None, force: bool) -> None:
    """Show everything at once with an invented engine.

    Checks the description of a 25 cc four-stroke, writes and compiles its firmware, proves it on
    this computer and on an emulated chip, and writes a report, all in FOLDER (demo-plover when
    left out).  Each step shows its command, to be repeated or changed.
    """
    place = folder or Path("demo-plover")
    description = copy_example(place, force=force)
    began = time.monotonic()
    failed, missing = [], []
    steps = demo_steps(place, description)
    for number, (title, name, *arguments) in enumerate(steps, 1):
        shown = shlex.join(["sparktick", name, *arguments])
        click.secho(f"\n{number}/{len(steps)}  {title}", bold=True)
        click.secho(f"$ {shown}", dim=True)
        try:
            if run_command(name, arguments):
                failed.append(shown)
        except ToolError as error:
            missing.append(str(error))
            click.echo(f"NOT RUN: {error}")
    click.secho(f"\nDone in {time.monotonic() - began:.0f} s. Written:", bold=True)
    click.echo("\n".join(f"  {line}" for line in written_lines(place)))
    click.echo("\nYour own engine: sparktick new mine.toml, then edit it and go the same way.")
    for shown in failed:
        click.echo(f"A limit was not kept: {shown}")
    if missing:
        raise ToolError("steps were not run:\n" + "\n".join(missing))
    if failed:
        click.get_current_context().exit(1)


def copy_example(place: Path, *, force: bool) -> Path:
    """Copy the example's description into a new folder, or with ``force`` into an earlier demo's.

    Raises FolderError when something else is there.
    """
    description = place / EXAMPLE
    if place.exists() and not place.is_dir():
        raise FolderError(f"{place}: is not a folder\n    Name another one for the demo.")
    if place.is_dir() and any(place.iterdir()):
        if not force:
            raise FolderError(
                f"{place}: exists already, nothing was written\n"
                "    Choose another folder, or --force to replace an earlier demo."
            )
        if not description.is_file():
            raise FolderError(
                f"{place}: holds no {EXAMPLE}, so it is not an earlier demo and is not replaced\n"
                "    Choose another folder."
            )
    source = importlib.resources.files("sparktick.examples") / EXAMPLE
    write_file(description, source.read_bytes())
    return description


def demo_steps(place: Path, description: Path) -> list[tuple[str, ...]]:
    """Title, command and arguments of each step."""
    file, firmware, page = str(description), str(place / FIRMWARE), str(place / REPORT)
    return [
        ("Check the description", "check", file, "--quiet"),
        ("Write the firmware folder", "generate", file, firmware, "--force"),
        ("Compile it for the board", "build", firmware),
        ("Run its C on this computer", "simulate", firmware),
        ("Run the image on an emulated chip", "emulate", firmware),
        ("Write the report", "report", firmware, "--engine", file, "--output", page),
    ]


def run_command(name: str, arguments: list[str]) -> int:
    """Run one command as from the terminal; return its exit code.  Errors come as exceptions."""
    module = importlib.import_module(f"{__package__}.{name}")
    code = module.command.main(args=arguments, prog_name=f"sparktick {name}", standalone_mode=False)
    return code if isinstance(code, int) else 0


def written_lines(place: Path) -> list[str]:
    """Paths of what the demo wrote, each with what it is."""
    described = [
        (place / EXAMPLE, "the description: edit it and go on"),
        (place / FIRMWARE, "firmware folder; its README.md tells how to wire and upload"),
        (place / FIRMWARE / "build" / "firmware.hex", "image for the chip"),
        (place / REPORT, "all results as one page"),
    ]
    width = max(len(str(path)) for path, _ in described)
    return [f"{path!s:{width}}  {what}" for path, what in described if path.exists()]
