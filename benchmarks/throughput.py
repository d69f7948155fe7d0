"""The whole simulator's throughput: noise edges, train to verdict, two cores, chip, pure Python.

    python benchmarks/throughput.py             some minutes, up to 10^8 turns
    python benchmarks/throughput.py --most 6    only up to 10^6 turns; records nothing

host_speed.py has the C loop alone.  The pure-Python event loop here is what one would write first:
a heap of events, the same edges, the same curve, no layers.
"""

from __future__ import annotations

import argparse
import heapq
import itertools
import json
import multiprocessing
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from _results import JSON_FILE, Figure, record

import sparktick.examples
from sparktick.gen import toolchain
from sparktick.gen.pipeline import generate
from sparktick.host_sim import campaign
from sparktick.host_sim.bench import Bench, Hardware
from sparktick.host_sim.campaign import Source
from sparktick.host_sim.campaign_run import Store, Where, run_blocks
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.glitches import merge_toggles
from sparktick.host_sim.library import Library, load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.measure import measure
from sparktick.host_sim.train import LineDelay, pickup_train, steady, train_blocks

RPM = 6000.0
EDGES_PER_S = 1e6


def seconds(action: Callable[[], object], clock: Callable[[], float], repeats: int = 3) -> float:
    """Return the shortest of several times."""
    best = np.inf
    for _ in range(repeats):
        begin = clock()
        action()
        best = min(best, clock() - begin)
    return float(best)


def loop_rate(library: Library, manifest: Manifest, turns: int) -> float:
    """Return turns a second of the C loop with the full hardware model."""
    train = pickup_train(steady(RPM), manifest, turns * 60.0 / RPM)
    chip = Hardware.of(manifest)
    return turns / seconds(
        lambda: Bench(library, chip).feed(train.edge_s, train.active, train.end_s),
        time.process_time,
    )


def noise_edge_rate(library: Library, manifest: Manifest) -> float:
    """Return edges a second where the line toggles a million times a second."""
    train = pickup_train(steady(RPM), manifest, 200 * 60.0 / RPM)
    rng = np.random.default_rng(1)
    toggles = np.sort(rng.uniform(0.0, train.end_s, 2 * int(EDGES_PER_S * train.end_s / 2)))
    noisy, chip = merge_toggles(train, toggles), Hardware.of(manifest)
    return len(noisy.edge_s) / seconds(
        lambda: Bench(library, chip).feed(noisy.edge_s, noisy.active, noisy.end_s),
        time.process_time,
    )


def pipeline(library: Library, manifest: Manifest, turns: int) -> int:
    """Make, run and measure a train in blocks; return the sparks."""
    bench, sparks = Bench(library, Hardware.of(manifest)), 0
    blocks = train_blocks(
        steady(RPM),
        manifest.geometry,
        turns * 60.0 / RPM,
        delay=LineDelay.of(manifest),
    )
    for train, run in bench.run_blocks(blocks):
        sparks += len(measure(run, train, manifest).spark_s)
    return sparks


def python_loop(manifest: Manifest, turns: int) -> int:
    """Run the curve's timing as a heap of events in plain Python; return the sparks."""
    lead, arc = manifest.geometry.lead_edge_deg_btdc, manifest.geometry.arc_deg
    points, dwell = manifest.curve, manifest.dwell_us * 1e-6
    period = 60.0 / RPM
    events: list[tuple[float, str]] = [(0.0, "lead")]
    last, sparks, made = -1.0, 0, 0
    while events:
        now, kind = heapq.heappop(events)
        if kind == "lead":
            if last >= 0.0:
                rpm = 60.0 / (now - last)
                advance = points[-1][1]
                for (x0, y0), (x1, y1) in itertools.pairwise(points):
                    if rpm < x1:
                        advance = y0 + (y1 - y0) * max(0.0, rpm - x0) / (x1 - x0)
                        break
                spark = now + (now - last) * (lead - advance) / 360.0
                heapq.heappush(events, (max(now, spark - dwell), "on"))
                heapq.heappush(events, (spark, "off"))
            last = now
            heapq.heappush(events, (now + period * arc / 360.0, "trail"))
            made += 1
            if made < turns:
                heapq.heappush(events, (now + period, "lead"))
        elif kind == "off":
            sparks += 1
    return sparks


def chip_rate(manifest: Manifest, turns: int) -> float:
    """Return turns a second of the instruction-level emulator."""
    train = pickup_train(steady(RPM), manifest, turns * 60.0 / RPM)
    job = chip_job(manifest, train, serial=False)
    wall = time.perf_counter
    return turns / seconds(lambda: run_chip(job, "simavr"), wall, 1)


