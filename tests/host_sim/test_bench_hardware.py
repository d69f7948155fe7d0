"""If this fails, the bench's pickup line, capture unit, compare unit or interrupts are wrong.

A probe stands in the core's place: it orders what the test says and writes down what it is told.
Expected instants are computed here from the rules of the ATmega328P data sheet (DS40002061,
sections 16.6 to 16.9), by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim.bench import CoilNoise, NoisePatterns
from sparktick.host_sim.library import Library

from .conftest import (
    F_CPU_HZ,
    IDLE,
    LEAD,
    MASKED,
    NOTHING,
    OFF_AT,
    ON_AT,
    TICK_HZ,
    TRAIL,
    ideal_chip,
    probe_bench,
    real_chip,
)

CYCLE_S = 1.0 / F_CPU_HZ
US = 1e-6

WATCH_LEAD = (NOTHING, 0, LEAD, NOTHING, 0)
WATCH_TRAIL = (NOTHING, 0, TRAIL, NOTHING, 0)
MASK = (NOTHING, 0, MASKED, NOTHING, 0)
NO_ORDER = (NOTHING, 0, NOTHING, NOTHING, 0)


def pulses(*edges_us: float) -> tuple[np.ndarray, np.ndarray]:
    """Return edges in seconds, alternating from active."""
    edge_s = np.array(edges_us) * US
    return edge_s, (np.arange(len(edge_s)) % 2 == 0).astype(np.uint8)


def test_capture_is_the_tick_of_the_sampled_edge(probe: Library) -> None:
    rng = np.random.default_rng(5)
    edge_s = np.cumsum(rng.uniform(100e-6, 300e-6, 200))
    bench = probe_bench(probe, real_chip())
    bench.script(WATCH_LEAD)
    bench.feed(edge_s, np.arange(len(edge_s)) % 2 == 0, 1.0)
    found = [event.at for event in bench.log_of("capture")]
    cycles = np.ceil(edge_s[::2] * F_CPU_HZ) + 6  # next sample, then 2 + 4 clocks
    assert found == list((cycles // 8).astype(int))


def test_capture_without_delays_is_the_tick_of_the_edge(probe: Library) -> None:
    rng = np.random.default_rng(6)
    edge_s = np.cumsum(rng.uniform(10e-6, 30e-6, 200))
    bench = probe_bench(probe, ideal_chip())
    bench.script(WATCH_LEAD)
    bench.feed(edge_s, np.arange(len(edge_s)) % 2 == 0, 1.0)
    found = [event.at for event in bench.log_of("capture")]
    # half a CPU clock of delay was asked for: it falls into the tick except at its very end
    assert found == list(np.floor((edge_s[::2] + 0.5 * CYCLE_S) * TICK_HZ).astype(int))


@pytest.mark.parametrize(("samples", "seen"), [(1, 0), (3, 0), (4, 1), (5, 1)])
def test_filter_passes_four_equal_samples(probe: Library, samples: int, seen: int) -> None:
    begin = 1600.3 * CYCLE_S
    bench = probe_bench(probe, real_chip())
    bench.script(WATCH_LEAD)
    bench.feed(np.array([begin, begin + samples * CYCLE_S]), np.array([1, 0]), 1e-3)
    assert len(bench.log_of("capture")) == seen
    assert bench.facts()["edges"] == 2


def test_short_dropout_does_not_delay_a_filtered_edge(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script(WATCH_LEAD)
    dropout = np.array([100.0, 100.1, 100.2, 500.0]) * US  # 1.6 clocks of inactive, then active
    bench.feed(dropout, np.array([1, 0, 1, 0]), 1e-3)
    (capture,) = bench.log_of("capture")
    # the first level did not last four samples: the line counts from the second edge
    assert capture.at == (np.ceil(100.2 * 16) + 6) // 8


def test_later_edge_overwrites_the_capture_register(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script(WATCH_LEAD)
    bench.feed(*pulses(100.0, 100.5, 101.5, 200.0), 1e-3)  # second lead edge within the latency
    (capture,) = bench.log_of("capture")
    assert capture.at == (np.ceil(101.5 * 16) + 6) // 8
    assert bench.facts()["overwritten"] == 1


def test_edge_while_masked_is_forgotten(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script((NOTHING, 0, MASKED, 1, 1000), WATCH_LEAD)  # unmasked by an alarm at 500 us
    bench.feed(*pulses(100.0, 400.0, 900.0, 950.0), 2e-3)
    (capture,) = bench.log_of("capture")
    assert capture.at == (900 * 16 + 6) // 8


def test_unmasking_clears_a_waiting_edge(probe: Library) -> None:
    # The edge comes while the alarm's handler runs, which then orders the capture anew.
    bench = probe_bench(probe, real_chip())
    bench.script((NOTHING, 0, LEAD, 1, 200), WATCH_LEAD)
    bench.feed(*pulses(106.0, 400.0), 1e-3)
    assert [event.kind for event in bench.log()] == ["init", "alarm"]


def test_edge_select(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script(WATCH_LEAD, WATCH_TRAIL, WATCH_LEAD)
    bench.feed(*pulses(100.0, 200.0, 300.0, 400.0), 1e-3)
    found = [event.at for event in bench.log_of("capture")]
    assert found == [(t * 16 + 6) // 8 for t in (100, 200, 300)]


@pytest.mark.parametrize("chip", [ideal_chip(), real_chip()], ids=["ideal", "real"])
def test_compare_switches_one_tick_after_the_ordered(probe: Library, chip: object) -> None:
    bench = probe_bench(probe, chip)  # type: ignore[arg-type]
    bench.script((ON_AT, 1000, NOTHING, NOTHING, 0), (OFF_AT, 700, NOTHING, NOTHING, 0))
    coil_s, coil_on, _ = bench.feed(*pulses(), 5e-3)
    assert list(coil_on) == [1, 0]
    assert coil_s * TICK_HZ == pytest.approx([1001, 1701], abs=1e-6)
    assert [(event.at, event.level) for event in bench.log_of("coil")] == [(1000, 1), (1700, 0)]
    assert bench.facts()["late_orders"] == 0


@pytest.mark.parametrize("ahead", [-500, -1, 0, 3, 15])
def test_order_too_near_acts_as_soon_as_it_can(probe: Library, ahead: int) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script((ON_AT, ahead, NOTHING, NOTHING, 0))
    coil_s, _, _ = bench.feed(*pulses(), 1e-3)
    assert coil_s[0] * TICK_HZ == pytest.approx(17)  # 16 ticks to arm, then one
    assert bench.log_of("coil")[0].at == 16
    assert bench.facts()["late_orders"] == 1


def test_idle_order_ends_a_charge_at_once(probe: Library) -> None:
    bench = probe_bench(probe, ideal_chip())
    bench.script((ON_AT, 100, LEAD, NOTHING, 0), NO_ORDER, (IDLE, 0, NOTHING, NOTHING, 0))
    coil_s, coil_on, _ = bench.feed(*pulses(200.0, 300.0), 1e-3)
    assert list(coil_on) == [1, 0]
    assert coil_s[1] == pytest.approx(200 * US, abs=CYCLE_S)


def test_alarm_comes_one_tick_after_the_ordered_plus_latency(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script((NOTHING, 0, NOTHING, 1, 1000))
    bench.feed(*pulses(), 1e-3)
    (alarm,) = bench.log_of("alarm")
    assert alarm.now == 1001 + 4  # 2 us of latency


def test_waiting_interrupts_are_served_by_priority_and_do_not_nest(probe: Library) -> None:
    """An alarm's handler is busy when alarm-, compare- and capture flags come up."""
    bench = probe_bench(probe, real_chip(alarm_cycles=1600.0))
    first = (ON_AT, 260, LEAD, 1, 200)  # alarm at 100 us, coil at 130 us
    again = (NOTHING, 0, NOTHING, 1, -1)  # at once; its flag waits behind the others
    bench.script(first, again)
    bench.feed(*pulses(150.0, 900.0), 1e-3)
    # the capture's handler comes first, and tells the compare that has matched meanwhile
    assert [event.kind for event in bench.log()] == ["init", "alarm", "coil", "capture", "alarm"]
    capture = bench.log_of("capture")[0]
    assert capture.now >= 2 * (100.5 + 2 + 100)  # not before the alarm's handler has ended


