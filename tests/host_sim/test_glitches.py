"""If this fails, glitches are not what is asked for or do not invert the line."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim.glitches import burst_patterns, merge_toggles, random_glitches
from sparktick.host_sim.manifest import Geometry
from sparktick.host_sim.run import Train
from sparktick.host_sim.train import make_train, steady

GEOMETRY = Geometry(48.0, 14.0, 1, "crank")


def level_at(train: Train, at_s: np.ndarray) -> np.ndarray:
    place = np.searchsorted(train.edge_s, at_s, side="right")
    return np.concatenate(([0], train.active))[place]


def test_random_glitches_have_the_rate_and_widths_asked_for() -> None:
    """Mean count of a Poisson process, within four standard deviations."""
    toggles = random_glitches(np.random.default_rng(1), 2.0, 12.0, 500.0, (1e-6, 1e-5))
    assert len(toggles) % 2 == 0
    assert len(toggles) / 2 == pytest.approx(5000, abs=4 * 5000**0.5)
    assert toggles[0] >= 2.0 and toggles[-1] <= 12.0 + 1e-5
    sparse = random_glitches(np.random.default_rng(1), 0.0, 1000.0, 1.0, (1e-6, 1e-5))
    width = np.diff(sparse)[::2]
    assert width.min() >= 0.99e-6 and width.max() <= 1.01e-5
    # spread over the logarithm: half of them below the geometric mean
    assert np.mean(width < 10**-5.5) == pytest.approx(0.5, abs=0.07)


def test_merging_is_an_exclusive_or_of_levels() -> None:
    train = make_train(steady(3000.0), GEOMETRY, 1.0)
    toggles = random_glitches(np.random.default_rng(2), 0.0, 1.0, 20_000.0, (1e-6, 3e-3))
    merged = merge_toggles(train, toggles)
    at_s = np.random.default_rng(3).uniform(0.0, 1.0, 5000)
    inverted = np.searchsorted(toggles, at_s, side="right") % 2
    np.testing.assert_array_equal(level_at(merged, at_s), level_at(train, at_s) ^ inverted)
    np.testing.assert_array_equal(merged.edge_s[merged.true_edge == 1], train.edge_s)


def test_merging_nothing_changes_nothing() -> None:
    train = make_train(steady(3000.0), GEOMETRY, 0.1)
    merged = merge_toggles(train, np.zeros(0))
    np.testing.assert_array_equal(merged.edge_s, train.edge_s)
    np.testing.assert_array_equal(merged.active, train.active)


@pytest.mark.parametrize("toggles", [[0.1], [0.2, 0.1]])
def test_toggles_come_in_ascending_pairs(toggles: list[float]) -> None:
    train = make_train(steady(3000.0), GEOMETRY, 0.1)
    with pytest.raises(RunError, match="pairs, in ascending order"):
        merge_toggles(train, np.array(toggles))


def test_widths_must_be_possible() -> None:
    with pytest.raises(RunError, match="shortest <= longest"):
        random_glitches(np.random.default_rng(1), 0.0, 1.0, 10.0, (2e-6, 1e-6))


def test_burst_patterns() -> None:
    noise = burst_patterns(
        np.random.default_rng(4), patterns=50, glitches=(3, 9), span_s=60e-6, width_s=(1e-7, 8e-6)
    )
    counts = [len(toggles) // 2 for toggles in noise.patterns]
    assert min(counts) >= 3 and max(counts) <= 9 and len(set(counts)) > 3
    assert max(toggles[-1] for toggles in noise.patterns) <= 68e-6
    starts = np.concatenate(noise.patterns)
    assert np.median(starts) < 30e-6  # denser at the begin
