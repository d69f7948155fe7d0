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

import sparktick.examples
from sparktick.gen.pipeline import generate
from sparktick.host_sim.bench import Bench, Hardware
from sparktick.host_sim.glitches import merge_toggles, random_glitches
from sparktick.host_sim.library import Library, load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.run import Train
from sparktick.host_sim.train import pickup_train, steady

SPEEDS_RPM = (300.0, 1000.0, 3000.0, 6000.0, 8000.0)


Clock = Callable[[], float]


def best_of(repeats: int, action: Callable[[], object], clock: Clock = time.process_time) -> float:
    """Return the shortest time in seconds; by default of the processor, whatever else it runs."""
    times = []
    for _ in range(repeats):
        begin = clock()
        action()
        times.append(clock() - begin)
    return min(times)


def turns_per_s(library: Library, chip: Hardware, train: Train, turns: int, repeats: int) -> float:
    """Return engine turns a second of one core, without making the train."""

    def run() -> None:
        Bench(library, chip).feed(train.edge_s, train.active, train.end_s)

    return turns / best_of(repeats, run)


def one_call_an_event(library: Library, manifest: Manifest, turns: int, repeats: int) -> float:
    """Return turns a second when Python calls the core for each of the six events of a turn."""
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

    return turns / best_of(repeats, run)


def threads_ratio(library: Library, chip: Hardware, train: Train, repeats: int) -> float:
    """Return how much more two threads run in the same time than one."""

    def run() -> None:
        Bench(library, chip).feed(train.edge_s, train.active, train.end_s)

    def pair() -> None:
        workers = [threading.Thread(target=run) for _ in range(2)]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()

    wall = time.perf_counter
    return 2.0 * best_of(repeats, run, wall) / best_of(repeats, pair, wall)


def measure_all(folder: Path, turns: int, repeats: int) -> dict[str, Figure]:
    """Return all figures of one firmware folder; turns are those of the engine."""
    manifest, library = read_manifest(folder), load(folder)
    real, ideal = Hardware.of(manifest), Hardware.of(manifest, ideal=True)
    figures: dict[str, Figure] = {"turns": turns}
    for rpm in SPEEDS_RPM:
        train = pickup_train(steady(rpm), manifest, turns * 60.0 / rpm)
        for name, chip in (("ideal", ideal), ("chip", real)):
            rate = turns_per_s(library, chip, train, turns, repeats)
            figures[f"{name}_{rpm:.0f}_rpm_million_turns_per_s"] = rate / 1e6
    train = pickup_train(steady(6000.0), manifest, turns * 0.01)
    toggles = random_glitches(np.random.default_rng(1), 0.0, train.end_s, 200.0, (1e-7, 5e-6))
    noisy = merge_toggles(train, toggles)
    rate = turns_per_s(library, real, noisy, turns, repeats)
    figures["chip_6000_rpm_200_glitches_per_s_million_turns_per_s"] = rate / 1e6
    calls = one_call_an_event(library, manifest, turns // 20, repeats)
    figures["one_cffi_call_an_event_million_turns_per_s"] = calls / 1e6
    loop = float(figures["ideal_6000_rpm_million_turns_per_s"]) * 1e6
    figures["ideal_loop_over_one_call_an_event_ratio"] = loop / calls
    figures["two_threads_over_one_ratio"] = threads_ratio(library, real, train, repeats)
    making_s = best_of(repeats, lambda: pickup_train(steady(6000.0), manifest, 1e3))
    figures["making_the_train_million_turns_per_s"] = 1e5 / making_s / 1e6
    return figures


def main() -> None:
    """Measure and record."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=400_000)
    parser.add_argument("--repeats", type=int, default=5)
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
        "chip: capture filter, latencies, handler times; ideal: without.",
    )
    for name, value in figures.items():
        print(f"{name}: {value}")


if __name__ == "__main__":
    main()
