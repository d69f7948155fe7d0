"""Preferred values of resistors and capacitors (E12 and E24 of IEC 60063).

The values were printed by the PyPI package eseries 1.2.1; the standard itself is from
memory.
"""

from __future__ import annotations

from math import floor, log10
from typing import Literal

Series = Literal["E12", "E24"]

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = tuple(sorted((*E12, 11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91)))
WIREWOUND_W = (1, 2, 3, 5, 7, 10, 15, 20, 25, 50, 100, 200)  # usual ratings; common practice


def _decade(value: float, series: Series) -> list[float]:
    """Preferred values from one decade below to one above ``value`` (> 0), ascending."""
    digits = E12 if series == "E12" else E24
    power = floor(log10(value))
    return [float(f"{d}e{p}") for p in (power - 2, power - 1, power) for d in digits]


def next_up(value: float, series: Series = "E12") -> float:
    """Return the smallest preferred value that is at least ``value`` (> 0)."""
    return next(v for v in _decade(value, series) if v >= value * (1.0 - 1e-9))


def nearest(value: float, series: Series = "E12") -> float:
    """Return the preferred value with the smallest ratio to ``value`` (> 0)."""
    return min(_decade(value, series), key=lambda v: abs(log10(v / value)))


def next_power_w(power_w: float) -> float:
    """Return the smallest usual wirewound rating that is at least ``power_w``.

    Above the largest, the power itself: no single usual part takes it.
    """
    return next((float(w) for w in WIREWOUND_W if w >= power_w), power_w)
