"""If this fails, the emulated capture unit sees other edges than the chip, or elsewhen."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from sparktick.host_sim.chip import CoilPin

from .conftest import CYCLE_S, F_CPU_HZ, Done, array, train

Emulate = Callable[..., Done]

# DS40002061A 17.1: 2.5 to 3.5 clocks from the pin; 16.6.2: four equal samples, four clocks more.
SYNC_CLOCKS = (2.5, 3.5)
CANCELLER_CLOCKS = 4
DIV1, DIV8 = 1, 2
AT = array("at", 16, 2)
COUNT = array("count", 1, 1)


def captured_cycles(done: Done) -> np.ndarray:
    """Cycles at which a timer at CPU clock read what it captured."""
    phase = round(done.run.timer_phase_s * F_CPU_HZ)
    count = done.run.counters["count0"]
    return np.array(done.items("at")[:count]) + phase


@pytest.mark.parametrize("canceller", [0, 1])
@pytest.mark.parametrize("rising", [0, 1])
def test_an_edge_is_captured_after_synchroniser_and_canceller(
    emulate: Emulate, canceller: int, rising: int
) -> None:
    """S8, Y1: the delay from the pin is the data sheet's at every phase of the clock."""
    start = np.linspace(0.0, 1.0, 9)[:-1]
    edge_s = (np.arange(1, 9) * 1000 + 5000 + start) * CYCLE_S
    both = np.sort(np.concatenate([edge_s, edge_s + 500 * CYCLE_S]))
    macros = {"CANCELLER": canceller, "RISING": rising, "CLOCK": DIV1}
    done = emulate("capture", train(both, 1e-3), macros, peeks=(*AT, *COUNT))
    wanted = edge_s if rising else edge_s + 500 * CYCLE_S
    delay = captured_cycles(done) - wanted * F_CPU_HZ - canceller * CANCELLER_CLOCKS
    assert len(delay) == 8 == done.run.counters["captures"]
    assert SYNC_CLOCKS[0] - 1e-6 <= delay.min() and delay.max() <= SYNC_CLOCKS[1] + 1e-6
    assert np.ptp(delay) > 0.8, "the delay must depend on the phase of the edge"


@pytest.mark.parametrize("canceller", [0, 1])
@pytest.mark.parametrize("width_clocks", [0.4, 2.9, 3.1, 3.9, 4.1, 6.0])
def test_the_canceller_wants_four_equal_samples(
    emulate: Emulate, canceller: int, width_clocks: float
) -> None:
    """S8: pulses of fewer samples leave no trace; without the canceller one sample is enough."""
    start = (np.arange(1, 11) * 1000 + 5000 + np.arange(10) * 0.1 + 0.05) * CYCLE_S
    edges = np.sort(np.concatenate([start, start + width_clocks * CYCLE_S]))
    macros = {"CANCELLER": canceller, "RISING": 1, "CLOCK": DIV1}
    done = emulate("capture", train(edges, 1.2e-3), macros, peeks=COUNT)
    # The number of samples in a pulse, from first principles: integers in [start, end).
    phase = start * F_CPU_HZ - 0.5
    samples = np.ceil(phase + width_clocks) - np.ceil(phase)
    assert done.run.counters["count0"] == int(np.sum(samples >= (4 if canceller else 1)))


def test_a_prescaled_timer_captures_the_count_of_that_moment(emulate: Emulate) -> None:
    """S12: the count is that of the free-running prescaler at the captured cycle."""
    edge_s = (np.arange(8) * 1001 + 5000) * CYCLE_S
    edges = np.sort(np.concatenate([edge_s, edge_s + 500 * CYCLE_S]))
    macros = {"CANCELLER": 0, "RISING": 1, "CLOCK": DIV8}
    done = emulate("capture", train(edges, 1e-3), macros, peeks=(*AT, *COUNT))
    phase = round(done.run.timer_phase_s * F_CPU_HZ)
    captured = np.ceil(edge_s * F_CPU_HZ - 0.5) + 3
    assert done.items("at")[:8] == list(((captured - phase) // 8).astype(int))
    assert phase % 8 == 0, "the prescaler counts from the release of reset"


def test_both_edges_are_caught_by_changing_the_edge(emulate: Emulate) -> None:
    """Y1: ICES1 decides at the moment of the edge."""
    edge_s = np.arange(6) * 700 * CYCLE_S + 300e-6
    macros = {"CANCELLER": 1, "RISING": 1, "CLOCK": DIV1, "BOTH_EDGES": 1}
    done = emulate("capture", train(edge_s, 1e-3), macros, peeks=(*AT, *COUNT))
    assert list(np.diff(captured_cycles(done))) == [700] * 5


def test_the_pin_register_sees_the_unfiltered_level(emulate: Emulate) -> None:
    """S8: PINx is behind the synchroniser only, 0.5 to 1.5 clocks after the pin (14.2.4)."""
    edge_s = (np.arange(20) * 401.3 + 4000) * CYCLE_S
    macros = {"CANCELLER": 1, "RISING": 1, "CLOCK": DIV1, "FOLLOW": 1}
    done = emulate("capture", train(edge_s, 1e-3), macros, coils=(CoilPin("B", 5),))
    lag = np.array([cycle for cycle, _ in done.edges()]) - edge_s * F_CPU_HZ
    assert len(lag) == 20
    assert 0.5 <= lag.min() <= 3.5
    assert lag.max() <= 1.5 + 9  # the loop that copies the pin


def test_a_pull_up_makes_no_edge_of_its_own(emulate: Emulate) -> None:
    """S10: the pull-up is on, the pin held low from outside; port writes change nothing."""
    macros = {"CANCELLER": 0, "RISING": 1, "CLOCK": DIV1, "PULL_UP": 1}
    done = emulate("capture", train([200e-6, 300e-6], 1e-3), macros, peeks=COUNT)
    assert done.run.counters["count0"] == 1
