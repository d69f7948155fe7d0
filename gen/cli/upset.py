"""`sparktick upset`: flipped bits and brown-outs in the running image."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ._common import json_document, json_option
from .emulate import build_where_needed

if TYPE_CHECKING:
    from sparktick.host_sim.upset import UpsetResult
    from sparktick.host_sim.upset_cases import Campaign, Outcome

MOST_SHOWN = 10


def _speeds(ctx: click.Context, param: click.Parameter, given: str | None) -> tuple[float, ...]:
    """Read "2100,8000" as speeds."""
    try:
        return tuple(float(part) for part in given.split(",")) if given else ()
    except ValueError:
        raise click.BadParameter(f"{given!r}: speeds like 2100,5100,8000 are wanted.") from None


@click.command()
@click.argument("path", type=click.Path(path_type=Path, exists=True))
@click.option(
    "--upsets", "-n", type=click.IntRange(1, 10_000_000), default=1000, help="How many.  [1000]"
)
@click.option("--seed", type=click.IntRange(0, (1 << 63) - 1), default=1, help="Draws all.  [1]")
@click.option(
    "--rpm",
    metavar="RPM,RPM,...",
    callback=_speeds,
    help="These steady speeds.  [default: 25, 60 and 94 % of the speed limit]",
)
@click.option(
    "--per-start",
    type=click.IntRange(1, 10_000),
    default=40,
    help="Upsets that follow one start of the chip, a quiet window after each.  [40]",
)
@click.option(
    "--reset-hold-ms",
    type=click.FloatRange(0.0, 1000.0),
    default=0.0,
    help="Start-up delay by the chip's fuses, 65 on many boards.  [0]",
)
@click.option("--jobs", "-j", type=click.IntRange(1, 1024), help="Cores to use.  [all]")
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw the outcomes there."
)
@click.option("--only", type=click.IntRange(0), help="Run this one upset again, by its number.")
@click.option(
    "--vcd",
    type=click.Path(path_type=Path, dir_okay=False),
    help="With --only: write the trace of its window there.",
)
@json_option
def command(
    path: Path,
    upsets: int,
    seed: int,
    rpm: tuple[float, ...],
    per_start: int,
    reset_hold_ms: float,
    jobs: int | None,
    picture: Path | None,
    only: int | None,
    vcd: Path | None,
    as_json: bool,
) -> None:
    """Flip bits in the running chip, cut its supply, and count what comes of it.

    PATH is a firmware folder, built first where its image is missing or older than its C, or an
    engine description.  Its image runs at speed on an emulated chip; at random instants a
    random bit of RAM, CPU registers, I/O registers or the program counter flips, or the supply
    browns out for a moment.  Ends with 1 when a coil was on for longer than the hard limit and one
    watchdog time, or sparks stayed away for longer than the watchdog's time and three turns.
    """
    from sparktick.host_sim.manifest import read_manifest
    from sparktick.host_sim.upset import run_campaign
    from sparktick.host_sim.upset_cases import Campaign
    from sparktick.host_sim.upset_picture import check_suffix, write_picture

    from ..pipeline import firmware_folder

    if vcd is not None and only is None:
        raise click.UsageError("--vcd goes with --only NUMBER.")
    if picture is not None:
        check_suffix(picture)
    with firmware_folder(path) as folder:
        build_where_needed(folder)
        manifest = read_manifest(folder)
        hold_s = reset_hold_ms * 1e-3
        campaign = Campaign(manifest, seed, upsets, rpm, per_start, hold_s)
        if only is not None:
            failed = _run_again(campaign, only, path, vcd, as_json)
        else:
            with _progress(upsets, not as_json) as told:
                result = run_campaign(campaign, jobs=jobs, told=told)
            failed = not result.passed
            if picture is not None:
                write_picture(picture, result)
            _show(result, path, as_json)
    if failed:
        click.get_current_context().exit(1)


@contextmanager
def _progress(total: int, show: bool) -> Iterator[Callable[[int], None]]:
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not (show and console.is_terminal)) as p:
        task = p.add_task("upsetting", total=total)
        yield lambda more: p.update(task, advance=more)


def replay_command(campaign: Campaign, path: Path, index: int) -> str:
    """Return the one command that runs an upset again and writes its trace."""
    parts = ["sparktick", "upset", str(path), "--only", str(index), "--seed", str(campaign.seed)]
    parts += ["--upsets", str(campaign.upsets), "--per-start", str(campaign.per_start)]
    parts += ["--rpm", ",".join(f"{rpm:.15g}" for rpm in campaign.speeds_rpm)]
    if campaign.reset_hold_s:
        parts += ["--reset-hold-ms", f"{1e3 * campaign.reset_hold_s:g}"]
    return shlex.join([*parts, "--vcd", f"upset-{index}.vcd"])


def _place(outcome: Outcome, campaign: Campaign) -> str:
    """Return what was hit, in words."""
    from sparktick.host_sim.upset_targets import DIP, PC, place_name

    case = outcome.case
    if case.space == DIP:
        return f"brown-out of {1e3 * case.lasts_s:.3g} ms"
    if case.space == PC:
        return f"program counter, bit {case.bit}"
    return f"{place_name(campaign.manifest, case.space, case.address)}, bit {case.bit}"


def _outcome_dict(outcome: Outcome, campaign: Campaign, path: Path) -> dict[str, Any]:
    case = outcome.case
    return {
        "index": case.index,
        "outcome": outcome.outcome,
        "space": case.space,
        "place": _place(outcome, campaign),
        "address": case.address,
        "bit": case.bit,
        "rpm": case.rpm,
        "sparks_lost": outcome.lost,
        "sparks_added": outcome.added,
        "sparks_early": outcome.early,
        "resets": outcome.resets,
        "dark_ms": round(1e3 * outcome.dark_s, 3),
        "right_again_turns": round(outcome.back_turns, 3),
        "on_us": round(outcome.on_us, 3),
        "replay": replay_command(campaign, path, case.index),
    }


def _run_again(campaign: Campaign, index: int, path: Path, vcd: Path | None, as_json: bool) -> bool:
    """Run one upset again, tell it, write its trace; True when it failed."""
    from sparktick.host_sim.upset import replay, window_trace
    from sparktick.host_sim.vcd import write_vcd

    windows, outcome = replay(campaign, index)
    content = _outcome_dict(outcome, campaign, path)
    if vcd is not None:
        train, run, lead_s = window_trace(campaign, windows, index)
        write_vcd(vcd, train, run, campaign.manifest)
    if as_json:
        click.echo(json_document("upset", {"path": str(path), "again": content}), nl=False)
        return outcome.failed
    del content["replay"]
    for name, value in content.items():
        click.echo(f"{name:18} {value}")
    if vcd is not None:
        click.echo(
            f"trace              {vcd}: the upset comes {1e3 * lead_s:.3f} ms after its begin"
        )
    return outcome.failed


def _show(result: UpsetResult, path: Path, as_json: bool) -> None:
    failures = [_outcome_dict(o, result.campaign, path) for o in result.failures]
    if as_json:
        content = {"path": str(path), **result.as_dict(), "failures": failures}
        click.echo(json_document("upset", content), nl=False)
    else:
        _print(result, failures)


def _print(result: UpsetResult, failures: list[dict[str, Any]]) -> None:
    from rich.console import Console
    from rich.table import Table

    from sparktick.host_sim.upset_cases import OUTCOMES
    from sparktick.host_sim.upset_targets import SPACES

    figures = result.as_dict()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("place")
    for name in ("upsets", *OUTCOMES):
        table.add_column(name, justify="right")
    rows = [(space, result.counts[space]) for space in SPACES]
    for name, counts in [*rows, ("all", result.total)]:
        numbers = [sum(counts.values()), *(counts[o] for o in OUTCOMES)]
        table.add_row(name, *(str(n) for n in numbers))
    console = Console(highlight=False)
    console.width = max(console.width, 100)
    console.print(table)
    speeds = ", ".join(f"{rpm:g}" for rpm in result.campaign.speeds_rpm)
    click.echo(f"\nat {speeds} rpm on {figures['emulator']}, seed {result.campaign.seed}")
    click.echo(f"longest on-time   {figures['on_max_us']} us of {figures['on_allowed_us']} allowed")
    allowed = ", ".join(f"{ms:g}" for ms in figures["dark_allowed_ms"].values())
    click.echo(f"longest darkness  {figures['dark_max_ms']} ms; at these speeds {allowed} allowed")
    if figures["recovered_turns_mean"] is not None:
        click.echo(
            f"after a reset     right again after {figures['recovered_turns_mean']} turns in the "
            f"mean, {figures['recovered_turns_max']} at most"
        )
    click.echo(f"early sparks      after {figures['upsets_with_early_spark']} upsets")
    for failure in failures[:MOST_SHOWN]:
        click.echo(
            f"\nFAILED {failure['outcome']}: {failure['place']} at {failure['rpm']:g} rpm: on "
            f"{failure['on_us']} us, dark {failure['dark_ms']} ms\n    {failure['replay']}"
        )
    if len(failures) > MOST_SHOWN:
        click.echo(f"\n... and {len(failures) - MOST_SHOWN} more (--json tells all)")
