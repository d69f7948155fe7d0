"""`sparktick boards`: which boards can run the firmware."""

from __future__ import annotations

from typing import Any

import click

from ..board import Board, all_boards, load_board
from ._common import json_document, json_option


@click.command()
@click.argument("name", required=False)
@json_option
def command(name: str | None, as_json: bool) -> None:
    """List the boards, or show the board NAME: pins, ways to upload, fuses."""
    boards = [load_board(name)] if name else all_boards()
    if as_json:
        content = {"boards": [board_content(board) for board in boards]}
        click.echo(json_document("boards", content), nl=False)
    elif name:
        click.echo(board_text(boards[0]))
    else:
        width = max(len(board.name) for board in boards)
        for board in boards:
            click.echo(f"{board.name:{width}}  {board.title}")
        click.echo("\nPins of one board: sparktick boards NAME")


def board_content(board: Board) -> dict[str, Any]:
    """Return a board as JSON holds it, with what follows from it."""
    content = board.model_dump(mode="json", exclude_none=True, by_alias=True)
    content.pop("schema")
    return {
        **content,
        "tick_us": board.tick_us,
        "max_pulses_per_s": board.max_pulses_per_s,
        "most_rpm": board.most_rpm(1.0),
    }


def board_text(board: Board) -> str:
    """Return a board as text for people."""
    lines = [
        f"{board.name}: {board.title}",
        f"  chip {board.mcu}, {board.f_cpu_hz / 1e6:g} MHz, {board.volts:g} V, "
        f"one timer tick {board.tick_us:g} us",
        f"  flash {board.flash_free_bytes} bytes free, RAM {board.ram_bytes} bytes",
        f"  fastest: {board.most_rpm(1.0):.0f} rpm with one pulse a turn",
        "",
        "Pins",
    ]
    for use, pin in board.pins.named().items():
        lines.append(f"  {use:10} {pin.printed:6} {pin.chip_name:4} {pin.function}")
    lines += ["", "Upload"]
    for way in board.upload:
        speed = f", {way.baud} baud" if way.baud else ""
        lines.append(f"  {way.name}: {way.programmer}{speed}. {way.note}")
    if board.fuse:
        lines += ["", "Fuses (need a programmer; compare with your chip's data sheet)"]
    lines += [f"  {fuse.name} = 0x{fuse.value:02X}: {fuse.why}" for fuse in board.fuse]
    if board.not_for:
        lines += ["", "Not for"]
    lines += [f"  {text}" for text in board.not_for]
    return "\n".join(lines)
