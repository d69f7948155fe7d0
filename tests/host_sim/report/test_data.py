"""If this fails: the report's numbers are not those of the engine, its circuit or its start."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sparktick.gen.design import hand_crank_of
from sparktick.gen.hand_start import HandCrank
from sparktick.gen.plan import geometry_of
from sparktick.host_sim.report import data as report_data
from sparktick.host_sim.report.data import Description, ReportData, gather, speed_point
from sparktick.host_sim.report.turn import Turn


def turn(data: ReportData, name: str) -> Turn:
    return next(one for one in data.turns if one.name == name)


def test_delays_add_up_to_what_the_plan_takes_back(data: ReportData) -> None:
    assert data.description is not None
    plan = data.description.plan
    fixed_us = geometry_of(data.description.design).fixed_ticks / plan.tick_hz * 1e6
    assert sum(delay.us for delay in data.delays) == pytest.approx(fixed_us, abs=1e-9)


def test_delays_of_a_folder_add_up_to_the_same(data: ReportData, bare: ReportData) -> None:
    assert sum(d.us for d in bare.delays) == pytest.approx(sum(d.us for d in data.delays))


def test_delay_in_degrees() -> None:
    # A turn at 6000 rpm takes 10 ms, so 1 ms is 36 degrees.
    assert report_data.delays_of.__module__.endswith("delays")
    from sparktick.host_sim.report.delays import Delay

    assert Delay("", 1000.0, "").deg(6000.0) == pytest.approx(36.0)


@pytest.mark.parametrize(("name", "deg"), [("idle", 9.0), ("top speed", 30.0)])
def test_a_turn_shows_the_spark_where_the_curve_wants_it(
    data: ReportData, name: str, deg: float
) -> None:
    # examples/plover.toml: 9 deg at 1100 rpm (6 at 700, 12 at 1500), 30 from 6000 rpm.
    one = turn(data, name)
    assert one.sparks[-1][0] == pytest.approx(deg, abs=0.03)
    begin, end = one.output[-1]
    assert (begin - end) / (6.0 * one.rpm) == pytest.approx(data.manifest.dwell_us * 1e-6, rel=1e-3)
    # Output delay 4 us: the pin goes off that much before the spark.
    assert end - one.sparks[-1][0] == pytest.approx(4e-6 * 6.0 * one.rpm)


@pytest.mark.parametrize("name", ["idle", "top speed"])
def test_a_turn_shows_pickup_and_gate(data: ReportData, name: str) -> None:
    # Magnet from 48 to 14 deg; the pin is later by 2.9 and 4.2 us.
    one = turn(data, name)
    assert one.pickup[-1] == pytest.approx((48.0, 14.0), abs=0.25)
    opens, closes = one.gate[-1]
    assert closes == pytest.approx(one.pickup[-1][0], abs=1e-9)
    assert closes + 5.0 < opens < 360.0


def test_the_gate_is_wider_where_a_turn_takes_longer(data: ReportData) -> None:
    idle, top = (turn(data, name).gate[-1] for name in ("idle", "top speed"))
    assert idle[0] - idle[1] > 2.0 * (top[0] - top[1])


def test_coil_current_obeys_the_circuits_differential_equation(data: ReportData) -> None:
    """The drawn current against an integration of V = R i + L(i) di/dt step by step."""
    assert data.description is not None
    circuit = data.description.design.circuit
    assert circuit is not None
    one = turn(data, "top speed")
    drawn = one.currents[-1]
    time_s = (drawn.deg_btdc[0] - drawn.deg_btdc) / (6.0 * one.rpm)
    solved = solve_ivp(
        lambda _, i: (circuit.drive_v - circuit.total_ohm * i) / circuit.inductance_at_h(i),
        (0.0, time_s[-1]),
        [0.0],
        t_eval=time_s,
        rtol=1e-9,
        atol=1e-9,
    )
    assert np.allclose(drawn.current_a, solved.y[0], atol=1e-5)
    assert drawn.current_a[-1] == pytest.approx(4.5, rel=2e-3)  # spark_current_a


def spark_of_slowed_crank(crank: HandCrank, data: ReportData, arc_rpm: float) -> float:
    """Angle of the spark of a crank without push, by solving its equation of motion.

    The lead-edge speed is searched for that gives the mean speed over the arc.
    """
    from scipy.optimize import brentq

    from sparktick.gen.hand_start import work_from_lead_j

    geometry = data.manifest.geometry
    lead, arc = geometry.lead_edge_deg_btdc, geometry.arc_deg

    def decel(deg: float) -> float:
        step = 1e-4
        work = work_from_lead_j(crank, lead, np.array([deg + step, deg - step]))
        return float(work[1] - work[0]) / np.radians(2 * step) / crank.inertia_kg_m2

    def course(speed: float, until_s: float) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
        def motion(_: float, y: np.ndarray) -> list[float]:  # type: ignore[type-arg]
            return [y[1], -decel(lead - np.degrees(y[0]))]

        solved = solve_ivp(motion, (0, until_s), [0.0, speed], rtol=1e-9, atol=1e-10, max_step=1e-3)
        return solved.t, lead - np.degrees(solved.y[0])

    arc_s = arc / (6.0 * arc_rpm)

    def off(speed: float) -> float:
        return float(course(speed, arc_s)[1][-1] - (lead - arc))

    mean = np.radians(6.0 * arc_rpm)
    speed = brentq(off, mean, 2.0 * mean, xtol=1e-6)
    steady = float(np.interp(arc_rpm, *np.array(data.manifest.start.steady).T))
    delay_s = (lead - arc - steady) / (6.0 * arc_rpm)
    return float(course(speed, arc_s + delay_s)[1][-1])


@pytest.mark.parametrize("place", [2, 6, 10])
def test_slowed_sparks_against_the_equation_of_motion(
    data: ReportData, described: Description, place: int
) -> None:
    assert data.slowed is not None
    rpm, deg = data.slowed.arc_rpm[place], data.slowed.deg_btdc[place]
    crank = hand_crank_of(described.engine)
    assert spark_of_slowed_crank(crank, data, float(rpm)) == pytest.approx(deg, abs=0.05)


def test_no_start_spark_is_before_the_start_advance(data: ReportData) -> None:
    assert data.slowed is not None
    assert data.slowed.deg_btdc.max() <= data.manifest.start.deg_btdc + 0.05
    assert max(point.angle_deg for point in data.start) <= data.manifest.start.deg_btdc


def test_a_drill_that_lets_go_is_allowed_for(teal: ReportData) -> None:
    assert teal.slowed is not None
    assert teal.slowed.deg_btdc.max() <= 6.0 + 0.05
    assert max(point.angle_deg for point in teal.start) <= 6.0


def test_nothing_sparks_below_the_floor(data: ReportData, teal: ReportData) -> None:
    for run in (*data.below_floor, *teal.below_floor):
        assert run.pulses > 20
        assert run.sparks == 0


def test_the_sweep_covers_start_to_limit(data: ReportData) -> None:
    speeds = [point.rpm for point in data.host]
    assert len(speeds) > 40
    assert any(point.starting for point in data.host)
    assert speeds[-1] > data.manifest.top_rpm
    for point in data.host:
        assert point.sparks > 0.98 * point.pulses
        assert abs(point.worst_deg) <= point.allowed_deg
        assert point.dwell_min_us <= point.dwell_max_us


def test_a_run_without_sparks_has_no_point(data: ReportData) -> None:
    host = report_data._Host(data.manifest.folder, data.manifest, 1, data.level)
    stopped = host.steady(0.5 * data.manifest.start.floor_rpm, 20)
    assert speed_point(100.0, stopped.measurement) is None


def test_the_same_seed_gives_the_same_noise(firmware: object, data: ReportData) -> None:
    again, other = (gather(data.manifest.folder, emulators=(), seed=seed) for seed in (1, 2))

    def instants(found: ReportData) -> list[bytes]:
        return [result.run.coil_s.tobytes() for result in found.noisy]

    assert instants(again) == instants(data)
    assert instants(other) != instants(data)
