"""One crank turn as a timing diagram: pickup, gate, coil pin, coil current, spark."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .data import ReportData
from .figures import Picture
from .start import steady_deg
from .svg import BAND, CHIP_A, HOST, MUTED, WANTED, WARN, Sheet, note
from .turn import Span, Turn

LANE = 0.68  # height of a signal in its lane of height 1
Lane = Callable[[Axes, float, Turn], None]
ROOM_DEG = 70.0  # what a note takes


def _level(
    axes: Axes, y: float, spans: tuple[Span, ...], turn: Turn, *, idle: float, colour: str
) -> None:
    """Draw a logic level that leaves ``idle`` (0 or 1) during the spans."""
    x, level = [turn.begin_deg], [idle]
    for begin, end in spans:
        x += [begin, begin, end, end]
        level += [idle, 1.0 - idle, 1.0 - idle, idle]
    x.append(turn.end_deg)
    level.append(idle)
    axes.plot(np.clip(x, turn.end_deg, turn.begin_deg), y + LANE * np.array(level), color=colour)


def _note(axes: Axes, deg: float, y: float, text: str, turn: Turn) -> None:
    """Write right of an angle, or left of it where the picture's edge is near."""
    room = abs(deg - turn.end_deg) > ROOM_DEG
    note(
        axes, deg - 4.0 if room else deg + 4.0, y, text, ha="left" if room else "right", va="center"
    )


def _degrees(span: Span) -> str:
    return f"{span[0]:.0f}° to {span[1]:.0f}°"


def _pickup_lane(axes: Axes, y: float, turn: Turn, *, active_low: bool) -> None:
    _level(axes, y, turn.pickup, turn, idle=1.0 if active_low else 0.0, colour=WANTED)
    for span in turn.pickup[-1:]:
        _note(axes, span[1], y + 0.5 * LANE, _degrees(span), turn)


def _gate_lane(axes: Axes, y: float, turn: Turn) -> None:
    axes.axhline(y, color=MUTED, linewidth=0.6)
    for begin, end in turn.gate:
        axes.fill_between([begin, end], y, y + LANE, color=BAND, linewidth=0.0)
        axes.plot([begin, begin, end, end], [y, y + LANE, y + LANE, y], color=CHIP_A, linewidth=1.2)
    for span in turn.gate[-1:]:
        _note(axes, span[1], y + 0.5 * LANE, _degrees(span), turn)


def _coil_lane(axes: Axes, y: float, turn: Turn) -> None:
    _level(axes, y, turn.output, turn, idle=0.0, colour=HOST)
    for begin, end in turn.output[-1:]:
        ms = (begin - end) / (6.0 * turn.rpm) * 1e3
        _note(axes, end, y + 0.5 * LANE, f"on for {ms:.2f} ms", turn)


def _current_lane(axes: Axes, y: float, turn: Turn) -> None:
    peak = max(float(c.current_a.max()) for c in turn.currents)
    axes.axhline(y, color=MUTED, linewidth=0.6)
    for charge in turn.currents:
        x = np.append(charge.deg_btdc, charge.deg_btdc[-1])
        height = y + LANE * np.append(charge.current_a, 0.0) / peak
        axes.fill_between(x, y, height, color=BAND, linewidth=0.0)
        axes.plot(x, height, color=HOST)
    last = turn.currents[-1]
    _note(axes, last.deg_btdc[-1], y + 0.8 * LANE, f"{last.current_a[-1]:.2f} A", turn)


def _spark_lane(axes: Axes, y: float, turn: Turn) -> None:
    axes.axhline(y, color=MUTED, linewidth=0.6)
    for at, out in turn.sparks:
        axes.plot([at, at], [y, y + LANE], color=WARN, linewidth=2.2)
        axes.fill_between([at, out], y, y + 0.22, color=WARN, linewidth=0.0, alpha=0.5)
    for at, _ in turn.sparks[-1:]:
        _note(axes, at, y + 0.62 * LANE, f"{at:.1f}° BTDC", turn)


def turn_picture(data: ReportData, turn: Turn) -> Picture:
    """One turn at steady speed, every line of the ignition against crank angle."""
    active_low = data.manifest.raw["pickup_pin"]["active"] == "low"

    lanes: list[tuple[str, Lane]] = [("pickup", partial(_pickup_lane, active_low=active_low))]
    lanes += [("gate", _gate_lane)] if turn.gate else []
    lanes += [("coil pin", _coil_lane)]
    lanes += [("current", _current_lane)] if turn.currents else []
    lanes += [("spark", _spark_lane)]

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(0.7 + 0.72 * len(lanes), 0.7 + 0.75 * len(lanes))
        axes = figure.subplots()
        for place, (_, lane) in enumerate(lanes):
            lane(axes, len(lanes) - 1.0 - place, turn)
        axes.set_yticks(
            [len(lanes) - 1.0 - n + 0.5 * LANE for n in range(len(lanes))],
            [name for name, _ in lanes],
        )
        axes.tick_params(axis="y", length=0)
        axes.grid(False, axis="y")
        axes.spines["left"].set_visible(False)
        axes.axvline(0.0, color=MUTED, linewidth=1.0, linestyle=(0, (5, 3)))
        note(axes, 0.0, len(lanes) - 0.12, "TDC", ha="center", va="center")
        axes.set_ylim(-0.15, len(lanes) + 0.05)
        axes.set_xlim(turn.begin_deg, turn.end_deg)
        step = 90.0 if sheet.narrow else 45.0
        axes.set_xticks(np.arange(turn.end_deg, turn.begin_deg + 1.0, step))
        axes.set_xlabel("crank angle, degrees BTDC (time runs to the right)")
        if sheet.narrow:
            axes.set_xlabel("crank angle, degrees BTDC")
        return figure

    return Picture(
        f"turn-{turn.name.replace(' ', '-')}",
        f"One turn at {turn.name}, {turn.rpm:.0f} rpm",
        _caption(data, turn),
        f"Timing diagram at {turn.rpm:.0f} rpm: spark at {turn.sparks[-1][0]:.1f} degrees BTDC."
        if turn.sparks
        else f"Timing diagram at {turn.rpm:.0f} rpm.",
        draw,
    )


def _caption(data: ReportData, turn: Turn) -> str:
    rpm, deg = zip(*data.manifest.curve, strict=True)
    wanted = float(np.interp(turn.rpm, rpm, deg))
    if turn.rpm < data.manifest.start.below_rpm:
        wanted = float(steady_deg(data.manifest, np.array(turn.rpm)))
    trigger = data.manifest.spark_on_rise
    event = "the output has to go on" if trigger else "the coil has to be switched off"
    parts = [f"At {wanted:.1f} degrees {event} and the spark to come."]
    if turn.output and turn.pickup and not trigger:
        before = turn.output[-1][0] > turn.pickup[-1][0]
        parts.append(
            "Here charging begins before the magnet comes, from what the turns before foretold; "
            "the spark itself is timed from the magnet's own edge."
            if before
            else "Here all of the charge fits behind the magnet's lead edge."
        )
    if turn.gate:
        parts.append("A lead edge is listened to only while the gate is open; then it is shut.")
    if turn.currents:
        parts.append(
            "The current is computed from the coil's circuit at nominal supply; the foot of the "
            "spark shows how long it burns by the same equations."
        )
    elif not trigger:
        parts.append("Coil current is not drawn: the coil's circuit is not known here.")
    parts.append(f"Instants: {turn.source} simulator, one turn of a steady run.")
    return " ".join(parts)
