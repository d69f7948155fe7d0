"""Fuses of an AVR chip through avrdude: read, held against the board's advice, written."""

from __future__ import annotations

import re
from dataclasses import dataclass

from .board import Board, Fuse
from .errors import ToolError

MEMORIES = {"low": "lfuse", "high": "hfuse", "extended": "efuse"}


@dataclass(frozen=True)
class FuseState:
    """One fuse byte: what the chip holds and what the board's file advises."""

    fuse: Fuse
    value: int

    @property
    def differs(self) -> bool:
        """Whether the chip holds another value than advised, in the bits that it has."""
        return bool((self.value ^ self.fuse.value) & self.fuse.mask)


def memory(fuse: Fuse) -> str:
    """Return avrdude's name of a fuse byte."""
    return MEMORIES.get(fuse.name, fuse.name)


def read_words(fuses: tuple[Fuse, ...]) -> list[str]:
    """Return the arguments that print each byte on a line of its own."""
    return [word for fuse in fuses for word in ("-U", f"{memory(fuse)}:r:-:h")]


def write_words(fuses: tuple[Fuse, ...]) -> list[str]:
    """Return the arguments that write the advised values; avrdude reads each back."""
    return [word for fuse in fuses for word in ("-U", f"{memory(fuse)}:w:0x{fuse.value:02X}:m")]


def parse_states(board: Board, said: str) -> tuple[FuseState, ...]:
    """Return the state of each of the board's fuses from what avrdude printed.

    Raises ToolError when it printed another number of values.
    """
    values = re.findall(r"(?m)^0x([0-9a-fA-F]{1,2})\s*$", said)
    if len(values) != len(board.fuse):
        raise ToolError(
            f"avrdude told {len(values)} fuse bytes, {board.name} has {len(board.fuse)}\n"
            "    Look at what it says above: is the programmer on the six-pin header?"
        )
    return tuple(
        FuseState(fuse, int(value, 16)) for fuse, value in zip(board.fuse, values, strict=True)
    )
