"""If this fails, the arc of a magnet or the gap it works at is wrong."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.magnet import (
    Magnet,
    axial_field_t,
    field_t,
    least_field_margin,
    passing_field_t,
    sensor_pulse,
    widest_gap_m,
)

SMALL = Magnet(0.006, 0.003, 1.2)


def test_axis_agrees_with_the_general_field() -> None:
    z = np.linspace(0.2e-3, 0.03, 50)
    axial, radial = field_t(SMALL, z, 0.0)
    np.testing.assert_allclose(axial, axial_field_t(SMALL, z), rtol=1e-12)
    np.testing.assert_allclose(radial, 0.0, atol=1e-15)


@pytest.mark.parametrize("mounting", ["rim", "face"])
def test_pulse_edges_lie_on_the_thresholds(mounting: str) -> None:
    pulse = sensor_pulse(SMALL, 2e-3, 0.03, operate_t=0.010, release_t=0.007, mounting=mounting)
    at = passing_field_t(SMALL, 2e-3, 0.03, [pulse.on_deg, -pulse.off_deg], mounting)
    np.testing.assert_allclose(at, [0.010, 0.007], atol=1e-6)
    assert pulse.off_deg > pulse.on_deg
    assert pulse.arc_deg == pytest.approx(pulse.on_deg + pulse.off_deg)


def test_arc_grows_as_the_orbit_shrinks() -> None:
    arcs = [
        sensor_pulse(SMALL, 2e-3, orbit, operate_t=0.01, release_t=0.007).arc_deg
        for orbit in (0.06, 0.04, 0.02)
    ]
    assert arcs == sorted(arcs)
    # on a large wheel the arc is a length: twice the radius, half the degrees
    big = [
        sensor_pulse(SMALL, 2e-3, orbit, operate_t=0.01, release_t=0.007).arc_deg
        for orbit in (0.5, 1.0)
    ]
    assert big[0] / big[1] == pytest.approx(2.0, rel=0.01)


def test_too_wide_a_gap_gives_no_pulse() -> None:
    widest = widest_gap_m(SMALL, 0.010)
    assert least_field_margin(SMALL, widest, 0.010) == pytest.approx(1.0)
    assert sensor_pulse(SMALL, widest * 0.99, 0.03, operate_t=0.01, release_t=0.007).arc_deg
    far = sensor_pulse(SMALL, widest * 1.01, 0.03, operate_t=0.01, release_t=0.007)
    assert far.on_deg is None
    assert far.arc_deg is None
    assert widest_gap_m(SMALL, 2.0) is None


def test_latching_sensor_needs_another_magnet() -> None:
    pulse = sensor_pulse(SMALL, 3e-3, 0.03, operate_t=0.006, release_t=-0.02)
    assert pulse.on_deg is not None
    assert pulse.off_deg is None
