"""An example engine for any board: Plover, its magnet earlier and its top speed lower where the
board's chip needs more time.
"""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

from sparktick.gen.board import load_board
from sparktick.gen.errors import DescriptionError
from sparktick.gen.pipeline import make_plan

# Lead edge (deg BTDC), greatest speed and speed limit (rpm), tried in this order; None: Plover's.
VARIATIONS: tuple[tuple[float, float, float] | None, ...] = (
    None,
    (62.0, 8000.0, 8500.0),
    (75.0, 6000.0, 6500.0),
    (90.0, 4000.0, 4400.0),
)


def engine_for(board: str) -> str:
    """Return the description of the fastest of Plover's variations that a board can serve.

    Raises BoardError for an unknown board, DescriptionError when none fits.
    """
    load_board(board)
    plover = (Path(__file__).parent / "plover.toml").read_text(encoding="utf-8")
    text = re.sub(r'(\[board\]\nname = )"[^"]*"', rf'\1"{board}"', plover)
    refused: DescriptionError | None = None
    for variation in VARIATIONS:
        tried = _varied(text, variation)
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


def _varied(text: str, variation: tuple[float, float, float] | None) -> str:
    if variation is None:
        return text
    lead_deg, top_rpm, limit_rpm = variation
    text = re.sub(r"\nlead_edge_deg_btdc = \S+", f"\nlead_edge_deg_btdc = {lead_deg}", text)
    text = re.sub(r"\ntop_rpm = \S+", f"\ntop_rpm = {top_rpm:g}", text)
    return re.sub(r"\nlimit_rpm = \S+", f"\nlimit_rpm = {limit_rpm:g}", text)
