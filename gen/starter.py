"""The description that `sparktick new` writes: sound as it stands, a comment on every number."""

from __future__ import annotations

import importlib.resources

import jinja2

from .board import load_board
from .engine import parse_text

# Microseconds of work after the lead edge from which the magnet has to come earlier, and from which
# the greatest speed has to be lower as well; both fitted to the boards.
EARLY_US, SLOW_US = 230.0, 500.0
FAST_RPM = 9900.0  # speed limit of a two-stroke


def starter_text(name: str, *, strokes: int, cylinders: int, board: str) -> str:
    """Return a description in TOML that passes every check.

    Raises DescriptionError for a name that cannot be used, BoardError for an unknown board.
    """
    chosen = load_board(board)
    service_us = 1e6 * chosen.service_cycles / chosen.f_cpu_hz
    source = importlib.resources.files("sparktick.gen") / "data" / "new_engine.toml.j2"
    template = jinja2.Template(
        source.read_text(encoding="utf-8"),
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    text: str = template.render(
        name=name.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n"),
        strokes=strokes,
        cylinders=cylinders,
        board=chosen.name,
        low_volts=chosen.volts < 4.5,
        early=service_us > EARLY_US,
        slow=service_us > SLOW_US,
        fast=strokes == 2 and chosen.most_rpm(1.0) >= FAST_RPM,
    )
    parse_text(text, "the new description")
    return text