def test_alarm_gives_way_to_an_edge_its_reads_have_seen(probe: Library) -> None:
    # The alarm's handler begins at 102.5 us; the edge's flag comes up 0.4 us after the edge.
    for edge_us, kinds in ((102.3, ["init", "capture"]), (102.8, ["init", "alarm", "capture"])):
        bench = probe_bench(probe, real_chip())
        bench.script((NOTHING, 0, LEAD, 1, 200))
        bench.feed(*pulses(edge_us, 900.0), 1e-3)
        assert [event.kind for event in bench.log()] == kinds


def test_matched_compare_is_told_before_any_other_event(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script((ON_AT, 199, LEAD, NOTHING, 0))
    bench.feed(*pulses(99.7, 900.0), 1e-3)  # flags: capture at 100.1 us, compare at 100 us
    assert [event.kind for event in bench.log()] == ["init", "coil", "capture"]


def test_order_given_in_ignorance_of_a_match_is_dropped(probe: Library) -> None:
    """The coil goes on while the capture's handler decides about it."""
    bench = probe_bench(probe, real_chip())
    rearm = (ON_AT, 2000, NOTHING, NOTHING, 0)
    after_on = (OFF_AT, 300, NOTHING, NOTHING, 0)
    bench.script((ON_AT, 212, LEAD, NOTHING, 0), rearm, after_on)
    coil_s, coil_on, _ = bench.feed(*pulses(100.0, 900.0), 3e-3)
    assert list(coil_on) == [1, 0]
    assert coil_s * TICK_HZ == pytest.approx([213, 513], abs=1e-6)


@pytest.mark.parametrize(
    ("glitch_us", "level"), [((99.0, 99.5), 0), ((102.0, 102.7), 1), ((102.4, 102.6), 0)]
)
def test_level_is_the_majority_of_three_reads(
    probe: Library, glitch_us: tuple[float, float], level: int
) -> None:
    # the alarm's handler begins at (200 + 1) / 2 + 2 us and reads back at 102.5, 102.3, 102.1
    bench = probe_bench(probe, real_chip(read_gap_cycles=3.2))
    bench.script((NOTHING, 0, NOTHING, 1, 200))
    bench.feed(*pulses(*glitch_us), 1e-3)
    assert bench.log_of("alarm")[0].level == level


def test_guard_ends_a_charge_the_core_forgot(probe: Library) -> None:
    bench = probe_bench(probe, real_chip(heartbeat_s=1e-3))
    bench.script((ON_AT, 1000, NOTHING, NOTHING, 0))
    coil_s, coil_on, _ = bench.feed(*pulses(), 10e-3)
    assert list(coil_on) == [1, 0]
    # hard limit 2000 ticks, guard 100 ticks (probe/config.h), one heartbeat
    assert coil_s[1] - coil_s[0] == pytest.approx(2100 / TICK_HZ + 1e-3)
    facts = bench.facts()
    assert facts["guard_forced"] == 1
    assert facts["over_hard_limit"] == 1
    assert len(bench.log_of("forced")) == 1


def test_poll_comes_at_its_rate(probe: Library) -> None:
    bench = probe_bench(probe, real_chip(poll_every_s=1e-3))
    bench.feed(*pulses(), 0.1005)
    assert bench.facts()["polls"] == 100
    assert bench.counters() == {"pulse": 100, "spark": 0}


@pytest.mark.parametrize("first_tick", [0, 2**32 - 150, 2**32 - 1, 2**31 - 100])
def test_counter_wraps_without_a_trace(probe: Library, first_tick: int) -> None:
    bench = probe_bench(probe, real_chip(first_tick=first_tick))
    on, off = (ON_AT, 300, LEAD, 1, 250), (OFF_AT, 200, NOTHING, NOTHING, 0)
    bench.script(on, NO_ORDER, NO_ORDER, off)
    coil_s, _, _ = bench.feed(*pulses(60.0, 140.0), 1e-3)
    assert coil_s * TICK_HZ == pytest.approx([301, 501], abs=1e-6)
    assert [event.at for event in bench.log_of("capture")] == [(60 * 16 + 6) // 8]
    assert bench.log_of("alarm")[0].now == 251 + 4


def test_timer_phase_shifts_the_tick_grid(probe: Library) -> None:
    bench = probe_bench(probe, real_chip(timer_phase_s=0.3e-6, start_s=0.3e-6))
    bench.script((ON_AT, 1000, NOTHING, NOTHING, 0))
    coil_s, _, _ = bench.feed(*pulses(), 1e-3)
    assert coil_s[0] == pytest.approx(1001 / TICK_HZ + 0.3e-6, abs=1e-12)


def test_reset_drops_the_coil_and_starts_the_counter_again(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    bench.script((ON_AT, 1000, LEAD, NOTHING, 0), (OFF_AT, 1900, NOTHING, NOTHING, 0))
    bench.feed(*pulses(), 0.8e-3)
    coil_s, coil_on, _ = bench.reset(1e-3)
    assert (list(coil_on), coil_s[0]) == ([0], pytest.approx(0.8e-3))
    later_s, _, _ = bench.feed(*pulses(900.0, 1000.0), 5e-3)
    assert len(later_s) == 0  # the armed spark died with the reset, and edges meanwhile
    second = bench.log_of("init")[1]
    assert (second.now, second.level, second.at) == (0, 0, 1)


NOISE = NoisePatterns((np.array([20e-6, 30e-6, 50e-6, 51e-6]),))


@pytest.mark.parametrize("switching", ["on", "off"])
def test_coil_noise_toggles_the_line_after_the_switching(probe: Library, switching: str) -> None:
    noise = CoilNoise.either_level(**{switching: NOISE})  # type: ignore[arg-type]
    bench = probe_bench(probe, ideal_chip(), noise)
    bench.script((ON_AT, 1000, LEAD, NOTHING, 0), (OFF_AT, 400, LEAD, NOTHING, 0))
    coil_s, _, _ = bench.feed(*pulses(), 2e-3)
    at_s = coil_s[0] if switching == "on" else coil_s[1]
    expected = np.floor((at_s + np.array([20e-6, 50e-6])) * TICK_HZ + 0.1).astype(int)
    assert [event.at for event in bench.log_of("capture")] == list(expected)
    assert bench.facts()["noise_bursts"] == 1
    assert bench.facts()["edges"] == 4


def test_coil_noise_inverts_an_active_line(probe: Library) -> None:
    noise = CoilNoise(on_active=NOISE)
    bench = probe_bench(probe, ideal_chip(), noise)
    bench.script((ON_AT, 1000, TRAIL, NOTHING, 0))
    bench.feed(*pulses(100.0, 900.0), 2e-3)
    begin = 1001 / TICK_HZ
    expected = np.floor((begin + np.array([20e-6, 50e-6])) * TICK_HZ + 0.1)
    captures = [event.at for event in bench.log_of("capture")]
    assert captures == [*expected.astype(int), 1800]


def test_coil_noise_repeats_with_its_seed(probe: Library) -> None:
    patterns = NoisePatterns(tuple(np.array([k * 1e-6, k * 1e-6 + 5e-6]) for k in range(1, 30)))

    def captures(seed: int) -> list[int]:
        noise = CoilNoise.either_level(on=patterns, jitter_s=10e-6, seed=seed)
        bench = probe_bench(probe, ideal_chip(), noise)
        bench.script((ON_AT, 1000, LEAD, NOTHING, 0))
        bench.feed(*pulses(), 2e-3)
        return [event.at for event in bench.log_of("capture")]

    assert captures(3) == captures(3)
    assert len({tuple(captures(seed)) for seed in range(8)}) > 4


@pytest.mark.parametrize("toggles", [[1e-6], [2e-6, 1e-6], [-1e-6, 1e-6]])
def test_noise_patterns_come_in_ascending_pairs(toggles: list[float]) -> None:
    with pytest.raises(RunError, match="even number of ascending"):
        NoisePatterns((np.array(toggles),))


def test_edges_at_or_after_the_end_are_refused(probe: Library) -> None:
    bench = probe_bench(probe, real_chip())
    with pytest.raises(RunError, match="at or after the end"):
        bench.feed(*pulses(100.0, 1000.0), 1e-3)


def test_blocks_of_any_size_give_the_same_run(probe: Library) -> None:
    rng = np.random.default_rng(9)
    edge_s = np.cumsum(rng.uniform(0.05e-6, 90e-6, 60))
    levels = (np.arange(60) % 2 == 0).astype(np.uint8)
    script = [(ON_AT, 60, LEAD, 1, 30), (OFF_AT, 90, TRAIL, 1, 45)] * 16
    noise = CoilNoise.either_level(on=NOISE, off=NOISE, jitter_s=5e-6, seed=4)

    def run(borders_s: list[float]) -> tuple[list[object], np.ndarray]:
        bench = probe_bench(probe, real_chip(), noise)
        bench.script(*script)
        pieces, begin = [], 0
        for border in [*borders_s, 5e-3]:
            stop = int(np.searchsorted(edge_s, border))
            pieces.append(bench.feed(edge_s[begin:stop], levels[begin:stop], border)[0])
            begin = stop
        return bench.log(), np.concatenate(pieces)  # type: ignore[return-value]

    whole_log, whole_coil = run([])
    assert len(whole_log) > 30
    for seed in range(20):
        borders = np.sort(np.random.default_rng(seed).uniform(0.0, 4e-3, 25))
        log, coil = run(list(borders))
        assert log == whole_log
        np.testing.assert_array_equal(coil, whole_coil)
