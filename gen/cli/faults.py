"""`sparktick faults`: sweep faults of sensor, engine and chip over a whole turn."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..errors import RunError
from ._common import json_document, json_option
from .emulate import build_where_needed

if TYPE_CHECKING:
    from sparktick.host_sim.fault_sweep import Sweep
    from sparktick.host_sim.faults import Fault
    from sparktick.host_sim.manifest import Manifest

SHARE_OF_LIMIT = 0.6  # of the speed limit, where no speed is given
MOST_SHOWN = 3


@click.command()
@click.argument("path", type=click.Path(path_type=Path, exists=True))
@click.option(
    "--fault", "names", multiple=True, metavar="NAME", help="Only this one; repeat. Left out: all."
)
@click.option(
    "--instants",
    type=click.IntRange(1, 100_000),
    default=36,
    show_default=True,
    help="Instants of the turn at which each fault comes.",
)
@click.option("--rpm", type=float, help="At this speed. Left out: 60 % of the speed limit.")
@click.option("--no-chip", is_flag=True, help="Leave out what needs the emulated chip.")
@json_option
def command(
    path: Path,
    names: tuple[str, ...],
    instants: int,
    rpm: float | None,
    no_chip: bool,
    as_json: bool,
) -> None:
    """Let sensor, engine and chip fail at every instant of a turn.

    PATH is a firmware folder or an engine description. Lost, frozen and inverted sensor, sudden
    stop, kick-back, wrong clock, late interrupts, flipped bits, reset, supply dip: each for a while
    and for good, then once without it. Told is what broke one of these:

    \b
      A  coil on no longer than the hard limit (in the chip one watchdog time more)
      B  no spark earlier than the greatest advance while the pickup is true
      C  no charge before it is known where the crank is (*)
      D  after a fault that ends, every spark in its place again within the stated time
      E  no impossible state (*)
      F  no handler longer than the board file says

    (*) Not asked where bits of that state itself are flipped. Ends with 1 when one was broken.
    """  # noqa: D301
    from sparktick.host_sim.fault_sweep import sweep
    from sparktick.host_sim.manifest import read_manifest

    from ..pipeline import firmware_folder

    faults = [one for one in _chosen(names) if not (no_chip and one.on_chip)]
    if not faults:
        raise click.UsageError("--no-chip leaves none of these faults.")
    with firmware_folder(path) as folder:
        manifest = read_manifest(folder)
        if any(one.on_chip for one in faults):
            _check_emulator(manifest)
            build_where_needed(folder)
            manifest = read_manifest(folder)
        speed = rpm if rpm is not None else float(round(SHARE_OF_LIMIT * manifest.limit_rpm))
        sweeps = []
        with _progress(2 * len(faults), not as_json) as step:
            for fault in faults:
                for persistent in (False, True):
                    step(f"{fault.title}")
                    one = sweep(
                        manifest, fault, persistent=persistent, instants=instants, rpm=speed
                    )
                    sweeps.append(one)
        _tell(sweeps, manifest, path, speed, instants, as_json)
    if not all(one.passed for one in sweeps):
        click.get_current_context().exit(1)


def _check_emulator(manifest: Manifest) -> None:
    from sparktick.host_sim.chip.backends import upsetting

    try:
        upsetting(str(manifest.raw["mcu"]))
    except RunError as error:
        raise RunError(f"{error}\n    --no-chip leaves out what needs one.") from None


def _slug(fault: Fault) -> str:
    return fault.name.replace(" ", "-")


def _chosen(names: tuple[str, ...]) -> list[Fault]:
    from sparktick.host_sim.faults import CATALOGUE

    known = list(dict.fromkeys(_slug(fault) for fault in CATALOGUE))
    for name in names:
        if name not in known:
            raise click.BadParameter(
                f"{name!r}: no such fault (allowed: {' | '.join(known)}).", param_hint="--fault"
            )
    return [fault for fault in CATALOGUE if not names or _slug(fault) in names]


@contextmanager
def _progress(total: int, show: bool) -> Iterator[Callable[[str], None]]:
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not (show and console.is_terminal)) as p:
        task = p.add_task("", total=total)
        begun = iter((0.0,))
        yield lambda title: p.update(task, description=title, advance=next(begun, 1.0))


def _sweep_dict(one: Sweep, path: Path, rpm: float) -> dict[str, Any]:
    replay = ["sparktick", "faults", str(path), "--fault", _slug(one.fault)]
    replay += ["--instants", str(one.instants), "--rpm", repr(rpm)]
    return {
        "fault": _slug(one.fault),
        "title": one.fault.title,
        "on_chip": one.fault.on_chip,
        "form": "persistent" if one.persistent else "transient",
        "lasts_s": None if one.persistent else one.fault.duration_s,
        "again_s": getattr(one.fault, "again_s", None) if one.persistent else None,
        "instants": one.instants,
        "findings": [
            {
                "invariant": finding.invariant,
                "onset_s": None if math.isnan(finding.onset_s) else round(finding.onset_s, 9),
                "what": finding.text,
            }
            for finding in one.findings
        ],
        "replay": shlex.join(replay),
    }


def _tell(
    sweeps: list[Sweep], manifest: Manifest, path: Path, rpm: float, instants: int, as_json: bool
) -> None:
    rows = [_sweep_dict(one, path, rpm) for one in sweeps]
    broken = sum(len(row["findings"]) for row in rows)
    if as_json:
        content = {"path": str(path), "rpm": rpm, "passed": broken == 0, "sweeps": rows}
        click.echo(json_document("faults", content), nl=False)
        return
    _print(rows)
    runs = (instants + 1) * len(rows)
    said = "no invariant was broken" if not broken else f"{broken} times an invariant was broken"
    click.echo(f"\n{manifest.name} at {rpm:g} rpm, {runs} runs: {said}")


def _form(row: dict[str, Any]) -> str:
    if row["form"] == "transient":
        return f"for {1e3 * row['lasts_s']:g} ms" if row["lasts_s"] else "once"
    return f"each {1e3 * row['again_s']:g} ms" if row["again_s"] else "for good"


def _print(rows: list[dict[str, Any]]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name, justify in (("fault", "left"), ("form", "left"), ("instants", "right")):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]
    table.add_column("broken", justify="right")
    for row in rows:
        findings = row["findings"]
        table.add_row(row["title"], _form(row), str(row["instants"]), str(len(findings)))
    console = Console(highlight=False)
    console.width = max(console.width, 100)
    console.print(table)
    for row in rows:
        for finding in row["findings"][:MOST_SHOWN]:
            at = "" if finding["onset_s"] is None else f", fault at {finding['onset_s']:.6f} s"
            click.echo(f"\n{finding['invariant']}: {row['title']}{at}: {finding['what']}")
        if row["findings"]:
            click.echo(f"    {row['replay']}")
