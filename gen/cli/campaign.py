"""`sparktick campaign`: noise families x levels x speeds x seeds over a firmware folder's own C."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ._common import json_document, json_option

if TYPE_CHECKING:
    from sparktick.host_sim.campaign import Block, Score, Source
    from sparktick.host_sim.campaign_run import Progress
    from sparktick.host_sim.campaign_show import Found
    from sparktick.host_sim.manifest import Manifest

    Rows = list[tuple[Block, Score]]

LEVELS = (0.25, 0.5, 1.0, 2.0, 4.0)


@click.command()
@click.argument("path", type=click.Path(path_type=Path, exists=True))
@click.option("--family", multiple=True, help="Only this noise family; repeat. Left out: all.")
@click.option(
    "--level",
    type=float,
    multiple=True,
    help="Only this level of the noise; repeat. 1 is severe. Left out: 0.25 to 4.",
)
@click.option("--rpm", type=float, multiple=True, help="Only this speed; repeat. Left out: 6 to 8.")
@click.option(
    "--seeds",
    type=click.IntRange(1, 1_000_000),
    default=2,
    show_default=True,
    help="Blocks of each kind.",
)
@click.option(
    "--first-seed",
    type=click.IntRange(0, (1 << 63) - 1),
    default=1,
    show_default=True,
    help="Number of the first.",
)
@click.option("--turns", type=int, default=5000, show_default=True, help="Turns of each block.")
@click.option("--jobs", type=click.IntRange(1), help="Processes. Left out: one a processor core.")
@click.option(
    "--cluster", metavar="ADDRESS", help="Run on the Dask scheduler there, as tcp://HOST:8786."
)
@click.option("--without", multiple=True, metavar="LAYER", help="Switch a layer off; repeat.")
@click.option("--layers", is_flag=True, help="Switch each layer off in turn and show its worth.")
@click.option(
    "--handlers",
    type=float,
    default=1.0,
    show_default=True,
    metavar="SHARE",
    help="Handler times as a share of this chip's; 0.05: as on a much faster one.",
)
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the results. Left out: campaign-NAME.",
)
@click.option("--restart", is_flag=True, help="Throw away what an earlier run left in the folder.")
@click.option("--quiet", is_flag=True, help="No progress.")
@json_option
def command(
    path: Path,
    family: tuple[str, ...],
    level: tuple[float, ...],
    rpm: tuple[float, ...],
    seeds: int,
    first_seed: int,
    turns: int,
    jobs: int | None,
    cluster: str | None,
    without: tuple[str, ...],
    layers: bool,
    handlers: float,
    out: Path | None,
    restart: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """Show in numbers what noise does to the sparks.

    PATH is a firmware folder, or an engine description that is generated into a temporary one.
    Its own C runs under noise of many families: the coil's own ringing, standard bursts, mains
    hum, a failing sensor. Each finished block is kept, so that the same command goes on where it
    was stopped. Results, a picture, and a trace of each failure lie in the folder of --out. Ends
    with 1 when a limit was not kept.
    """
    from sparktick.gen.pipeline import default_folder, firmware_folder
    from sparktick.host_sim import campaign
    from sparktick.host_sim.campaign_run import Where
    from sparktick.host_sim.manifest import read_manifest

    for name in without:
        if name not in campaign.LAYERS:
            allowed = " | ".join(campaign.LAYERS)
            raise click.BadParameter(f"{name}: no such layer (allowed: {allowed}).")
    with firmware_folder(path) as folder:
        manifest = read_manifest(folder)
        source = campaign.without(campaign.read_source(folder), without)
        source = campaign.with_handlers(source, handlers)
        blocks = campaign.plan_blocks(
            family or campaign.families_of(manifest),
            level or ((1.0,) if layers else LEVELS),
            rpm or campaign.default_speeds(manifest),
            range(first_seed, first_seed + seeds),
            turns,
        )
        where = Where(jobs or os.cpu_count() or 1, cluster)
        place = out or Path("campaign-" + default_folder(manifest.name).name[len("firmware-") :])
        with _progress(quiet or as_json) as progress:
            if layers:
                tables = _layer_rows(source, blocks, where, place, restart, progress)
            else:
                tables = {"": _rows(source, blocks, where, place, restart, progress)}
    if layers:
        _tell_layers(tables, place, path, as_json)
        return
    changed = [part for layer in without for part in ("--without", layer)]
    changed += ["--handlers", repr(handlers)] if handlers != 1.0 else []
    failures = _failures(tables[""], manifest, source, place, path, changed)
    _tell(tables[""], failures, manifest, source, place, path, as_json)
    if failures:
        click.get_current_context().exit(1)


@contextmanager
def _progress(silent: bool) -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    if silent:
        yield lambda done, of: None
        return
    console = Console(stderr=True)
    with Progress(
        "blocks", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), console=console
    ) as bar:
        shown = bar.add_task("", total=None)
        yield lambda done, of: bar.update(shown, completed=done, total=of)


def _rows(
    source: Source, blocks: Any, where: Any, place: Path, restart: bool, progress: Progress
) -> Rows:
    from sparktick.host_sim.campaign_run import Store, run_blocks

    store = Store(place, source, blocks, restart=restart)
    try:
        return run_blocks(source, store, where, progress)
    except KeyboardInterrupt:
        click.echo(
            f"stopped with {len(store.done)} of {len(blocks)} blocks done; the same command goes "
            "on from there",
            err=True,
        )
        raise


def _layer_rows(
    source: Source, blocks: Any, where: Any, place: Path, restart: bool, progress: Progress
) -> dict[str, Rows]:
    from sparktick.host_sim import campaign

    found: dict[str, Rows] = {}
    for name in ("", *campaign.LAYERS):
        bare = campaign.without(source, (name,) if name else ())
        before = len(found) * len(blocks)

        def told(done: int, of: int, before: int = before) -> None:
            progress(before + done, (1 + len(campaign.LAYERS)) * of)

        found[name] = _rows(bare, blocks, where, place / (name or "all"), restart, told)
    return found


def _failures(
    rows: Rows, manifest: Manifest, source: Source, place: Path, path: Path, changed: list[str]
) -> list[Found]:
    """Return failures with their traces and the commands that replay them; write the traces.

    ``changed``: the options by which the firmware was changed.
    """
    from sparktick.host_sim.campaign import failures_of
    from sparktick.host_sim.campaign_moment import write_moment
    from sparktick.host_sim.campaign_show import Found

    found = []
    for failure in failures_of(rows, manifest):
        block = failure.block
        name = f"{block.family}-{block.level:g}-{block.rpm:g}rpm-{block.seed}"
        begin_s = write_moment(place / f"{name}.vcd", source, block, failure.at_s)
        replay = ["sparktick", "campaign", str(path), "--family", block.family]
        replay += ["--level", repr(block.level), "--rpm", repr(block.rpm), "--seeds", "1"]
        replay += ["--first-seed", str(block.seed), "--turns", str(block.turns), *changed]
        replay += ["--jobs", "1", "--out", str(place / name)]
        at_ms = 1e3 * (failure.at_s - begin_s)
        found.append(Found(failure, shlex.join(replay), str(place / f"{name}.vcd"), at_ms))
    return found


def _tell(
    rows: Rows,
    failures: list[Found],
    manifest: Manifest,
    source: Source,
    place: Path,
    path: Path,
    as_json: bool,
) -> None:
    from sparktick.gen.files import write_file
    from sparktick.host_sim.campaign_show import campaign_dict, draw
    from sparktick.host_sim.noise_bound import bounds_of

    speeds = sorted({block.rpm for block, _ in rows})
    bounds = bounds_of(source, manifest, speeds)
    content = {"path": str(path), **campaign_dict(rows, failures, bounds)}
    document = json_document("campaign", content)
    write_file(place / "campaign.json", document)
    draw(place / "campaign.svg", rows, manifest)
    if as_json:
        click.echo(document, nl=False)
        return
    _print_cells(content["cells"])
    click.echo(
        "* imitates the magnet: one early spark in 5000 may be; angles are judged to level 1"
    )
    click.echo(
        "\nWhat no firmware can tell from the magnet's, so near to the true edge once locked:"
    )
    for bound in bounds:
        click.echo(
            f"  {bound.rpm:6.0f} rpm, {bound.gate_deg:5.1f} deg: an edge of {bound.edge_us:.0f} us "
            f"sparks at most at {bound.edge_deg_btdc:.1f} deg BTDC, a pulse of "
            f"{bound.pulse_us:.0f} us at {bound.furthest_deg_btdc:.1f}"
        )
    for one in failures:
        click.echo(f"\n{one.failure.family}, level {one.failure.level:g}: {one.failure.what}")
        click.echo(f"  replay  {one.replay}")
        click.echo(f"  trace   {one.trace}, {one.at_ms:.3f} ms after its begin")
    turns = content["turns"]
    kept = "every limit was kept"
    if failures:
        kept = f"{len(failures)} {'limit was' if len(failures) == 1 else 'limits were'} not kept"
    click.echo(f"\n{turns} turns in {len(rows)} blocks: {kept}. Results: {place}")


def _console() -> Any:
    from rich.console import Console

    console = Console()
    console.width = max(console.width, 100)
    return console


def _table(headings: tuple[str, ...], left: int = 1) -> Any:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    for index, heading in enumerate(headings):
        table.add_column(heading, justify="left" if index < left else "right")
    return table


def _print_cells(cells: list[dict[str, Any]]) -> None:
    table = _table(
        (
            "noise",
            "level",
            "pulses",
            "disturb-\nances",
            "within 1 deg\n\\[% of sparks]",
            "lost",
            "added",
            "early",
            "furthest\n\\[deg BTDC]",
            "longest on\n\\[us]",
            "busy\n\\[%]",
        )
    )
    for cell in cells:
        furthest = cell["furthest_deg_btdc"]
        table.add_row(
            cell["family"] + (" *" if cell["imitates"] else ""),
            f"{cell['level']:g}",
            str(cell["pulses"]),
            str(cell["disturbances"]),
            f"{100 * cell['within_1_deg_share']:.3f}",
            str(cell["lost"]),
            str(cell["added"]),
            str(cell["early"]),
            "-" if furthest is None else f"{furthest:.2f}",
            f"{cell['on_max_us']:.0f}",
            f"{100 * cell['busy_max_share']:.1f}",
        )
    _console().print(table)


def _tell_layers(tables: dict[str, Rows], place: Path, path: Path, as_json: bool) -> None:
    """Show what each layer was worth: what gets worse in which families without it."""
    from sparktick.gen.files import write_file
    from sparktick.host_sim.campaign_layers import layers_dict

    content = {"path": str(path), **layers_dict(tables)}
    document = json_document("campaign", content)
    write_file(place / "layers.json", document)
    if as_json:
        click.echo(document, nl=False)
        return
    table = _table(
        (
            "layer off",
            "sparks moved\nper 100 000",
            "lost\nper 100 000",
            "furthest\n\\[deg BTDC]",
            "busy\n\\[%]",
            "worse most in",
        ),
        1,
    )
    for row in content["layers"]:
        worst = ", ".join(
            f"{one['family']} {one['not_kept_per_100000']:.0f} for {one['before_per_100000']:.0f}"
            for one in row["worse"][:3]
        )
        table.add_row(
            row["layer"] or "none",
            f"{row['moved_per_100000']:.0f}",
            f"{row['lost_per_100000']:.0f}",
            f"{row['furthest_deg_btdc']:.1f}",
            f"{100 * row['busy_max_share']:.1f}",
            worst or "-",
        )
    _console().print(table)
    click.echo(f"\n{content['turns_each']} turns each. Results: {place}")
