"""The picture of a log of `sparktick monitor`."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .figures import Picture
from .svg import CHIP_A, CHIP_B, HOST, MUTED, WARN, Sheet, note
from .watched import Watched

SHOWN = 4  # counters that grew the most
MARKS = (("o", HOST), ("s", CHIP_A), ("^", CHIP_B), ("D", WARN))


def watched_picture(watched: Watched) -> Picture:
    """Speed over time, and when which counters grew."""
    shown = list(watched.unusual)[:SHOWN]

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(4.2, 4.6)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        above.plot(watched.time_s, watched.rpm, color=HOST)
        above.set_ylabel("speed, rpm")
        for at_s in watched.reset_s:
            above.axvline(at_s, color=WARN, linewidth=1.0, linestyle=(0, (2, 2)))
            note(above, float(at_s), float(np.nanmax(watched.rpm)), " reset", va="top")
        _growth(below, watched, shown)
        below.set_xlabel("time, s")
        return figure

    said = ", ".join(f"{name} by {count}" for name, count in watched.unusual.items()) or "none"
    resets = len(watched.reset_s)
    return Picture(
        "watched",
        "As watched live",
        f"{len(watched.time_s)} lines of {watched.file}; {resets} resets. Counters that grew "
        f"besides pulse and spark: {said}. Some growth while starting, stopping and above the "
        "speed limit is right.",
        f"Speed over time as the chip told it, and when its counters grew: {said}.",
        draw,
    )


def _growth(axes: Axes, watched: Watched, shown: list[str]) -> None:
    for row, (name, (mark, colour)) in enumerate(zip(shown, MARKS, strict=False)):
        grown = watched.grown[name]
        some = grown > 0
        size = 3.0 + 3.0 * np.log10(grown[some])
        at = np.full(int(some.sum()), row)
        axes.scatter(watched.time_s[some], at, s=size**2, color=colour, marker=mark)
    axes.set_yticks(range(len(shown)), shown)
    axes.set_ylim(-0.7, max(len(shown), 1) - 0.3)
    if not shown:
        axes.text(0.5, 0.5, "no counter grew", transform=axes.transAxes, color=MUTED, ha="center")
