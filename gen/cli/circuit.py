"""`sparktick circuit`: drawing and parts list of one build."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from ._common import json_document, json_option


@click.command()
@click.argument("description", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, file_okay=False), help="Write files there."
)
@click.option(
    "--ac-gate", is_flag=True, help="Couple the gate through a capacitor: a stuck pin lets go."
)
@json_option
def command(description: Path, output: Path | None, ac_gate: bool, as_json: bool) -> None:
    """Draw the circuit of a description and list its parts.

    Every value is the description's or computed from it.  Writes circuit.svg, parts.csv and
    bench.html (readings to expect, noise to keep out) where -o says; prints the list.  The
    high-voltage side can kill: let someone who knows check it.
    """
    from ..bench_sheet import sheet_html
    from ..board import load_board
    from ..circuit import circuit_of
    from ..circuit_drawing import circuit_svg
    from ..electrical_of import electrical_of
    from ..files import write_file
    from ..parts_list import parts_csv, parts_rows
    from ..pipeline import make_plan

    product = make_plan(description)
    electrical = electrical_of(product.engine, product.design, product.plan)
    board = load_board(product.engine.board.name)
    circuit = circuit_of(product.engine, board, product.plan, electrical, ac_gate=ac_gate)
    written = []
    if output is not None:
        write_file(output / "circuit.svg", circuit_svg(circuit))
        write_file(output / "parts.csv", parts_csv(circuit))
        sheet = sheet_html(product.engine, product.design, product.plan, electrical, circuit)
        write_file(output / "bench.html", sheet)
        written = [str(output / name) for name in ("circuit.svg", "parts.csv", "bench.html")]
    if as_json:
        parts = [asdict(part) for part in circuit.parts]
        content = {"path": str(description), "written": written, "parts": parts}
        click.echo(json_document("circuit", content), nl=False)
        return
    rows = parts_rows(circuit)
    widths = [max(len(row[k]) for row in rows) for k in range(3)]
    for row in rows:
        start = "  ".join(row[k].ljust(widths[k]) for k in range(3))
        click.echo(f"{start}  {'; '.join(word for word in row[3:] if word)}")
    for name in written:
        click.echo(f"{name}: written")
