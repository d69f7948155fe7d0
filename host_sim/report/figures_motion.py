"""Pictures of an engine in motion: uneven turns, a start, errors by predictor, the magnet."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sparktick.gen.design import DRIVEN

from ..engine_model import phases_deg
from .figures import Picture
from .figures_wheel import deg_text, wheel
from .motion import Cycle, MotionPart
from .svg import (
    BAND,
    CHIP_A,
    CHIP_B,
    HOST,
    MUTED,
    WANTED,
    WARN,
    Sheet,
    note,
    to_svg,
)

STYLES = ("-", "--", "-.", ":")
COLOURS = (HOST, CHIP_A, CHIP_B, WANTED)


# The page's colours, for a picture that stands alone.
PLAIN = {
    "ink": "#111111",
    "muted": "#666666",
    "rule": "#dddddd",
    "band": "#dbe7f4",
    "wanted": "#2a7f4f",
    "host": "#1f5fa8",
    "chip-a": "#c8580a",
    "chip-b": "#80489a",
    "bad": "#c02020",
    "paper": "#ffffff",
    "sans": "sans-serif",
}


def plain_svg(picture: Picture) -> str:
    """Return a picture as a file of its own, on white."""
    text = to_svg(picture.draw, picture.name, picture.spoken, narrow=False)
    for name, colour in PLAIN.items():
        text = text.replace(f"var(--{name})", colour)
    spaces = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return text.replace("<svg ", f'<svg {spaces} style="background:#ffffff" ', 1) + "\n"


def motion_pictures(part: MotionPart) -> list[Picture]:
    """Return all pictures of an engine in motion."""
    return [
        uneven(part),
        start_trace(part),
        histogram(part),
        wheel(part),
        places(part),
        start_cost(part),
    ]


def uneven(part: MotionPart) -> Picture:
    """Speed against crank angle over two turns."""

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.6)
        axes = figure.subplots()
        for cycle, style, colour in zip(part.cycles, STYLES, COLOURS, strict=False):
            share = 100.0 * (cycle.rpm / cycle.rpm.mean() - 1.0)
            label = f"{cycle.title}, {cycle.rpm.mean():.0f} rpm"
            axes.plot(cycle.deg, share, linestyle=style, color=colour, label=label)
        _dead_centres(axes, part)
        axes.set_xlim(-180.0, 540.0)
        axes.set_xticks(range(-180, 541, 180 if sheet.narrow else 90))
        axes.set_xlabel("crank angle after firing dead centre, deg")
        axes.set_ylabel("speed, % from its mean")
        sheet.legend(figure, axes, columns=3)
        return figure

    words = ", ".join(f"{100.0 * c.irregularity:.1f} % at {_what(c)}" for c in part.cycles)
    return Picture(
        "uneven-turns",
        "Speed over two turns",
        "No small engine turns evenly: it slows into compression and is thrown forward by the "
        f"burn. Greatest less least speed over the mean: {words}. The shaded arc is the magnet "
        "passing the sensor; what the firmware measures is the mean over whole turns and that arc.",
        f"Speed of the crank over two turns at idle, full load and full speed: {words}.",
        draw,
    )


def _what(cycle: Cycle) -> str:
    return f"{cycle.title} ({cycle.rpm.mean():.0f} rpm)"


def _dead_centres(axes: Axes, part: MotionPart) -> None:
    design, where = part.design, axes.get_xaxis_transform()
    first = int(np.ceil((-180.0 + design.trail_deg_btdc) / design.spacing_deg))
    for pulse in range(first, int(540.0 // design.spacing_deg) + 2):
        top = pulse * design.spacing_deg
        axes.axvspan(top - design.lead_deg_btdc, top - design.trail_deg_btdc, color=BAND, lw=0.0)
    for top in (-180.0, 0.0, 180.0, 360.0):
        words = _what_happens(top, part)
        if words:
            axes.axvline(top, color=MUTED, linewidth=0.8)
            note(axes, top + 4.0, 0.02, words, ha="left", va="bottom", transform=where)


def _what_happens(top_deg: float, part: MotionPart) -> str:
    """Which cylinders are at the top there, and what they do."""
    phases, cycle = phases_deg(part.engine), 180.0 * part.engine.engine.strokes
    said: dict[str, list[str]] = {}
    for i, phase in enumerate(phases):
        if (top_deg - phase) % 360.0 == 0.0:
            fires = (top_deg - phase) % cycle == 0.0
            said.setdefault("fires" if fires else "exhaust", []).append(str(i + 1))
    if len(phases) == 1:
        return " ".join(said)
    return ", ".join(
        "both fire" if len(who) == 2 and what == "fires" else f"{who[0]} {what}"
        for what, who in said.items()
    )


def start_trace(part: MotionPart) -> Picture:
    """One start: speed over time, with its sparks."""
    run, design = part.start, part.design
    motion, sparks = run.motion, run.sparks
    assert motion is not None
    burnt = sparks.lit > 0
    four = part.engine.engine.strokes == 4
    unlit = "spark that lights nothing" + (" (exhaust stroke)" if four else "")

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(4.6, 5.0)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        t = np.linspace(0.0, run.end_s, 4000)
        above.plot(t, motion.speed_at(t) / 6.0, color=HOST, linewidth=0.9)
        for which, mark, size, name in (
            (burnt, "v", 5, "spark that lights"),
            (~burnt, ".", 4, unlit),
        ):
            above.plot(
                sparks.t_s[which],
                sparks.rpm[which],
                mark,
                color=WARN if mark == "v" else MUTED,
                markersize=size,
                label=name,
                linestyle="none",
            )
            below.plot(
                sparks.t_s[which],
                sparks.deg_btdc[which],
                mark,
                color=WARN if mark == "v" else MUTED,
                markersize=size,
                linestyle="none",
            )
        above.set_ylabel("speed, rpm")
        below.axhline(0.0, color=MUTED, linewidth=0.8)
        below.axhline(design.start.deg_btdc, color=WANTED, linestyle="--", linewidth=1.0)
        note(below, 0.01, design.start.deg_btdc, "start advance", va="bottom", ha="left")
        below.set_ylabel("spark, deg BTDC")
        below.set_xlabel("time, s")
        below.set_xlim(0.0, run.end_s)
        sheet.legend(figure, above, columns=2)
        return figure

    count, kicks = len(part.starts.starts.started), int(part.starts.starts.kick_backs.sum())
    first = (
        f"{sparks.deg_btdc[0]:.1f} deg BTDC at {sparks.rpm[0]:.0f} rpm" if len(burnt) else "none"
    )
    return Picture(
        "start-trace",
        "A start",
        "The crank's speed from rest, and every spark: below the starting speed they come from "
        "the same passage of the magnet and never before the start advance, then along the curve. "
        f"First spark: {first}. Of {count} starts by {part.engine.engine.starter}, each another "
        f"one, {int(part.starts.starts.started.sum())} ran and {kicks} kicked back.",
        f"Speed of the crank during a start with {len(burnt)} sparks; first spark {first}.",
        draw,
    )


def histogram(part: MotionPart) -> Picture:
    """Spark errors at idle by predictor."""
    choice = part.choice
    chosen = choice.predictor + (" + arc" if choice.arc_timing else "")
    names = list(choice.errors_deg)

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(0.9 + 0.62 * len(names))
        rows = figure.subplots(len(names), 1, sharex=True, sharey=True)
        most = max(float(np.abs(errors).max()) for errors in choice.errors_deg.values())
        bins = np.linspace(-1.05 * most, 1.05 * most, 81)
        for axes, name in zip(rows, names, strict=True):
            errors = choice.errors_deg[name]
            axes.hist(errors, bins=bins, color=WANTED if name == chosen else MUTED)
            worst = float(np.abs(errors).max())
            text = f"{name}{' (chosen)' if name == chosen else ''}: worst {worst:.2f} deg"
            note(axes, 0.01, 0.95, text, ha="left", va="top", transform=axes.transAxes)
            axes.set_yticks([])
            axes.grid(False)
        rows[-1].set_xlabel("spark error at idle, crank degrees (+ early)")
        return figure

    words = ", ".join(f"{n} {np.abs(e).max():.2f}" for n, e in choice.errors_deg.items())
    return Picture(
        "predictor-errors",
        "Errors at idle by predictor",
        "How far sparks are from the curve when the engine idles, misfires included, by what "
        "stands for the speed during the delay; here the arc is as described. Chosen as the "
        f"{choice.reason}.",
        f"Histograms of spark errors at idle; worst in degrees: {words}.",
        draw,
    )


def places(part: MotionPart) -> Picture:
    """Error and late start against the magnet's place."""
    placement = part.placement

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.6)
        axes = figure.subplots()
        known = [place for place in placement.places if len(place.start_deg_btdc)]
        lead = [place.lead_deg_btdc for place in known]
        late = [max(place.latest_start_deg_atdc, 0.0) for place in known]
        if placement.this_magnet_works:
            axes.axvspan(*placement.window_deg_btdc, color=BAND, linewidth=0.0)
            axes.plot(placement.best.lead_deg_btdc, placement.best.error_deg, "o", color=WANTED)
        axes.plot(
            lead,
            [place.error_deg for place in known],
            color=HOST,
            label="worst spark error, running",
        )
        axes.plot(
            lead,
            [0.1 * value for value in late],
            color=CHIP_A,
            linestyle="--",
            label="latest start spark after TDC, deg / 10",
        )
        axes.axvline(placement.described.lead_deg_btdc, color=MUTED, linestyle=":", linewidth=1.2)
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("magnet arrives, deg BTDC (dotted: as described)")
        axes.set_ylabel("degrees")
        sheet.legend(figure, axes, columns=2)
        return figure

    words = (
        "No place works with a magnet of this length: start sparks come too late, or the spark is "
        "due before the edge is believed."
    )
    if placement.this_magnet_works:
        best, (least, most) = placement.best, placement.window_deg_btdc
        words = (
            f"In the shaded window, {deg_text(least)} to {deg_text(most)} deg BTDC, the whole "
            "plan can be made. Later, the spark would be due before the edge is believed; earlier, "
            "more can change until the spark, and a start sparks later. Best: "
            f"{deg_text(best.lead_deg_btdc)} deg BTDC with {best.predictor}."
        )
    return Picture(
        "magnet-places",
        "Where the magnet may go",
        words,
        f"Spark error and latest start spark against the magnet's place. {words}",
        draw,
    )


