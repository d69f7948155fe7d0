"""If this fails, battery life or voltage under load is wrong."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.battery import Battery, capacity_ah, life_h, sagged_v, simple_battery

CELLS = Battery(4, 1.5, 1.0, 0.2, (0.1, 1.0), (2.0, 1.0))


def test_sag() -> None:
    assert CELLS.internal_ohm == pytest.approx(0.8)
    np.testing.assert_allclose(sagged_v(CELLS, [0.0, 1.0]), [6.0, 5.2])
    assert float(sagged_v(CELLS, 0.0, 0.5)) == pytest.approx(5.0)


def test_capacity_between_and_beyond_its_points() -> None:
    amount = capacity_ah(CELLS, [0.01, 0.1, np.sqrt(0.1), 1.0, 10.0])
    np.testing.assert_allclose(amount, [2.0, 2.0, np.sqrt(2.0), 1.0, 0.5])


def test_life_falls_faster_than_the_current_rises() -> None:
    hours = life_h(CELLS, [0.1, 0.2, 1.0, 2.0])
    assert np.all(np.diff(hours) < 0)
    assert hours[0] > 2.0 * hours[1]
    assert np.isinf(life_h(CELLS, 0.0))


def test_simple_battery() -> None:
    block = simple_battery(12.0, 0.08, 7.0)
    assert float(capacity_ah(block, 0.35)) == pytest.approx(7.0)
    assert float(capacity_ah(block, 3.5)) == pytest.approx(7.0 / 10**0.2)
    assert float(life_h(block, 0.35)) == pytest.approx(20.0)
