"""`sparktick emulate`: the compiled image on an emulated chip."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ._common import json_document, json_option
from ._on_board import board_option, on_board

if TYPE_CHECKING:
    from sparktick.host_sim.emulate import ChipFacts, EmulatedResult
    from sparktick.host_sim.manifest import Manifest
    from sparktick.host_sim.verdict import Check


def _speeds(ctx: click.Context, param: click.Parameter, given: str | None) -> tuple[float, ...]:
    """Read "1000,3000" as speeds."""
    try:
        found = tuple(float(part) for part in given.split(",")) if given else ()
    except ValueError:
        raise click.BadParameter(f"{given!r}: speeds like 600,1500,8000 are wanted.") from None
    if not all(10.0 <= rpm <= 60000.0 for rpm in found):
        raise click.BadParameter(f"{given!r}: each speed has to be 10 to 60000 rpm.")
    return found


@click.command()
@board_option
@click.option(
    "--emulator",
    metavar="NAME",
    help="Which emulator; all runs each that knows the chip.  [default: one that is installed]",
)
@click.option(
    "--rpm",
    metavar="RPM,RPM,...",
    callback=_speeds,
    help="These steady speeds.  [default: from the start floor to the speed limit]",
)
@click.option("--ramp", is_flag=True, help="Changing speeds as well: ramps, start, stop, limit.")
@click.option(
    "--vcd", type=click.Path(path_type=Path, file_okay=False), help="Write each run's trace there."
)
@click.option(
    "--live",
    metavar="NAME",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Only run it once at the clock's pace, its serial port under this name.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(3.0, 3600.0),
    default=30.0,
    show_default=True,
    help="How long with --live.",
)
@json_option
def command(
    path: Path | None,
    board: str | None,
    emulator: str | None,
    rpm: tuple[float, ...],
    ramp: bool,
    vcd: Path | None,
    live: Path | None,
    seconds: float,
    as_json: bool,
) -> None:
    """Run the compiled image on an emulated chip.

    PATH is a firmware folder, built first where its image is missing or older than its C, or an
    engine description that is generated and built in a temporary folder.  The image that will be
    flashed is driven with the same pulses as `sparktick simulate`, judged by the same rules, and
    compared with the host's run spark by spark.  Ends with 1 when a limit was not kept.

    With --live nothing is judged: the chip is started, taken to its top speed and stopped, and
    `sparktick monitor NAME` shows it as it would a board (simavr only).
    """
    from sparktick.host_sim.emulate import chip_facts, chip_scenarios, emulators_named
    from sparktick.host_sim.manifest import read_manifest

    from ..pipeline import firmware_folder

    with on_board(path, board) as given, firmware_folder(given) as folder:
        manifest = read_manifest(folder)
        names = emulators_named(emulator, str(manifest.raw["mcu"]))
        build_where_needed(folder)
        manifest = read_manifest(folder)
        if live is not None:
            _run_live(manifest, live, seconds, as_json=as_json)
            return
        scenarios = chip_scenarios(manifest, rpm=rpm, ramp=ramp)
        results = run_with_progress(folder, scenarios, names, show=not as_json)
        facts = chip_facts(manifest, results)
        if vcd is not None:
            from sparktick.host_sim.vcd import write_traces

            write_traces(vcd, results, manifest)
    passed = all(r.verdict.passed for r in results) and all(
        check.passed for fact in facts for check in fact.checks
    )
    if as_json:
        content = emulate_content(path or Path(given.name), manifest, results, facts, passed)
        click.echo(json_document("emulate", content), nl=False)
    else:
        print_results(manifest, results, facts)
    if not passed:
        click.get_current_context().exit(1)


def _run_live(manifest: Manifest, name: Path, seconds: float, *, as_json: bool) -> None:
    """Take the chip from rest to its top speed and back, at the clock's pace."""
    from sparktick.host_sim.chip.live import run_live, serial_link
    from sparktick.host_sim.train import profile

    slow, top = 1.1 * manifest.start.floor_rpm, manifest.top_rpm
    shares = (0.0, 0.1, 0.25, 0.45, 0.65, 0.9, 1.0)
    speeds = (slow, slow, manifest.start.below_rpm * 1.5, top, top, slow, slow)
    motion = profile([share * seconds for share in shares], speeds)
    with serial_link(name) as far:
        if not as_json:
            click.echo(f"{name}: sparktick monitor {name} --folder {manifest.folder}")
        run = run_live(manifest, motion, seconds, far)
    lines = run.serial.count(b"\n")
    if as_json:
        content = {"path": str(manifest.folder), "live": str(name), "lines": lines}
        click.echo(json_document("emulate", content), nl=False)
    else:
        click.echo(f"{lines} lines were told in {seconds:g} s.")


def build_where_needed(folder: Path) -> None:
    """Build a firmware folder whose image is missing or older than one of its C files."""
    from ..render import SOURCE, read_manifest
    from ..toolchain import build

    elf = folder / read_manifest(folder)["files"]["elf"]
    sources = [path.stat().st_mtime_ns for path in (folder / SOURCE).glob("*")]
    if not elf.is_file() or elf.stat().st_mtime_ns < max(sources, default=0):
        build(folder)


def run_with_progress(
    folder: Path, scenarios: Sequence[Any], names: Sequence[Any], *, show: bool
) -> list[EmulatedResult]:
    """Run all scenarios on all emulators; on a terminal a line tells what is going on."""
    from sparktick.host_sim.emulate import emulate

    with _progress(len(scenarios) * len(names), show) as step:
        results = []
        for result in emulate(folder, scenarios, names):
            results.append(result)
            step(f"{result.run.source}: {result.scenario.title}")
    return results


