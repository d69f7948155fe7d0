"""Pictures of the electrical side: one function a picture, each returning a Matplotlib Figure.

``electrical_section`` gives all that apply, with title and caption, for a report;
``write_figures`` writes them as SVG, the same bytes for the same description.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator
from numpy.typing import NDArray

from .coil import event_period_s
from .coil_heat import stuck_on_course
from .electrical import (
    asked_v,
    corner_circuits,
    hot_corner,
    scheme_curves,
    spark_curves,
    speeds_rpm,
)
from .electrical_input import Coil
from .electrical_of import Electrical
from .files import write_file
from .schemes import at_plug_j
from .secondary import BURN_V, spark_burn
from .sensor_line import line_delays

F64 = NDArray[np.float64]

WIDE = (7.2, 4.0)
TALL = (7.2, 5.4)
# Blue, orange, green, purple, grey: told apart by eyes of every kind and in print.
BLUE, ORANGE, GREEN, PURPLE, GREY = "#1f5fa8", "#d9660f", "#2a8b57", "#8a4fa3", "#5c5c5c"
LINES = (BLUE, ORANGE, GREEN, PURPLE)
DASHES = ("-", "--", "-.", ":")
# contact points, sensor pulse direct, one-shot, constant dwell, capacitor
SCHEME_LINES = (GREY, ORANGE, GREEN, BLUE, PURPLE)
SCHEME_DASHES = ("--", "-.", (0, (4, 1, 1, 1, 1, 1)), "-", ":")
TIMES = {
    0.001: "1 ms",
    0.01: "10 ms",
    0.1: "100 ms",
    1.0: "1 s",
    10.0: "10 s",
    60.0: "1 min",
    600.0: "10 min",
    3600.0: "1 h",
}
STYLE: dict[Any, Any] = {
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "lines.linewidth": 1.6,
    "svg.hashsalt": "sparktick",
    "svg.fonttype": "none",
}


def electrical_section(electrical: Electrical) -> list[tuple[str, str, Figure]]:
    """Return title, caption and picture of all that this description has, in reading order."""
    made = []
    for title, caption, draw in chosen_pictures(electrical):
        with mpl.rc_context(STYLE):
            made.append((title, caption, draw(electrical)))
    return made


def svg_text(figure: Figure) -> str:
    """Return a figure as SVG without date or place."""
    stream = io.StringIO()
    with mpl.rc_context(STYLE):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": "sparktick"})
    return stream.getvalue()


def write_figures(electrical: Electrical, folder: Path) -> list[Path]:
    """Write every picture into a folder; return the files."""
    written = []
    for title, _, figure in electrical_section(electrical):
        path = folder / f"{title.lower().replace(',', '').replace(' ', '-')}.svg"
        write_file(path, svg_text(figure))
        written.append(path)
    return written


def current_figure(electrical: Electrical) -> Figure:
    """Primary current against time: three supplies, the worst corners, dwell and the limit."""
    given, coil, dwell_s = electrical.given, _coil(electrical), electrical.report.dwell_s
    figure, axes = _figure(WIDE)
    time = np.linspace(0.0, 1.8 * dwell_s, 400)
    _, corners = corner_circuits(given, coil)
    every = corners.current_a(time)
    axes.fill_between(
        time * 1e3,
        every.min(axis=0),
        every.max(axis=0),
        color=BLUE,
        alpha=0.13,
        linewidth=0,
        label="all worst corners",
    )
    supplies = {given.supply_max_v: ":", given.supply_v: "-", given.supply_min_v: "--"}
    for volts, dash in supplies.items():
        current = coil.circuit.with_supply(volts).current_a(time)
        axes.plot(time * 1e3, current, color=BLUE, linestyle=dash, label=f"{volts:.3g} V")
    axes.axvline(dwell_s * 1e3, color=GREEN, linewidth=1.2)
    axes.axhline(coil.wanted_a, color=GREEN, linewidth=1.0, linestyle="--")
    axes.axhline(coil.driver_max_a, color=ORANGE, linewidth=1.2)
    top = 1.12 * max(coil.driver_max_a, float(every.max()))
    axes.set(xlim=(0.0, time[-1] * 1e3), ylim=(0.0, top))
    axes.set(xlabel="time since switched on [ms]", ylabel="primary current [A]")
    _note(axes, dwell_s * 1e3, 0.02 * top, f" dwell {dwell_s * 1e3:.2f} ms", GREEN, "bottom")
    end_ms, wanted = time[-1] * 1e3, f"wanted {coil.wanted_a:.3g} A"
    _note(axes, end_ms, coil.wanted_a, wanted, GREEN, "bottom", "right")
    limit = f"switch bears {coil.driver_max_a:.3g} A"
    _note(axes, end_ms, coil.driver_max_a, limit, ORANGE, "bottom", "right")
    _legend_above(axes, 4)
    return figure


def speed_figure(electrical: Electrical) -> Figure:
    """Dwell, current at its end and energy against speed; corners as a band."""
    report = electrical.report
    assert report.nominal is not None
    rpm = report.nominal.rpm
    figure = Figure(figsize=TALL, layout="constrained")
    FigureCanvasAgg(figure)
    above, middle, below = figure.subplots(3, 1, sharex=True)
    _dwell_axes(electrical, above)
    _band_axes(electrical, middle, "current_a", 1.0)
    _band_axes(electrical, below, "energy_j", 1e3)
    middle.set_ylabel("current [A]")
    middle.legend(loc="lower left", ncols=3)
    below.set(ylabel="stored energy [mJ]", xlabel="speed [rpm]")
    if report.cut_above_rpm < electrical.given.top_rpm:
        for axes in (above, middle, below):
            axes.axvline(report.cut_above_rpm, color=GREY, linewidth=1.0, linestyle=":")
        note = f"dwell is cut above {report.cut_above_rpm:.0f} rpm "
        _note(above, report.cut_above_rpm, 0.05e3 * report.dwell_s, note, GREY, "bottom", "right")
    _speed_axis(below, rpm)
    figure.align_ylabels()
    return figure


def _dwell_axes(electrical: Electrical, axes: Axes) -> None:
    given, report = electrical.given, electrical.report
    assert report.nominal is not None
    rpm, top_ms = report.nominal.rpm, 1.8e3 * report.dwell_s
    room_ms = (event_period_s(rpm, given.sparks_per_turn) - given.min_off_s) * 1e3
    axes.plot(rpm, room_ms, color=GREY, linestyle="--", label="room between two sparks")
    axes.plot(rpm, report.nominal.dwell_s * 1e3, color=BLUE, label="dwell")
    axes.set(ylabel="dwell [ms]", ylim=(0.0, top_ms))
    axes.legend(loc="lower left", ncols=2)


def _band_axes(electrical: Electrical, axes: Axes, key: str, scale: float) -> None:
    """Draw one quantity of the spark curves: three supplies, and all corners as a band."""
    given, coil, report = electrical.given, _coil(electrical), electrical.report
    assert report.nominal is not None
    assert report.corners is not None
    band = getattr(report.corners.curves, key) * scale
    rpm, least, most = report.nominal.rpm, band.min(axis=0), band.max(axis=0)
    axes.fill_between(rpm, least, most, color=BLUE, alpha=0.13, linewidth=0)
    supplies = {given.supply_max_v: ":", given.supply_v: "-", given.supply_min_v: "--"}
    for volts, dash in supplies.items():
        circuit = coil.circuit.with_supply(volts)
        curves = spark_curves(given, coil, circuit, report.dwell_s, rpm)
        values = getattr(curves, key) * scale
        axes.plot(rpm, values, color=BLUE, linestyle=dash, label=f"{volts:.3g} V")
    axes.set_ylim(0.0, 1.15 * max(float(most.max()), 1e-9))


def schemes_figure(electrical: Electrical) -> Figure:
    """Energy at the plug for every way to switch this coil, to twice the top speed."""
    given, coil = electrical.given, _coil(electrical)
    rpm = np.geomspace(given.start_rpm, 2.0 * given.top_rpm, 600)
    figure, axes = _figure(WIDE)
    peak = 0.0
    schemes = scheme_curves(given, coil, electrical.report.dwell_s, rpm)
    for curve, color, dash in zip(schemes, SCHEME_LINES, SCHEME_DASHES, strict=True):
        burn = spark_burn(
            curve.energy_j,
            curve.current_a,
            turns_ratio=coil.turns_ratio,
            series_ohm=coil.secondary_ohm + given.plug_ohm,
            burn_v=BURN_V * given.plugs_in_series,
            coupling=coil.coupling,
        )
        energy = at_plug_j(curve, burn.gap_j) * 1e3
        peak = max(peak, float(energy.max()))
        width = 2.8 if curve.name == "constant dwell" else 1.5
        axes.plot(rpm, energy, color=color, linestyle=dash, label=curve.name, linewidth=width)
    least_mj = given.least_gap_j * 1e3
    axes.axhline(least_mj, color=GREY, linewidth=1.0)
    _note(axes, rpm[-1], least_mj, f"wanted at least: {least_mj:g} mJ", GREY, "bottom", "right")
    axes.axvline(given.top_rpm, color=GREY, linewidth=1.0, linestyle=":")
    _note(axes, given.top_rpm, 1.05 * peak, " top speed", GREY, "bottom")
    axes.set(xlabel="speed [rpm]", ylabel="energy at the plug [mJ]", ylim=(0.0, 1.15 * peak))
    _speed_axis(axes, rpm)
    _legend_above(axes, 3)
    return figure


def voltage_figure(electrical: Electrical) -> Figure:
    """Voltage the coil can give against what the plug asks for, and their ratio."""
    given, report = electrical.given, electrical.report
    assert report.nominal is not None
    assert report.corners is not None
    nominal, corners = report.nominal, report.corners.curves
    rpm = nominal.rpm
    figure = Figure(figsize=TALL, layout="constrained")
    FigureCanvasAgg(figure)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    open_kv = corners.available_v / 1e3
    above.fill_between(
        rpm,
        open_kv.min(axis=0),
        open_kv.max(axis=0),
        color=BLUE,
        alpha=0.13,
        linewidth=0,
        label="coil gives, worst corners",
    )
    above.plot(rpm, nominal.available_v / 1e3, color=BLUE, label="coil gives, nominal")
    above.plot(rpm, nominal.demanded_v / 1e3, color=ORANGE, linestyle="--", label="plug asks")
    top = 1.25 * max(float(open_kv.max()), float(nominal.demanded_v.max()) / 1e3)
    above.set(ylabel="voltage [kV]", ylim=(0.0, top))
    above.legend(loc="upper right", ncols=3)
    below.plot(rpm, nominal.margin, color=BLUE, label="nominal")
    below.plot(rpm, corners.margin.min(axis=0), color=PURPLE, linestyle="-.", label="worst corner")
    below.axhline(given.least_margin, color=ORANGE, linewidth=1.0)
    _note(
        below,
        rpm[-1],
        given.least_margin,
        f"wanted {given.least_margin:g}",
        ORANGE,
        "bottom",
        "right",
    )
    below.set(ylabel="gives / asks", xlabel="speed [rpm]")
    below.set_ylim(0.0, 1.2 * max(float(nominal.margin.max()), given.least_margin))
    below.legend(loc="lower left", ncols=2)
    _speed_axis(below, rpm)
    return figure


def asked_figure(electrical: Electrical) -> Figure:
    """Voltage the plug asks for against speed, where the coil's own is not known."""
    figure, axes = _figure(WIDE)
    rpm = speeds_rpm(electrical.given)
    asked = asked_v(electrical.given, rpm) / 1e3
    axes.plot(rpm, asked, color=ORANGE, linestyle="--")
    axes.set(ylabel="plug asks [kV]", xlabel="speed [rpm]", ylim=(0.0, 1.3 * float(asked.max())))
    _speed_axis(axes, rpm)
    return figure


