"""Firmware and engine in one loop: speed, and the bars of an engine in motion.

python benchmarks/closed_loop.py
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
from _results import Figure, record

import sparktick.examples
from sparktick.gen.engine import Engine, read_engine
from sparktick.gen.pipeline import generate
from sparktick.host_sim.closed_loop import ClosedLoop
from sparktick.host_sim.engine_cycles import screw_load
from sparktick.host_sim.engine_library import load_loop
from sparktick.host_sim.engine_model import model_of
from sparktick.host_sim.engine_motion import Phase
from sparktick.host_sim.engine_scenes import play, play_starts, standard_scenes
from sparktick.host_sim.manifest import read_manifest


def loop_speed(folder: Path, engine: Engine, seconds: float) -> float:
    """Return engine turns a second of processor time, at full speed, nothing recorded."""
    model, advance = model_of(engine), engine.advance.at_rpm
    screw = screw_load(model, engine.engine.top_rpm, advance)
    loop = ClosedLoop(
        load_loop(folder),
        read_manifest(folder),
        model,
        [Phase(0.0, np.inf, screw)],
        rpm=0.9 * engine.engine.top_rpm,
        record=False,
    )
    begin = time.process_time()
    run = loop.run(seconds)
    return len(run.turns.end_s) / (time.process_time() - begin)


def measured(folder: Path, engine: Engine, starts: int, seconds: float) -> dict[str, Figure]:
    """Return every figure of one example engine."""
    model, manifest, library = model_of(engine), read_manifest(folder), load_loop(folder)
    figures: dict[str, Figure] = {
        "loop_turns_per_s": round(max(loop_speed(folder, engine, seconds) for _ in range(3))),
        "predictor": manifest.predictor,
    }
    for scene in standard_scenes(engine, model):
        result = play(library, manifest, model, scene)
        if scene.name == "idle":
            turns = 2 if engine.engine.strokes == 4 else 1
            uneven = float(np.nanmedian(result.run.turns.irregularity(turns)))
            figures["idle_irregularity_percent"] = round(100.0 * uneven, 1)
        if scene.name in ("idle", "misfires", "load", "top"):
            figures[f"{scene.name}_worst_error_deg"] = round(result.worst_deg, 3)
        lost = sum(check.value for check in result.checks if check.name != "start_advance")
        figures[f"{scene.name}_refused_or_lost_count"] = int(lost)
    found = play_starts(library, manifest, engine, model, count=starts)
    figures["starts_count"] = starts
    figures["starts_that_ran_count"] = int(found.starts.started.sum())
    figures["run_spark_before_the_curve_most_deg"] = round(
        float(np.nanmax(found.starts.run_early_deg)), 2
    )
    figures["kick_backs_count"] = int(found.starts.kick_backs.sum())
    figures["earliest_start_spark_deg_btdc"] = round(
        next(check.value for check in found.checks if check.name == "start_advance"), 2
    )
    return figures


def main() -> None:
    """Measure, print and record."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=60.0, help="of full speed, a run")
    options = parser.parse_args()
    examples = Path(next(iter(sparktick.examples.__path__)))
    figures: dict[str, Figure] = {}
    with tempfile.TemporaryDirectory() as scratch:
        for name in ("plover", "teal", "avocet"):
            folder = Path(scratch) / name
            generate(examples / f"{name}.toml", folder)
            engine = read_engine(examples / f"{name}.toml")
            found = measured(folder, engine, options.starts, options.seconds)
            figures |= {f"{name}_{key}": value for key, value in found.items()}
    for key, value in figures.items():
        print(f"{key:48} {value}")
    record(
        "closed_loop",
        figures,
        "Engine and firmware in one loop: turns a second of one core, worst spark errors against "
        "the curve at the crank's true speed, and starts by the described starter.",
    )


if __name__ == "__main__":
    main()
