"""`sparktick generate`: description to firmware folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..pipeline import Product, default_folder, make_plan, write_product
from ..render import MANIFEST, SOURCE, read_manifest
from ._common import json_document, json_option


@click.command()
@click.argument("description", type=click.Path(path_type=Path))
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Replace a firmware folder that exists already.")
@json_option
def command(description: Path, folder: Path | None, force: bool, as_json: bool) -> None:
    """Write the firmware folder of the engine in DESCRIPTION to FOLDER.

    The folder holds the C source with this engine's numbers, a Makefile, platformio.ini, a README
    with wiring and uploading, and manifest.json for programs.  FOLDER left out: firmware-NAME in
    the current folder.
    """
    product = make_plan(description)
    place = folder or default_folder(product.engine.name)
    write_product(product, place, force=force)
    steady = read_manifest(place)["start"]["steady"]
    if as_json:
        click.echo(json_document("generate", generate_content(product, place, steady)), nl=False)
        return
    click.echo("\n".join(summary_lines(product, steady)))
    click.echo(f"\n{place}: written ({SOURCE}/, Makefile, platformio.ini, README.md, {MANIFEST})")
    click.echo(f"Now compile it: sparktick build {place}")


def generate_content(product: Product, folder: Path, steady: list[list[float]]) -> dict[str, Any]:
    """Return the outcome as JSON holds it."""
    plan, made = product.plan, product.design
    return {
        "folder": str(folder),
        "files": sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()),
        "name": made.name,
        "board": made.board.name,
        "dwell_ms": plan.ms(plan.dwell_ticks),
        "hard_limit_ms": plan.ms(plan.hard_limit_ticks),
        "limit_rpm": made.limit_rpm,
        "start_deg_btdc": made.start.deg_btdc,
        "start_below_rpm": made.start.below_rpm,
        "start_floor_rpm": made.start.floor_rpm,
        "start_steady": steady,
        "curve": [list(point) for point in made.curve],
        "predictor": plan.predictor,
        "table_bound_deg": plan.table_bound_deg,
        "table_bytes": plan.table_bytes,
    }


def summary_lines(product: Product, steady: list[list[float]]) -> list[str]:
    """Return the numbers that a user compares with what was wanted."""
    plan, made = product.plan, product.design
    start = made.start
    points = ", ".join(f"{deg:g} at {rpm:g}" for rpm, deg in made.curve)
    width = "pulse   " if plan.spark_on_rise else "dwell   "
    return [
        f"{made.name} on {made.board.title}",
        f"  {width} {plan.ms(plan.dwell_ticks):.3f} ms, never more than "
        f"{plan.ms(plan.hard_limit_ticks):.3f} ms",
        f"  start    not before {start.deg_btdc:g} deg BTDC below {start.below_rpm:g} rpm, "
        f"no spark below {start.floor_rpm:.0f} rpm",
        f"           a crank that turns evenly: {_angles(steady)}",
        f"  advance  {points} rpm; no sparks above {made.limit_rpm:g}",
        f"  table    within {plan.table_bound_deg:.4f} deg at every speed, "
        f"{plan.table_bytes} bytes",
        f"  speed    predictor {plan.predictor if product.choice else plan.predictor_reason}",
    ]


def _angles(steady: list[list[float]]) -> str:
    """Where start sparks come at the slowest, a middle and the highest speed of a start."""
    shown = (steady[0], steady[len(steady) // 2], steady[-1])
    return ", ".join(
        f"{abs(deg):.1f} deg {'before' if deg >= 0 else 'after'} TDC at {rpm:.0f} rpm"
        for rpm, deg in shown
    )
