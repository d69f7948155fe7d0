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

import sparktick.examples
from _results import record
from sparktick.gen.pipeline import generate
from sparktick.host_sim.bench import Bench, Hardware
from sparktick.host_sim.library import Library, load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.run import Train
from sparktick.host_sim.simulate import _noisy, NoiseLevel, steady_scenario
from sparktick.host_sim.train import make_train, pickup_train, steady

SPEEDS_RPM = (300.0, 1000.0, 3000.0, 6000.0, 8000.0)


def best_of(repeats: int, action: Callable[[], None]) -> float:
    """Return the shortest time in seconds."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        action()
        times.append(time.perf_counter() - begin)
    return min(times)


def turns_per_s(library: Library, chip: Hardware, train: Train, turns: int, repeats: int) -> float:
    """Return engine turns a second of one core, without making the train."""

    def run() -> None:
        Bench(library, chip).feed(train.edge_s, train.active, train.end_s)

    return turns / best_of(repeats, run)


def one_call_an_event(library: Library, manifest: Manifest, turns: int, repeats: int) -> float:
    """Return turns a second when Python calls the core for each of the six events of a turn."""
    bench = Bench(library, Hardware.of(manifest, ideal=True))
    bench.feed(*_nothing(), 1.0)
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


def _nothing() -> tuple[list[float], list[int]]:
    return [], []


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

    return 2.0 * best_of(repeats, run) / best_of(repeats, pair)


def measure_all(folder: Path, turns: int, repeats: int) -> dict[str, object]:
    """Return all figures of one firmware folder."""
    manifest, library = read_manifest(folder), load(folder)
    real, ideal = Hardware.of(manifest), Hardware.of(manifest, ideal=True)
    with_chip, without = {}, {}
    for rpm in SPEEDS_RPM:
        train = pickup_train(steady(rpm), manifest, turns * 60.0 / rpm)
        key = f"at_{rpm:.0f}_rpm_million_turns_per_s"
        with_chip[key] = turns_per_s(library, real, train, turns, repeats) / 1e6
        without[key] = turns_per_s(library, ideal, train, turns, repeats) / 1e6
    top = pickup_train(steady(6000.0), manifest, turns * 0.01)
    scenario = steady_scenario(manifest, 6000.0, pulses=turns, noise=("glitches",))
    noisy, _ = _noisy(scenario, top, NoiseLevel(), 1)
    calls = one_call_an_event(library, manifest, turns // 20, repeats)
    making_s = best_of(3, lambda: None if make_train(steady(6000.0), manifest.geometry, 1e3) else None)
    base = without["at_6000_rpm_million_turns_per_s"]
    return {
        "command": "python benchmarks/host_speed.py",
        "engine": manifest.name,
        "turns": turns,
        "chip timing (filter, latency, handler times)": with_chip,
        "ideal": without,
        "with 200 glitches a second, at_6000_rpm_million_turns_per_s": turns_per_s(
            library, real, noisy, turns, repeats
        )
        / 1e6,
        "one cffi call an event, million_turns_per_s": calls / 1e6,
        "ideal loop over one call an event, ratio": base * 1e6 / calls,
        "two threads over one, ratio": threads_ratio(library, real, top, repeats),
        "making the train, million_turns_per_s": 1e5 / making_s / 1e6,
    }


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
    record("host simulator speed", figures)
    for name, value in figures.items():
        print(f"{name}: {value}")


if __name__ == "__main__":
    main()