def sensor_line_figure(electrical: Electrical) -> Figure:
    """Voltage at the pin as the magnet arrives and leaves, with the input's thresholds."""
    line = electrical.line.line
    delays = line_delays(line)
    fall_tau = line.series_ohm * line.filter_f
    rise_tau = (line.pull_up_ohm + line.series_ohm) * line.filter_f
    rise_tau += line.pull_up_ohm * line.line_f
    span = max(4.0 * rise_tau, 1e-7)
    time = np.linspace(0.0, span, 500)
    swing = line.logic_v - line.low_v
    fall = line.low_v + swing * np.exp(-time / max(fall_tau, 1e-12))
    rise = line.logic_v - swing * np.exp(-time / max(rise_tau, 1e-12))
    figure, axes = _figure(WIDE)
    falls, rises = ("arrives", "leaves") if electrical.line.idle_high else ("leaves", "arrives")
    axes.plot(time * 1e6, fall, color=BLUE, label=f"magnet {falls}: the sensor pulls down")
    axes.plot(
        time * 1e6, rise, color=PURPLE, linestyle="-.", label=f"magnet {rises}: the pull-up lifts"
    )
    edges = (
        (line.fall_threshold_v, delays.fall_s, "counts as low below", BLUE),
        (line.rise_threshold_v, delays.rise_s, "counts as high above", PURPLE),
    )
    for level, delay, word, color in edges:
        axes.axhline(level, color=ORANGE, linewidth=1.0, linestyle="--")
        _note(axes, span * 1e6, level, f"{word} {level:.2g} V", ORANGE, "bottom", "right")
        axes.plot([delay * 1e6], [level], marker="o", color=color, markersize=5)
        axes.vlines(delay * 1e6, 0.0, level, color=color, linewidth=0.9, linestyle=":")
        _note(axes, delay * 1e6, 0.06, f" {delay * 1e6:.2g} us", color, "bottom")
    axes.set(xlabel="time since the sensor switched [us]", ylabel="voltage at the pin [V]")
    axes.set(xlim=(0.0, span * 1e6), ylim=(0.0, 1.25 * line.logic_v))
    axes.legend(loc="upper center", ncols=2)
    return figure


