"""If this fails, a hand-started engine can spark before its start advance and kick back."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from sparktick.gen.errors import SparktickError
from sparktick.gen.hand_start import (
    GUARD_DEG_BTDC,
    HandCrank,
    SlowingAllowance,
    carry_speed_rad_s,
    slowing_allowance,
    stall_deg_btdc,
    stopping_turn_rpm,
    travel_time_s,
    with_drag,
    work_from_lead_j,
)
from sparktick.gen.slider_crank import Cylinder, gas_torque_nm

LEAD, ARC, START = 48.0, 14.0, 4.0
CRANK = HandCrank(Cylinder(0.033, 0.029, 0.058, 7.5), inertia_kg_m2=2.5e-3)


def allowance(crank: HandCrank = CRANK, **change: float) -> SlowingAllowance:
    values = {
        "lead_deg_btdc": LEAD,
        "arc_deg": ARC,
        "start_deg_btdc": START,
        "start_below_rpm": 400.0,
    } | change
    return slowing_allowance(crank, **values)  # type: ignore[arg-type]


def turn(crank: HandCrank, speed_rad_s: float, angles: tuple[float, ...], n: float) -> list[float]:
    """Instants of angles (deg BTDC) from an ODE solver that knows only torque and inertia."""

    def motion(_t: float, y: np.ndarray) -> list[float]:
        torque = float(gas_torque_nm(crank.cylinder, np.degrees(y[0]), n))
        return [y[1], (crank.cylinders_together * torque - crank.friction_nm) / crank.inertia_kg_m2]

    def reaches(deg: float, last: bool) -> Callable[[float, np.ndarray], float]:
        def event(_t: float, y: np.ndarray) -> float:
            return float(y[0] + np.radians(deg))

        event.terminal = last  # type: ignore[attr-defined]
        return event

    def stops(_t: float, y: np.ndarray) -> float:
        return float(y[1])

    stops.terminal = True  # type: ignore[attr-defined]
    events = [reaches(deg, deg == angles[-1]) for deg in angles]
    run = solve_ivp(
        motion,
        [0.0, 1.0],
        [-np.radians(LEAD), speed_rad_s],
        method="DOP853",
        events=[*events, stops],
        rtol=1e-9,
        atol=1e-11,
    )
    return [float(times[0]) if len(times) else np.inf for times in run.t_events[:-1]]


@pytest.mark.parametrize("part", [1.02, 1.2, 2.0, 5.0])
@pytest.mark.parametrize(
    "crank",
    [
        CRANK,
        with_drag(CRANK, 0.1),
        HandCrank(Cylinder(0.02, 0.018, 0.036, 9.0), 2e-4, cylinders_together=2),
    ],
    ids=["plain", "drag", "two-together"],
)
def test_times_against_ode_solver(crank: HandCrank, part: float) -> None:
    speed = part * carry_speed_rad_s(crank, LEAD)
    trail_s, start_s = turn(crank, speed, (LEAD - ARC, START), crank.n)
    assert float(travel_time_s(crank, LEAD, speed, LEAD, LEAD - ARC)[0]) == pytest.approx(
        trail_s, rel=1e-6
    )
    assert float(travel_time_s(crank, LEAD, speed, LEAD - ARC, START)[0]) == pytest.approx(
        start_s - trail_s, rel=1e-6
    )


def test_carry_speed_is_where_the_crank_just_passes_top() -> None:
    speed = carry_speed_rad_s(CRANK, LEAD)
    assert np.isfinite(turn(CRANK, 1.001 * speed, (0.0,), CRANK.n)[0])
    assert np.isinf(turn(CRANK, 0.999 * speed, (0.0,), CRANK.n)[0])
    assert stall_deg_btdc(CRANK, LEAD, 1.001 * speed) is None
    assert 0.0 < stall_deg_btdc(CRANK, LEAD, 0.95 * speed) < LEAD


@settings(max_examples=100, derandomize=True, deadline=None)
@given(
    part=st.floats(1.001, 3.0),
    n=st.floats(1.0, 1.4),
    filling=st.floats(0.3, 1.0),
    between=st.floats(0.0, 1.0),
)
def test_spark_is_never_before_the_start_advance(
    part: float, n: float, filling: float, between: float
) -> None:
    """Any crank that is compressed less than the bound, timed by a table of 17 points."""
    table = allowance(points=17)
    cylinder = CRANK.cylinder
    smaller = Cylinder(
        cylinder.bore_m * np.sqrt(filling),
        cylinder.stroke_m,
        cylinder.rod_m,
        7.5,
        closed_deg_btdc=180.0 - 120.0 * between,
    )
    crank = HandCrank(smaller, CRANK.inertia_kg_m2)
    speed = part * carry_speed_rad_s(CRANK, LEAD)
    trail_s, start_s = turn(crank, speed, (LEAD - ARC, START), n)
    if trail_s < table.arc_s[0]:
        return  # faster than the starting speed: not timed by this table
    steady_s = trail_s * (LEAD - ARC - START) / ARC
    delay_s = steady_s * np.interp(trail_s, table.arc_s, table.ratio)
    assert trail_s + delay_s >= start_s * (1.0 - 1e-7)


def test_grid_runs_from_start_speed_to_carry() -> None:
    table = allowance(start_below_rpm=700.0)
    assert table.arc_s[0] == pytest.approx(min(ARC / 6 / 700, table.carry_arc_s / 2), rel=1e-3)
    assert table.arc_s[-1] == pytest.approx(table.carry_arc_s, rel=1e-9)
    assert table.carry_rpm == pytest.approx(ARC / 6 / table.carry_arc_s)
    assert np.all(np.diff(table.arc_s) > 0)
    assert np.all(np.diff(table.ratio) > 0)
    assert np.all(table.ratio >= 1.0)
    np.testing.assert_allclose(table.steady_delay_s, table.arc_s * (LEAD - ARC - START) / ARC)
    np.testing.assert_allclose(table.delay_s, table.steady_delay_s * table.ratio)


def test_straight_lines_between_points_are_late_not_early() -> None:
    coarse, fine = allowance(points=6), allowance(points=400)
    between = np.interp(fine.arc_s, coarse.arc_s, coarse.delay_s)
    inside = fine.arc_s >= coarse.arc_s[0]
    assert np.all(between[inside] >= fine.delay_s[inside] * (1.0 - 1e-9))
    assert np.all(between <= fine.delay_s * 1.05)


def test_heavier_wheel_needs_less() -> None:
    heavy = HandCrank(CRANK.cylinder, 4 * CRANK.inertia_kg_m2)
    slow = 0.9 * allowance().carry_arc_s
    light, solid = allowance(), allowance(heavy)
    assert np.interp(slow, solid.arc_s, solid.ratio) < np.interp(slow, light.arc_s, light.ratio)
    assert solid.carry_rpm == pytest.approx(light.carry_rpm / 2, rel=1e-6)


def test_two_cylinders_together_slow_as_half_the_wheel() -> None:
    both = HandCrank(CRANK.cylinder, CRANK.inertia_kg_m2, cylinders_together=2)
    half = HandCrank(CRANK.cylinder, CRANK.inertia_kg_m2 / 2)
    np.testing.assert_allclose(allowance(both).ratio, allowance(half).ratio)


def test_drag_makes_it_later() -> None:
    dragged = allowance(with_drag(CRANK, 0.2))
    slow = 0.9 * dragged.carry_arc_s
    plain = allowance()
    assert np.interp(slow, dragged.arc_s, dragged.ratio) > np.interp(slow, plain.arc_s, plain.ratio)


def test_spark_at_trail_edge_needs_no_delay() -> None:
    table = allowance(start_deg_btdc=LEAD - ARC)
    np.testing.assert_array_equal(table.delay_s, 0.0)
    np.testing.assert_array_equal(table.ratio, 1.0)


@pytest.mark.parametrize("start", [0.0, -3.0])
def test_start_at_or_after_top_is_bounded_at_the_guard(start: float) -> None:
    table = allowance(start_deg_btdc=start)
    assert table.target_deg_btdc == GUARD_DEG_BTDC
    assert np.all(np.isfinite(table.delay_s))
    assert np.all(table.delay_s >= table.steady_delay_s)


def test_magnet_that_leaves_too_late_is_refused() -> None:
    with pytest.raises(SparktickError, match=r"start_deg_btdc = 40.*at most 34"):
        allowance(start_deg_btdc=40.0)
    with pytest.raises(SparktickError, match="arc above 0"):
        allowance(arc_deg=0.0)


@pytest.mark.parametrize(("lead", "drag"), [(38.0, 0.0), (48.0, 0.2), (70.0, 0.0)])
def test_turn_before_a_stop_at_the_lead_edge(lead: float, drag: float) -> None:
    """Against the same crank turned by SciPy, from a turn before, until it stands."""
    crank = with_drag(CRANK, drag)
    need_j = float(work_from_lead_j(with_drag(crank, 0.0), 180.0, [lead])[0])
    need_j += drag * 2.0 * np.pi
    begin = np.sqrt(2.0 * need_j / crank.inertia_kg_m2)

    def rates(_: float, y: np.ndarray) -> list[float]:
        deg = np.array([min(y[0], 180.0) + 1e-4, min(y[0], 180.0) - 1e-4])
        gas = np.diff(work_from_lead_j(with_drag(crank, 0.0), 180.0, deg))[0] / np.radians(2e-4)
        torque = gas if y[0] < 180.0 else 0.0
        return [-np.degrees(y[1]), -(torque + drag) / crank.inertia_kg_m2]

    def stands(_: float, y: np.ndarray) -> float:
        return float(y[1]) - 1e-3 * begin

    stands.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(rates, (0.0, 2.0), [lead + 360.0, begin], events=stands, max_step=1e-3)
    assert found.y[0, -1] == pytest.approx(lead, abs=0.2)
    assert stopping_turn_rpm(crank, lead, 360.0) == pytest.approx(60.0 / found.t[-1], rel=0.01)
