"""If this fails, pulse trains do not follow from the crank's motion."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from sparktick.gen.errors import RunError
from sparktick.host_sim import train as motions
from sparktick.host_sim.manifest import Geometry
from sparktick.host_sim.run import Motion, Train
from sparktick.host_sim.train import LineDelay, make_train, train_blocks

ONE = Geometry(48.0, 14.0, 1, "crank")
TWO = Geometry(48.0, 14.0, 2, "crank")
CAM = Geometry(60.0, 20.0, 1, "cam")


@pytest.mark.parametrize(("geometry", "turns"), [(ONE, 1.0), (TWO, 0.5), (CAM, 2.0)])
def test_steady_edges(geometry: Geometry, turns: float) -> None:
    turn_s = 60.0 / 3000.0
    train = make_train(motions.steady(3000.0), geometry, 10.2 * turns * turn_s)
    k = np.arange(1, 11)
    lead_s = (k * turns - geometry.lead_edge_deg_btdc / 360.0) * turn_s
    np.testing.assert_allclose(train.edge_s[0::2], lead_s, rtol=0, atol=1e-14)
    np.testing.assert_allclose(
        train.edge_s[1::2], lead_s + geometry.arc_deg / 360.0 * turn_s, rtol=0, atol=1e-14
    )
    assert list(train.active) == [1, 0] * 10
    assert train.true_edge.all()


def test_edges_on_a_ramp_against_a_root_finder() -> None:
    """Angle by numerical integration of the speed, edge by Brent's method (SciPy)."""
    motion = motions.ramp(600.0, 4000.0, 3000.0, before_s=0.1)
    train = make_train(motion, ONE, 1.0)

    def rpm(t: float) -> float:
        return float(np.interp(t, [0.1, 0.1 + 3400.0 / 3000.0], [600.0, 4000.0]))

    def angle(t: float) -> float:
        return quad(lambda x: rpm(x) * 6.0, 0.0, t, points=[0.1], epsabs=1e-10)[0]

    for k in (1, 5, 17):
        edge = brentq(lambda t, k=k: angle(t) - (360.0 * k - 48.0), 0.0, 1.2, xtol=1e-13)
        assert train.edge_s[2 * (k - 1)] == pytest.approx(edge, abs=1e-10)


def test_profile_angle_is_the_integral_of_speed() -> None:
    t = [0.0, 0.5, 0.7, 2.0]
    rpm = [1000.0, 3000.0, 0.0, 500.0]
    motion = motions.profile(t, rpm, angle_deg=12.0)
    for at in (0.3, 0.6, 1.1, 2.5):
        knots = [x for x in t if 0.0 < x < at]
        turned = quad(lambda x: 6.0 * np.interp(x, t, rpm), 0.0, at, points=knots or None)[0]
        assert motion.angle_at(np.array([at]))[0] == pytest.approx(12.0 + turned, abs=1e-6)


def test_standstill_and_stop_make_no_edges_while_at_rest() -> None:
    start = make_train(motions.from_standstill(600.0, 2000.0, wait_s=0.4), ONE, 2.0)
    assert start.edge_s[0] > 0.4
    stop_motion = motions.to_standstill(600.0, 2000.0, before_s=0.5)
    stop = make_train(stop_motion, ONE, 5.0)
    assert stop.edge_s[-1] <= stop_motion.t_s[-1]
    rest = stop_motion.angle_at(np.array([5.0]))[0]
    inside = np.floor((rest + 48.0) / 360.0)
    assert np.count_nonzero(stop.active) == inside


def test_reversal_passes_the_magnet_the_other_way() -> None:
    """The crank swings up to 20 deg BTDC, past the magnet's begin, and back."""
    motion = motions.profile([0.0, 0.5], [120.0, -120.0], angle_deg=360.0 - 20.0 - 90.0)
    train = make_train(motion, ONE, 0.6)
    middle = motion.t_s[0] + 0.25
    assert list(train.active) == [1, 0, 1, 0]
    # up: arrives at 48, leaves at 34; back: arrives at 34, leaves at 48
    np.testing.assert_allclose(motion.angle_at(train.edge_s), [312.0, 326.0, 326.0, 312.0])
    np.testing.assert_allclose(train.edge_s[::-1], 2.0 * middle - train.edge_s, atol=1e-12)


def test_magnet_at_the_sensor_from_the_start() -> None:
    motion = motions.steady(600.0, angle_deg=-40.0)
    train = make_train(motion, ONE, 0.2)
    assert (train.edge_s[0], train.active[0]) == (0.0, 1)
    assert train.edge_s[1] == pytest.approx(6.0 / 3600.0)
    resting = make_train(motions.profile([0.0], [0.0], angle_deg=-40.0), ONE, 1.0)
    assert (list(resting.edge_s), list(resting.active)) == ([0.0], [1])


def test_line_delays_are_those_of_their_edge() -> None:
    plain = make_train(motions.steady(2000.0), ONE, 0.5)
    late = make_train(motions.steady(2000.0), ONE, 0.5, delay=LineDelay(3e-6, 7e-6))
    np.testing.assert_allclose(late.edge_s[0::2] - plain.edge_s[0::2], 3e-6, atol=1e-14)
    np.testing.assert_allclose(late.edge_s[1::2] - plain.edge_s[1::2], 7e-6, atol=1e-14)


@pytest.mark.parametrize("pulses", [1, 3, 10, 1000])
@pytest.mark.parametrize("angle_deg", [0.0, -40.0])
def test_blocks_join_to_the_whole_train(pulses: int, angle_deg: float) -> None:
    motion = motions.ramp(700.0, 5000.0, 4000.0, before_s=0.3, angle_deg=angle_deg)
    delay = LineDelay(3e-6, 4e-6)
    whole = make_train(motion, ONE, 2.0, delay=delay)
    blocks = list(train_blocks(motion, ONE, 2.0, delay=delay, pulses=pulses))
    assert sum(len(b.edge_s) for b in blocks) == len(whole.edge_s)
    np.testing.assert_allclose(np.concatenate([b.edge_s for b in blocks]), whole.edge_s, atol=1e-13)
    np.testing.assert_array_equal(np.concatenate([b.active for b in blocks]), whole.active)
    ends = [block.end_s for block in blocks]
    assert ends == sorted(ends) and ends[-1] == 2.0
    for block, begin in zip(blocks, [0.0, *ends], strict=False):
        assert np.all(block.edge_s >= begin) and np.all(block.edge_s < block.end_s)


def test_faults_are_named() -> None:
    with pytest.raises(RunError, match="does not fit"):
        make_train(motions.steady(1000.0), Geometry(48.0, 200.0, 2, "crank"), 1.0)
    with pytest.raises(RunError, match="increasing instants"):
        motions.profile([0.0, 0.0], [1.0, 2.0])
    with pytest.raises(RunError, match="reverse"):
        list(train_blocks(motions.profile([0.0, 1.0], [100.0, -100.0]), ONE, 1.0))


def test_motion_and_train_are_plain_values() -> None:
    motion = motions.steady(1000.0)
    assert isinstance(motion, Motion)
    assert isinstance(make_train(motion, ONE, 1.0), Train)
