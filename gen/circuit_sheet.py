"""A drawing with absolute places, on which the parts of a circuit are put."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from itertools import pairwise
from typing import Any

import schemdraw

from .circuit import Circuit

# Its elements are untyped.
elm: Any = import_module("schemdraw.elements")
logic: Any = import_module("schemdraw.logic")

FONT = 14
MARGIN_PT = 12.0
UNIT_PT = 36.0  # the library's points a drawing unit
LINE_UNITS = FONT / UNIT_PT  # one line of words in drawing units
WIDE = 0.6  # of its height is the mean width of a sans letter, generously
VIEW = re.compile(r'height="[\d.]+pt" width="[\d.]+pt" viewBox="([-\d. ]+)"')


Place = tuple[float, float]


class Sheet:
    """A drawing; a part is drawn with its reference and value.

    Places are counted from an origin, and references are renamed, so that a part of the drawing
    can be repeated elsewhere with other parts (``moved``).
    """

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.drawing = schemdraw.Drawing(show=False, fontsize=FONT, unit=2)
        self._word_boxes: list[tuple[float, float, float, float]] = []
        self._down = 0.0
        self._names: dict[str, str] = {}

    @contextmanager
    def moved(self, down: float, names: dict[str, str]) -> Iterator[None]:
        """Draw further down, with other references than those named in the drawing's code."""
        before = self._down, self._names
        self._down, self._names = self._down + down, names
        yield
        self._down, self._names = before

    def ref(self, name: str) -> str:
        """Return the reference that stands for a name here."""
        return self._names.get(name, name)

    def has(self, name: str) -> bool:
        """Whether the circuit has this part."""
        return self.ref(name) in self.circuit

    def words(self, name: str) -> str:
        """Return reference and value, as drawn."""
        return f"{self.ref(name)}\n{self.circuit[self.ref(name)].value}"

    def _at(self, place: Place) -> Place:
        return place[0], place[1] - self._down

    def between(self, element: Any, a: Place, b: Place) -> dict[str, Place]:
        """Draw an element from one place to another; return the places of its anchors."""
        return self._anchors(self.drawing.add(element.at(self._at(a)).to(self._at(b))))

    def anchored(self, element: Any, anchor: str, place: Place) -> dict[str, Place]:
        """Draw an element with one of its anchors at a place; return the places of all."""
        return self._anchors(self.drawing.add(element.theta(0).anchor(anchor).at(self._at(place))))

    def _anchors(self, drawn: Any) -> dict[str, Place]:
        return {
            name: (float(at[0]), float(at[1]) + self._down) for name, at in drawn.absanchors.items()
        }

    def text(self, x: float, y: float, words: str, align: str = "left") -> None:
        """Write words at a place, centred in height."""
        label = elm.Label().at(self._at((x, y))).theta(0)
        self.drawing.add(label.label(words, halign=align, valign="center"))
        lines = words.split("\n")
        width, half = WIDE * FONT * max(map(len, lines)), 0.5 * FONT * len(lines)
        left = UNIT_PT * x - {"left": 0.0, "center": 0.5, "right": 1.0}[align] * width
        at = UNIT_PT * (self._down - y)
        self._word_boxes.append((left, at - half, left + width, at + half))

    def above(self, x: float, y: float, words: str) -> None:
        """Write words so that their last line stands above a height."""
        lines = words.count("\n") + 1
        self.text(x, y + 0.5 * lines * LINE_UNITS, words, "center")

    def line(self, *points: Place) -> None:
        """Draw a wire through points."""
        for a, b in pairwise(points):
            self.between(elm.Line(), a, b)

    def dot(self, x: float, y: float, *, free: bool = False) -> None:
        """Mark a junction, or the free end of a wire that goes on elsewhere."""
        self.drawing.add(elm.Dot(open=free).at(self._at((x, y))))

    def ground(self, x: float, y: float) -> None:
        """Draw the common ground."""
        self.drawing.add(elm.Ground().at(self._at((x, y))).theta(0))

    def box(self, x1: float, y1: float, x2: float, y2: float, dash: str = "-") -> None:
        """Draw a box; ``dash`` "--" for the outline of a unit."""
        box = elm.Rect(corner1=(0, 0), corner2=(x2 - x1, y2 - y1)).at(self._at((x1, y1)))
        self.drawing.add(box.theta(0).linestyle(dash))

    def across(self, kind: Any, name: str, x1: float, x2: float, y: float) -> None:
        """Draw a part lying, its words above it."""
        self.between(kind(), (x1, y), (x2, y))
        self.above((x1 + x2) / 2, y + 0.5, self.words(name))

    def down(self, kind: Any, name: str, x: float, y1: float, y2: float) -> None:
        """Draw a standing part, its words to the right."""
        self.between(kind(), (x, y1), (x, y2))
        self.text(x + 0.5, (y1 + y2) / 2, self.words(name))

    def svg(self) -> str:
        """Return the drawing in the colour of the text around it, words and a margin included."""
        plain = self.drawing.get_imagedata("svg").decode()
        plain = re.sub(r"\bblack\b", "currentColor", plain)
        plain = plain.replace('font-family="sans"', 'font-family="sans-serif"')
        return VIEW.sub(self._wider, plain, count=1)

    def _wider(self, found: re.Match[str]) -> str:
        """Widen the library's box, which does not count words."""
        x, y, width, height = (float(word) for word in found[1].split())
        boxes = [(x, y, x + width, y + height), *self._word_boxes]
        left, top = (min(box[k] for box in boxes) - MARGIN_PT for k in (0, 1))
        right, low = (max(box[k] for box in boxes) + MARGIN_PT for k in (2, 3))
        width, height = right - left, low - top
        view = f"{left:.1f} {top:.1f} {width:.1f} {height:.1f}"
        return f'height="{height:.1f}pt" width="{width:.1f}pt" viewBox="{view}"'
