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
from _timing import Rates, feed, in_blocks, rounds

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
from sparktick.host_sim.memory import keep_freed_memory
from sparktick.host_sim.train import LineDelay, pickup_train, steady, train_blocks

RPM = 6000.0
SPEEDS_RPM = (300.0, 1000.0, 3000.0, RPM, 8000.0)
EDGES_PER_S = 1e6
EVENTS = ("edges", "captured", "alarms", "polls")  # and the coil: 2


def loop(library: Library, manifest: Manifest, rpm: float, turns: int) -> Callable[[], Bench]:
    """Return a run of the C loop with the full hardware model."""
    blocks = in_blocks(pickup_train(steady(rpm), manifest, turns * 60.0 / rpm))
    return lambda: feed(library, Hardware.of(manifest), blocks)


def noisy_loop(library: Library, manifest: Manifest) -> tuple[Callable[[], Bench], float]:
    """Return a run where the line toggles a million times a second, and its edges."""
    train = pickup_train(steady(RPM), manifest, 200 * 60.0 / RPM)
    rng = np.random.default_rng(1)
    toggles = np.sort(rng.uniform(0.0, train.end_s, 2 * int(EDGES_PER_S * train.end_s / 2)))
    noisy = merge_toggles(train, toggles)
    blocks = [(noisy.edge_s, noisy.line, noisy.end_s)]
    return lambda: feed(library, Hardware.of(manifest), blocks), float(len(noisy.edge_s))


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


def chip_loop(manifest: Manifest, turns: int) -> Callable[[], object]:
    """Return a run of the instruction-level emulator."""
    train = pickup_train(steady(RPM), manifest, turns * 60.0 / RPM)
    job = chip_job(manifest, train, serial=False)
    return lambda: run_chip(job, "simavr")


def cores_ratio(source: Source, folder: Path, turns: int, count: int) -> Rates:
    """Return how much faster two processes finish the same blocks than one, by the clock."""
    blocks = campaign.plan_blocks(("ringing",), (0.0,), (RPM,), range(1, 81), turns)

    def run(jobs: int) -> Callable[[], object]:
        return lambda: run_blocks(
            source, Store(folder, source, blocks, restart=True), Where(jobs, None)
        )

    one_two = rounds({"one": (run(1), 1.0), "two": (run(2), 1.0)}, count, time.perf_counter)
    return one_two["two"].over(one_two["one"])


def own_time_s(folder: Path, turns: int) -> float:
    """Return the processor time that a process needs for a pipeline; what a worker is given."""
    manifest, library = read_manifest(folder), load(folder)
    run = {"one": (lambda: pipeline(library, manifest, turns), 1.0)}
    return 1.0 / rounds(run, 5)["one"].median


def side_by_side_ratio(folder: Path, turns: int) -> float:
    """Return the same by processor time, which other programs on the machine disturb less."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        alone = pool.submit(own_time_s, folder, turns).result()
        pair = [pool.submit(own_time_s, folder, turns) for _ in range(2)]
        return 2.0 * alone / max(one.result() for one in pair)


def flatness(library: Library, manifest: Manifest, most: int) -> dict[str, Figure]:
    """Return cost and memory of whole pipelines of 10^4 turns and more, medians of some runs."""
    figures: dict[str, Figure] = {}
    costs_ns = []
    for power in range(4, most + 1):
        turns = 10**power
        run = {"run": (lambda turns=turns: pipeline(library, manifest, turns), turns)}
        rates = rounds(run, {4: 25, 5: 15, 6: 5, 7: 2}.get(power, 1))["run"]  # type: ignore[arg-type]
        costs_ns.append(1e9 / rates.median)
        figures[f"pipeline_ns_per_turn_1e{power}_turns"] = round(costs_ns[-1], 1)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        figures[f"peak_memory_mib_1e{power}_turns"] = round(peak / 1024.0, 1)
    figures["pipeline_dearest_over_cheapest_turn_ratio"] = round(max(costs_ns) / min(costs_ns), 2)
    return figures


def speeds(library: Library, manifest: Manifest, count: int) -> dict[str, Figure]:
    """Return the C loop's rates, each over the pure-Python loop's of the same round."""
    turns = 100_000
    runs = {
        f"c_loop_{rpm:.0f}_rpm": (loop(library, manifest, rpm, turns), float(turns))
        for rpm in SPEEDS_RPM
    }
    few = 20_000
    python = (lambda: python_loop(manifest, few), float(few))
    noisy, edges = noisy_loop(library, manifest)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    more = {"python": python, "noisy": (noisy, edges)}
    more["whole"] = (lambda: pipeline(library, manifest, turns), float(turns))
    found = rounds({**runs, **more}, count)
    faults = resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before
    figures: dict[str, Figure] = {"rounds": count}
    for name, (run, _) in runs.items():
        facts = run().facts()
        events = 2.0 + sum(facts[kind] for kind in EVENTS) / turns
        figures[f"{name}_events_per_turn"] = round(events, 1)
        figures |= found[name].figures(f"{name}_million_turns_per_s", 1e-6)
    figures |= found["noisy"].figures("noise_edges_million_per_s", 1e-6)
    figures |= found["whole"].figures("train_run_measure_million_turns_per_s", 1e-6)
    figures |= found["python"].figures("python_event_loop_million_turns_per_s", 1e-6)
    ratio = found[f"c_loop_{RPM:.0f}_rpm"].over(found["python"])
    figures |= ratio.figures("c_loop_over_python_event_loop_ratio")
    figures["page_faults_per_round"] = round(faults / (count + 1), 1)
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
        keep_freed_memory()
        count = 15 if most >= 8 else 5
        figures = flatness(library, manifest, most)  # first, for the memory's sake
        figures |= speeds(library, manifest, count)
        some, few = 500_000, 500
        both = rounds(
            {
                "loop": (loop(library, manifest, RPM, some), float(some)),
                "emulator": (chip_loop(manifest, few), float(few)),
            },
            3,
            time.perf_counter,
        )
        figures |= both["emulator"].figures("emulator_thousand_turns_per_s", 1e-3)
        figures |= both["loop"].over(both["emulator"]).figures("c_loop_over_emulator_ratio")
        ratio = cores_ratio(
            campaign.read_source(folder), Path(scratch) / "c", some if most >= 8 else 50_000, 3
        )
        figures |= ratio.figures("two_processes_over_one_by_the_clock_ratio")
        figures["load_average_meanwhile"] = os.getloadavg()[0]
        figures["two_processes_over_one_by_processor_time_ratio"] = side_by_side_ratio(
            folder, 200_000
        )
    if options.record and JSON_FILE.exists():
        before = json.loads(JSON_FILE.read_text(encoding="utf-8")).get("throughput", {})
        figures = {**before.get("figures", {}), **figures}
    if most >= 8 or options.record:
        record(
            "throughput",
            figures,
            note="Plover, 6000 rpm unless said, full hardware model, one core unless said. Medians "
            "of several rounds, and the least and greatest; what stands in a ratio ran by turns in "
            "the same rounds. Processor time; emulator and two processes by the clock. Blocks of "
            "10 000 turns. The Python loop knows 4 events a turn and no hardware; a slow turn has "
            "more events, as the main loop polls a hundred times a second.",
        )
    for name, value in figures.items():
        print(f"{name}: {value}")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