def cores_ratio(source: Source, folder: Path, turns: int) -> float:
    """Return how much faster two processes finish the same blocks than one, by the clock."""
    blocks = campaign.plan_blocks(("ringing",), (0.0,), (RPM,), range(1, 81), turns)

    def run(jobs: int) -> Callable[[], object]:
        return lambda: run_blocks(
            source, Store(folder, source, blocks, restart=True), Where(jobs, None)
        )

    wall = time.perf_counter
    return seconds(run(1), wall, 1) / seconds(run(2), wall, 1)


def own_time_s(folder: Path, turns: int) -> float:
    """Return the processor time that a process needs for a pipeline; what a worker is given."""
    manifest, library = read_manifest(folder), load(folder)
    return seconds(lambda: pipeline(library, manifest, turns), time.process_time, 5)


def side_by_side_ratio(folder: Path, turns: int) -> float:
    """Return the same by processor time, which other programs on the machine disturb less."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        alone = pool.submit(own_time_s, folder, turns).result()
        pair = [pool.submit(own_time_s, folder, turns) for _ in range(2)]
        return 2.0 * alone / max(one.result() for one in pair)


def flatness(library: Library, manifest: Manifest, most: int) -> dict[str, Figure]:
    """Return cost and memory of whole pipelines of 10^4 turns and more."""
    figures: dict[str, Figure] = {}
    for power in range(4, most + 1):
        turns = 10**power
        took = seconds(
            lambda turns=turns: pipeline(library, manifest, turns),  # type: ignore[misc]
            time.process_time,
            3 if power < 6 else 1,
        )
        figures[f"pipeline_ns_per_turn_1e{power}_turns"] = round(1e9 * took / turns, 1)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        figures[f"peak_memory_mib_1e{power}_turns"] = round(peak / 1024.0, 1)
    costs = [float(cost) for name, cost in figures.items() if name.startswith("pipeline")]
    figures["pipeline_dearest_over_cheapest_turn_ratio"] = round(max(costs) / min(costs), 2)
    return figures


def main() -> None:
    """Measure and record."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--record", action="store_true", help="record a short run, keep longer rows"
    )
    parser.add_argument("--most", type=int, default=8, help="power of ten of the longest run")
    options = parser.parse_args()
    most = options.most
    example = Path(next(iter(sparktick.examples.__path__))) / "plover.toml"
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "fw"
        generate(example, folder)
        toolchain.build(folder)
        manifest, library = read_manifest(folder), load(folder)
        figures = flatness(library, manifest, most)
        pipeline(library, manifest, 200_000)
        whole = 500_000 / seconds(lambda: pipeline(library, manifest, 500_000), time.process_time)
        loop = loop_rate(library, manifest, 200_000)
        plain = 20_000 / seconds(lambda: python_loop(manifest, 20_000), time.process_time)
        chip = chip_rate(manifest, 500)
        ratio = cores_ratio(
            campaign.read_source(folder), Path(scratch) / "c", 500_000 if most >= 8 else 50_000
        )
        figures |= {
            "c_loop_million_turns_per_s": loop / 1e6,
            "noise_edges_million_per_s": noise_edge_rate(library, manifest) / 1e6,
            "train_run_measure_million_turns_per_s": whole / 1e6,
            "two_processes_over_one_by_the_clock_ratio": ratio,
            "load_average_meanwhile": os.getloadavg()[0],
            "two_processes_over_one_by_processor_time_ratio": side_by_side_ratio(folder, 200_000),
            "python_event_loop_million_turns_per_s": plain / 1e6,
            "c_loop_over_python_event_loop_ratio": loop / plain,
            "emulator_thousand_turns_per_s": chip / 1e3,
            "c_loop_over_emulator_ratio": loop / chip,
        }
    if options.record and JSON_FILE.exists():
        before = json.loads(JSON_FILE.read_text(encoding="utf-8")).get("throughput", {})
        figures = {**before.get("figures", {}), **figures}
    if most >= 8 or options.record:
        record(
            "throughput",
            figures,
            note="Plover at 6000 rpm, full hardware model, one core unless said. Processor time, "
            "the emulator and two processes by the clock; train to verdict in blocks of 10 000. "
            "The Python loop knows 4 events a turn and no hardware, the C loop about 40.",
        )
    for name, value in figures.items():
        print(f"{name}: {value}")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