@contextlib.contextmanager
def _progress(total: int, show: bool) -> Iterator[Any]:
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not (show and console.is_terminal)) as p:
        task = p.add_task("emulating", total=total)
        yield lambda what: p.update(task, advance=1, description=what)


def emulate_content(
    path: Path,
    manifest: Manifest,
    results: Sequence[EmulatedResult],
    facts: Sequence[ChipFacts],
    passed: bool,
) -> dict[str, Any]:
    """Return the outcome as JSON holds it."""
    return {
        "path": str(path),
        "mcu": manifest.raw["mcu"],
        "f_cpu_hz": manifest.f_cpu_hz,
        "tick_hz": manifest.tick_hz,
        "compiler": manifest.raw.get("compiler"),
        "hard_limit_us": manifest.hard_limit_us,
        "passed": passed,
        "scenarios": [result.as_dict() for result in results],
        "chip": [fact.as_dict(manifest.f_cpu_hz) for fact in facts],
    }


def _table(*headings: str) -> Any:
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for index, heading in enumerate(headings):
        table.add_column(escape(heading), justify="right" if index else "left", no_wrap=index > 0)
    return table


def print_results(
    manifest: Manifest, results: Sequence[EmulatedResult], facts: Sequence[ChipFacts]
) -> None:
    """Print what each emulator measured, what the chip needed, and each bar that was not kept."""
    from rich.console import Console

    console = Console(highlight=False)
    console.width = max(console.width, 110)
    for fact in facts:
        mine = [result for result in results if result.run.source == fact.source]
        console.print(f"[bold]{fact.source}[/], {manifest.raw['mcu']}", end=" ")
        console.print(f"at {manifest.f_cpu_hz / 1e6:g} MHz, {_builder(manifest)}")
        console.print(_spark_table(mine))
        longest_us = max(result.measurement.on_max_us for result in mine)
        console.print(
            f"longest on-time {longest_us:.0f} us, hard limit {manifest.hard_limit_us:.0f} us\n"
        )
        console.print(_chip_table(manifest, fact))
        console.print()
        _print_coverage(console, fact)
    _print_failures(console, results, facts)


def _builder(manifest: Manifest) -> str:
    compiler = manifest.raw.get("compiler")
    return f"compiled by {compiler}" if compiler else "compiler not known"


def _spark_table(results: Sequence[EmulatedResult]) -> Any:
    table = _table(
        "motion",
        "sparks of\npulses",
        "missed",
        "stray",
        "first\nat",
        "error\n[deg]",
        "of allowed\n[ticks]",
        "dwell\n[us]",
        "wanted\n[us]",
        "host\n[ticks]",
        "verdict",
    )
    for result in results:
        m, worst = result.measurement, result.worst
        shortest, longest, wanted = result.dwell_us
        any_spark, settled = len(m.spark_s) > 0, shortest == shortest
        table.add_row(
            result.scenario.title,
            f"{len(m.spark_s)}/{len(m.pulses.at_s)}",
            str(len(m.missed)),
            str(len(m.stray)),
            str(m.first_spark_pulse or "-"),
            f"{worst.deg:+.3f}" if any_spark else "-",
            f"{worst.ticks:+.1f}/{worst.allowed_ticks:.1f}" if any_spark else "-",
            f"{shortest:.0f}-{longest:.0f}" if settled else "-",
            f"{wanted:.0f}" if settled else "-",
            f"{abs(result.difference.ticks).max(initial=0.0):.2f}" if any_spark else "-",
            "[green]kept[/]" if result.verdict.passed else "[red]not kept[/]",
        )
    return table


def _chip_table(manifest: Manifest, fact: ChipFacts) -> Any:
    per_us = manifest.f_cpu_hz * 1e-6
    table = _table(
        "chip", "times", "longest\n[clocks]", "[us]", "mean\n[clocks]", "waited\n[clocks]"
    )
    for h in fact.handlers:
        row = (f"{h.most:.0f}", f"{h.most / per_us:.1f}", f"{h.mean:.0f}", f"{h.waited:.0f}")
        table.add_row(h.vector, str(h.count), *row)
    for name, seconds in (("reset to main", fact.boot_s), ("coil pin off", fact.outputs_safe_s)):
        clocks = f"{seconds * manifest.f_cpu_hz:.0f}"
        table.add_row(name, "", clocks, f"{seconds * 1e6:.1f}", "", "")
    table.add_row("stack", "", f"{fact.stack_bytes} of {fact.stack_free_bytes} bytes", "", "", "")
    return table


def _print_coverage(console: Any, fact: ChipFacts) -> None:
    for heading, lines in (
        ("really exercised", fact.coverage.exercised),
        ("not exercised", fact.coverage.not_exercised),
    ):
        console.print(f"[bold]{heading}[/] by {fact.source}:")
        for line in lines:
            console.print(f"  {line}")
    console.print()


def _print_failures(
    console: Any, results: Sequence[EmulatedResult], facts: Sequence[ChipFacts]
) -> None:
    failed = 0
    rows: list[tuple[str, Sequence[Check]]] = [
        (f"{r.scenario.title} ({r.run.source})", r.verdict.failures) for r in results
    ]
    rows += [(fact.source, [c for c in fact.checks if not c.passed]) for fact in facts]
    for title, checks in rows:
        if not checks:
            continue
        failed += 1
        console.print(f"{title}:")
        for check in checks:
            place = f", worst at {check.at_s:.4f} s" if check.at_s is not None else ""
            console.print(
                f"  {check.name}: {check.value:.4g} {check.unit}, limit {check.limit:.4g}{place}"
            )
    console.print(f"{len(results) - failed} of {len(results)} runs kept their limits.")
