"""If this fails, the plot that compares ways of switching the coil misleads."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.coil import PrimaryCircuit
from sparktick.gen.schemes import (
    at_plug_j,
    capacitor_discharge,
    constant_dwell,
    contact_points,
    fixed_rc,
    hall_direct,
)
from sparktick.gen.secondary import spark_burn

CIRCUIT = PrimaryCircuit(1.6, 4.2e-3, 12.0, saturation_a=7.0)
RPM = np.geomspace(300.0, 12000.0, 200)


def test_points_and_arc_lose_energy_with_speed() -> None:
    for curve in (contact_points(CIRCUIT, RPM, 240.0), hall_direct(CIRCUIT, RPM, 14.0)):
        assert np.all(np.diff(curve.energy_j) <= 0.0)
        np.testing.assert_allclose(curve.current_a, CIRCUIT.current_a(curve.dwell_s))
    np.testing.assert_allclose(hall_direct(CIRCUIT, [1000.0], 14.0).dwell_s, 14.0 / 6000.0)


def test_points_close_for_no_more_than_the_turn() -> None:
    np.testing.assert_allclose(contact_points(CIRCUIT, [3000.0], 999.0).dwell_s, 0.02)
    np.testing.assert_allclose(contact_points(CIRCUIT, [3000.0], 999.0, 0.5).dwell_s, 0.04)


def test_constant_dwell_holds_until_it_is_cut() -> None:
    curve = constant_dwell(CIRCUIT, RPM, 4e-3, min_off_s=1e-3)
    fits = RPM <= 12000.0 * (1 - 1e-12)
    np.testing.assert_allclose(curve.energy_j[fits], curve.energy_j[0])
    shorter = constant_dwell(CIRCUIT, RPM, 6e-3, min_off_s=2e-3)
    assert shorter.energy_j[-1] < shorter.energy_j[0]


@pytest.mark.parametrize(("rpm", "every"), [(11999.0, 1), (12001.0, 2), (24001.0, 3)])
def test_one_shot_skips_sparks(rpm: float, every: int) -> None:
    curve = fixed_rc(CIRCUIT, [rpm], 4e-3, recovery_s=1e-3)
    whole = CIRCUIT.energy_j(CIRCUIT.current_a(4e-3))
    assert float(curve.energy_j[0]) == pytest.approx(float(whole) / every)


def test_capacitor_store_is_full_until_there_is_no_time() -> None:
    curve = capacitor_discharge(np.array([1000.0, 20000.0, 40000.0]), 1e-6, 300.0, 3e-3)
    np.testing.assert_allclose(curve.energy_j, [0.045, 0.045, 0.0225])


def test_no_scheme_gives_more_than_an_endless_charge() -> None:
    most = float(CIRCUIT.energy_j(CIRCUIT.steady_a))
    curves = [
        contact_points(CIRCUIT, RPM, 240.0),
        hall_direct(CIRCUIT, RPM, 14.0),
        fixed_rc(CIRCUIT, RPM, 4e-3, recovery_s=1e-3),
        constant_dwell(CIRCUIT, RPM, 4e-3, min_off_s=1e-3),
    ]
    assert len({c.name for c in curves}) == 4
    for curve in curves:
        assert np.all((curve.energy_j >= 0.0) & (curve.energy_j <= most))


def test_energy_at_the_plug_is_never_more_than_stored() -> None:
    for curve in (
        contact_points(CIRCUIT, RPM, 240.0),
        constant_dwell(CIRCUIT, RPM, 4e-3, min_off_s=1e-3),
        fixed_rc(CIRCUIT, RPM, 4e-3, recovery_s=1e-3),
        capacitor_discharge(RPM, 1e-6, 300.0, 3e-3),
    ):
        burn = spark_burn(curve.energy_j, curve.current_a, turns_ratio=85.0, series_ohm=13e3)
        plug = at_plug_j(curve, burn.gap_j)
        assert np.all(plug > 0.0)
        assert np.all(plug < curve.energy_j)
