"""If this fails, gas torque and compression work no longer agree with each other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from sparktick.gen.slider_crank import (
    ATMOSPHERE_PA,
    Cylinder,
    compression_work_j,
    gas_torque_nm,
    piston_travel_m,
    pressure_pa,
    travel_per_radian_m,
    volume_m3,
)

PLOVER = Cylinder(0.033, 0.029, 0.058, 7.5)
PORTED = Cylinder(0.030, 0.028, 0.055, 9.0, closed_deg_btdc=105.0)


@pytest.mark.parametrize("cylinder", [PLOVER, PORTED], ids=["from-bottom", "ported"])
@pytest.mark.parametrize(("start", "end"), [(-180.0, 0.0), (-48.0, -4.0), (-150.0, -20.0)])
def test_work_is_the_integral_of_torque(cylinder: Cylinder, start: float, end: float) -> None:
    torque = quad(
        lambda t: float(gas_torque_nm(cylinder, np.degrees(t), 1.32)),
        np.radians(start),
        np.radians(end),
        epsabs=1e-12,
        points=[-np.radians(cylinder.closed_deg_btdc)],
    )[0]
    work = float(compression_work_j(cylinder, start, end, 1.32))
    assert work == pytest.approx(-torque, rel=1e-8, abs=1e-11)


def test_travel_slope() -> None:
    angle = np.linspace(-179.0, 179.0, 359)
    step = np.degrees(1e-5)
    rise = piston_travel_m(PLOVER, angle + step) - piston_travel_m(PLOVER, angle - step)
    np.testing.assert_allclose(travel_per_radian_m(PLOVER, angle), rise / 2e-5, atol=1e-9)


def test_bottom_volume_is_clearance_times_ratio() -> None:
    assert float(volume_m3(PLOVER, 180.0) / PLOVER.clearance_m3) == pytest.approx(7.5)


def test_open_cylinder_is_atmospheric() -> None:
    assert float(pressure_pa(PORTED, -150.0)) == ATMOSPHERE_PA
    assert float(gas_torque_nm(PORTED, -150.0)) == 0.0
    assert float(compression_work_j(PORTED, -180.0, -106.0)) == pytest.approx(0.0, abs=1e-15)


def test_closing_later_takes_less_work() -> None:
    from_bottom = Cylinder(0.030, 0.028, 0.055, 9.0)
    assert compression_work_j(PORTED, -180, 0) < compression_work_j(from_bottom, -180, 0)


def test_work_comes_back_past_top() -> None:
    there = compression_work_j(PLOVER, -60.0, 0.0)
    back = compression_work_j(PLOVER, 0.0, 60.0)
    assert float(there) == pytest.approx(-float(back))
