"""If this fails, the margin between the coil's voltage and the plug's demand is wrong."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sparktick.gen.secondary import (
    available_v,
    demanded_in_cylinder_v,
    demanded_v,
    second_gap_v,
    spark_burn,
    uniform_field_v,
)
from sparktick.gen.slider_crank import Cylinder

CYLINDER = Cylinder(0.033, 0.029, 0.058, 7.5)


def test_demand_falls_with_advance_and_rises_with_gap() -> None:
    advance = np.linspace(0.0, 60.0, 61)
    demand = demanded_in_cylinder_v(CYLINDER, 0.5e-3, advance)
    assert np.all(np.diff(demand) < 0.0)
    assert np.all(demanded_in_cylinder_v(CYLINDER, 0.7e-3, advance) > demand)
    hot = demanded_v(0.5e-3, 1e6, 700.0)
    assert hot < demanded_v(0.5e-3, 1e6, 500.0)


def test_available_is_the_lesser_of_clamp_and_energy() -> None:
    kw = {"turns_ratio": 80.0, "secondary_f": 50e-12, "coupling": 1.0}
    assert float(available_v(1.0, clamp_v=400.0, **kw)) == 32000.0
    small = float(available_v(1e-3, clamp_v=400.0, **kw))
    assert 0.5 * 50e-12 * small**2 == pytest.approx(1e-3)
    assert float(available_v(0.0, clamp_v=400.0, **kw)) == 0.0


def test_twin_lead_asks_for_two_gaps() -> None:
    one = demanded_in_cylinder_v(CYLINDER, 0.5e-3, 5.0)
    assert float(second_gap_v(0.5e-3, one, True)) == pytest.approx(2 * float(one))
    waste = float(second_gap_v(0.5e-3, one, False)) - float(one)
    assert waste == pytest.approx(float(uniform_field_v(0.5e-3)))
    assert waste < float(one)


def _burn_by_ode(
    energy_j: float, current_a: float, ohm: float, volts: float
) -> tuple[float, float]:
    henry = 2.0 * energy_j / current_a**2

    def decay(_t: float, y: np.ndarray) -> list[float]:
        return [-(volts + ohm * y[0]) / henry, volts * y[0]]

    def out(_t: float, y: np.ndarray) -> float:
        return float(y[0])

    out.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(decay, [0, 1], [current_a, 0.0], events=out, rtol=1e-10, atol=1e-13)
    return float(run.y[1, -1]), float(run.t[-1])


@pytest.mark.parametrize("ohm", [100.0, 8000.0, 40000.0])
def test_burn_against_ode_solver(ohm: float) -> None:
    burn = spark_burn(0.04, 4.5, turns_ratio=85.0, series_ohm=ohm, burn_v=600.0, coupling=1.0)
    gap_j, duration_s = _burn_by_ode(0.04, 4.5 / 85.0, ohm, 600.0)
    assert float(burn.gap_j) == pytest.approx(gap_j, rel=1e-6)
    assert float(burn.duration_s) == pytest.approx(duration_s, rel=1e-6)


def test_no_energy_burns_nothing() -> None:
    burn = spark_burn([0.0, 0.04], [0.0, 4.5], turns_ratio=85.0, series_ohm=8000.0)
    assert burn.gap_j[0] == burn.duration_s[0] == burn.current_a[0] == 0.0
    assert 0.0 < burn.gap_j[1] < 0.04
