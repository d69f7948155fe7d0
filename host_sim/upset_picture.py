"""The outcomes of upsets as stacked bars, one a kind of place that was hit."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from sparktick.gen.errors import RunError
from sparktick.gen.files import write_file

from .upset import UpsetResult
from .upset_cases import DEAD, NONE, ONE, OUTCOMES, RESET, SEVERAL, TOO_LONG
from .upset_targets import SPACES

SUFFIXES = (".svg", ".png")
COLOURS = {
    NONE: "0.85",
    ONE: "tab:cyan",
    SEVERAL: "tab:blue",
    RESET: "tab:olive",
    DEAD: "tab:orange",
    TOO_LONG: "tab:red",
}
MEANING = {
    NONE: "no effect",
    ONE: "one spark moved, lost or added",
    SEVERAL: "several, no reset",
    RESET: "reset, recovered",
    DEAD: "dead",
    TOO_LONG: "coil on too long",
}


def check_suffix(path: Path) -> None:
    """Raise RunError unless the picture's name tells a format that can be written."""
    if path.suffix.lower() not in SUFFIXES:
        raise RunError(f"{path}: a picture's name ends in {' or '.join(SUFFIXES)}")


def write_picture(path: Path, result: UpsetResult) -> None:
    """Write the picture, SVG or PNG by its name; the same outcomes give the same bytes."""
    check_suffix(path)
    rows = [(space, result.counts[space]) for space in reversed(SPACES)]
    rows = [("all", result.total), *rows][::-1]
    rows = [(name, counts) for name, counts in rows if sum(counts.values())]
    figure = Figure(figsize=(8.0, 1.4 + 0.5 * len(rows)), layout="constrained")
    axes = figure.subplots()
    names = [f"{name} ({sum(counts.values())})" for name, counts in rows][::-1]
    left = [0.0] * len(rows)
    for outcome in OUTCOMES:
        share = [100.0 * c[outcome] / sum(c.values()) for _, c in rows][::-1]
        label = f"{MEANING[outcome]}: {result.total[outcome]}"
        axes.barh(names, share, left=left, color=COLOURS[outcome], label=label, height=0.7)
        left = [a + b for a, b in zip(left, share, strict=True)]
    axes.set_xlim(0.0, 100.0)
    axes.set_xlabel("share of the upsets [%]")
    axes.spines[["top", "right"]].set_visible(False)
    figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize="small")
    stream = io.BytesIO()
    kind = path.suffix.lower()[1:]
    with mpl.rc_context({"svg.hashsalt": "sparktick"}):
        stamp = {"Date": None} if kind == "svg" else {"Software": None}
        figure.savefig(stream, format=kind, dpi=120, metadata=stamp)
    write_file(path, stream.getvalue())
