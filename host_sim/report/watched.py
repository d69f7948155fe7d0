"""A log of `sparktick monitor`, for the page."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.errors import FolderError

F64 = NDArray[np.float64]
NORMAL = ("pulse", "spark")
NAMED = ("time_s", "mode", "speed_rpm", "advance_deg_btdc", "dwell_us", "arc_deg", "was_reset")


@dataclass(frozen=True)
class Watched:
    """What a running chip told: ``rpm`` (k,) is nan where it did not turn evenly enough.

    ``grown`` maps each counter to its growth since the line before (k,); ``reset_s`` instants.
    """

    file: str
    time_s: F64
    rpm: F64
    advance_deg: F64
    grown: dict[str, NDArray[np.int64]]
    reset_s: F64

    @property
    def unusual(self) -> dict[str, int]:
        """Counters that grew besides those of ordinary pulses, the greatest growth first."""
        total = {name: int(n.sum()) for name, n in self.grown.items() if name not in NORMAL}
        return dict(sorted(((k, v) for k, v in total.items() if v), key=lambda item: -item[1]))


def read_log(path: Path) -> Watched:
    """Read a log.  Raises FolderError when it is none, holds no line, or a row is spoilt."""
    with path.open(newline="", encoding="utf-8", errors="replace") as stream:
        reader = csv.DictReader(stream)
        heads = tuple(reader.fieldnames or ())
        if heads[: len(NAMED)] != NAMED:
            raise FolderError(f"{path}: is no log of `sparktick monitor`")
        rows = list(reader)
    if len(rows) < 2:
        raise FolderError(f"{path}: holds fewer than two lines: nothing to draw")
    try:
        table = {name: _numbers(rows, name) for name in heads if name != "mode"}
    except (TypeError, ValueError):
        raise FolderError(
            f"{path}: a row is spoilt or cut\n    Remove it, or watch again."
        ) from None
    reset = table["was_reset"] > 0
    return Watched(
        file=path.name,
        time_s=table["time_s"],
        rpm=np.where(table["speed_rpm"] > 0.0, table["speed_rpm"], np.nan),
        advance_deg=table["advance_deg_btdc"],
        grown={name: _grown(table[name], reset) for name in heads[len(NAMED) :]},
        reset_s=table["time_s"][reset],
    )


def _numbers(rows: list[dict[str, str]], name: str) -> F64:
    if any(row[name] is None for row in rows):
        raise ValueError("fewer cells than headings")
    return np.array([float(row[name]) if row[name] else np.nan for row in rows])


def _grown(count: F64, reset: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Growth from line to line; after a reset a count begins anew."""
    before = np.concatenate((count[:1], count[:-1]))
    return np.asarray(np.where(reset, count, count - before).clip(min=0.0), np.int64)
