"""--board: an engine on another board, or the example that fits a board."""

from __future__ import annotations

import contextlib
import re
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import click

from ..errors import DescriptionError

Function = TypeVar("Function", bound=Callable[..., Any])

BOARD_LINE = re.compile(
    r'^(\[board\](?:\s*#.*)?\n(?:(?!\[).*\n)*?name\s*=\s*)"[^"\n]*"', re.MULTILINE
)


def board_option(function: Function) -> Function:
    """Add the argument PATH, which may be left out, and ``--board``."""
    argument = click.argument("path", type=click.Path(path_type=Path, exists=True), required=False)
    option = click.option(
        "--board",
        metavar="NAME",
        help="The description PATH on this board; without PATH an example engine that fits it.",
    )
    return argument(option(function))


@contextlib.contextmanager
def on_board(path: Path | None, board: str | None) -> Iterator[Path]:
    """Yield what ``path`` and ``--board`` stand for: a firmware folder or a description.

    UsageError when neither is given, or a board with a folder, which is made for one.
    """
    if board is None:
        if path is None:
            raise click.UsageError("say PATH, or --board for an example engine on that board.")
        yield path
        return
    if path is not None and path.is_dir():
        raise click.UsageError(f"{path} is made for its board; --board goes with a description.")
    with tempfile.TemporaryDirectory(prefix="sparktick-") as temporary:
        described = Path(temporary) / (path.name if path is not None else f"{board}.toml")
        described.write_text(_text(path, board), encoding="utf-8")
        try:
            yield described
        except DescriptionError as error:
            if path is None:
                raise
            for fault in error.faults:
                fault.file = str(path)
            raise DescriptionError(*error.faults) from None


def _text(path: Path | None, board: str) -> str:
    from sparktick.examples.fitting import engine_for

    from ..board import load_board

    if path is None:
        return engine_for(board)
    load_board(board)
    text = path.read_text(encoding="utf-8")
    moved, found = BOARD_LINE.subn(rf'\g<1>"{board}"', text)
    return moved if found else f'{text.rstrip()}\n\n[board]\nname = "{board}"\n'
