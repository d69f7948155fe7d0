"""If this fails, the pin's samples or the noise canceller differ from counting them one by one."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sparktick.host_sim.chip import pin_filter

CLOCK_HZ = 16e6
quarters = st.lists(st.integers(0, 400), min_size=0, max_size=30)


def level_at(edge: np.ndarray, level: np.ndarray, idle: int, cycle: float) -> int:
    index = int(np.searchsorted(edge, cycle, side="right"))
    return idle if index == 0 else int(level[index - 1])


def step_by_step(
    edge: np.ndarray, level: np.ndarray, idle: int, end: int
) -> tuple[list[int], list[int]]:
    """Return samples and four-in-a-row output as a shift register makes them, clock by clock."""
    samples, output = [], []
    held, history = idle, [idle] * 4
    for cycle in range(end):
        now = level_at(edge, level, idle, cycle + 0.5)
        history = [*history[1:], now]
        if len(set(history)) == 1:
            held = history[0]
        samples.append(now)
        output.append(held)
    return samples, output


def unroll(changes: pin_filter.Levels, idle: int, end: int) -> list[int]:
    return [level_at(changes.cycle, changes.level, idle, cycle) for cycle in range(end)]


@given(quarters, st.integers(0, 1), st.data())
def test_samples_and_canceller_against_a_shift_register(
    at_quarters: list[int], idle: int, data: st.DataObject
) -> None:
    edge = np.sort(np.array(at_quarters, dtype=float)) / 4.0 + 0.1
    level = np.array([data.draw(st.integers(0, 1)) for _ in edge], dtype=np.uint8)
    end = 130
    samples = pin_filter.sample(edge / CLOCK_HZ, level, CLOCK_HZ, idle)
    wanted, wanted_held = step_by_step(edge, level, idle, end)
    assert unroll(samples, idle, end) == wanted
    filtered = pin_filter.capture_filtered(samples, idle)
    # Four samples more than the first, and the unfiltered path's three clocks: 3 + 4 in all.
    shifted = pin_filter.Levels(filtered.cycle - 3 - 1, filtered.level)
    assert unroll(shifted, idle, end) == wanted_held
    assert np.all(np.diff(filtered.cycle) > 0)


def test_no_edges_are_no_changes() -> None:
    samples = pin_filter.sample(np.array([]), np.array([], dtype=np.uint8), CLOCK_HZ, 0)
    assert len(pin_filter.pin_register(samples).cycle) == 0
    assert len(pin_filter.capture_direct(samples).cycle) == 0
    assert len(pin_filter.capture_filtered(samples, 0).cycle) == 0
