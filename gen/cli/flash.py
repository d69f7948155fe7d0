"""`sparktick flash`: the image into the chip."""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path

import click

from ..errors import ToolError
from ._common import json_document, json_option


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--way", help="How, of those the board has.  [default: the board's first]")
@click.option("--port", help="Serial port, such as /dev/ttyUSB0.")
@click.option(
    "--tool",
    type=click.Choice(["avrdude", "platformio"]),
    default="avrdude",
    show_default=True,
    help="Who uploads; PlatformIO compiles once more by itself.",
)
@click.option("--dry-run", is_flag=True, help="Check all and show the command; run nothing.")
@json_option
def command(
    folder: Path, way: str | None, port: str | None, tool: str, dry_run: bool, as_json: bool
) -> None:
    """Put a firmware folder's image into its board.

    The image is built where it is missing or older than its C, checked against the manifest, and
    the command is shown before it runs.  avrdude reads back what it wrote.  Take the board out of
    the engine or the coil's fuse out of its holder first.  Ends with 1 when the upload failed.
    """
    from ..board import load_board
    from ..flashing import (
        avrdude_command,
        check_image,
        find_avrdude,
        pick_way,
        platformio_command,
    )
    from ..render import read_manifest
    from .emulate import build_where_needed

    board = load_board(read_manifest(folder)["board"])
    chosen = pick_way(board, way)
    build_where_needed(folder)
    manifest = read_manifest(folder)
    image = check_image(folder, manifest, board)
    if tool == "avrdude":
        words = avrdude_command(find_avrdude(), board, chosen, port, image.path)
    else:
        words = platformio_command(folder, chosen, port)
    if as_json:
        facts = {"way": chosen.name, "image_bytes": len(image.content), "arguments": words}
        done = None if dry_run else _run(words, quiet=True)
        click.echo(
            json_document("flash", {"folder": str(folder), **facts, "upload_exit_code": done}),
            nl=False,
        )
    else:
        click.echo(f"{manifest['name']} for {board.title}: {len(image.content)} bytes, checked")
        click.echo(f"way     {chosen.name}: {chosen.note}")
        if chosen.baud == 0:
            advice = " ".join(f"{fuse.name} 0x{fuse.value:02X}" for fuse in board.fuse)
            click.echo(f"fuses   {advice} (not written; see {folder / 'README.md'})")
        click.echo(f"command {shlex.join(words)}")
        done = None if dry_run else _run(words, quiet=False)
    if done:
        click.echo("The upload failed: the chip may hold half an image; do not run it.", err=True)
        click.get_current_context().exit(1)


def _run(words: list[str], *, quiet: bool) -> int:
    try:
        return subprocess.run(words, capture_output=quiet, check=False).returncode
    except OSError as error:
        raise ToolError(f"{words[0]}: cannot be run: {error.strerror}") from error
