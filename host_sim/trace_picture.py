"""A recording's sparks as an SVG: angle over speed beside the plan, and how far off over time."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sparktick.gen.files import write_file

from .trace import TraceResult

MOST_POINTS = 20000


def write_picture(path: Path, result: TraceResult) -> None:
    """Write the picture; the same recording gives the same bytes."""
    m, manifest = result.measurement, result.manifest
    step = max(1, len(m.spark_s) // MOST_POINTS)
    replayed = result.replay is not None
    figure = Figure(figsize=(8.0, 8.5 if replayed else 6.5), layout="constrained")
    top, bottom, *more = figure.subplots(3 if replayed else 2, 1)
    top.plot(*zip(*manifest.curve, strict=True), color="0.6", linewidth=3, label="plan, running")
    steady = zip(*manifest.start.steady, strict=True)
    top.plot(*steady, color="0.6", linewidth=3, linestyle=":", label="plan, starting")
    top.plot(m.rpm[::step], m.angle_deg_btdc[::step], ".", markersize=3, label="recorded")
    top.set_xlabel("speed [rpm]")
    top.set_ylabel("spark [deg BTDC]")
    top.legend(frameon=False)
    bottom.plot(m.spark_s[::step], m.error_deg[::step], ".", markersize=3)
    if len(m.missed):
        at = m.pulses.at_s[m.missed]
        bottom.plot(at, 0.0 * at, "rx", label="missed")
        bottom.legend(frameon=False)
    bottom.axhline(0.0, color="0.6", linewidth=1)
    bottom.set_xlabel("time [s]")
    bottom.set_ylabel("off the plan [deg], early up")
    for axes in more:
        _replay(axes, result)
    stream = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "sparktick"}):
        figure.savefig(stream, format="svg", metadata={"Date": None})
    write_file(path, stream.getvalue())


def _replay(axes: Axes, result: TraceResult) -> None:
    """Draw how much later the host core's sparks are than those recorded, and those alone."""
    found = result.replay
    if found is None:
        return
    step = max(1, len(found.at_s) // MOST_POINTS)
    us = found.ticks / result.manifest.tick_hz * 1e6
    axes.axhspan(-result.apart_us, result.apart_us, color="0.9", label="sampling and ticks")
    axes.plot(found.at_s[::step], us[::step], ".", markersize=3, label="firmware replayed")
    for alone, mark, label in (
        (found.alone_a_s, "rx", "only recorded"),
        (found.alone_b_s, "k+", "only firmware"),
    ):
        if len(alone):
            axes.plot(alone, 0.0 * alone, mark, label=label)
    axes.set_xlabel("time [s]")
    axes.set_ylabel("firmware later [us]")
    axes.legend(frameon=False, ncols=4)
