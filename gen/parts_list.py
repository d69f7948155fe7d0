"""The parts of a circuit as a table of generic descriptions with computed ratings."""

from __future__ import annotations

import csv
import io

from .circuit import Circuit

COLUMNS = ("reference", "part", "value", "rating", "reason")


def parts_rows(circuit: Circuit) -> list[tuple[str, ...]]:
    """Return one row a part, the board first."""
    board = ("U1", "microcontroller board", circuit.board.title, "", "holds the firmware")
    return [
        board,
        *((p.ref, p.what, p.value.replace("\n", ", "), p.rating, p.why) for p in circuit.parts),
    ]


def parts_csv(circuit: Circuit) -> str:
    """Return the list as CSV with a heading."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(parts_rows(circuit))
    return stream.getvalue()
