"""How many engine turns a second the host simulator runs on one core.

The baseline is what a simulator without the C loop would do: the same core, the same events, one
call through cffi for each, measured in the same process.

    python benchmarks/host_speed.py
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from _results import Figure, record
from _timing import Blocks, Rates, feed, in_blocks, rounds

import sparktick.examples
from sparktick.gen.pipeline import generate
from sparktick.host_sim.bench import Bench, Hardware
from sparktick.host_sim.glitches import merge_toggles, random_glitches
from sparktick.host_sim.library import Library, load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.memory import keep_freed_memory
from sparktick.host_sim.train import pickup_train, steady

SPEEDS_RPM = (300.0, 1000.0, 3000.0, 6000.0, 8000.0)


def one_call_an_event(library: Library, manifest: Manifest, turns: int) -> Callable[[], None]:
    """Return a run in which Python calls the core for each of the six events of a turn."""
    bench = Bench(library, Hardware.of(manifest, ideal=True))
    bench.feed(np.zeros(0), np.zeros(0, np.uint8), 1.0)
    lib, chip = library.lib, bench._bench
    period = round(manifest.tick_hz * 60.0 / 6000.0)

    def run() -> None:
        now = 4_000_000
        for _ in range(turns):
            lib.bench_one_capture(chip, now, now + 20)
            lib.bench_one_alarm(chip, now + 40, 1)
            lib.bench_one_coil(chip, now + 500, 0)
            lib.bench_one_capture(chip, now + 900, now + 920)
            lib.bench_one_alarm(chip, now + 940, 0)
            lib.bench_one_coil(chip, now + period - 4000, 1)
            now += period

    return run


def threads_ratio(library: Library, chip: Hardware, blocks: Blocks, count: int) -> Rates:
    """Return how much more two threads run in the same time than one."""

    def run() -> None:
        feed(library, chip, blocks)

    def pair() -> None:
        workers = [threading.Thread(target=run) for _ in range(2)]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()

    found = rounds({"one": (run, 1.0), "two": (pair, 2.0)}, count, time.perf_counter)
    return found["two"].over(found["one"])


def measure_all(folder: Path, turns: int, repeats: int) -> dict[str, Figure]:
    """Return all figures of one firmware folder; turns are those of the engine."""
    keep_freed_memory()
    manifest, library = read_manifest(folder), load(folder)
    chips = {"chip": Hardware.of(manifest), "ideal": Hardware.of(manifest, ideal=True)}
    runs: dict[str, tuple[Callable[[], object], float]] = {}

    def add(name: str, chip: Hardware, blocks: Blocks) -> None:
        runs[f"{name}_million_turns_per_s"] = (lambda: feed(library, chip, blocks), turns)

    for rpm in SPEEDS_RPM:
        blocks = in_blocks(pickup_train(steady(rpm), manifest, turns * 60.0 / rpm))
        for name, chip in chips.items():
            add(f"{name}_{rpm:.0f}_rpm", chip, blocks)
    train = pickup_train(steady(6000.0), manifest, turns * 0.01)
    toggles = random_glitches(np.random.default_rng(1), 0.0, train.end_s, 200.0, (1e-7, 5e-6))
    noisy = merge_toggles(train, toggles)
    whole = [(noisy.edge_s, noisy.line, noisy.end_s)]
    add("chip_6000_rpm_200_glitches_per_s", chips["chip"], whole)
    few = turns // 20
    calls = "one_cffi_call_an_event_million_turns_per_s"
    runs[calls] = (one_call_an_event(library, manifest, few), few)
    runs["making_the_train_million_turns_per_s"] = (
        lambda: pickup_train(steady(6000.0), manifest, 1e3),
        1e5,
    )
    found = rounds(runs, repeats)
    figures: dict[str, Figure] = {"turns": turns, "rounds": repeats}
    for name, rates in found.items():
        figures |= rates.figures(name, 1e-6)
    loop = found["ideal_6000_rpm_million_turns_per_s"]
    figures |= loop.over(found[calls]).figures("ideal_loop_over_one_call_an_event_ratio")
    two = threads_ratio(library, chips["chip"], in_blocks(train), repeats)
    return figures | two.figures("two_threads_over_one_ratio")


def main() -> None:
    """Measure and record."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=200_000)
    parser.add_argument("--repeats", type=int, default=9)
    options = parser.parse_args()
    source = Path(next(iter(sparktick.examples.__path__))) / "plover.toml"
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "firmware"
        generate(source, folder)
        figures = measure_all(folder, options.turns, options.repeats)
    record(
        "host_speed",
        figures,
        note="Engine turns a second on one core, every event of the firmware's own C included. "
        "chip: capture filter, latencies, handler times; ideal: without. Medians of some rounds, "
        "and the least and greatest; blocks of 10 000 turns.",
    )
    for name, value in figures.items():
        print(f"{name}: {value}")


if __name__ == "__main__":
    main()
