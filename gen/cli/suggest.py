"""`sparktick suggest`: a start advance and a curve to begin with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ._common import json_document, json_option

if TYPE_CHECKING:
    from ..suggest import Suggestion

SIZES = ("bore_mm", "stroke_mm", "ratio", "idle_rpm", "top_rpm")


@click.command()
@click.argument("path", type=click.Path(path_type=Path, exists=True), required=False)
@click.option("--bore-mm", type=click.FloatRange(5, 80), help="Cylinder bore.")
@click.option("--stroke-mm", type=click.FloatRange(5, 80), help="Piston stroke.")
@click.option("--rod-mm", type=click.FloatRange(5, 250), help="Rod; left out: 1.9 x stroke.")
@click.option("--ratio", type=click.FloatRange(3, 18), help="Compression ratio, full stroke.")
@click.option("--strokes", type=click.Choice(["2", "4"]), default="4", show_default=True)
@click.option(
    "--fuel",
    type=click.Choice(["petrol", "methanol", "ethanol", "propane"]),
    default="petrol",
    show_default=True,
)
@click.option("--idle-rpm", type=click.FloatRange(200, 6000), help="Lowest running speed.")
@click.option("--top-rpm", type=click.FloatRange(500, 20000), help="Highest running speed.")
@click.option(
    "--starter",
    type=click.Choice(["hand", "cord", "drill", "belt"]),
    default="hand",
    show_default=True,
)
@json_option
def command(path: Path | None, as_json: bool, **size: str | float | None) -> None:
    """Propose a start advance and an advance curve to begin with.

    PATH is an engine description; its own curve is not looked at.  Without one, give bore, stroke,
    ratio, idle and top speed.  What comes out is a starting point from a stated model of the burn,
    to begin below: the engine has the last word.
    """
    found = _of_description(path) if path is not None else _of_sizes(size)
    if as_json:
        click.echo(json_document("suggest", _content(found)), nl=False)
    else:
        _print(found)


def _of_description(path: Path) -> Suggestion:
    from ..engine import read_engine
    from ..suggest import suggest_for

    return suggest_for(read_engine(path))


def _of_sizes(size: dict[str, str | float | None]) -> Suggestion:
    from ..sections import STARTER_RPM
    from ..slider_crank import Cylinder
    from ..suggest import suggest

    missing = [f"--{name.replace('_', '-')}" for name in SIZES if size[name] is None]
    if missing:
        raise click.UsageError(f"Without a description {', '.join(missing)} must be given.")
    number = {name: float(value) for name, value in size.items() if isinstance(value, float)}
    strokes, starter = int(str(size["strokes"])), str(size["starter"])
    rod_mm = number.get("rod_mm", 1.9 * number["stroke_mm"])
    return suggest(
        Cylinder(
            number["bore_mm"] * 1e-3,
            number["stroke_mm"] * 1e-3,
            rod_mm * 1e-3,
            number["ratio"],
            105.0 if strokes == 2 else 135.0,
        ),
        strokes=strokes,
        fuel=str(size["fuel"]),
        idle_rpm=number["idle_rpm"],
        top_rpm=number["top_rpm"],
        starter=starter,
        starter_rpm=STARTER_RPM[starter],
    )


def _content(found: Suggestion) -> dict[str, object]:
    from ..suggest import HOW_TO_FIND

    return {
        "fuel": found.fuel,
        "start_deg_btdc": found.start_deg_btdc,
        "start_below_rpm": found.start_below_rpm,
        "begin_curve_rpm_deg_btdc": [list(point) for point in found.begin_curve],
        "model_curve_rpm_deg_btdc": [list(point) for point in found.curve],
        "limit_rpm": found.limit_rpm,
        "starting_point_only": True,
        "how_to_find_the_real_one": list(HOW_TO_FIND),
        "constants": [vars(constant) for constant in found.constants],
    }


def _print(found: Suggestion) -> None:
    from rich.console import Console
    from rich.table import Table

    from ..suggest import HOW_TO_FIND

    console = Console()
    console.width = max(console.width, 100)
    console.print(
        "A starting point from a model of the burn, not this engine's own curve: begin below it,\n"
        "with the curve in the middle, and let the engine tell the rest.\n"
    )
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("speed,\nrpm", "begin with,\ndeg BTDC", "model,\ndeg BTDC"):
        table.add_column(heading, justify="right")
    for (rpm, low), (_, deg) in zip(found.begin_curve, found.curve, strict=True):
        table.add_row(f"{rpm:.0f}", f"{low:.1f}", f"{deg:.1f}")
    console.print(table)
    console.print("\nIn the description:\n")
    console.print(found.toml(), markup=False, highlight=False)
    console.print("How to find the real one (guards on, propeller off, fire extinguisher at hand):")
    for number, step in enumerate(HOW_TO_FIND, 1):
        console.print(f"  {number}. {step}", highlight=False)
    console.print("\nConstants of the model, full charge:")
    constants = Table(box=None, pad_edge=False, show_header=False)
    for one in found.constants:
        constants.add_row(
            f"  {one.name}", f"{one.value:g} {'' if one.unit == '1' else one.unit}", one.source
        )
    console.print(constants)
