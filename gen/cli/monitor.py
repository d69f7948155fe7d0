"""`sparktick monitor`: the firmware's serial lines, live."""

from __future__ import annotations

import contextlib
import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..errors import FolderError, RunError
from ._common import json_document, json_option

if TYPE_CHECKING:
    from sparktick.host_sim.serial_line import Reading

PROBLEMS = (
    (("Errno 2]",), "there is no such port", "Is the board plugged in? Ports that are there: {}."),
    (("Errno 13]",), "you may not use it", "Join the group that owns it, such as dialout."),
    (("Errno 16]", "lock"), "another program holds it", "Close that program."),
    (("Errno 25", "(25,", "Errno 21]"), "is no serial port", "Ports that are there: {}."),
)


@click.command()
@click.argument("port")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    required=True,
    help="The firmware folder that is in the chip.",
)
@click.option("--baud", type=click.IntRange(300, 2000000), help="[default: as in the folder]")
@click.option(
    "--log", type=click.Path(path_type=Path, dir_okay=False), help="Append every line to this CSV."
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="At the end, draw the log into this SVG.",
)
@click.option(
    "--seconds", type=click.FloatRange(0.1), help="End after this time.  [default: on Ctrl-C]"
)
@json_option
def command(
    port: str,
    folder: Path,
    baud: int | None,
    log: Path | None,
    picture: Path | None,
    seconds: float | None,
    as_json: bool,
) -> None:
    """Show speed, advance, dwell and counters of the running chip.

    PORT is the serial port of the board.  Advance and dwell are the plan's at the told speed;
    `sparktick trace` measures them.  A garbled line is counted and dropped, a pulled cable waited
    for, a reset named.  Ends with 1 when no line of the firmware came.
    """
    from sparktick.host_sim.library import core_names, source_folder
    from sparktick.host_sim.manifest import read_manifest
    from sparktick.host_sim.serial_line import Interpreter, Notice, PortFollower

    if picture is not None and log is None:
        raise click.UsageError("--picture draws the log: say --log as well.")
    manifest = read_manifest(folder)
    told = manifest.raw.get("serial", {})
    if not told.get("on", True):
        raise RunError(
            f"{folder}: its firmware is silent ([telling] serial = false)\n"
            "    Set it to true, generate, build and flash again."
        )
    names = core_names(source_folder(folder))[0]
    interpreter = Interpreter(manifest, names)
    follower = PortFollower(_opener(port, baud or int(told.get("baud", 38400))))
    pulled, foreign = 0, ""
    with _log(log, names) as write, _screen(quiet=as_json) as show:
        try:
            for item in follower.follow(seconds if seconds is not None else float("inf")):
                if isinstance(item, Notice):
                    pulled += "gone" in item.text
                    show(None, item.text)
                elif item is not None:
                    reading = interpreter.read(item[1], item[0])
                    write(reading)
                    show(reading, "the chip was reset" if reading.reset else "")
                    if interpreter.foreign and not foreign:
                        foreign = interpreter.foreign
                        show(None, foreign)
        except KeyboardInterrupt:
            pass
        except OSError as error:
            raise RunError(_port_problem(port, error)) from None
    facts = {
        "lines": follower.reader.good,
        "garbled": follower.reader.garbled,
        "resets": interpreter.resets,
        "pulled": pulled,
    }
    if as_json:
        content = {"port": port, **facts, "foreign": foreign or None}
        click.echo(json_document("monitor", content), nl=False)
    else:
        text = ", ".join(f"{count} {name}" for name, count in facts.items())
        click.echo(text if facts["lines"] else f"{text}: no line of the firmware came")
    if picture is not None and log is not None and facts["lines"]:
        _draw(log, picture)
    if not facts["lines"]:
        click.get_current_context().exit(1)


def _port_problem(port: str, error: OSError) -> str:
    """Say what is wrong with a port, and what to do."""
    from serial.tools.list_ports import comports

    said = str(error)
    there = ", ".join(sorted(found.device for found in comports())) or "none"
    for marks, problem, remedy in PROBLEMS:
        if any(mark in said for mark in marks):
            return f"{port}: {problem}\n    {remedy.format(there)}"
    return f"{port}: {said}\n    Is the board plugged in? Ports that are there: {there}."


