"""`sparktick measure`: what your coil is, from readings of your own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from ..measuring import (
    Measured,
    from_ac,
    from_divider,
    from_meter,
    from_ramp,
    from_step,
    from_turns,
    toml_lines,
)
from ..measuring_how import HOW, how_text
from ._common import json_document, json_option

Function = TypeVar("Function", bound=Callable[..., Any])
WINDING = "Temperature of the winding."


@click.group()
def command() -> None:
    """Tell resistance, inductance and turns of an unknown coil from readings.

    Every way prints how to measure with --how, and takes the readings as options.  What it prints
    are lines for [coil] of your description.
    """


def _how_option(function: Function) -> Function:
    """Add ``--how``, which prints the instructions and asks for no reading."""

    def show(ctx: click.Context, param: click.Parameter, value: bool) -> None:
        if value and not ctx.resilient_parsing:
            click.echo(how_text(ctx.info_name or ""), nl=False)
            ctx.exit()

    return click.option(
        "--how",
        is_flag=True,
        is_eager=True,
        expose_value=False,
        callback=show,
        help="Tell how to measure, and end.",
    )(function)


def _reading(name: str, text: str, default: float | None = None) -> Callable[[Function], Function]:
    """Declare one reading; required when it has no default."""
    if default is None:
        return click.option(name, type=float, required=True, help=text)
    return click.option(name, type=float, default=default, show_default=True, help=text)


def _show(way: str, measured: Measured, as_json: bool) -> None:
    if as_json:
        content = {
            "way": way,
            "coil": {key: float(f"{value:.6g}") for key, value in measured.values.items()},
            "source": measured.source,
            "doubts": list(measured.doubts),
        }
        click.echo(json_document("measure", content), nl=False)
        return
    click.echo("\n".join(toml_lines(measured)))
    for doubt in measured.doubts:
        click.echo(f"Doubtful: {doubt}.", err=True)


@command.command()
@_reading("--reading-ohm", "Reading across the primary.")
@_reading("--leads-ohm", "Reading with the probes held together.")
@_reading("--winding-c", WINDING, 20.0)
@_reading("--digit-ohm", "Last digit of the meter.", 0.1)
@json_option
@_how_option
def ohm(
    reading_ohm: float, leads_ohm: float, winding_c: float, digit_ohm: float, as_json: bool
) -> None:
    """Resistance with a meter: two readings."""
    found = from_meter(reading_ohm, leads_ohm, winding_c=winding_c, digit_ohm=digit_ohm)
    _show("ohm", found, as_json)


@command.command()
@_reading("--known-ohm", "The known resistor.")
@_reading("--known-v", "DC voltage across the resistor.")
@_reading("--coil-v", "DC voltage across the coil.")
@_reading("--winding-c", WINDING, 20.0)
@json_option
@_how_option
def divider(
    known_ohm: float, known_v: float, coil_v: float, winding_c: float, as_json: bool
) -> None:
    """Resistance with a known resistor and a battery."""
    _show("divider", from_divider(known_ohm, known_v, coil_v, winding_c=winding_c), as_json)


@command.command()
@_reading("--known-ohm", "The known resistor.")
@_reading("--coil-ohm", "Resistance of the primary.")
@_reading("--other-ohm", "Battery, switch and wires.", 0.1)
@_reading("--rise-63-ms", "Time until the current has 63 % of its final value.")
@json_option
@_how_option
def step(
    known_ohm: float, coil_ohm: float, other_ohm: float, rise_63_ms: float, as_json: bool
) -> None:
    """Inductance with a known resistor, a battery and a scope."""
    _show("step", from_step(known_ohm + coil_ohm + other_ohm, rise_63_ms * 1e-3), as_json)


@command.command()
@_reading("--volts", "Supply while it charges, less the switch's drop.")
@_reading("--ohm", "All of the loop: coil, shunt, wires, battery.")
@click.option(
    "--point",
    "points",
    type=(float, float),
    multiple=True,
    required=True,
    metavar="MS A",
    help="A point of the rising current: milliseconds and ampere; repeat.",
)
@json_option
@_how_option
def ramp(volts: float, ohm: float, points: tuple[tuple[float, float], ...], as_json: bool) -> None:
    """Inductance and saturation from a current ramp on a scope."""
    _show("ramp", from_ramp(volts, ohm, [(ms * 1e-3, a) for ms, a in points]), as_json)


@command.command()
@_reading("--known-ohm", "The known resistor.")
@_reading("--known-v", "AC voltage across the resistor.")
@_reading("--coil-v", "AC voltage across the coil.")
@_reading("--both-v", "AC voltage across both.")
@_reading("--hz", "Frequency.", 50.0)
@json_option
@_how_option
def ac(
    known_ohm: float, known_v: float, coil_v: float, both_v: float, hz: float, as_json: bool
) -> None:
    """Inductance with a meter, a known resistor and low-voltage AC."""
    _show("ac", from_ac(known_ohm, known_v, coil_v, both_v, hz), as_json)


@command.command()
@_reading("--primary-v", "AC voltage at the primary.")
@_reading("--secondary-v", "AC voltage at the high-voltage end.")
@json_option
@_how_option
def turns(primary_v: float, secondary_v: float, as_json: bool) -> None:
    """Ratio of turns with a meter and low-voltage AC."""
    _show("turns", from_turns(primary_v, secondary_v), as_json)


assert set(command.commands) == set(HOW)