def stuck_on_figure(electrical: Electrical) -> Figure:
    """Temperatures with the engine stopped and the switch held on, in the worst corner."""
    given, coil = electrical.given, _coil(electrical)
    hot = hot_corner(coil, given)
    named = coil.thermal.named()
    slowest = max(part.k_per_w * part.j_per_k for part in named.values())
    first = electrical.on_limit_s
    time = np.geomspace(0.3 * first, 5.0 * slowest, 500)
    figure, axes = _figure(WIDE)
    course = stuck_on_course(hot, coil.thermal, time, ambient_c=given.ambient_c)
    peak = max(float(values.max()) for values in course.values())
    limits = [part.limit_c for part in named.values()]
    top = min(1.1 * peak, 2.0 * max(limits))
    for (name, values), color, dash in zip(course.items(), LINES, DASHES, strict=False):
        label = {"driver": "switch"}.get(name, name)
        axes.plot(time, values, color=color, linestyle=dash, label=label)
        limit = named[name].limit_c
        over = np.flatnonzero(values >= limit)
        if len(over):
            axes.plot([time[over[0]]], [limit], marker="x", color=color, markersize=8)
        if limit < top:
            axes.axhline(limit, color=color, linewidth=0.8, linestyle=":")
            _note(axes, time[0], limit, f" {label} bears {limit:g} C", color, "bottom")
    axes.axvline(first, color=GREEN, linewidth=1.2)
    ended = f" the firmware ends it: {first * 1e3:.3g} ms"
    _note(axes, first, given.ambient_c + 0.04 * top, ended, GREEN, "bottom")
    axes.set(xscale="log", xlim=(time[0], time[-1]), ylim=(min(given.ambient_c, 0.0), top))
    axes.xaxis.set_major_locator(FixedLocator(list(TIMES)))
    axes.xaxis.set_major_formatter(FixedFormatter(list(TIMES.values())))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set(xlabel="time with the switch held on", ylabel="temperature [C]")
    _legend_above(axes, 3)
    return figure


