"""`sparktick schema`: the description's format for editors."""

from __future__ import annotations

from pathlib import Path

import click

from ..engine import engine_json_schema_text
from ..engine_docs import engine_markdown
from ..files import write_file


@click.command()
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write to this file instead of the terminal.",
)
@click.option("--markdown", is_flag=True, help="A table of all keys for people instead.")
def command(output: Path | None, markdown: bool) -> None:
    """Write the format of engine descriptions as JSON Schema.

    Editors that know TOML use it to complete keys and to mark wrong ones while you type, when the
    description's first line reads:  #:schema engine.schema.json
    """
    text = engine_markdown() if markdown else engine_json_schema_text()
    if output is None:
        click.echo(text, nl=False)
    else:
        changed = write_file(output, text)
        click.echo(f"{output}: {'written' if changed else 'up to date'}")
