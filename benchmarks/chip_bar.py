"""The timing bar on the emulated chips: steady speeds of both examples, on both emulators.

    python benchmarks/chip_bar.py

Every spark's error is given as a part of what is allowed: (1.1 + delay angle / 360) timer ticks and
the proven bound of the delay table.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from _results import Figure, record

from sparktick.gen import pipeline, toolchain
from sparktick.host_sim.emulate import chip_facts, chip_scenarios, emulate, emulators_named
from sparktick.host_sim.manifest import read_manifest

ROOT = Path(__file__).parent.parent
SPEEDS = 40


def speeds(low: float, high: float) -> list[float]:
    """Speeds to run, denser where they are low."""
    return [float(rpm) for rpm in np.geomspace(low, high, SPEEDS)]


def chip(example: str, folder: Path) -> dict[str, Figure]:
    """Run one example and return its figures."""
    pipeline.generate(ROOT / "examples" / f"{example}.toml", folder)
    built = toolchain.build(folder)
    manifest = read_manifest(folder)
    low = max(300.0, manifest.start.floor_rpm * 1.02)
    rpm = speeds(low, manifest.limit_rpm * 0.98)
    figures: dict[str, Figure] = {
        "lowest_rpm": round(rpm[0], 1),
        "highest_rpm": round(rpm[-1], 1),
        "speeds": len(rpm),
        "flash_bytes": built.flash_bytes,
        "static_ram_bytes": built.ram_bytes,
    }
    for emulator in emulators_named("all", str(manifest.raw["mcu"])):
        begun = time.perf_counter()
        results = list(emulate(folder, chip_scenarios(manifest, rpm=rpm), (emulator,)))
        took = time.perf_counter() - begun
        facts = chip_facts(manifest, results)[0]
        checks = [check for result in results for check in result.verdict.checks]
        figures |= {
            f"{emulator}_sparks": sum(len(r.measurement.spark_s) for r in results),
            f"{emulator}_worst_error_of_allowed": max(
                abs(r.worst.deg) / r.worst.allowed_deg for r in results if r.worst.allowed_deg
            ),
            f"{emulator}_missed": sum(len(r.measurement.missed) for r in results),
            f"{emulator}_stray": sum(len(r.measurement.stray) for r in results),
            f"{emulator}_latest_first_spark_pulse": max(
                r.measurement.first_spark_pulse for r in results
            ),
            f"{emulator}_host_differs_ticks": max(
                float(np.max(np.abs(r.difference.ticks), initial=0.0)) for r in results
            ),
            f"{emulator}_dwell_off_by_part": max(
                max(abs(value / wanted - 1.0) for value in (low, high))
                for low, high, wanted in (r.dwell_us for r in results)
            ),
            f"{emulator}_longest_on_of_hard_limit": max(
                r.measurement.on_max_us / manifest.hard_limit_us for r in results
            ),
            f"{emulator}_checks_failed": sum(not check.passed for check in checks),
            f"{emulator}_deepest_stack_bytes": facts.stack_bytes,
            f"{emulator}_times_real_time": sum(r.train.end_s for r in results) / took,
        }
    return figures


def best_s(command: list[str], tries: int = 5) -> float:
    """Shortest wall time of a command."""
    times = []
    for _ in range(tries):
        begun = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        times.append(time.perf_counter() - begun)
    return min(times)


def commands(folder: Path) -> dict[str, Figure]:
    """Time the commands that must answer at once."""
    tool = str(Path(sys.executable).with_name("sparktick"))
    plover = str(ROOT / "examples" / "plover.toml")
    generate = [tool, "generate", plover, str(folder), "--force"]
    return {"help_s": best_s([tool, "--help"]), "generate_s": best_s(generate)}


def main() -> None:
    """Run all and keep the figures."""
    with tempfile.TemporaryDirectory() as temporary:
        for example in ("plover", "teal"):
            record(f"chip_bar_{example}", chip(example, Path(temporary) / example))
        record("commands", commands(Path(temporary) / "timed"))


if __name__ == "__main__":
    main()
