"""If this fails, resistor values are proposed that cannot be bought."""

from __future__ import annotations

from sparktick.gen.eseries import E12, E24, nearest, next_power_w, next_up


def test_series() -> None:
    # printed by the PyPI package eseries 1.2.1 (run); IEC 60063 itself from memory
    assert E12 == (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
    assert set(E24) - set(E12) == {11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91}
    assert list(E24) == sorted(E24)


def test_choices() -> None:
    assert next_up(1.07) == 1.2
    assert next_up(1.2) == 1.2
    assert next_up(8.3) == 10.0
    assert next_up(0.083) == 0.1
    assert next_up(1.07, "E24") == 1.1
    assert nearest(2100.0) == 2200.0
    assert next_power_w(12.1) == 15.0
    assert next_power_w(900.0) == 900.0
