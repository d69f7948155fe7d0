"""Matplotlib figures as SVG that is part of a page: its colours and font, the same bytes each time.

Figures are drawn in stand-in colours, which become the page's CSS variables; so one drawing is
right in light, in dark and on paper.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter, NullLocator

# Stand-in colour -> CSS variable.  Any colour not used otherwise will do.
INK, MUTED, GRID, BAND = "#0a0101", "#0a0102", "#0a0103", "#0a0104"
WANTED, HOST, CHIP_A, CHIP_B, WARN = "#0a0105", "#0a0106", "#0a0107", "#0a0108", "#0a0109"
PAPER = "#0a0110"
VARIABLES = {
    INK: "ink",
    MUTED: "muted",
    GRID: "rule",
    BAND: "band",
    WANTED: "wanted",
    HOST: "host",
    CHIP_A: "chip-a",
    CHIP_B: "chip-b",
    WARN: "bad",
    PAPER: "paper",
}
STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "sparktick",
    "font.family": ["DejaVu Sans"],  # comes with Matplotlib: the same layout on every machine
    "font.size": 11.0,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.facecolor": "none",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "axes.labelsize": 11.0,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 10.5,
    "ytick.labelsize": 10.5,
    "legend.frameon": False,
    "legend.fontsize": 10.5,
    "legend.handlelength": 1.6,
    "legend.columnspacing": 1.2,
    "lines.linewidth": 1.6,
    "lines.markersize": 5.0,
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
}
SPEED_TICKS = (100, 200, 300, 500, 700, 1000, 1500, 2000, 3000, 5000, 8000, 12000, 20000, 40000)
NARROW_IN, WIDE_IN = 5.0, 10.0  # at 72 units an inch: 360 and 720, about a phone's and our column


@dataclass(frozen=True)
class Sheet:
    """What a figure is drawn on: the page's column, or a phone's width with the same letters."""

    narrow: bool

    @property
    def width_in(self) -> float:
        """Width; one inch is 72 CSS pixels."""
        return NARROW_IN if self.narrow else WIDE_IN

    def figure(self, height_in: float, narrow_height_in: float | None = None) -> Figure:
        """Return an empty figure; ``narrow_height_in`` where a phone's should be higher or not."""
        height = narrow_height_in if self.narrow and narrow_height_in else height_in
        figure = Figure(figsize=(self.width_in, height), layout="constrained")
        FigureCanvasSVG(figure)
        return figure

    def legend(self, figure: Figure, axes: Axes, *, columns: int = 4) -> None:
        """Put the legend above the axes, where it hides nothing."""
        handles, labels = axes.get_legend_handles_labels()
        figure.legend(
            handles, labels, loc="outside upper left", ncols=2 if self.narrow else columns
        )


Draw = Callable[[Sheet], Figure]


@contextmanager
def _style() -> Iterator[None]:
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(STYLE)
        yield


def note(axes: Axes, x: float, y: float, text: str, **how: Any) -> None:
    """Write into a figure: small, muted, and readable across lines; takes no part in its layout."""
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.2, "alpha": 0.85}
    how = {"fontsize": 9.5, "color": MUTED, "bbox": box, **how}
    axes.text(x, y, text, **how).set_in_layout(False)


def speed_axis(axes: Axes, low: float, high: float, *, narrow: bool = False) -> None:
    """Make x a logarithmic speed axis with plain numbers."""
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks = [n for n in SPEED_TICKS if low <= n <= high]
    if narrow:
        ticks = ticks[:: max(1, round(len(ticks) / 5))]
    axes.set_xticks(ticks)
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.0f}"))
    axes.set_xlabel("speed, rpm")


def to_svg(draw: Draw, name: str, label: str, *, narrow: bool) -> str:
    """Draw a figure and return it as an element of a page, with ``label`` read aloud for it."""
    stream = io.StringIO()
    with _style():
        figure = draw(Sheet(narrow))
        metadata = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        figure.savefig(stream, format="svg", metadata=metadata)
    return _embed(stream.getvalue(), f"{name}-{'n' if narrow else 'w'}", label)


def _embed(text: str, name: str, label: str) -> str:
    """Take the page's colours and font; ids become the figure's own, size follows the column."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<(metadata|style)\b.*?</\1>\s*", "", text, flags=re.DOTALL)
    for colour, variable in VARIABLES.items():
        text = text.replace(colour, f"var(--{variable})")
    text = re.sub(r"font-family: [^;\"]+", "font-family: var(--sans)", text)
    used = set(re.findall(r"(?:url\(#|href=\"#)([^)\"]+)", text))

    def own(found: re.Match[str]) -> str:
        return f' id="{name}-{found[1]}"' if found[1] in used else ""

    text = re.sub(r' id="([^"]+)"', own, text)
    text = re.sub(r"(url\(#|href=\"#)", rf"\g<1>{name}-", text)
    size = re.search(r'viewBox="[^"]+"', text)
    assert size is not None
    # A quotation mark in a label would end the attribute.
    spoken = label.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    head = f'<svg {size[0]} role="img" aria-label="{spoken}">'
    return head + text[text.index(">") + 1 :].rstrip()
