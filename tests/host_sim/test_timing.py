"""If this fails, the generated firmware's own C does not time, lock, charge or doubt as it should.

The core of the two example engines runs on the bench.  Expected angles come from the wanted
curve by NumPy's interpolation, not from the firmware's table.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.render import NEAR_START
from sparktick.host_sim.bench import (
    Bench,
    CoilNoise,
    Hardware,
    HostRun,
    broken_invariants,
    run_train,
)
from sparktick.host_sim.glitches import burst_patterns, merge_toggles, random_glitches
from sparktick.host_sim.library import Library
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.measure import measure
from sparktick.host_sim.run import Motion, Train
from sparktick.host_sim.simulate import (
    NoiseLevel,
    run_scenario,
    standard_scenarios,
    steady_scenario,
)
from sparktick.host_sim.train import (
    LineDelay,
    from_standstill,
    pickup_train,
    profile,
    ramp,
    steady,
    to_standstill,
    train_blocks,
)
from sparktick.host_sim.verdict import judge


def run_of(library: Library, manifest: Manifest, motion: Motion, end_s: float) -> HostRun:
    return run_train(library, Hardware.of(manifest), pickup_train(motion, manifest, end_s))


def counted(run: HostRun, *names: str) -> int:
    return sum(run.counters[name] for name in names)


@pytest.mark.parametrize("seed", range(6))
def test_ideal_timing_is_the_formula(library: Library, manifest: Manifest, seed: int) -> None:
    """Spark = edge + period (edge angle - advance) / 360, within the ticks it is counted in."""
    rng = np.random.default_rng(seed)
    rpm = float(np.exp(rng.uniform(np.log(1.05 * manifest.start.below_rpm), np.log(8000.0))))
    train = pickup_train(steady(rpm), manifest, 400 * 60.0 / rpm)
    chip = Hardware.of(manifest, ideal=True, timer_phase_s=float(rng.uniform(0, 1e-6)))
    run = run_train(library, chip, train)
    spark_s = run.coil_s[run.coil_on == 0] + manifest.output_delay_us * 1e-6
    advance = np.interp(rpm, *zip(*manifest.curve, strict=True))
    turn_s = 60.0 / rpm
    angle = (np.round(spark_s / turn_s) - spark_s / turn_s) * 360.0
    share = (manifest.geometry.lead_edge_deg_btdc - advance) / 360.0
    # A trend of weight w = (1 + share) / 2 counts three edges: T + w (T - T_before).
    carried = 2.0 + share if manifest.predictor == "trend" else 1.0
    ticks = (1.1 + share * carried) * 6.0 * rpm / manifest.tick_hz
    assert len(spark_s) >= 390
    near_start = rpm < NEAR_START * manifest.start.below_rpm  # there sparks before lock are late
    assert np.abs(angle - advance)[2 * near_start :].max() <= ticks + manifest.table_bound_deg


def test_standard_scenarios_keep_their_limits(folder: Path, manifest: Manifest) -> None:
    failed = {}
    for scenario in standard_scenarios(manifest, pulses=600):
        result = run_scenario(folder, manifest, scenario)
        if not result.verdict.passed:
            failed[scenario.name, result.seed] = result.verdict.failures
    assert not failed


def test_spark_instants_do_not_depend_on_where_the_counter_wraps(
    library: Library, manifest: Manifest
) -> None:
    train = pickup_train(ramp(800.0, 6000.0, 4000.0, before_s=1.0), manifest, 3.0)
    base = run_train(library, Hardware.of(manifest), train)
    ticks = int(3.0 * manifest.tick_hz)
    for first in (2**32 - ticks // 2, 2**32 - ticks // 7, 2**31 - ticks // 3, 2**32 - 5):
        run = run_train(library, Hardware.of(manifest, first_tick=first), train)
        np.testing.assert_array_equal(run.coil_s, base.coil_s)
        assert run.counters == base.counters


def noisy_train(manifest: Manifest, motion: Motion, end_s: float, seed: int) -> Train:
    toggles = random_glitches(np.random.default_rng(seed), 0.0, end_s, 800.0, (1e-7, 2e-5))
    return merge_toggles(pickup_train(motion, manifest, end_s), toggles)


def spark_noise() -> CoilNoise:
    patterns = burst_patterns(
        np.random.default_rng(1), patterns=20, glitches=(3, 12), span_s=60e-6, width_s=(1e-7, 8e-6)
    )
    return CoilNoise.either_level(on=patterns, off=patterns, jitter_s=2e-6, seed=7)


def test_train_in_blocks_gives_the_same_run(library: Library, manifest: Manifest) -> None:
    train = noisy_train(manifest, ramp(900.0, 5000.0, 3000.0, before_s=0.5), 2.5, 3)
    whole = run_train(library, Hardware.of(manifest), train, spark_noise())
    borders = np.sort(np.random.default_rng(5).uniform(0.0, 2.5, 60))
    bench = Bench(library, Hardware.of(manifest), spark_noise())
    pieces, begin = [], 0
    for border in [*borders, 2.5]:
        stop = int(np.searchsorted(train.edge_s, border))
        pieces.append(bench.feed(train.edge_s[begin:stop], train.active[begin:stop], border))
        begin = stop
    times, levels, modes = (np.concatenate(arrays) for arrays in zip(*pieces, strict=True))
    joined = bench.finish(times, levels, modes)
    assert len(whole.coil_s) > 100
    np.testing.assert_array_equal(joined.coil_s, whole.coil_s)
    np.testing.assert_array_equal(joined.coil_on, whole.coil_on)
    np.testing.assert_array_equal(joined.mode, whole.mode)
    assert joined.counters == whole.counters
    assert joined.facts == whole.facts


def test_long_train_in_blocks_of_bounded_memory(library: Library, manifest: Manifest) -> None:
    motion = steady(6000.0)
    bench = Bench(library, Hardware.of(manifest))
    blocks = train_blocks(
        motion, manifest.geometry, 300.0, delay=LineDelay.of(manifest), pulses=4000
    )
    sparks = 0
    for train, run in bench.run_blocks(blocks):
        assert len(train.edge_s) <= 8000
        m = measure(run, train, manifest)
        sparks += len(m.spark_s)
        settled = m.error_deg[3:]
        assert np.all(np.abs(settled) <= m.allowed_deg[3:])
    assert sparks == 29_998  # 30 000 turns, the third is the first to spark


def test_more_output_than_room_is_not_lost(
    library: Library, manifest: Manifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    train = pickup_train(steady(4000.0), manifest, 3.0)
    base = run_train(library, Hardware.of(manifest), train)
    monkeypatch.setattr("sparktick.host_sim.bench.COIL_ROOM", 7)
    tight = run_train(library, Hardware.of(manifest), train)
    np.testing.assert_array_equal(tight.coil_s, base.coil_s)


def test_lock_takes_the_stated_pulses(library: Library, manifest: Manifest) -> None:
    """Three pulses give the two consistent intervals of the plan."""
    train = pickup_train(steady(3000.0), manifest, 0.5)
    run = run_train(library, Hardware.of(manifest, ideal=True), train)
    assert [run.modes[m] for m in run.mode] == ["first", "locking", "run"]
    third_lead_s = train.edge_s[4]
    assert third_lead_s < run.facts["first_lock_s"] < third_lead_s + 50e-6


def test_no_spark_below_the_floor_and_coil_off_at_rest(
    library: Library, manifest: Manifest
) -> None:
    slow = run_of(library, manifest, steady(0.8 * manifest.start.floor_rpm), 20.0)
    assert len(slow.coil_s) == 0
    stopped = run_of(library, manifest, to_standstill(3000.0, 6000.0), 4.0)
    assert stopped.coil_on[-1] == 0
    assert not broken_invariants(stopped)
    assert [stopped.modes[m] for m in stopped.mode][-1] == "stopped"


def test_charge_that_ends_before_its_edge_is_not_begun_again(
    library: Library, manifest: Manifest
) -> None:
    """The crank is braked to rest within a turn, out of a speed where charges precede edges."""
    motion = to_standstill(0.5 * manifest.top_rpm, 2.0 * manifest.top_rpm / 0.02, before_s=0.4)
    run = run_of(library, manifest, motion, 1.0)
    on_s = run.coil_s[run.coil_on == 1]
    # one charge a turn at most, also after the last edge
    assert np.diff(on_s).min() > 0.5 * 60.0 / (0.5 * manifest.top_rpm)
    assert not broken_invariants(run)


def test_accelerating_pulses_are_not_doubted(library: Library, manifest: Manifest) -> None:
    """As fast as the engine can, where each turn changes the speed by up to a third."""
    accel = manifest.accel_rpm_per_s * 0.9
    low = max((180.0 * accel) ** 0.5, 1.1 * manifest.start.below_rpm)
    up = run_of(library, manifest, ramp(low, manifest.resume_rpm * 0.98, accel), 2.0)
    assert counted(up, "arc", "missing", "lost") == 0


@pytest.mark.parametrize("removed", [1, 2, 3])
def test_missing_pulses(library: Library, manifest: Manifest, removed: int) -> None:
    """One is bridged by prediction, within a fifth of a degree; more end in a new lock."""
    rpm = 0.6 * manifest.top_rpm
    train = pickup_train(steady(rpm), manifest, 60 * 60.0 / rpm)
    gone = slice(60, 60 + 2 * removed)
    broken = Train(
        np.delete(train.edge_s, gone),
        np.delete(train.active, gone),
        np.delete(train.true_edge, gone),
        train.end_s,
        train.motion,
    )
    run = run_train(library, Hardware.of(manifest), broken)
    m = measure(run, train, manifest)  # judged against the crank's pulses
    verdict = judge(m, run, train, manifest)
    assert run.counters["missing"] >= 1
    assert not broken_invariants(run)
    bridged = min(removed, manifest.raw["bridge_most"])
    if removed <= bridged:
        assert len(m.missed) == 0
        assert run.counters["lost"] == 0
    else:
        assert len(m.missed) <= removed - bridged + 3
    assert np.all(m.error_deg <= m.allowed_deg)  # none is early
    assert verdict["greatest_advance"].passed


def test_speed_limit_skips_whole_events(library: Library, manifest: Manifest) -> None:
    fast = 1.06 * manifest.limit_rpm
    motion = profile([0.0, 0.5, 1.0, 2.0, 2.5, 3.0], [3000.0, 3000.0, fast, fast, 3000.0, 3000.0])
    run = run_of(library, manifest, motion, 3.0)
    sparks_s = run.coil_s[run.coil_on == 0]
    over = motion.speed_at(sparks_s) / 6.0 > manifest.limit_rpm * 1.002
    assert np.count_nonzero(over) <= 1  # a charge begun before the limit was seen
    assert run.counters["limit"] > 50
    assert np.any(sparks_s > 2.6)


def test_start_from_standstill_sparks_by_the_third_pulse(
    library: Library, manifest: Manifest
) -> None:
    rpm = 0.5 * (max(manifest.start.floor_rpm, 300.0) + manifest.start.below_rpm)
    train = pickup_train(from_standstill(rpm, 20_000.0), manifest, 4.0)
    run = run_train(library, Hardware.of(manifest), train)
    m = measure(run, train, manifest)
    assert 1 <= m.first_spark_pulse <= 3
    assert np.all(m.angle_deg_btdc <= manifest.start.deg_btdc + m.allowed_deg)


def test_bursts_after_every_switching_move_nothing(folder: Path, manifest: Manifest) -> None:
    for rpm in (0.9 * manifest.start.below_rpm, 2500.0, 0.7 * manifest.top_rpm, manifest.top_rpm):
        scenario = steady_scenario(manifest, rpm, pulses=1500, noise=("bursts",))
        result = run_scenario(folder, manifest, scenario)
        assert result.run.facts["noise_bursts"] > 2900
        assert result.verdict.passed, (scenario.name, result.seed, result.verdict.failures)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_glitches_at_start_speed_make_no_spark_far_too_early(
    folder: Path, manifest: Manifest, seed: int
) -> None:
    """Where an early spark kicks: a thousand glitches a second, up to half the confirmation.

    An edge that comes within the microseconds in which capture is armed again is lost, and a
    glitch's end then taken for it: the pulse seems short and its spark comes a few degrees early
    (seen: 3.4 deg, once in 9000 pulses).
    """
    level = NoiseLevel(glitch_hz=1000.0, glitch_width_s=(1e-7, 1e-5))
    rpm = 0.9 * manifest.start.below_rpm
    scenario = steady_scenario(manifest, rpm, pulses=1500, noise=("glitches",), level=level)
    result = run_scenario(folder, manifest, scenario, seed=seed, level=level)
    assert result.run.facts["filtered_out"] > 1000
    assert result.run.counters["short"] > 1000
    early = result.measurement.error_deg.max()
    assert early <= 5.0, result.verdict.failures
    assert len(result.measurement.missed) <= 0.02 * 1500


def test_stuck_or_howling_line_never_holds_the_coil(library: Library, manifest: Manifest) -> None:
    """Invariants A, C and E under noise that lets nothing through."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        toggles = np.sort(rng.uniform(0.2, 1.0, 2 * int(10 ** rng.uniform(2, 5))))
        train = merge_toggles(pickup_train(steady(3000.0), manifest, 2.0), toggles)
        run = run_train(library, Hardware.of(manifest), train, spark_noise())
        assert not broken_invariants(run), seed
        assert run.facts["edges"] > 100
        m = measure(run, train, manifest)
        late = m.spark_s > 1.2  # invariant D: a true train locks again
        assert np.count_nonzero(late) >= 38
        assert np.all(np.abs(m.error_deg[late]) <= m.allowed_deg[late])


def test_reset_at_speed_resumes(library: Library, manifest: Manifest) -> None:
    """A reset other than power-on keeps the period: the very next pulses spark again."""
    train = pickup_train(steady(3000.0), manifest, 2.0)
    for power_on, pulses in ((False, 2), (True, 3)):
        bench = Bench(library, Hardware.of(manifest))
        stop = int(np.searchsorted(train.edge_s, 1.0))
        bench.feed(train.edge_s[:stop], train.active[:stop], 1.0)
        bench.reset(0.5e-3, power_on=power_on)
        coil_s, coil_on, _ = bench.feed(train.edge_s[stop:], train.active[stop:], 2.0)
        first = coil_s[coil_on == 0][0]
        later = np.count_nonzero((train.edge_s[0::2] > 1.0005) & (train.edge_s[0::2] < first))
        assert later == pulses
        assert bench.counters()["warm"] == (0 if power_on else 1)
