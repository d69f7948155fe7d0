"""If this fails, piston travel, cylinder volume or compression contradict published values."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.slider_crank import (
    Cylinder,
    compression_work_j,
    flywheel_inertia_kg_m2,
    piston_travel_m,
    pressure_pa,
    temperature_k,
    volume_m3,
)

# r 10 mm, l 35 mm, ratio 8
SMALL = Cylinder(bore_m=0.02, stroke_m=0.02, rod_m=0.035, compression_ratio=8.0)


def test_piston_travel() -> None:
    # geometry, closed form (run)
    at = [10.0, 30.0, 60.0, 90.0, 120.0, 180.0]
    travel_mm = [0.195026, 1.698730, 6.088350, 11.458980, 16.088350, 20.0]
    np.testing.assert_allclose(piston_travel_m(SMALL, at) * 1e3, travel_mm, atol=1e-6)
    np.testing.assert_allclose(piston_travel_m(SMALL, -np.array(at)) * 1e3, travel_mm, atol=1e-6)


def test_volume_ratio() -> None:
    # Heywood eq. 2.6, ratio 8, l/r 3.5 (run)
    ratio = volume_m3(SMALL, [10.0, 30.0, 90.0, 180.0]) / SMALL.clearance_m3
    np.testing.assert_allclose(ratio, [1.06826, 1.59456, 5.01064, 8.0], atol=6e-6)


@pytest.mark.parametrize(("n", "ratio"), [(1.3, 14.93), (1.35, 16.56)])
def test_polytropic_pressure(n: float, ratio: float) -> None:
    # exponent 1.3 to 1.35: Heywood 9.2 (memory); powers recomputed
    assert float(pressure_pa(SMALL, 0.0, n, 1e5)) / 1e5 == pytest.approx(ratio, abs=0.005)


def test_isentropic_air_brackets() -> None:
    # real air from 300 K, 1 atm: 18.144 and 675.57 K (CoolProp 8.0), 17.880 and 670.51 K
    # (cantera, gri30) (run).  A constant 1.40 bounds both from above, 1.38 from below.
    assert pressure_pa(SMALL, 0.0, 1.38, 1.0) < 17.880
    assert pressure_pa(SMALL, 0.0, 1.40, 1.0) > 18.144
    assert temperature_k(SMALL, 0.0, 1.38, 300.0) < 670.51
    assert temperature_k(SMALL, 0.0, 1.40, 300.0) > 675.57


def test_flywheel_energy() -> None:
    # I 2.25, 300 to 280 rpm gives 143 J (read); 143.11 recomputed.  2.25 = m D^2 / 8.
    inertia = flywheel_inertia_kg_m2(18.0, 1.0)
    assert inertia == pytest.approx(2.25)
    fast, slow = np.array([300.0, 280.0]) * np.pi / 30.0
    assert 0.5 * inertia * (fast**2 - slow**2) == pytest.approx(143.11, abs=0.005)


def test_compression_work_of_isothermal_gas() -> None:
    # p V ln(ratio) by definition; the crankcase returns p_atm times the swept volume
    work = compression_work_j(SMALL, -180.0, 0.0, n=1.0, closed_pa=1e5, crankcase_pa=1e5)
    bottom_m3 = SMALL.swept_m3 + SMALL.clearance_m3
    expected = 1e5 * bottom_m3 * np.log(8.0) - 1e5 * SMALL.swept_m3
    assert float(work) == pytest.approx(expected, rel=1e-12)