def magnet_figure(electrical: Electrical) -> Figure:
    """Field at the sensor as the magnet passes, with the points where the sensor switches."""
    field = electrical.field
    assert field is not None
    half = 60.0 if field.arc_deg is None else 1.2 * field.arc_deg / field.degrees_per_shaft_deg
    shaft = np.linspace(-half, half, 601)
    crank = shaft * field.degrees_per_shaft_deg
    figure, axes = _figure(WIDE)
    axes.plot(crank, field.course_t(shaft) * 1e3, color=BLUE)
    levels = {"operates": field.operate_t, "releases": field.release_t}
    if field.operate_worst_t > field.operate_t:
        levels["operates at worst"] = field.operate_worst_t
    for i, (word, level) in enumerate(levels.items()):
        axes.axhline(level * 1e3, color=ORANGE, linewidth=1.0, linestyle=("-", "--", ":")[i])
        side, at = (("left", crank[0]), ("right", crank[-1]), ("left", crank[0]))[i]
        text = f" {word} at {level * 1e3:.3g} mT "
        _note(axes, at, level * 1e3, text, ORANGE, ("bottom", "top", "bottom")[i], side)
    if field.on_deg is not None and field.off_deg is not None:
        axes.axvspan(-field.on_deg, field.off_deg, color=GREEN, alpha=0.10, linewidth=0)
        _note(axes, 0.0, 0.0, f"on for {field.arc_deg:.3g} deg", GREEN, "bottom", "center")
    axes.set(xlabel="crank angle from magnet face to face [deg]", ylabel="field at the sensor [mT]")
    axes.set_xlim(crank[0], crank[-1])
    return figure


