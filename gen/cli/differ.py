"""`sparktick differ`: the emulated chip held against the host, spark by spark."""

from __future__ import annotations

from pathlib import Path

import click

from ._common import json_document, json_option
from ._on_board import board_option, on_board


@click.command()
@board_option
@click.option("--emulator", metavar="NAME", help="Which one.  [default: all that know the chip]")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the noise.")
@json_option
def command(
    path: Path | None, board: str | None, emulator: str | None, seed: int, as_json: bool
) -> None:
    """Run the same trains through the host and the emulated chip.

    PATH is a firmware folder, built where needed, or an engine description.  Steady speeds, ramps,
    start and stop, glitches and a failing pickup: every spark of the image has to come at the tick
    the host's comes at.  The first one that does not is shown with what both outputs did around it.
    Ends with 1 when more differ than a case allows.
    """
    from sparktick.host_sim.chip.backends import coverage_of
    from sparktick.host_sim.differential import cases, compare
    from sparktick.host_sim.emulate import ALL, emulators_named
    from sparktick.host_sim.manifest import read_manifest

    from ..pipeline import firmware_folder
    from .emulate import build_where_needed

    with on_board(path, board) as given, firmware_folder(given) as folder:
        manifest = read_manifest(folder)
        mcu = str(manifest.raw["mcu"])
        names = emulators_named(emulator or ALL, mcu)
        build_where_needed(folder)
        results = list(compare(read_manifest(folder), cases(manifest, seed=seed), names))
    if as_json:
        content = {
            "path": str(path or given.name),
            "mcu": mcu,
            "seed": seed,
            "passed": all(result.passed for result in results),
            "cases": [result.as_dict() for result in results],
        }
        click.echo(json_document("differ", content), nl=False)
    for result in () if as_json else results:
        verdict = "agree" if result.passed else "DIFFER"
        click.echo(
            f"{verdict:7} {result.source}: {result.case.title}: {result.chip_sparks} sparks on the "
            f"chip, {result.host_sparks} on the host, {result.differing} differ, "
            f"at most {result.most_ticks:.2f} of {result.case.allowed_ticks:g} ticks"
        )
        if result.first is not None:
            click.echo("        the first that differs, with both traces:")
            click.echo("\n".join(f"        {line}" for line in result.first.lines))
    for name in () if as_json else names:
        missing = "; ".join(coverage_of(name, mcu).not_exercised)
        click.echo(f"not exercised by {name}: {missing}")
    if not all(result.passed for result in results):
        click.get_current_context().exit(1)
