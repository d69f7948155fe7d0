"""A recording's sparks as an SVG: angle over speed beside the plan, and how far off over time."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from sparktick.gen.files import write_file

from .trace import TraceResult

MOST_POINTS = 20000


def write_picture(path: Path, result: TraceResult) -> None:
    """Write the picture; the same recording gives the same bytes."""
    m, manifest = result.measurement, result.manifest
    step = max(1, len(m.spark_s) // MOST_POINTS)
    figure = Figure(figsize=(8.0, 6.5), layout="constrained")
    top, bottom = figure.subplots(2, 1)
    top.plot(*zip(*manifest.curve, strict=True), color="0.6", linewidth=3, label="plan, running")
    steady = zip(*manifest.start.steady, strict=True)
    top.plot(*steady, color="0.6", linewidth=3, linestyle=":", label="plan, starting")
    top.plot(m.rpm[::step], m.angle_deg_btdc[::step], ".", markersize=3, label="recorded")
    top.set_xlabel("speed [rpm]")
    top.set_ylabel("spark [deg before top dead centre]")
    top.legend(frameon=False)
    bottom.plot(m.spark_s[::step], m.error_deg[::step], ".", markersize=3)
    if len(m.missed):
        at = m.pulses.at_s[m.missed]
        bottom.plot(at, 0.0 * at, "rx", label="missed")
        bottom.legend(frameon=False)
    bottom.axhline(0.0, color="0.6", linewidth=1)
    bottom.set_xlabel("time [s]")
    bottom.set_ylabel("off the plan [deg], early up")
    stream = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "sparktick"}):
        figure.savefig(stream, format="svg", metadata={"Date": None})
    write_file(path, stream.getvalue())