Draw = Callable[[Electrical], Figure]


def chosen_pictures(electrical: Electrical) -> list[tuple[str, str, Draw]]:
    """Return title, caption and how to draw each picture that this description has."""
    chosen: list[tuple[str, str, Draw]] = []
    if isinstance(electrical.given.source, Coil):
        chosen += [(title, text, draw) for title, text, draw in COIL_PICTURES]
    else:
        chosen.append(ASKED_PICTURE)
    chosen.append(LINE_PICTURE)
    if electrical.field is not None:
        chosen.append(MAGNET_PICTURE)
    return chosen


COIL_PICTURES: tuple[tuple[str, str, Draw], ...] = (
    (
        "Coil current against time",
        "How the primary current rises after the switch closes, at three supply voltages and, as a "
        "band, over all corners of resistance, inductance, temperature and supply. The firmware "
        "opens the switch at the end of the dwell.",
        current_figure,
    ),
    (
        "Dwell, current and energy against speed",
        "The band holds all corners. Where the dwell no longer fits between two sparks it is cut "
        "to keep the least off time.",
        speed_figure,
    ),
    (
        "Ways to switch this coil",
        "Energy at the plug for each wanted spark, with nominal parts: contact points with a "
        "textbook dwell angle, the sensor's pulse switching the coil itself, a one-shot of fixed "
        "time, the constant dwell used here, and for comparison a capacitor store of 1 uF at 300 V "
        "of which half is taken to reach the plug.",
        schemes_figure,
    ),
    (
        "Voltage given and asked for",
        "What the coil can give against what the plug asks for at the pressure of each spark "
        "angle. Below 1 there is no spark; a worn plug asks for half as much again.",
        voltage_figure,
    ),
    (
        "Switch held on, engine stopped",
        "How the parts warm up if nothing ended the charge, in the worst corner, from the air's "
        "temperature; crosses mark where a part's limit is passed. The green line is the longest "
        "that a single fault can last with this firmware.",
        stuck_on_figure,
    ),
)
ASKED_PICTURE: tuple[str, str, Draw] = (
    "Voltage asked for",
    "What the plug asks for at the pressure of each spark angle; what the coil gives, only its "
    "maker can tell.",
    asked_figure,
)
LINE_PICTURE: tuple[str, str, Draw] = (
    "Sensor line",
    "Voltage at the pin after the sensor switches. The marked delays are taken back by the "
    "firmware.",
    sensor_line_figure,
)
MAGNET_PICTURE: tuple[str, str, Draw] = (
    "Magnet passing the sensor",
    "Field along the sensor's axis. It switches on above the operate point and off below the "
    "release point, so the arc is a little shifted in the direction of rotation.",
    magnet_figure,
)


def _coil(electrical: Electrical) -> Coil:
    source = electrical.given.source
    assert isinstance(source, Coil)
    return source


def _figure(size: tuple[float, float]) -> tuple[Figure, Axes]:
    figure = Figure(figsize=size, layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.add_subplot()


def _speed_axis(axes: Axes, rpm: F64) -> None:
    axes.set_xlim(0.0, float(rpm[-1]))


def _legend_above(axes: Axes, columns: int) -> None:
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns)


def _note(axes: Axes, x: float, y: float, text: str, color: str, va: str, ha: str = "left") -> None:
    axes.text(x, y, text, color=color, va=va, ha=ha, fontsize=8.0)
