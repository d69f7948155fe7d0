"""If this fails, coil current, dwell, energy or copper resistance contradict published values."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.coil import PrimaryCircuit, event_period_s
from sparktick.gen.secondary import capacitor_energy_j

# 12 V, 1.5 ohm, 6 mH: closed form and an ngspice run agree to six digits (run)
COIL = PrimaryCircuit(coil_ohm=1.5, inductance_h=6e-3, supply_v=12.0)


@pytest.mark.parametrize(
    ("dwell_ms", "current_a", "energy_mj"),
    [(1.0, 1.76959, 9.394), (2.0, 3.14775, 29.725), (4.0, 5.05696, 76.719)],
)
def test_current_and_energy(dwell_ms: float, current_a: float, energy_mj: float) -> None:
    current = COIL.current_a(dwell_ms * 1e-3)
    assert current == pytest.approx(current_a, rel=3e-6)
    assert COIL.energy_j(current) * 1e3 == pytest.approx(energy_mj, abs=6e-4)


def test_time_to_six_ampere() -> None:
    # closed form (run)
    assert float(COIL.dwell_for_current_s(6.0)) == pytest.approx(5.5452e-3, rel=1e-5)


def test_one_time_constant_is_63_percent() -> None:
    # textbook (memory)
    assert float(COIL.current_a(6e-3 / 1.5) / COIL.steady_a) == pytest.approx(0.6321, abs=5e-5)


def test_copper_at_80_c() -> None:
    # 0.00393 /K at 20 C (read in a resistance-meter manual); the factor recomputed (run)
    assert float(COIL.at_temperature(80.0).hot_coil_ohm) == pytest.approx(1.5 * 1.2358, rel=1e-4)


@pytest.mark.parametrize(("crank_rpm", "closed_ms"), [(3000.0, 6.67), (6000.0, 3.33)])
def test_points_of_a_four_cylinder(crank_rpm: float, closed_ms: float) -> None:
    # 60 of 90 cam degrees (memory), times recomputed; 2 sparks a crank turn
    closed = event_period_s(crank_rpm, 2.0) * 60.0 / 90.0
    assert closed * 1e3 == pytest.approx(closed_ms, abs=0.005)


@pytest.mark.parametrize(("volts", "energy_mj"), [(300.0, 45.0), (400.0, 80.0)])
def test_capacitor_store(volts: float, energy_mj: float) -> None:
    # 1 uF by definition (run)
    assert capacitor_energy_j(1e-6, volts, 0.1, 3e-3) * 1e3 == pytest.approx(energy_mj)


def test_worked_spice_circuit() -> None:
    # 12 V, 3.5 + 0.25 ohm, 8 mH, 5 ms: closed form 2.892905 A, ngspice 2.892833 A (run)
    coil = PrimaryCircuit(coil_ohm=3.5, driver_ohm=0.25, inductance_h=8e-3, supply_v=12.0)
    assert float(coil.current_a(5e-3)) == pytest.approx(2.892905, rel=1e-6)
    assert np.isfinite(coil.dwell_for_current_s(2.892833))
