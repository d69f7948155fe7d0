"""Glitches on the pickup line: short inversions of its level, drawn or given, merged into trains.

A glitch inverts the line while it lasts; two that overlap cancel where they do, as toggles do.
"""

from __future__ import annotations

import numpy as np

from sparktick.gen.errors import RunError

from .bench import NoisePatterns
from .run import F64, Train


def _log_uniform(
    rng: np.random.Generator, span: tuple[float, float], size: int | tuple[int, ...]
) -> F64:
    low, high = span
    if not 0.0 < low <= high:
        raise RunError(f"widths {low:g} to {high:g} s: 0 < shortest <= longest is wanted")
    return np.exp(rng.uniform(np.log(low), np.log(high), size))


def random_glitches(
    rng: np.random.Generator,
    begin_s: float,
    end_s: float,
    rate_hz: float,
    width_s: tuple[float, float],
) -> F64:
    """Return toggles (2 n,) ascending of glitches that come at random (Poisson).

    ``rate_hz`` is their mean rate; widths are spread evenly over the logarithm between
    the two of ``width_s``.
    """
    count = int(rng.poisson(rate_hz * max(end_s - begin_s, 0.0)))
    start = np.sort(rng.uniform(begin_s, end_s, count))
    return np.sort(np.concatenate((start, start + _log_uniform(rng, width_s, count))))


def merge_toggles(train: Train, toggle_s: F64) -> Train:
    """Return the train with its line inverted between every two toggles (an exclusive-or).

    ``toggle_s`` (2 n,) ascending seconds.  Where a toggle falls on a true edge the two remain
    as two changes at one instant.  The train must alternate, as those of the crank do.
    """
    if len(toggle_s) % 2 or np.any(np.diff(toggle_s) < 0):
        raise RunError("toggles come in pairs, in ascending order")
    if np.any(np.diff(train.active.astype(np.int8)) == 0):
        raise RunError("a train with repeated levels cannot be merged with glitches")
    edge_s = np.concatenate((train.edge_s, toggle_s))
    true_edge = np.concatenate((train.true_edge, np.zeros(len(toggle_s), np.uint8)))
    order = np.argsort(edge_s, kind="stable")
    first = 1 if len(train.active) == 0 or train.active[0] == 1 else 0
    active = ((np.arange(len(order)) + first) % 2).astype(np.uint8)
    return Train(edge_s[order], active, true_edge[order], train.end_s, train.motion, train.second_s)


def burst_patterns(
    rng: np.random.Generator,
    *,
    patterns: int,
    glitches: tuple[int, int],
    span_s: float,
    width_s: tuple[float, float],
) -> NoisePatterns:
    """Return noise to follow a switching of the coil: each pattern some glitches, thinning out.

    ``glitches`` is the least and greatest number in a pattern; they lie within ``span_s`` of
    the switching, denser at its begin (squared uniform), their widths as in random_glitches.
    """
    found = []
    for _ in range(patterns):
        count = int(rng.integers(glitches[0], glitches[1] + 1))
        start = span_s * rng.uniform(0.0, 1.0, count) ** 2
        found.append(np.sort(np.concatenate((start, start + _log_uniform(rng, width_s, count)))))
    return NoisePatterns(tuple(found))
