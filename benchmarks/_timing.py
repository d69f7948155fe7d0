"""Times of what is measured: several actions by turns, so that all see the same machine."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from _results import Figure

from sparktick.host_sim.bench import Bench, Hardware
from sparktick.host_sim.library import Library
from sparktick.host_sim.run import F64, U8, Train

BLOCK_PULSES = 10_000  # as train_blocks gives them, and about what a campaign's block has

Clock = Callable[[], float]
Blocks = list[tuple[F64, U8, float]]


@dataclass(frozen=True)
class Rates:
    """Something a second, one value a round."""

    per_s: tuple[float, ...]

    @property
    def median(self) -> float:
        """Return the middle one."""
        return statistics.median(self.per_s)

    def figures(self, name: str, scale: float = 1.0) -> dict[str, Figure]:
        """Return median, least and greatest under a name that ends in its unit."""
        return {
            name: self.median * scale,
            f"{name}_least": min(self.per_s) * scale,
            f"{name}_greatest": max(self.per_s) * scale,
        }

    def over(self, other: Rates) -> Rates:
        """Return the ratio round by round."""
        pairs = zip(self.per_s, other.per_s, strict=True)
        return Rates(tuple(mine / theirs for mine, theirs in pairs))


def rounds(
    actions: Mapping[str, tuple[Callable[[], object], float]],
    count: int,
    clock: Clock = time.process_time,
) -> dict[str, Rates]:
    """Run every action once a round, after one round to warm up; an action comes with its amount.

    By default of the processor's time, which other programs on the machine disturb less.
    """
    found: dict[str, list[float]] = {name: [] for name in actions}
    for k in range(count + 1):
        for name, (action, amount) in actions.items():
            begin = clock()
            action()
            took = clock() - begin
            if k:
                found[name].append(amount / took)
    return {name: Rates(tuple(rates)) for name, rates in found.items()}


def in_blocks(train: Train) -> Blocks:
    """Return a train cut as a streamed run cuts it: edges, levels, end of each block."""
    edge_s, active, step = train.edge_s, train.line, 2 * BLOCK_PULSES
    ends_s = [*(0.5 * (edge_s[step::step] + edge_s[step - 1 : -1 : step])), train.end_s]
    return [
        (edge_s[k * step : (k + 1) * step], active[k * step : (k + 1) * step], float(end_s))
        for k, end_s in enumerate(ends_s)
    ]


def feed(library: Library, chip: Hardware, blocks: Blocks) -> Bench:
    """Run blocks on a fresh chip."""
    bench = Bench(library, chip)
    for edge_s, active, end_s in blocks:
        bench.feed(edge_s, active, end_s)
    return bench
