"""If this fails, dwell, current or stored energy of the primary circuit are wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from sparktick.gen.coil import (
    PrimaryCircuit,
    cut_above_rpm,
    dwell_at_speed,
    event_period_s,
    reach,
)

CIRCUITS = {
    "no-saturation": PrimaryCircuit(1.5, 6e-3, 12.0, ballast_ohm=0.5, driver_drop_v=1.2),
    "usual": PrimaryCircuit(1.6, 4.2e-3, 12.0, driver_drop_v=1.4, saturation_a=7.0, coil_c=60.0),
    "deep": PrimaryCircuit(0.5, 4e-3, 12.0, saturation_a=2.5),
    "very-deep": PrimaryCircuit(0.3, 3e-3, 14.0, saturation_a=0.8, saturated_part=0.3),
}


@st.composite
def circuits(draw: st.DrawFn) -> PrimaryCircuit:
    """Any coil from a matchbox to a car's, on any supply, saturating or not."""
    return PrimaryCircuit(
        coil_ohm=draw(st.floats(0.2, 8.0)),
        inductance_h=draw(st.floats(3e-4, 2e-2)),
        supply_v=draw(st.floats(3.0, 30.0)),
        ballast_ohm=draw(st.floats(0.0, 4.0)),
        driver_drop_v=draw(st.floats(0.0, 2.0)),
        driver_ohm=draw(st.floats(0.0, 0.5)),
        battery_ohm=draw(st.floats(0.0, 2.0)),
        saturation_a=draw(st.one_of(st.just(np.inf), st.floats(0.5, 30.0))),
        saturated_part=draw(st.floats(0.05, 0.6)),
        coil_c=draw(st.floats(-20.0, 140.0)),
    )


PROPERTY = settings(max_examples=150, derandomize=True, deadline=None)


@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS.keys())
def test_against_ode_solver(circuit: PrimaryCircuit) -> None:
    """The equation of the circuit, solved with no use of our closed forms."""

    def charge(_t: float, y: np.ndarray) -> list[float]:
        volts = float(circuit.drive_v) - float(circuit.total_ohm) * y[0]
        x4 = (y[0] / circuit.saturation_a) ** 4
        part = circuit.saturated_part
        henry = circuit.inductance_h * (part + (1.0 - part) / (1.0 + x4))
        return [volts / henry, y[0], y[0] ** 2, y[0] * volts]

    at = np.array([1e-4, 1e-3, 3e-3, 8e-3])
    run = solve_ivp(charge, [0, at[-1]], [0.0] * 4, rtol=1e-10, atol=1e-14, t_eval=at)
    current = circuit.current_a(at)
    linear, square = circuit.charges(at, current)
    np.testing.assert_allclose(current, run.y[0], rtol=1e-7)
    np.testing.assert_allclose(linear, run.y[1], rtol=1e-7)
    np.testing.assert_allclose(square, run.y[2], rtol=1e-6)
    np.testing.assert_allclose(circuit.energy_j(current), run.y[3], rtol=1e-7)


@pytest.mark.parametrize("circuit", CIRCUITS.values(), ids=CIRCUITS.keys())
def test_inverses(circuit: PrimaryCircuit) -> None:
    current = np.linspace(0.01, 0.97, 40) * float(circuit.steady_a)
    dwell = circuit.dwell_for_current_s(current)
    np.testing.assert_allclose(circuit.current_a(dwell), current, rtol=1e-9)
    np.testing.assert_allclose(
        circuit.current_for_energy_a(circuit.energy_j(current)), current, rtol=1e-12
    )
    np.testing.assert_allclose(
        circuit.current_for_flux_a(circuit.flux_wb(current)), current, rtol=1e-12
    )


@PROPERTY
@given(circuits(), st.floats(1e-5, 0.1), st.floats(0.01, 5.0))
def test_more_ballast_is_never_more_current(
    circuit: PrimaryCircuit, dwell_s: float, more_ohm: float
) -> None:
    more = replace(circuit, ballast_ohm=circuit.ballast_ohm + more_ohm)
    assert more.steady_a <= circuit.steady_a
    assert more.current_a(dwell_s) <= circuit.current_a(dwell_s) * (1.0 + 1e-9)


