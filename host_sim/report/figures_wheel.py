"""The flywheel with its magnets and the sensor, and where the magnet may go."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Arc, Circle, FancyArrowPatch, Wedge

from .figures import Picture
from .motion import MotionPart
from .svg import BAND, CHIP_A, HOST, INK, MUTED, PAPER, WARN, Sheet, note

WHEEL = 1.0


def deg_text(deg: float) -> str:
    """Return degrees as a workshop reads them: whole, or to a tenth."""
    return f"{round(deg, 1):g}"


def _polar(deg_btdc: float, radius: float) -> tuple[float, float]:
    """Place on the wheel, seen from the sensor's side, dead centre up, turning clockwise."""
    t = np.radians(90.0 + deg_btdc)
    return float(radius * np.cos(t)), float(radius * np.sin(t))


def wheel(part: MotionPart) -> Picture:
    """Flywheel with magnets and sensor, the piston at top dead centre."""
    design, place = part.design, part.placement
    lead, trail = design.lead_deg_btdc, design.trail_deg_btdc
    least, most = place.window_deg_btdc

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(5.2, 4.8)
        axes = figure.subplots()
        axes.set_aspect("equal")
        axes.axis("off")
        axes.add_patch(Circle((0.0, 0.0), WHEEL, facecolor=PAPER, edgecolor=INK, lw=1.4))
        axes.add_patch(Circle((0.0, 0.0), 0.09, facecolor=PAPER, edgecolor=INK, lw=1.0))
        if place.this_magnet_works:
            _window(axes, least, most)
        for which in range(_magnets(part)):
            _magnet(axes, which * design.spacing_deg, lead - trail)
        _two_magnets(axes, part)
        _sensor(axes, lead)
        _marks(axes, lead)
        axes.set_xlim(-1.75, 1.75)
        axes.set_ylim(-1.25, 1.55)
        return figure

    cam = " (crank degrees: half of them on the camshaft's wheel)" if design.shaft == "cam" else ""
    more = " A second magnet opposite serves the other cylinder." if _magnets(part) == 2 else ""
    return Picture(
        "flywheel",
        "Where the magnet is",
        f"The wheel from the sensor's side, piston at top dead centre, turning clockwise. The "
        f"sensor stands still; the magnet arrives {deg_text(lead)} deg before dead centre and has "
        f"left {deg_text(trail)} deg before it{cam}.{more}"
        + _window_words(part)
        + _two_magnets_words(part),
        f"Flywheel with magnet and sensor; the magnet arrives {deg_text(lead)} and leaves "
        f"{deg_text(trail)} degrees before top dead centre.",
        draw,
    )


def _magnets(part: MotionPart) -> int:
    return max(round(360.0 / part.design.spacing_deg), 1)


def _window_words(part: MotionPart) -> str:
    """Say where this magnet may be put, and what is wrong with where it is."""
    place = part.placement
    described = place.described
    why = "" if described.works else f" Where it is now {described.why_not}."
    if not place.this_magnet_works:
        return f" No place works with a magnet of this length.{why}"
    least, most = place.window_deg_btdc
    return (
        f" The shaded band is where its arrival may be put with this magnet: {deg_text(least)} to "
        f"{deg_text(most)} deg BTDC, best at {deg_text(place.best.lead_deg_btdc)}.{why}"
    )


def _two_magnets_words(part: MotionPart) -> str:
    two = part.placement.two_magnets
    if two is None or not part.placement.two_magnets_help:
        return ""
    late = max(two.latest_start_deg_atdc, 0.0)
    return (
        " Two magnets of opposite pole with a latching sensor (S arrives, N ends the pulse; drawn "
        f"at the hub's side) would do better: {deg_text(two.lead_deg_btdc)} and "
        f"{deg_text(two.trail_deg_btdc)} deg BTDC, sparks within {two.error_deg:.1f} deg of the "
        f"curve and start sparks at the latest {late:.0f} deg after dead centre."
    )


def _window(axes: Axes, least: float, most: float) -> None:
    band = Wedge((0.0, 0.0), 1.16, 90.0 + least, 90.0 + most, width=0.12, facecolor=BAND, lw=0.0)
    axes.add_patch(band)


def _magnet(axes: Axes, behind: float, arc: float) -> None:
    """Draw a magnet at dead centre: its front is past the sensor by the lead angle, so at the top.

    ``behind``: degrees by which it comes after the first.
    """
    begin = 90.0 + behind
    axes.add_patch(Wedge((0.0, 0.0), 0.98, begin, begin + arc, width=0.13, facecolor=WARN, lw=0.0))
    x, y = _polar(behind + 0.5 * arc, 0.70)
    note(axes, x, y, "magnet", ha="center", va="center")


def _two_magnets(axes: Axes, part: MotionPart) -> None:
    two, lead = part.placement.two_magnets, part.design.lead_deg_btdc
    if two is None or not part.placement.two_magnets_help:
        return
    for pole, at in (("S", two.lead_deg_btdc), ("N", two.trail_deg_btdc)):
        x, y = _polar(lead - at, 0.45)
        axes.plot([x], [y], "o", color=CHIP_A, markersize=11)
        note(axes, x, y, pole, ha="center", va="center", color=PAPER, bbox=None)


def _sensor(axes: Axes, lead: float) -> None:
    x, y = _polar(lead, 1.27)
    axes.plot([x], [y], "s", color=HOST, markersize=11)
    x, y = _polar(lead, 1.48)
    note(axes, x, y, "sensor", ha="center", va="center")


def _marks(axes: Axes, lead: float) -> None:
    axes.plot([0.0, 0.0], [1.0, 1.32], color=INK, linewidth=1.0)
    note(axes, 0.0, 1.42, "TDC", ha="center", va="bottom", color=INK)
    axes.add_patch(
        Arc((0.0, 0.0), 2.28, 2.28, theta1=90.0, theta2=90.0 + lead, color=MUTED, lw=1.0)
    )
    x, y = _polar(0.5 * lead, 1.24)
    note(axes, x, y, f"{deg_text(lead)}°", ha="center", va="center")
    arrow = FancyArrowPatch(
        (-0.35, -0.62),
        (-0.62, -0.35),
        connectionstyle="arc3,rad=-0.25",
        arrowstyle="->",
        mutation_scale=14,
        color=INK,
        lw=1.2,
    )
    axes.add_patch(arrow)
