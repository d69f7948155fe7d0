"""`sparktick simulate`: a firmware folder's own C against motions and noise, on this computer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ._common import json_document, json_option

if TYPE_CHECKING:
    from sparktick.host_sim.simulate import NoiseLevel, ScenarioResult

NOISE_CHOICES = {
    "all": ("glitches", "bursts"),
    "glitches": ("glitches",),
    "bursts": ("bursts",),
    "none": (),
}


@click.command()
@click.argument("path", type=click.Path(path_type=Path, exists=True))
@click.option(
    "--rpm", type=click.FloatRange(10, 60000), multiple=True, help="Only this steady speed; repeat."
)
@click.option(
    "--noise",
    type=click.Choice(list(NOISE_CHOICES)),
    default="all",
    show_default=True,
    help="Disturb the pickup line: random glitches, bursts after each switching of the coil.",
)
@click.option(
    "--glitch-hz", type=click.FloatRange(0, 1e6), help="Random glitches a second, in the mean."
)
@click.option(
    "--glitch-us",
    type=(float, float),
    metavar="SHORTEST LONGEST",
    help="Widths of random glitches in microseconds.",
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Repeats a run.")
@click.option("--ideal", is_flag=True, help="Handlers take no time and nothing is filtered.")
@click.option(
    "--vcd", type=click.Path(path_type=Path, file_okay=False), help="Write each run's trace there."
)
@json_option
def command(
    path: Path,
    rpm: tuple[float, ...],
    noise: str,
    glitch_hz: float | None,
    glitch_us: tuple[float, float] | None,
    seed: int,
    ideal: bool,
    vcd: Path | None,
    as_json: bool,
) -> None:
    """Run the firmware's own C against an engine and noise.

    PATH is a firmware folder, or an engine description that is generated into a temporary one.
    The C is compiled for this computer and driven by exact crank motions: steady speeds, ramps,
    starts, stops, the speed limit, and the same with a disturbed pickup line.  Every spark is
    measured in true crank degrees.  Ends with 1 when a limit was not kept.
    """
    from sparktick.gen.pipeline import firmware_folder
    from sparktick.host_sim.simulate import simulate

    level = _level(glitch_hz, glitch_us)
    with firmware_folder(path) as folder:
        results = list(
            simulate(
                folder,
                rpm=rpm or None,
                noise=NOISE_CHOICES[noise],
                seed=seed,
                level=level,
                ideal=ideal,
            )
        )
        if vcd is not None:
            from sparktick.host_sim.manifest import read_manifest
            from sparktick.host_sim.vcd import write_traces

            write_traces(vcd, results, read_manifest(folder))
    passed = all(result.verdict.passed for result in results)
    if as_json:
        content = {
            "path": str(path),
            "seed": seed,
            "ideal": ideal,
            "passed": passed,
            "scenarios": [result.as_dict() for result in results],
        }
        click.echo(json_document("simulate", content), nl=False)
    else:
        _print_table(results)
    if not passed:
        click.get_current_context().exit(1)


def _level(glitch_hz: float | None, glitch_us: tuple[float, float] | None) -> NoiseLevel:
    from sparktick.host_sim.simulate import NoiseLevel

    level = NoiseLevel()
    if glitch_hz is not None:
        level = replace(level, glitch_hz=glitch_hz)
    if glitch_us is not None:
        low, high = glitch_us
        if not 0.0 < low <= high:
            raise click.BadParameter(
                f"{low:g} {high:g}: 0 < SHORTEST <= LONGEST is wanted.", param_hint="--glitch-us"
            )
        level = replace(level, glitch_width_s=(low * 1e-6, high * 1e-6))
    return level


def _print_table(results: list[ScenarioResult]) -> None:
    """Print one line a scenario, and for each failed check one line with value and limit."""
    from rich.console import Console
    from rich.table import Table

    console = Console()
    console.width = max(console.width, 100)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading, justify in (
        ("scenario", "left"),
        ("pulses", "right"),
        ("sparks", "right"),
        ("worst error\n\\[deg]", "right"),
        ("missed", "right"),
        ("longest on\n\\[us]", "right"),
        ("verdict", "left"),
    ):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    for result in results:
        m = result.measurement
        table.add_row(
            result.scenario.title,
            str(len(m.pulses.at_s)),
            str(len(m.spark_s)),
            f"{abs(m.error_deg).max(initial=0.0):.3f}",
            str(len(m.missed)),
            f"{m.on_max_us:.0f}",
            "[green]kept[/]" if result.verdict.passed else "[red]not kept[/]",
        )
    console.print(table)
    failed = [result for result in results if not result.verdict.passed]
    for result in failed:
        console.print(f"\n{result.scenario.title}:")
        for check in result.verdict.failures:
            place = f", worst at {check.at_s:.4f} s" if check.at_s is not None else ""
            console.print(
                f"  {check.name}: {check.value:.4g} {check.unit}, limit {check.limit:.4g}{place}"
            )
    kept = len(results) - len(failed)
    console.print(f"\n{kept} of {len(results)} scenarios kept their limits.")
