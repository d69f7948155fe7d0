"""If this fails, coils, ballasts and drivers are said to survive what burns them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sparktick.gen.coil import COPPER_PER_K, PrimaryCircuit
from sparktick.gen.coil_heat import (
    StuckOn,
    Thermal,
    ThermalSet,
    average_powers,
    recommend_ballast,
    steady_temperatures,
    stuck_on,
    stuck_on_course,
)
from sparktick.gen.eseries import E12

CIRCUIT = PrimaryCircuit(
    1.6,
    4.2e-3,
    12.6,
    ballast_ohm=0.4,
    driver_drop_v=1.4,
    driver_ohm=0.03,
    wiring_ohm=0.05,
    battery_ohm=0.08,
    saturation_a=7.0,
)
THERMAL = ThermalSet(
    coil=Thermal(6.0, 90.0, 120.0),
    driver=Thermal(20.0, 2.0, 150.0),
    ballast=Thermal(8.0, 15.0, 250.0),
)
RPM = np.linspace(300, 12000, 100)


def test_powers_balance() -> None:
    p = average_powers(CIRCUIT, RPM, 4e-3, min_off_s=1e-3)
    used = p.coil_w + p.ballast_w + p.conduction_w + p.wiring_w + p.battery_w + p.spark_w
    np.testing.assert_allclose(used, p.supply_w, rtol=1e-9)
    np.testing.assert_allclose(p.clamp_w, p.spark_w * (1 - 0.985**2))
    assert np.all(p.driver_w > p.conduction_w)


def test_heat_against_plain_integration() -> None:
    p = average_powers(CIRCUIT, [6000.0], 4e-3, min_off_s=1e-3)
    time = np.linspace(0.0, 4e-3, 20001)
    current = CIRCUIT.current_a(time)
    mean_square = np.trapezoid(current**2, time) / 10e-3
    assert float(p.coil_w[0]) == pytest.approx(1.6 * mean_square, rel=1e-6)
    assert float(p.mean_a[0]) == pytest.approx(np.trapezoid(current, time) / 10e-3, rel=1e-6)


def test_steady_temperatures_are_consistent() -> None:
    t = steady_temperatures(CIRCUIT, THERMAL, RPM, 4e-3, ambient_c=30.0, min_off_s=1e-3)
    again = average_powers(CIRCUIT.at_temperature(t.coil_c), RPM, 4e-3, min_off_s=1e-3)
    np.testing.assert_allclose(t.coil_c, 30.0 + 6.0 * again.coil_w, atol=0.02)
    np.testing.assert_allclose(t.driver_c, 30.0 + 20.0 * t.powers.driver_w)
    cold = average_powers(CIRCUIT.at_temperature(30.0), RPM, 4e-3, min_off_s=1e-3)
    assert np.all(again.mean_a <= cold.mean_a)


def _stuck_by_ode(circuit: PrimaryCircuit, part: Thermal, ambient_c: float) -> tuple[float, float]:
    """Time of the coil to its limit and final temperature, by integrating the heat balance."""

    def warm(_t: float, y: np.ndarray) -> list[float]:
        ohm = 1.6 * (1.0 + COPPER_PER_K * (y[0] - 20.0))
        current = (12.6 - 1.4) / (ohm + 0.4 + 0.03 + 0.05 + 0.08)
        return [(current**2 * ohm - (y[0] - ambient_c) / part.k_per_w) / part.j_per_k]

    def limit(_t: float, y: np.ndarray) -> float:
        return float(y[0] - part.limit_c)

    run = solve_ivp(warm, [0.0, 2e4], [ambient_c], events=limit, rtol=1e-9, atol=1e-9)
    return float(run.t_events[0][0]), float(run.y[0, -1])


def test_stuck_on_against_ode_solver() -> None:
    found = stuck_on(CIRCUIT, THERMAL, ambient_c=25.0)
    limit_s, end_c = _stuck_by_ode(CIRCUIT, THERMAL.coil, 25.0)
    coil = next(p for p in found.parts if p.name == "coil")
    assert coil.limit_s == pytest.approx(limit_s, rel=1e-5)
    assert coil.steady_c == pytest.approx(end_c, abs=0.01)


def test_first_to_fail() -> None:
    found = stuck_on(CIRCUIT, THERMAL, ambient_c=25.0)
    assert found.first is min(found.parts, key=lambda p: p.limit_s)
    # a driver on a large sink and a small coil: the coil goes first
    sink = ThermalSet(coil=Thermal(12.0, 9.0, 105.0), driver=Thermal(2.0, 50.0, 150.0))
    other = stuck_on(CIRCUIT, sink, ambient_c=25.0)
    assert other.first is not None
    assert other.first.name == "coil"


def test_everything_survives_a_weak_supply() -> None:
    found = stuck_on(CIRCUIT.with_supply(3.0), THERMAL, ambient_c=25.0)
    assert found.first is None
    assert all(np.isinf(p.limit_s) for p in found.parts)


def test_survives_a_short_fault_only() -> None:
    found: StuckOn = stuck_on(CIRCUIT, THERMAL, ambient_c=25.0)
    assert found.first is not None
    assert found.survives(0.1, 80.0)
    assert not found.survives(found.first.limit_s * 2.0, 80.0)
    assert not found.survives(0.1, 119.99)
    # the adiabatic rise is a bound: no part reaches its limit sooner than it says
    for part in found.parts:
        assert part.limit_s >= (part.limit_c - 25.0) / part.adiabatic_k_per_s * (1.0 - 1e-9)


def test_a_part_already_too_hot_fails_at_once() -> None:
    found = stuck_on(CIRCUIT, THERMAL, ambient_c=25.0, start_c=200.0)
    assert found.first is not None
    assert found.first.limit_s == 0.0


class TestBallast:
    BARE = PrimaryCircuit(1.6, 4.2e-3, 14.4, driver_drop_v=1.4)

    def test_smallest_preferred_value(self) -> None:
        choice = recommend_ballast(self.BARE, steady_limit_a=4.0, wanted_a=2.0, supply_min_v=10.0)
        assert choice.needed_ohm == pytest.approx(13.0 / 4.0 - 1.6)
        assert choice.ohm == 1.8
        assert round(choice.ohm * 10) in E12
        assert choice.steady_a == pytest.approx(13.0 / 3.4)
        assert choice.steady_a <= 4.0
        assert choice.worst_w == pytest.approx(choice.steady_a**2 * 1.8)
        assert choice.rating_w >= 2.0 * choice.worst_w
        assert choice.reach.ok

    def test_says_when_the_spark_is_lost(self) -> None:
        choice = recommend_ballast(self.BARE, steady_limit_a=4.0, wanted_a=3.5, supply_min_v=9.0)
        assert not choice.reach.ok
        assert "lower the ballast" in choice.reach.remedy

    def test_none_needed(self) -> None:
        choice = recommend_ballast(self.BARE, steady_limit_a=9.0, wanted_a=3.0, supply_min_v=10.0)
        assert (choice.ohm, choice.rating_w) == (0.0, 0.0)


def test_stuck_on_course_against_an_ode_solver() -> None:
    time = np.array([0.5, 5.0, 50.0, 500.0, 5000.0])
    course = stuck_on_course(CIRCUIT, THERMAL, time, ambient_c=30.0)
    assert set(course) == set(THERMAL.named())
    part = THERMAL.coil

    def slope(_: float, temperature: np.ndarray) -> np.ndarray:
        hot = CIRCUIT.at_temperature(temperature)
        power = np.asarray(hot.steady_a) ** 2 * hot.hot_coil_ohm
        return (power - (temperature - 30.0) / part.k_per_w) / part.j_per_k

    solved = solve_ivp(slope, (0.0, 5000.0), [30.0], t_eval=time, rtol=1e-10, atol=1e-9)
    np.testing.assert_allclose(course["coil"], solved.y[0], rtol=3e-4)
    # each part passes its limit when stuck_on says so
    for found in stuck_on(CIRCUIT, THERMAL, ambient_c=30.0).parts:
        if np.isfinite(found.limit_s):
            at = stuck_on_course(CIRCUIT, THERMAL, [found.limit_s], ambient_c=30.0)[found.name]
            assert at[0] == pytest.approx(found.limit_c, rel=1e-3)