def _draw(log: Path, picture: Path) -> None:
    from sparktick.host_sim.report.figures_motion import plain_svg
    from sparktick.host_sim.report.figures_watched import watched_picture
    from sparktick.host_sim.report.watched import read_log

    from ..files import write_file

    write_file(picture, plain_svg(watched_picture(read_log(log))))


def _opener(port: str, baud: int) -> Callable[[], Any]:
    """Return what opens the port; its control lines stay off, which would reset many boards."""
    import serial

    def open_port() -> Any:
        line = serial.Serial()
        line.port, line.baudrate, line.timeout = port, baud, 0.1
        line.exclusive = True
        line.dtr = line.rts = False
        line.open()
        return line

    return open_port


@contextlib.contextmanager
def _log(path: Path | None, names: tuple[str, ...]) -> Iterator[Callable[[Reading], None]]:
    """Yield what appends a reading; each row is on disk before the next line is waited for."""
    if path is None:
        yield lambda reading: None
        return
    heading = [
        "time_s",
        "mode",
        "speed_rpm",
        "advance_deg_btdc",
        "dwell_us",
        "arc_deg",
        "was_reset",
    ]
    heading += names
    if path.exists() and path.stat().st_size:
        with path.open(newline="", encoding="utf-8") as before:
            if next(csv.reader(before), []) != heading:
                raise FolderError(
                    f"{path}: is there and has other columns, nothing was written\n"
                    "    Choose another name for --log."
                )
    with path.open("a", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        if stream.tell() == 0:
            writer.writerow(heading)

        def write(r: Reading) -> None:
            numbers = (r.rpm, r.advance_deg, r.dwell_us, r.width_deg)
            cells = ["" if n is None else f"{n:.3f}" for n in numbers]
            writer.writerow([f"{r.at_s:.3f}", r.mode, *cells, int(r.reset), *r.counters.values()])
            stream.flush()

        yield write


@contextlib.contextmanager
def _screen(*, quiet: bool) -> Iterator[Callable[[Reading | None, str], None]]:
    """Yield what shows a reading: one table on a terminal, else a row a reading."""
    from rich.console import Console
    from rich.live import Live

    console = Console(highlight=False)
    if quiet:
        yield lambda reading, note: None
    elif console.is_terminal:
        with Live(console=console, refresh_per_second=8) as live:

            def show(reading: Reading | None, note: str) -> None:
                if note:
                    live.console.print(note)
                if reading is not None:
                    live.update(_table(reading))

            yield show
    else:

        def line(reading: Reading | None, note: str) -> None:
            if note:
                click.echo(note)
            if reading is not None:
                click.echo(_row(reading))

        yield line


def _number(value: float | None, digits: int, unit: str) -> str:
    return f"{value:.{digits}f} {unit}" if value is not None else "-"


def _row(r: Reading) -> str:
    rejected = {k: v for k, v in r.counters.items() if v and k not in ("pulse", "spark")}
    said = " ".join(f"{name}={count}" for name, count in rejected.items())
    return (
        f"{r.at_s:9.2f} s  {r.mode:12} {r.rpm:6.0f} rpm  {_number(r.advance_deg, 1, 'deg'):>9}  "
        f"{_number(r.dwell_us, 0, 'us'):>8}  {said}".rstrip()
    )


def _table(r: Reading) -> Any:
    from rich.table import Table

    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column()
    table.add_column(justify="right")
    table.add_row("mode", f"[bold]{r.mode}[/]")
    table.add_row("speed", f"{r.rpm:.0f} rpm")
    table.add_row("advance by the plan", _number(r.advance_deg, 1, "deg"))
    table.add_row("dwell by the plan", _number(r.dwell_us, 0, "us"))
    table.add_row("arc as measured", _number(r.width_deg, 1, "deg"))
    for name, count in r.counters.items():
        table.add_row(name.replace("_", " "), str(count))
    return table
