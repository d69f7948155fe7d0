"""The page's pictures: what each shows, in words and as a drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullLocator
from numpy.typing import NDArray

from ..measure import Measurement
from .data import ChipPart, ReportData, SpeedPoint
from .start import steady_deg
from .svg import (
    BAND,
    CHIP_A,
    CHIP_B,
    HOST,
    MUTED,
    WANTED,
    WARN,
    Draw,
    Sheet,
    note,
    speed_axis,
)

# Each source of numbers has a shape of its own, so that colour is not needed to tell them apart.
CHIP_MARKS = (("s", CHIP_A, 7.0, 1.012), ("^", CHIP_B, 8.0, 0.988))
HOST_NAME = "this computer"


@dataclass(frozen=True)
class Picture:
    """A figure: ``caption`` says what to see, ``spoken`` what it is for those who cannot."""

    name: str
    title: str
    caption: str
    spoken: str
    draw: Draw


def sources(data: ReportData) -> str:
    """Name what made the numbers of the pictures that compare."""
    ran = [part.source for part in _ran(data)]
    return " and ".join([HOST_NAME, *ran]) if len(ran) < 2 else f"{HOST_NAME}, {' and '.join(ran)}"


def _span(data: ReportData) -> tuple[float, float]:
    """Speeds that the speed axes show."""
    speeds = [point.rpm for point in data.host] or [data.manifest.start.below_rpm]
    return min(speeds) * 0.9, max(data.manifest.limit_rpm, max(speeds)) * 1.06


def _mark_speed(axes: Axes, rpm: float, text: str, *, low: bool = False) -> None:
    axes.axvline(rpm, color=MUTED, linewidth=0.8, linestyle=(0, (2, 2)))
    y, align = (0.02, "bottom") if low else (0.98, "top")
    where = axes.get_xaxis_transform()
    note(axes, rpm, y, f"{text} ", rotation=90, ha="right", va=align, transform=where, bbox=None)


def _chip_points(axes: Axes, data: ReportData, field: str, scale: float = 1.0) -> None:
    for part, (mark, colour, size, _) in zip(_ran(data), CHIP_MARKS, strict=False):
        axes.plot(
            [point.rpm for point in part.points],
            [getattr(point, field) * scale for point in part.points],
            mark,
            color=colour,
            markersize=size,
            fillstyle="none",
            markeredgewidth=1.3,
            label=part.source,
        )


def _ran(data: ReportData) -> list[ChipPart]:
    return [part for part in data.chips if not part.not_run]


def advance(data: ReportData) -> Picture:
    """Advance wanted and delivered against speed."""
    m = data.manifest

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(4.4, 4.6)
        axes = figure.subplots()
        rpm, deg = (list(column) for column in zip(*m.curve, strict=True))
        rpm = [m.start.below_rpm, *rpm, m.limit_rpm]
        axes.plot(
            rpm, np.interp(rpm, rpm[1:-1], deg), color=WANTED, linewidth=1.4, label="wanted curve"
        )
        start_rpm, start_deg = zip(*m.start.steady, strict=True)
        axes.plot(
            start_rpm,
            start_deg,
            color=WANTED,
            linewidth=1.4,
            linestyle=(0, (4, 2)),
            label="start sparks planned",
        )
        axes.plot(
            [p.rpm for p in data.host],
            [p.angle_deg for p in data.host],
            ".",
            color=HOST,
            label=HOST_NAME,
        )
        _chip_points(axes, data, "angle_deg")
        axes.axhline(0.0, color=MUTED, linewidth=0.8)
        axes.axvspan(0.0, m.start.below_rpm, color=BAND, linewidth=0.0)
        _mark_speed(axes, m.top_rpm, "top speed", low=True)
        _mark_speed(axes, m.limit_rpm, "no sparks above", low=True)
        axes.set_xlim(0.0, m.limit_rpm * 1.04)
        axes.set_xlabel("speed, rpm")
        axes.set_ylabel("spark, degrees BTDC")
        sheet.legend(figure, axes, columns=5)
        return figure

    return Picture(
        "advance",
        "Advance wanted and delivered",
        "Every mark should lie on a line. The line is the wanted advance, the marks are where the "
        f"sparks came in true crank degrees ({sources(data)}); above zero is before top dead "
        f"centre. Below {m.start.below_rpm:.0f} rpm (shaded) the start rule holds instead of the "
        "curve.",
        f"Advance against speed, from {m.start.steady[0][1]:.1f} degrees at "
        f"{m.start.steady[0][0]:.0f} rpm to {m.curve[-1][1]:g} degrees at {m.curve[-1][0]:.0f} "
        "rpm, wanted curve and delivered sparks.",
        draw,
    )


def _bars(axes: Axes, points: Sequence[SpeedPoint], shift: float, colour: str, mark: str) -> None:
    rpm = [point.rpm * shift for point in points]
    low = [point.error_min_deg for point in points]
    high = [point.error_max_deg for point in points]
    axes.vlines(rpm, low, high, color=colour, linewidth=1.6)
    axes.plot(rpm, low, mark, color=colour, markersize=3.5)
    axes.plot(rpm, high, mark, color=colour, markersize=3.5)


def error(data: ReportData) -> Picture:
    """Spark angle error against speed, with what is allowed."""
    running = [p for p in data.host if not p.starting]
    worst = max((abs(p.worst_deg) / p.allowed_deg for p in data.host), default=0.0)
    most = max([p.allowed_deg for p in running] + [abs(p.worst_deg) for p in data.host] + [1e-3])

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(4.4, 4.6)
        axes = figure.subplots()
        below = [p for p in data.host if p.starting]
        rpm, allowed = [p.rpm for p in below], np.array([p.allowed_deg for p in below])
        axes.vlines(rpm, -allowed, allowed, color=BAND, linewidth=6.0 if sheet.narrow else 9.0)
        rpm, allowed = [p.rpm for p in running], np.array([p.allowed_deg for p in running])
        axes.fill_between(rpm, -allowed, allowed, color=BAND, linewidth=0.0, label="allowed")
        _bars(axes, data.host, 1.0, HOST, ".")
        axes.plot([], [], ".-", color=HOST, label=HOST_NAME)
        for part, (mark, colour, _, shift) in zip(_ran(data), CHIP_MARKS, strict=False):
            _bars(axes, part.points, shift, colour, mark)
            axes.plot([], [], f"{mark}-", color=colour, markersize=4, label=part.source)
        axes.axhline(0.0, color=MUTED, linewidth=0.8)
        axes.set_ylim(-1.3 * most, 1.3 * most)
        speed_axis(axes, *_span(data), narrow=sheet.narrow)
        _mark_speed(axes, data.manifest.start.below_rpm, "start below")
        axes.set_ylabel("error, crank degrees (+ early)")
        sheet.legend(figure, axes)
        return figure

    return Picture(
        "error",
        "Error of the spark against speed",
        "Every bar should stay within the shaded band. A bar reaches from the latest to the "
        "earliest spark of a steady run (from its fifth pulse on); the band is what counting in "
        f"whole timer ticks and the proven error of the table allow. On {HOST_NAME} the worst "
        f"speed uses {worst:.0%} of the band. Below {data.manifest.start.below_rpm:.0f} rpm each "
        "speed has a band of its own; where it leaves the picture, two lines of the start table "
        "meet and the straight line between the plan's points is less exact.",
        f"Spark angle error against speed within a band that grows to {most:.3f} degrees.",
        draw,
    )


def dwell(data: ReportData) -> Picture:
    """Charging time, or length of the trigger pulse, against speed."""
    m = data.manifest
    short = m.dwell_us < 500.0
    scale, unit = (1.0, "µs") if short else (1e-3, "ms")
    longest = max([p.dwell_max_us for p in data.host] + [m.dwell_us])
    limit_near = m.hard_limit_us < 1.8 * longest
    what = "trigger pulse" if m.spark_on_rise else "charge"

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.4, 4.0)
        axes = figure.subplots()
        rpm = [p.rpm for p in data.host]
        low, high, wanted = (
            np.array([getattr(p, f"dwell_{name}_us") for p in data.host]) * scale
            for name in ("min", "max", "wanted")
        )
        axes.plot(rpm, wanted, color=WANTED, label="wanted")
        axes.vlines(rpm, low, high, color=HOST, linewidth=3.0)
        axes.plot(rpm, high, ".", color=HOST, label=HOST_NAME)
        _chip_points(axes, data, "dwell_max_us", scale)
        if limit_near:
            limit = m.hard_limit_us * scale
            axes.axhline(limit, color=WARN, linestyle=(0, (2, 2)), label="hard limit")
        axes.set_ylim(0.0, max(longest, m.hard_limit_us if limit_near else 0.0) * 1.2 * scale)
        speed_axis(axes, *_span(data), narrow=sheet.narrow)
        axes.set_ylabel(f"coil output on, {unit}")
        sheet.legend(figure, axes)
        return figure

    place = "dotted line" if limit_near else "far above the picture"
    return Picture(
        "dwell",
        "Length of the trigger pulse" if m.spark_on_rise else "Charging time against speed",
        f"The marks should lie on the line: the {what} is {m.dwell_us * scale:.4g} {unit} long. "
        f"{_cut_words(data)} Whatever happens, it is ended after {m.hard_limit_us * scale:.4g} "
        f"{unit} (hard limit, {place}).",
        f"Time the coil output is on against speed, wanted {m.dwell_us * scale:.4g} {unit}.",
        draw,
    )


def _cut_words(data: ReportData) -> str:
    """Tell from which speed the charge is cut, if at all."""
    m = data.manifest
    cut = [p for p in data.host if p.dwell_wanted_us < m.dwell_us * 0.999]
    if not cut:
        return "It fits at every speed, nothing is cut."
    least = min(p.dwell_wanted_us for p in cut)
    return (
        f"From {cut[0].rpm:.0f} rpm on it no longer fits and is cut, down to {least / 1e3:.2f} ms, "
        f"so that the coil stays off for {m.off_min_us / 1e3:.2f} ms."
    )


def start(data: ReportData) -> Picture:
    """Where start sparks come."""
    m, begin = data.manifest, data.manifest.start
    low, high = 0.82 * begin.floor_rpm, 1.06 * begin.below_rpm

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(4.2, 4.6)
        axes = figure.subplots()
        grid = np.linspace(begin.floor_rpm, begin.below_rpm, 200)
        axes.plot(grid, steady_deg(m, grid), color=WANTED, label="planned, crank turns evenly")
        axes.plot(
            [p.rpm for p in data.start],
            [p.angle_deg for p in data.start],
            ".",
            color=HOST,
            markersize=7,
            label=HOST_NAME,
        )
        if data.slowed is not None:
            axes.plot(
                data.slowed.arc_rpm,
                data.slowed.deg_btdc,
                "x-",
                color=WARN,
                linewidth=1.2,
                label="crank that gets no more push",
            )
        for part, (mark, colour, size, _) in zip(_ran(data), CHIP_MARKS, strict=False):
            points = [p for p in part.points if p.starting]
            axes.plot(
                [p.rpm for p in points],
                [p.angle_deg for p in points],
                mark,
                color=colour,
                fillstyle="none",
                markersize=size,
                label=part.source,
            )
        lowest = min([*steady_deg(m, grid), *(p.angle_deg for p in data.start)])
        highest = begin.deg_btdc + max(1.5, 0.12 * (begin.deg_btdc - lowest))
        axes.set_ylim(lowest - 1.0, highest)
        axes.axhspan(begin.deg_btdc, highest, color=BAND, linewidth=0.0)
        note(
            axes,
            high,
            0.5 * (begin.deg_btdc + highest),
            "no start spark up here ",
            ha="right",
            va="center",
            bbox=None,
        )
        axes.axvspan(low, begin.floor_rpm, color=BAND, linewidth=0.0)
        note(
            axes,
            0.5 * (low + begin.floor_rpm),
            0.5 * (lowest + highest),
            "no spark at all",
            rotation=90,
            ha="center",
            va="center",
            bbox=None,
        )
        axes.axhline(0.0, color=MUTED, linewidth=0.8)
        note(axes, high, 0.0, "TDC ", ha="right", va="bottom", bbox=None)
        axes.set_xlim(low, high)
        axes.set_xlabel("speed over the magnet, rpm")
        axes.set_ylabel("spark, degrees BTDC")
        sheet.legend(figure, axes, columns=3)
        return figure

    slow = (
        "The crosses are the crank that counts: it gets no push after the magnet's lead edge and "
        "is slowed by a full cylinder; its spark comes close to the start advance, never before "
        "it. A crank that is helped along turns farther meanwhile, so its spark (line and dots) "
        "comes later, which costs power and never kicks."
        if data.slowed is not None
        else "The spark is the trail edge itself, which lies at the start advance at every speed."
    )
    return Picture(
        "start",
        "Where start sparks come",
        f"No mark may be in a shaded part: above {begin.deg_btdc:g} degrees a start spark can kick "
        f"back, below {begin.floor_rpm:.0f} rpm there is none. {slow}",
        f"Start sparks between {begin.floor_rpm:.0f} and {begin.below_rpm:.0f} rpm, all later than "
        f"{begin.deg_btdc:g} degrees before top dead centre.",
        draw,
    )


def noise(data: ReportData) -> Picture | None:
    """Sparks moved by noise on the pickup line."""
    rows = data.noisy
    if not rows:
        return None
    errors = [result.measurement.error_deg for result in rows]
    most = max([float(np.abs(e).max(initial=0.0)) for e in errors] + [0.1])

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(0.9 + 0.62 * len(rows), 1.0 + 0.75 * len(rows))
        axes = figure.subplots()
        for place, result in enumerate(rows):
            _noise_row(axes, len(rows) - 1 - place, result.measurement)
        axes.axvline(0.0, color=MUTED, linewidth=0.8)
        axes.set_xscale("symlog", linthresh=0.02, linscale=0.8)
        axes.set_xlim(-1.5 * most, 1.5 * most)
        ticks = [t for t in (-10.0, -1.0, -0.1, 0.0, 0.1, 1.0, 10.0) if abs(t) <= 1.5 * most]
        axes.set_xticks(ticks)
        axes.xaxis.set_major_formatter(
            FuncFormatter(lambda value, _: f"{value:+g}" if value else "0")
        )
        axes.xaxis.set_minor_locator(NullLocator())
        names = [_noise_name(result.scenario.title, sheet.narrow) for result in rows]
        axes.set_yticks(range(len(rows)), names[::-1])
        axes.set_ylim(-0.6, len(rows) - 0.4)
        axes.grid(False, axis="y")
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel("error, crank degrees (late -, early +), scale stretched around 0")
        if sheet.narrow:
            axes.set_xlabel("error, crank degrees (+ early)")
        return figure

    moved = sum(_moved(result.measurement).sum() for result in rows)
    total = sum(len(result.measurement.spark_s) for result in rows)
    return Picture(
        "noise",
        "Sparks with a disturbed pickup line",
        "The fewer dots outside the shaded bars, and the less far to the right, the better: right "
        "is early, which is the dangerous side. A dot is a spark that noise moved out of the band "
        f"of the quiet line (height in a row is time): {moved} of {total} sparks. Noise that meets "
        "the magnet's own edge makes the firmware believe it later, or is itself taken for the "
        "edge (early); how many may move, and how far early, is among the verdicts.",
        f"Errors of sparks under noise, one row a run; {moved} of {total} sparks left the band.",
        draw,
    )


def _moved(m: Measurement) -> NDArray[np.bool_]:
    return np.asarray(np.abs(m.error_deg) > m.allowed_deg)


def _noise_name(title: str, narrow: bool) -> str:
    speed, _, kind = title.removeprefix("steady ").partition(" with ")
    return f"{kind}, {speed.removesuffix(' rpm')}" if narrow else f"{kind}, {speed}"


def _noise_row(axes: Axes, y: int, m: Measurement) -> None:
    moved = _moved(m)
    error_deg, allowed = m.error_deg, m.allowed_deg
    if len(error_deg) == 0:
        return
    wide = float(np.median(allowed))
    axes.fill_betweenx([y - 0.32, y + 0.32], -wide, wide, color=BAND, linewidth=0.0)
    inside = error_deg[~moved]
    if len(inside):
        axes.hlines(y, float(inside.min()), float(inside.max()), color=HOST, linewidth=3.0)
        axes.plot(float(np.median(inside)), y, "|", color=HOST, markersize=9, markeredgewidth=2.0)
    height = np.linspace(y - 0.28, y + 0.28, len(error_deg))
    early = moved & (error_deg > 0.0)
    for which, mark, colour in ((moved & ~early, ".", HOST), (early, "x", WARN)):
        axes.plot(error_deg[which], height[which], mark, color=colour, markersize=4)
