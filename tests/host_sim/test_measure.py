"""If this fails, sparks are not turned into the right crank degrees, or not into the right verdict.

Runs are made up here spark by spark from the angle wanted, so that measuring must give it back.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sparktick.host_sim.bench import HostRun
from sparktick.host_sim.emulate import cut_first
from sparktick.host_sim.manifest import Geometry, Manifest, Start
from sparktick.host_sim.measure import (
    RULE_RUN,
    RULE_START,
    Measurement,
    allowed,
    compare_runs,
    measure,
)
from sparktick.host_sim.run import Motion, Run, Train
from sparktick.host_sim.train import pickup_train, profile, ramp, steady
from sparktick.host_sim.verdict import Limits, Verdict, judge, speed_range_rpm

MANIFEST = Manifest(
    folder=Path("made-up"),
    name="made up",
    f_cpu_hz=16e6,
    tick_hz=2e6,
    geometry=Geometry(48.0, 14.0, 1, "crank"),
    start=Start(700.0, 658.0, 4.0, 200.0, "before-trail", ((200.0, 4.0), (700.0, 4.0))),
    curve=((700.0, 6.0), (1500.0, 12.0), (3500.0, 24.0), (6000.0, 30.0)),
    dwell_us=2000.0,
    hard_limit_us=6000.0,
    off_min_us=500.0,
    limit_rpm=9000.0,
    resume_rpm=8800.0,
    predictor="trend",
    table_bound_deg=0.002,
    sensor_delay_us=30.0,
    output_delay_us=50.0,
    capture_delay_cycles=7.0,
    lock_intervals=2,
    greatest_advance_deg=30.0,
    watchdog_us=16000.0,
    trail_delay_us=40.0,
    capture_filter_cycles=4,
    spark_on_rise=False,
    top_rpm=8000.0,
    accel_rpm_per_s=8000.0,
)


def run_of(motion: Motion, spark_deg: np.ndarray, manifest: Manifest = MANIFEST) -> Run:
    """Return a run whose sparks come at given cumulative angles, after 2 ms of dwell."""
    off_s = motion.time_at(spark_deg) - manifest.output_delay_us * 1e-6
    coil_s = np.stack((off_s - manifest.dwell_us * 1e-6, off_s), axis=1).ravel()
    on = np.tile(np.array([1, 0], np.uint8), len(off_s))
    return Run("made up", manifest.tick_hz, 0.0, coil_s, on, np.zeros(len(on), np.uint8))


def sparks_at(btdc: np.ndarray, first: int = 3) -> np.ndarray:
    return 360.0 * np.arange(first, first + len(btdc)) - btdc


def measured(
    rpm: float, btdc: np.ndarray, manifest: Manifest = MANIFEST
) -> tuple[Measurement, Run, Train]:
    motion = steady(rpm)
    train = pickup_train(motion, manifest, (len(btdc) + 2.7) * 60.0 / rpm)
    run = run_of(motion, sparks_at(btdc), manifest)
    return measure(run, train, manifest), run, train


def verdict_of(
    rpm: float, btdc: np.ndarray, manifest: Manifest = MANIFEST, limits: Limits | None = None
) -> Verdict:
    m, run, train = measured(rpm, btdc, manifest)
    return judge(m, run, train, manifest, limits)


def test_both_delays_are_taken_into_account_once() -> None:
    wanted = 24.0 + np.array([-0.5, 0.0, 0.25, 1.0])
    m, _, train = measured(3500.0, wanted)
    np.testing.assert_allclose(m.angle_deg_btdc, wanted, atol=1e-8)
    np.testing.assert_allclose(m.error_deg, wanted - 24.0, atol=1e-8)
    # 3500 rpm turns 21 deg in a millisecond: 0.0105 deg a tick of 0.5 us
    np.testing.assert_allclose(m.error_ticks, (wanted - 24.0) / 0.0105, atol=1e-5)
    np.testing.assert_array_equal(m.pulses.index, np.arange(1, len(m.pulses.index) + 1))
    assert train.motion.angle_at(train.edge_s[:1] - 30e-6)[0] == pytest.approx(312.0)


@pytest.mark.parametrize(
    ("geometry", "spacing"),
    [
        (Geometry(48.0, 14.0, 2, "crank"), 180.0),
        (Geometry(60.0, 20.0, 1, "cam"), 720.0),
        (Geometry(60.0, 20.0, 2, "cam"), 360.0),
    ],
)
def test_angle_counts_from_the_nearest_firing_centre(geometry: Geometry, spacing: float) -> None:
    manifest = replace(MANIFEST, geometry=geometry)
    motion = steady(3500.0)
    train = pickup_train(motion, manifest, 0.5)
    run = run_of(motion, spacing * np.arange(3, 8) - 23.0, manifest)
    m = measure(run, train, manifest)
    np.testing.assert_allclose(m.angle_deg_btdc, 23.0, atol=1e-8)
    assert list(m.pulses.index[m.pulse]) == [3, 4, 5, 6, 7]


def test_wanted_is_the_curve_at_the_speed_of_the_spark() -> None:
    motion = ramp(1500.0, 3500.0, 4000.0, before_s=0.2)
    train = pickup_train(motion, MANIFEST, 0.8)
    run = run_of(motion, sparks_at(np.full(12, 15.0)))
    m = measure(run, train, MANIFEST)
    t = motion.time_at(sparks_at(np.full(12, 15.0)))
    rpm = np.interp(t, [0.2, 0.7], [1500.0, 3500.0])
    np.testing.assert_allclose(m.wanted_deg, 12.0 + (rpm - 1500.0) * 12.0 / 2000.0, atol=1e-6)


def test_start_sparks_are_judged_by_the_start_advance() -> None:
    m, _, _ = measured(400.0, np.full(5, 4.0))
    assert set(m.rule) == {RULE_START}
    np.testing.assert_allclose(m.wanted_deg, 4.0)
    m, _, _ = measured(800.0, np.full(5, 6.75))
    assert set(m.rule) == {RULE_RUN}


def test_rule_has_the_hysteresis_of_the_plan() -> None:
    """Slowing from 900 rpm, 680 rpm is still judged by the curve; speeding up, by the start."""
    down = profile([0.0, 2.0, 2.6, 5.0], [900.0, 900.0, 680.0, 680.0])
    up = profile([0.0, 2.0, 2.6, 5.0], [500.0, 500.0, 680.0, 680.0])
    for motion, rule in ((down, RULE_RUN), (up, RULE_START)):
        train = pickup_train(motion, MANIFEST, 5.0)
        first = int(motion.angle_at(np.array([3.5]))[0] // 360) + 1
        wanted = 5.85 if rule == RULE_RUN else 4.0
        # within the hysteresis the nearer of the two rules counts
        m = measure(run_of(motion, sparks_at(np.full(5, wanted), first)), train, MANIFEST)
        assert set(m.rule) == {rule}


def test_allowed_error_by_hand() -> None:
    """3500 rpm, 24 deg BTDC: 24 deg of delay after an edge at 48 deg."""
    found = allowed(MANIFEST, np.array([RULE_RUN]), np.array([24.0]), np.array([3500.0]))
    assert found[0] == pytest.approx((1.1 + 24.0 / 360.0) * 0.0105 + 0.002)
    # 500 rpm: 30 deg of delay from an arc of 14 deg, whose edges come 10 us apart in delay
    found = allowed(MANIFEST, np.array([RULE_START]), np.array([4.0]), np.array([500.0]))
    assert found[0] == pytest.approx((1.1 + 30.0 / 14.0 * (1.0 + 20.0)) * 0.0015 + 0.002)


def test_missed_and_stray_sparks_are_counted() -> None:
    motion = steady(3000.0)
    train = pickup_train(motion, MANIFEST, 0.5)
    deg = sparks_at(np.full(20, 21.0))
    run = run_of(motion, np.delete(deg, [4, 5, 11]))
    m = measure(run, train, MANIFEST)
    missed = m.pulses.index[m.missed]
    assert list(missed) == [7, 8, 14, 23, 24]  # the train has two pulses more at its end
    doubled = np.sort(np.append(deg, deg[3] + 100.0))
    m = measure(run_of(motion, doubled), train, MANIFEST)
    assert list(m.stray) == [4]


def test_sparks_are_not_asked_for_above_the_limit_or_below_the_floor() -> None:
    for rpm in (9500.0, 150.0):
        motion = steady(rpm)
        train = pickup_train(motion, MANIFEST, 20 * 60.0 / rpm)
        empty = Run("made up", 2e6, 0.0, np.zeros(0), np.zeros(0, np.uint8), np.zeros(0, np.uint8))
        m = measure(empty, train, MANIFEST)
        assert len(m.missed) == 0
        assert judge(m, empty, train, MANIFEST).passed


def test_spark_on_the_rising_edge() -> None:
    """A capacitor-discharge trigger fires when the output goes on."""
    manifest = replace(MANIFEST, spark_on_rise=True, dwell_us=100.0)
    motion = steady(3500.0)
    train = pickup_train(motion, manifest, 0.3)
    on_s = motion.time_at(sparks_at(np.full(6, 24.0))) - 50e-6
    coil_s = np.stack((on_s, on_s + 100e-6), axis=1).ravel()
    on = np.tile(np.array([1, 0], np.uint8), 6)
    m = measure(Run("x", 2e6, 0.0, coil_s, on, np.zeros(12, np.uint8)), train, manifest)
    np.testing.assert_allclose(m.angle_deg_btdc, 24.0, atol=1e-8)
    np.testing.assert_allclose(m.dwell_us, 100.0)


def test_first_spark_and_lock() -> None:
    motion = steady(3500.0)
    train = pickup_train(motion, MANIFEST, 0.3)
    m = measure(run_of(motion, sparks_at(np.full(6, 24.0), first=5)), train, MANIFEST)
    assert m.first_spark_pulse == 5
    assert not judge(m, run_of(motion, sparks_at(np.full(6, 24.0), 5)), train, MANIFEST)[
        "first_spark_pulse"
    ].passed


@pytest.mark.parametrize(("ticks", "kept"), [(0.0, True), (1.2, True), (-1.2, True), (1.5, False)])
def test_steady_bar_is_the_allowed_error(ticks: float, kept: bool) -> None:
    """Allowed at 3500 rpm: 1.167 ticks and 0.002 deg, together 1.357 ticks."""
    wanted = np.full(12, 24.0)
    wanted[6] += ticks * 0.0105
    verdict = verdict_of(3500.0, wanted)
    assert verdict["timing_steady"].passed is kept
    assert verdict.passed is kept
    if not kept:
        assert [check.name for check in verdict.failures] == ["timing_steady"]


def test_changing_speed_widens_the_bar_by_what_the_speed_has_changed() -> None:
    motion = ramp(3000.0, 5000.0, 6000.0, before_s=0.3)
    train = pickup_train(motion, MANIFEST, 0.6)
    deg = sparks_at(np.full(20, 0.0))
    rpm = motion.speed_at(motion.time_at(deg)) / 6.0
    on_curve = deg - np.interp(rpm, *zip(*MANIFEST.curve, strict=True))
    late = run_of(motion, on_curve + 0.5)
    m = measure(late, train, MANIFEST)
    verdict = judge(m, late, train, MANIFEST)
    assert not verdict["timing_steady"].passed  # half a degree is too much before the ramp
    assert verdict["timing_changing"].passed
    far = run_of(motion, on_curve + 6.0)
    assert not judge(measure(far, train, MANIFEST), far, train, MANIFEST)["timing_changing"].passed


def test_start_spark_before_the_start_advance_fails() -> None:
    assert verdict_of(400.0, np.full(8, 4.0))["start_advance"].passed
    early = verdict_of(400.0, np.full(8, 4.3))
    assert not early["start_advance"].passed


def test_spark_beyond_the_greatest_advance_fails() -> None:
    wanted = np.full(12, 30.0)
    wanted[7] = 31.0
    assert not verdict_of(6500.0, wanted)["greatest_advance"].passed


def test_dwell_and_hard_limit() -> None:
    m, run, train = measured(3500.0, np.full(12, 24.0))
    assert judge(m, run, train, MANIFEST)["dwell_steady"].passed
    short = replace(run, coil_s=run.coil_s.copy())
    short.coil_s[16] += 100e-6  # one charge 5 % shorter
    m = measure(short, train, MANIFEST)
    assert not judge(m, short, train, MANIFEST)["dwell_steady"].passed
    long = replace(run, coil_s=run.coil_s.copy())
    long.coil_s[16] -= 4100e-6
    assert not judge(measure(long, train, MANIFEST), long, train, MANIFEST)["on_time"].passed


def test_coil_left_on_at_the_end_fails() -> None:
    motion = profile([0.0, 0.3, 0.31], [3500.0, 3500.0, 0.0])
    train = pickup_train(motion, MANIFEST, 1.0)
    run = run_of(motion, sparks_at(np.full(6, 24.0)))
    run = replace(
        run,
        coil_s=np.append(run.coil_s, 0.3),
        coil_on=np.append(run.coil_on, 1).astype(np.uint8),
        coil_channel=np.append(run.coil_channel, 0).astype(np.uint8),
    )
    assert not judge(measure(run, train, MANIFEST), run, train, MANIFEST)["on_time"].passed


def test_broken_invariants_fail() -> None:
    m, run, train = measured(3500.0, np.full(12, 24.0))
    facts = {
        "over_hard_limit": 0.0,
        "guard_forced": 1.0,
        "charge_out_of_mode": 0.0,
        "state_out_of_range": 0.0,
        "captured": 24.0,
    }
    host = HostRun(**{**vars(run), "facts": facts})
    assert not judge(m, host, train, MANIFEST)["invariants"].passed


def test_disturbed_line_may_move_a_share_of_the_sparks() -> None:
    wanted = np.full(100, 24.0)
    wanted[[20, 50]] -= 3.0  # late
    limits = Limits(moved_share=0.03, far_share=0.02, early_us=5.0)
    assert verdict_of(3500.0, wanted, limits=limits).passed
    wanted[[30, 40]] -= 3.0
    assert not verdict_of(3500.0, wanted, limits=limits)["sparks_moved"].passed
    early = np.full(100, 24.0)
    early[20] += 0.1  # 4.8 us at 3500 rpm
    assert verdict_of(3500.0, early, limits=limits).passed
    early[20] += 0.1
    assert not verdict_of(3500.0, early, limits=limits)["moved_early"].passed
    fewer = Limits(moved_share=0.03, far_share=0.01, early_us=5.0)
    assert not verdict_of(3500.0, wanted, limits=fewer)["sparks_far_off"].passed


def test_verdict_as_json_carries_units() -> None:
    content = verdict_of(3500.0, np.full(12, 24.0)).as_dict()
    names = {check["name"] for check in content["checks"]}
    assert {"timing_steady", "missed", "on_time", "first_spark_pulse"} <= names
    steady_check = next(c for c in content["checks"] if c["name"] == "timing_steady")
    assert set(steady_check) == {"name", "value_deg", "limit_deg", "passed", "count", "at_s"}


def test_speed_range_over_a_ramp() -> None:
    motion = ramp(1000.0, 2000.0, 1000.0, before_s=1.0)
    low, high = speed_range_rpm(motion, np.array([0.5, 1.2]), np.array([1.5, 1.7]))
    np.testing.assert_allclose(low, [1000.0, 1200.0])
    np.testing.assert_allclose(high, [1500.0, 1700.0])


def test_compare_runs_in_ticks() -> None:
    motion = steady(3000.0)
    deg = sparks_at(np.full(30, 21.0))
    a = run_of(motion, deg)
    shift = np.zeros(30)
    shift[4], shift[9] = 1.0, -3.0
    b = replace(a, coil_s=a.coil_s + np.repeat(shift, 2) / a.tick_hz)
    difference = compare_runs(a, b)
    np.testing.assert_allclose(difference.ticks, shift, atol=1e-7)
    assert (difference.only_a, difference.only_b) == (0, 0)
    fewer = run_of(motion, np.delete(deg, 7))
    difference = compare_runs(a, fewer)
    assert (len(difference.ticks), difference.only_a, difference.only_b) == (29, 1, 0)
    nothing = compare_runs(a, run_of(motion, deg[:0]))
    assert (len(nothing.ticks), nothing.only_a) == (0, 30)


def test_only_a_cut_first_charge_may_be_one_sided() -> None:
    """At one speed the first spark hangs on some ticks of handler time; no later one may."""
    motion = steady(3000.0)
    deg = sparks_at(np.full(30, 21.0))
    both, fewer = run_of(motion, deg), run_of(motion, deg[1:])
    assert not cut_first(both, fewer, MANIFEST)  # a whole charge: somebody lost a spark
    cut_s = both.coil_s.copy()
    cut_s[0] += 0.7 * MANIFEST.dwell_us * 1e-6
    cut = replace(both, coil_s=cut_s)
    assert cut_first(cut, fewer, MANIFEST) and cut_first(fewer, cut, MANIFEST)
    assert not cut_first(cut, cut, MANIFEST)
    assert not cut_first(cut, run_of(motion, np.delete(deg, 5)), MANIFEST)