_EDGE_RISK = (
    " A trail edge that is the spark is charged for before it comes: a starter that stalls with "
    "the magnet at the sensor gets its spark there."
)


def start_cost(part: MotionPart) -> Picture:
    """Start sparks over cranking speed, by magnet."""

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.4)
        axes = figure.subplots()
        for cost, style, colour in zip(part.costs, STYLES, COLOURS, strict=False):
            axes.plot(cost.rpm, cost.deg_btdc, linestyle=style, color=colour, label=cost.what)
            axes.plot(cost.rpm[:1], cost.deg_btdc[:1], "|", color=colour, markersize=10)
        axes.axhline(0.0, color=MUTED, linewidth=0.8)
        axes.set_xlabel("cranking speed, rpm (no spark left of each line)")
        axes.set_ylabel("start spark, deg BTDC")
        sheet.legend(figure, axes, columns=3)
        return figure

    words = "; ".join(
        f"{c.what}: from {c.floor_rpm:.0f} rpm, {_latest(c.deg_btdc.min())}" for c in part.costs
    )
    return Picture(
        "start-cost",
        "What the start costs",
        "A crank that is turned over slows against compression, so a start spark waits for the "
        "slowest crank that could still carry over; in ordinary starts it is late, which only "
        f"costs power. A narrow magnet foresees more and pays more. {words}."
        + (_EDGE_RISK if part.engine.engine.starter in DRIVEN else ""),
        f"Start sparks over cranking speed by magnet: {words}.",
        draw,
    )


def _latest(least_deg_btdc: float) -> str:
    if least_deg_btdc < 0.0:
        return f"{-least_deg_btdc:.0f} deg after TDC at the latest"
    return f"never later than {least_deg_btdc:.0f} deg BTDC"
