"""Pictures of `sparktick check --pictures` that the page shows as well, in the page's colours."""

from __future__ import annotations

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.text import Text

from sparktick.gen.electrical_figures import BLUE, GREEN, GREY, ORANGE, PURPLE, chosen_pictures
from sparktick.gen.electrical_figures import Draw as PartDraw
from sparktick.gen.electrical_of import Electrical

from .data import ReportData
from .figures import Picture
from .svg import CHIP_A, CHIP_B, HOST, MUTED, WANTED, Draw, Sheet

COLOURS = {BLUE: HOST, ORANGE: CHIP_A, GREEN: CHIP_B, PURPLE: WANTED, GREY: MUTED}
SMALL_PT = 9.5
UNITS = {" us": " µs", "[us]": "[µs]", "[C]": "[°C]", "[deg]": "[°]"}
SECTIONS = {
    "Coil current against time": ("charge", "current"),
    "Switch held on, engine stopped": ("charge", "stuck-on"),
    "Voltage asked for": ("charge", "asked"),
    "Sensor line": ("delays", "sensor-line"),
    "Magnet passing the sensor": ("delays", "magnet"),
}


def part_pictures(data: ReportData, section: str) -> list[Picture]:
    """Return the pictures of one section, in the order of the electrical side."""
    if data.description is None:
        return []
    electrical = data.description.electrical
    found = []
    for title, caption, draw in chosen_pictures(electrical):
        place, name = SECTIONS.get(title, ("", ""))
        if place == section:
            found.append(
                Picture(name, title, caption, f"{title}. {caption}", _own(electrical, draw))
            )
    return found


def _own(electrical: Electrical, draw: PartDraw) -> Draw:
    def redraw(sheet: Sheet) -> Figure:
        figure = draw(electrical)
        figure.set_size_inches(sheet.width_in, 4.4 if sheet.narrow else 4.2)
        for artist in figure.findobj():
            _recolour(artist)
            if isinstance(artist, Text):
                _reword(artist)
        for axes in figure.axes:
            _legend_outside(figure, axes, sheet)
        return figure

    return redraw


def _legend_outside(figure: Figure, axes: Axes, sheet: Sheet) -> None:
    """Put an axes' legend above it, in as many columns as its words leave room for."""
    inside = axes.get_legend()
    if inside is None:
        return
    inside.remove()
    handles, labels = axes.get_legend_handles_labels()
    wide = max(len(str(label)) for label in labels)
    columns = max(1, int((40 if sheet.narrow else 100) / (wide + 5)))
    figure.legend(handles, labels, loc="outside upper left", ncols=columns)


def _reword(text: Text) -> None:
    """Give small letters the page's size, and units their signs."""
    text.set_fontsize(max(text.get_fontsize(), SMALL_PT))
    said = text.get_text()
    for plain, sign in UNITS.items():
        said = said.replace(plain, sign)
    text.set_text(said)


def _recolour(artist: Artist) -> None:
    """Put the page's stand-in colours in the place of the figure's own."""
    for what in ("color", "facecolor", "edgecolor", "markeredgecolor", "markerfacecolor"):
        get, put = getattr(artist, f"get_{what}", None), getattr(artist, f"set_{what}", None)
        if get is None or put is None:
            continue
        try:
            shown = to_hex(get())
        except (TypeError, ValueError):
            continue
        if shown in COLOURS:
            put(COLOURS[shown])