@PROPERTY
@given(circuits(), st.floats(1e-5, 0.1))
def test_energy_is_never_more_than_the_supply_gave(circuit: PrimaryCircuit, dwell_s: float) -> None:
    time = np.linspace(0.0, dwell_s, 2001)
    current = circuit.current_a(time)
    assert np.all(np.isfinite(current))
    assert np.all(np.diff(current) >= -1e-9)
    given_j = float(circuit.supply_v) * np.trapezoid(current, time)  # knows no closed form
    stored = float(circuit.energy_j(current[-1]))
    heat = float(circuit.total_ohm) * np.trapezoid(current**2, time)
    assert stored <= given_j * (1.0 + 1e-4) + 1e-12
    # what went in is stored or heat, the driver's constant drop included
    drop = min(float(circuit.driver_drop_v), float(circuit.supply_v))
    taken = given_j - drop * np.trapezoid(current, time)
    assert stored + heat == pytest.approx(taken, rel=2e-3, abs=1e-9)


def test_current_at_or_above_steady_takes_for_ever() -> None:
    circuit = CIRCUITS["usual"]
    assert np.isinf(circuit.dwell_for_current_s(circuit.steady_a))
    assert np.isinf(circuit.dwell_for_current_s(2.0 * float(circuit.steady_a)))
    flat = circuit.with_supply(1.0)  # less than the driver's own drop
    assert float(flat.current_a(1.0)) == 0.0
    assert np.isinf(flat.dwell_for_current_s(0.1))


def test_fields_broadcast() -> None:
    circuit = replace(
        CIRCUITS["usual"],
        supply_v=np.array([9.0, 12.0, 14.0])[:, None],
        saturation_a=np.array([[7.0]]),
    )
    current = circuit.current_a(np.array([1e-3, 2e-3]))
    assert current.shape == (3, 2)
    one = replace(CIRCUITS["usual"], supply_v=14.0)
    np.testing.assert_allclose(current[2], one.current_a(np.array([1e-3, 2e-3])))


class TestReach:
    def test_within(self) -> None:
        found = reach(CIRCUITS["usual"], 4.0)
        assert found.ok
        assert not found.remedy
        assert float(CIRCUITS["usual"].current_a(found.dwell_s)) == pytest.approx(4.0)

    def test_ballast_named(self) -> None:
        circuit = PrimaryCircuit(1.5, 6e-3, 9.0, ballast_ohm=1.5)
        found = reach(circuit, 4.0)
        assert not found.ok
        assert found.reachable_a == pytest.approx(0.98 * 3.0)
        assert "lower the ballast to 0.705 ohm or less" in found.remedy
        assert reach(replace(circuit, ballast_ohm=0.7), 4.0).ok
        assert "raise the supply to 12.2 V" in found.remedy
        assert reach(circuit.with_supply(12.3), 4.0).ok

    def test_coil_named(self) -> None:
        circuit = PrimaryCircuit(3.5, 6e-3, 9.0)
        found = reach(circuit, 4.0)
        assert "choose a coil of 2.21 ohm" in found.remedy
        assert reach(replace(circuit, coil_ohm=2.2), 4.0).ok

    def test_time_too_short(self) -> None:
        found = reach(PrimaryCircuit(0.5, 6e-3, 9.0), 8.0, longest_dwell_s=2e-3)
        assert not found.ok
        assert "lower inductance" in found.remedy
        assert found.dwell_s == pytest.approx(2e-3)


def test_dwell_is_cut_only_where_it_does_not_fit() -> None:
    rpm = np.linspace(500, 12000, 200)
    fit = dwell_at_speed(CIRCUITS["usual"], rpm, 4e-3, min_off_s=2e-3)
    edge = cut_above_rpm(4e-3, 2e-3)
    assert edge == pytest.approx(10000.0)
    np.testing.assert_array_equal(fit.cut, rpm > edge)
    np.testing.assert_allclose(fit.dwell_s[~fit.cut], 4e-3)
    np.testing.assert_allclose(fit.period_s[fit.cut] - fit.dwell_s[fit.cut], 2e-3)
    assert np.all(np.diff(fit.energy_j) <= 1e-15)


def test_off_time_longer_than_the_turn_leaves_nothing() -> None:
    fit = dwell_at_speed(CIRCUITS["usual"], [60_000.0], 4e-3, min_off_s=2e-3)
    assert float(fit.energy_j[0]) == 0.0


@pytest.mark.parametrize(("per_turn", "ms"), [(1.0, 10.0), (0.5, 20.0), (2.0, 5.0)])
def test_event_period(per_turn: float, ms: float) -> None:
    assert float(event_period_s(6000.0, per_turn)) * 1e3 == pytest.approx(ms)
