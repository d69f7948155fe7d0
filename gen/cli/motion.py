"""`sparktick motion`: the engine turned by its firmware's own sparks."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ._common import json_document, json_option

if TYPE_CHECKING:
    from sparktick.host_sim.report.motion import MotionPart


@click.command()
@click.argument("path", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--starts", type=click.IntRange(1, 100_000), default=300, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Repeats a run.")
@click.option(
    "--pictures",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write the pictures (SVG) into this folder.",
)
@json_option
def command(path: Path, starts: int, seed: int, pictures: Path | None, as_json: bool) -> None:
    """Turn the engine by its firmware's own sparks.

    PATH is an engine description.  Its firmware is generated, compiled for this computer and
    closed into one loop with the engine: starts, idle, misfires, a step of load, throttle, a
    stall.  Tells how unevenly it turns, which predictor suits it, and where the magnet may go.
    Ends with 1 when a start kicked back, lock was lost, or a true pulse was refused.
    """
    from sparktick.gen.pipeline import make_plan, write_product
    from sparktick.host_sim.report.motion import motion_part

    product = make_plan(path)
    with tempfile.TemporaryDirectory(prefix="sparktick-") as scratch:
        folder = Path(scratch) / "firmware"
        write_product(product, folder)
        part = motion_part(product.engine, product.design, folder, seed=seed, starts=starts)
    written = _write_pictures(part, pictures) if pictures is not None else []
    if as_json:
        found = _content(part, product.design.predictor)
        content = {"path": str(path), "seed": seed, **found, "pictures": written}
        click.echo(json_document("motion", content), nl=False)
    else:
        _print(part, product.design.predictor)
        for name in written:
            click.echo(f"picture  {name}")
    if not part.passed:
        click.get_current_context().exit(1)


def _write_pictures(part: MotionPart, folder: Path) -> list[str]:
    from sparktick.gen.files import write_file
    from sparktick.host_sim.report.figures_motion import motion_pictures, plain_svg

    written = []
    for picture in motion_pictures(part):
        target = folder / f"{picture.name}.svg"
        write_file(target, plain_svg(picture))
        written.append(str(target))
    return written


def _content(part: MotionPart, used: str) -> dict[str, Any]:
    choice, placement = part.choice, part.placement
    return {
        "passed": part.passed,
        "irregularity": {cycle.title: round(cycle.irregularity, 4) for cycle in part.cycles},
        "firmware_predictor": used,
        "predictor": choice.predictor,
        "arc_timing": choice.arc_timing,
        "predictor_reason": choice.reason,
        "worst_error_deg": choice.worst_exact_deg,
        "gate_accel_rpm_per_s": round(choice.gate_accel_rpm_per_s, 1),
        "refused_edges": choice.refused_edges,
        "scenes": [scene.as_dict() for scene in part.scenes],
        "starts": part.starts.as_dict(),
        "magnet": {
            "window_deg_btdc": list(placement.window_deg_btdc),
            "best_deg_btdc": placement.best.lead_deg_btdc,
            "described_deg_btdc": placement.described.lead_deg_btdc,
            "described_works": placement.described.works,
            "why_not": placement.described.why_not,
            "two_magnets_help": placement.two_magnets_help,
        },
    }


def _print(part: MotionPart, used: str) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console()
    console.width = max(console.width, 100)
    for cycle in part.cycles:
        what = f"{cycle.title} ({cycle.rpm.mean():.0f} rpm)"
        console.print(f"uneven   {100.0 * cycle.irregularity:.1f} % within a cycle at {what}")
    console.print(f"predictor {part.choice.reason}", highlight=False, markup=False)
    note = (
        ", and times a spark still to come by the pulse's own arc" if part.design.arc_timing else ""
    )
    console.print(f"firmware  foresees by {used}{note}", highlight=False)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading, justify in (
        ("scene", "left"),
        ("turns", "right"),
        ("rpm", "right"),
        ("worst error, deg", "right"),
        ("verdict", "left"),
    ):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    for scene in part.scenes:
        row = scene.as_dict()
        table.add_row(
            scene.scene.title,
            str(row["turns"]),
            f"{row['least_rpm']:.0f} to {row['most_rpm']:.0f}",
            f"{scene.worst_deg:.2f}",
            "[green]kept[/]" if scene.passed else "[red]not kept[/]",
        )
    console.print(table)
    _print_starts_and_magnet(part, console.print)


def _print_starts_and_magnet(part: MotionPart, say: Any) -> None:
    starts, placement = part.starts, part.placement
    ran, kicks = int(starts.starts.started.sum()), int(starts.starts.kick_backs.sum())
    say(f"starts   {len(starts.starts.started)}: {ran} ran, {kicks} kicked back")
    least, most = placement.window_deg_btdc
    where = f"may arrive {least:g} to {most:g} deg BTDC, best {placement.best.lead_deg_btdc:g}"
    if not placement.this_magnet_works:
        where = "of this length works nowhere"
    say(f"magnet   {where} (described: {placement.described.lead_deg_btdc:g})")
    if not placement.described.works:
        say(f"         as described: {placement.described.why_not}", highlight=False, markup=False)
    two = placement.two_magnets
    if placement.two_magnets_help and two is not None:
        say(
            f"         two magnets and a latching sensor would do better: S arriving "
            f"{two.lead_deg_btdc:.0f}, N {two.trail_deg_btdc:.0f} deg BTDC"
        )
    kept = [(scene.scene.title, scene.checks) for scene in part.scenes]
    for title, checks in (*kept, ("starts", starts.checks)):
        for check in checks:
            if not check.passed:
                say(
                    f"  {title}: {check.name} {check.value:.4g} {check.unit}, limit {check.limit:g}"
                )
