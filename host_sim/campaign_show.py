"""A campaign's results as plain values, and as a picture: sparks kept against noise level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .campaign import FAMILIES, FAR_DEG, Block, Failure, Score, total
from .manifest import Manifest
from .noise_bound import Bound

Rows = Sequence[tuple[Block, Score]]


@dataclass(frozen=True)
class Cell:
    """All blocks of one family at one level."""

    family: str
    level: float
    score: Score

    @property
    def kept_share(self) -> float:
        """Sparks within 1 deg, as a share of those that should have come or came."""
        whole = self.score.sparks + self.score.lost
        return self.score.within / whole if whole else 1.0


@dataclass(frozen=True)
class Found:
    """A failure, the one command that replays its block, its trace and the instant in it (ms)."""

    failure: Failure
    replay: str
    trace: str
    at_ms: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        failure = self.failure
        return {
            "family": failure.family,
            "level": failure.level,
            "what": failure.what,
            "rpm": failure.block.rpm,
            "seed": failure.block.seed,
            "at_s": failure.at_s,
            "replay": self.replay,
            "trace": self.trace,
            "at_ms_in_trace": round(self.at_ms, 6),
        }


def cells_of(rows: Rows) -> list[Cell]:
    """Return blocks gathered by family and level, in their order."""
    found: dict[tuple[str, float], list[Score]] = {}
    for block, score in rows:
        found.setdefault((block.family, block.level), []).append(score)
    return [Cell(*key, total(scores)) for key, scores in found.items()]


def cell_dict(cell: Cell) -> dict[str, Any]:
    """Return a cell as JSON holds it."""
    one = cell.score
    return {
        "family": cell.family,
        "title": FAMILIES[cell.family].title,
        "level": cell.level,
        "pulses": one.pulses,
        "pulses_told": one.told,
        "disturbances": one.events,
        "sparks": one.sparks,
        "within_1_deg": one.within,
        "within_1_deg_share": round(one.share, 7),
        "lost": one.lost,
        "added": one.added,
        "early": one.early,
        "imitates": FAMILIES[cell.family].imitates,
        "furthest_deg_btdc": one.furthest_deg_btdc if one.sparks else None,
        "on_max_us": one.on_max_us,
        "broken_invariants": one.invariants,
        "busy_max_share": one.busy_share,
    }


def campaign_dict(rows: Rows, failures: Sequence[Found], bounds: Sequence[Bound]) -> dict[str, Any]:
    """Return a campaign as JSON holds it."""
    return {
        "passed": not failures,
        "turns": sum(block.turns for block, _ in rows),
        "blocks": len(rows),
        "far_deg": FAR_DEG,
        "cells": [cell_dict(cell) for cell in cells_of(rows)],
        "failures": [one.as_dict() for one in failures],
        "bounds": [bound.as_dict() for bound in bounds],
    }


def draw(path: Path, rows: Rows, manifest: Manifest) -> None:
    """Draw what share of the sparks was kept against the level, one line a family; SVG or PNG."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    cells = cells_of(rows)
    names = list(dict.fromkeys(cell.family for cell in cells))
    with mpl.rc_context({"svg.hashsalt": "sparktick", "svg.fonttype": "none", "font.size": 9}):
        columns = min(len(names), 3)
        rows_of = (len(names) + columns - 1) // columns
        height = max(0.5 + 1.25 * rows_of, 2.2)
        figure = Figure(figsize=(8.0, height), layout="constrained")
        axes = figure.subplots(rows_of, columns, sharex=True, sharey=True, squeeze=False)
        for index, (place, name) in enumerate(zip(axes.flat, names, strict=False)):
            place.tick_params(labelbottom=index + columns >= len(names))
            mine = sorted((c for c in cells if c.family == name), key=lambda c: c.level)
            level = np.array([c.level for c in mine])
            kept = 100.0 * np.array([c.kept_share for c in mine])
            place.plot(level, kept, "o-", color="#1f6f54", markersize=3, linewidth=1.2)
            place.axvline(1.0, color="#999999", linewidth=0.7, linestyle=":")
            star = " *" if FAMILIES[name].imitates else ""
            place.set_title(f"{name}{star}", loc="left", fontsize=9)
            at_1 = [c.kept_share for c in mine if c.level == 1.0]
            if at_1:
                said = f"{100.0 * at_1[0]:.2f} % at 1"
                place.set_title(said, loc="right", fontsize=8, color="#555555")
            place.set_ylim(-4, 104)
            place.grid(color="#dddddd", linewidth=0.5)
            if len(level) > 1 and level.min() > 0:
                place.set_xscale("log", base=2)
            place.set_xticks(level, [f"{x:g}" for x in level])
        for place in list(axes.flat)[len(names) :]:
            place.set_axis_off()
        figure.supxlabel("level of the noise (1: severe); * imitates the magnet", fontsize=9)
        figure.supylabel("sparks kept [%]", fontsize=9)
        figure.suptitle(f"{manifest.name}: sparks kept under noise", fontsize=10)
        metadata = {"Date": None} if path.suffix == ".svg" else {"Software": None}
        path.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, metadata=metadata, dpi=110)
