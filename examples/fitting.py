"""An example engine for any board.

Plover, its magnet earlier and its top speed lower where the chip needs more time; Teal where
the board gives 3.3 V.
"""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

from sparktick.gen.board import load_board
from sparktick.gen.errors import DescriptionError
from sparktick.gen.pipeline import make_plan

# Example, lead edge (deg BTDC), greatest speed and speed limit (rpm), tried in this order.
VARIATIONS: tuple[tuple[str, float, float, float], ...] = (
    ("plover", 48.0, 8000.0, 8500.0),
    ("plover", 62.0, 8000.0, 8500.0),
    ("plover", 75.0, 6000.0, 6500.0),
    ("teal", 70.0, 12000.0, 12800.0),
)


def engine_for(board: str) -> str:
    """Return the description of the first of the variations that a board can serve.

    Raises BoardError for an unknown board, DescriptionError when none fits.
    """
    load_board(board)
    refused: DescriptionError | None = None
    for example, *numbers in VARIATIONS:
        tried = _varied(example, board, *numbers)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{board}.toml"
            path.write_text(tried, encoding="utf-8")
            try:
                make_plan(path)
            except DescriptionError as error:
                refused = error
            else:
                return tried
    assert refused is not None
    raise refused


def _varied(example: str, board: str, lead_deg: float, top_rpm: float, limit_rpm: float) -> str:
    text = (Path(__file__).parent / f"{example}.toml").read_text(encoding="utf-8")
    text = re.sub(r'(\[board\]\nname = )"[^"]*"', rf'\1"{board}"', text)
    text = re.sub(r"\nlead_edge_deg_btdc = \S+", f"\nlead_edge_deg_btdc = {lead_deg}", text)
    text = re.sub(r"\ntop_rpm = \S+", f"\ntop_rpm = {top_rpm:g}", text)
    return re.sub(r"\nlimit_rpm = \S+", f"\nlimit_rpm = {limit_rpm:g}", text)
