"""`sparktick build`: firmware folder to image."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..pipeline import kept_folder
from ..toolchain import BuildResult, build
from ._common import json_document, json_option


@click.command()
@click.argument("what", metavar="FOLDER_OR_DESCRIPTION", type=click.Path(path_type=Path))
@json_option
def command(what: Path, as_json: bool) -> None:
    """Compile a firmware folder into the image for its board.

    With a description, its folder (firmware-NAME) is generated first, if it is not there yet.
    """
    folder = kept_folder(what)
    result = build(folder)
    if as_json:
        click.echo(json_document("build", build_content(result, folder)), nl=False)
    else:
        click.echo(build_text(result, folder))


def build_content(result: BuildResult, folder: Path) -> dict[str, Any]:
    """Return the outcome as JSON holds it."""
    compiler = result.compiler
    return {
        "folder": str(folder),
        "elf": str(result.elf),
        "hex": str(result.hex),
        "map": str(result.map),
        "flash_bytes": result.flash_bytes,
        "flash_free_bytes": result.flash_free_bytes,
        "ram_bytes": result.ram_bytes,
        "ram_free_bytes": result.ram_free_bytes,
        "compiler": {
            "name": compiler.name,
            "version": compiler.version,
            "path": str(compiler.path),
            "how": compiler.how,
        },
        "seconds": round(result.seconds, 3),
        "warnings": list(result.warnings),
    }


def build_text(result: BuildResult, folder: Path) -> str:
    """Return the outcome as text for people."""
    compiler = result.compiler
    lines = [
        *result.warnings,
        f"compiler {compiler.label} ({compiler.how}: {compiler.path})",
        f"flash    {result.flash_bytes} of {result.flash_free_bytes} bytes",
        f"RAM      {result.ram_bytes} of {result.ram_free_bytes} bytes for variables",
        f"image    {result.hex}",
        f"\nHow to put it into the chip: {folder / 'README.md'}",
    ]
    return "\n".join(lines)
