"""`sparktick report`: all results as one HTML page."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..errors import FolderError, ToolError
from ._common import json_document, json_option

if TYPE_CHECKING:
    from sparktick.host_sim.report.data import Description, ReportData

PICTURES = 18  # about as many as a page has; what is left of the bar jumps to its end
MOST_EMULATORS = 2  # that know one chip


@click.command()
@click.argument("path", type=click.Path(path_type=Path, exists=True))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    default="report.html",
    show_default=True,
    help="The page to write; an earlier report is replaced.",
)
@click.option("--force", is_flag=True, help="Replace a file that is no report, too.")
@click.option(
    "--engine",
    "engine_file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Description of the engine that a firmware folder was made from: adds coil and supply.",
)
@click.option(
    "--log",
    "log_file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A log of `sparktick monitor` to draw.",
)
@click.option(
    "--emulator",
    type=click.Choice(["all", "yasimavr", "simavr", "unicorn", "none"]),
    default="all",
    show_default=True,
    help="Which emulated chips; one that is not installed is noted in the page.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Repeats the noise."
)
@json_option
def command(
    path: Path,
    output: Path,
    force: bool,
    engine_file: Path | None,
    log_file: Path | None,
    emulator: str,
    seed: int,
    as_json: bool,
) -> None:
    """Write all results as one page.

    PATH is an engine description, whose firmware is generated and built in a temporary folder, or
    a firmware folder, edited or not.  Its C is run on this computer, its image on the emulated
    chips that are installed.  The page is one file that needs no network: verdicts, curves,
    errors, timing diagrams, noise, start, sizes, assumptions.  It opens in any browser, reads in
    light and dark, and prints.  Ends with 1 when a limit was not kept.
    """
    from sparktick.host_sim.report.data import emulators_asked
    from sparktick.host_sim.report.page import render_page, report_content
    from sparktick.host_sim.report.watched import read_log

    from ..files import write_file

    check_output(output, force=force)
    watched = read_log(log_file) if log_file is not None else None
    with _progress(show=not as_json) as step:
        data = collect(path, engine_file, emulators_asked(emulator), seed, step)
        data = replace(data, watched=watched)
        page = render_page(data, step)
    write_file(output, page)
    content = report_content(data)
    if as_json:
        document = {"path": str(path), "output": str(output), **content}
        click.echo(json_document("report", document), nl=False)
    else:
        click.echo("\n".join(summary_lines(data, output)))
    if not content["passed"]:
        click.get_current_context().exit(1)


def check_output(output: Path, *, force: bool) -> None:
    """Refuse, before anything is run, what cannot be written or is not a report of ours."""
    from sparktick.host_sim.report.page import MARK

    place = next(folder for folder in output.absolute().parents if folder.exists())
    if not place.is_dir() or not os.access(place, os.W_OK):
        raise FolderError(f"{output}: cannot be written: {place} is not a folder to write in")
    if not output.exists() or force:
        return
    with output.open("rb") as stream:
        head = stream.read(2000)
    if f'content="{MARK} '.encode() not in head:
        raise FolderError(
            f"{output}: exists and is not a report, nothing was written\n"
            "    Choose another name with --output, or --force to replace it."
        )


def collect(
    path: Path,
    engine_file: Path | None,
    emulators: tuple[str, ...],
    seed: int,
    step: Callable[[str], None],
) -> ReportData:
    """Generate and build what is needed, then run it and collect the outcome."""
    from sparktick.host_sim.report.data import gather

    from ..pipeline import firmware_folder
    from .emulate import build_where_needed

    if engine_file is not None and not path.is_dir():
        raise click.UsageError("--engine goes with a firmware folder; PATH is a description.")
    description = _describe(path if not path.is_dir() else engine_file)
    with firmware_folder(path) as folder:
        if description is not None:
            from sparktick.host_sim.report.data import check_match

            check_match(description, folder)
        step("compiling for the chip")
        not_built = ""
        try:
            build_where_needed(folder)
        except ToolError as error:
            not_built = str(error)
        return gather(
            folder, description, emulators=emulators, not_built=not_built, seed=seed, step=step
        )


def _describe(file: Path | None) -> Description | None:
    from sparktick.host_sim.report.data import describe

    from ..pipeline import make_plan

    return describe(make_plan(file), file.name) if file is not None else None


@contextlib.contextmanager
def _progress(*, show: bool) -> Iterator[Callable[[str], None]]:
    """On a terminal, a line tells what is going on."""
    from rich.console import Console
    from rich.progress import Progress

    from sparktick.host_sim.report.data import CHIP_SPEEDS

    console = Console(stderr=True)
    total = 2 + CHIP_SPEEDS * MOST_EMULATORS + PICTURES
    with Progress(console=console, transient=True, disable=not (show and console.is_terminal)) as p:
        task = p.add_task("reading", total=total)
        yield lambda what: p.update(task, advance=1, description=what)


def summary_lines(data: ReportData, output: Path) -> list[str]:
    """Return what a user has to know before opening the page."""
    from sparktick.host_sim.report.page import failed_rows, number, unit
    from sparktick.host_sim.report.verdicts import all_rows, verdict_groups

    groups = verdict_groups(data)
    failed = failed_rows(groups)
    lines = [f"{output}: open it in a browser"]
    for part in data.chips:
        if part.not_run:
            lines.append(f"NOT RUN: {part.emulator}: {part.not_run}")
    for group, row in failed:
        lines.append(
            f"not kept: {row.what}: {number(row.value)} {unit(row.unit)}, {row.sense} "
            f"{number(row.limit)} ({group.source}; {row.where})"
        )
    count = len(all_rows(groups))
    lines.append(f"{count - len(failed)} of {count} limits were kept.")
    return lines
