"""The steady timing bar on the STM32F103, up to 30 000 rpm.

    python benchmarks/stm32f1_bar.py

The image runs on an emulated Cortex-M3 with a model of the timer (host_sim/chip/README.md): a check
of the firmware against our reading of the manual, not of the silicon.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from _results import Figure, record
from steady_bar import CASES, Case, firmware, run

from sparktick.host_sim.emulate import chip_facts

SPEEDS = 24
BOARD, EMULATOR = "pill-103c8", "unicorn"
ASKED_RPM = {1: 30000.0, 2: 15000.0}
NOTE = (
    "Steady speeds on the STM32F103 at 72 MHz: the image's instructions on unicorn, timer and pins "
    "a model of ours after RM0008, clocks of handlers estimated. The Plover with a coil-on-plug of "
    "1.2 ms of dwell, or a discharge unit's trigger; lead edge 70 deg BTDC, arc 36 deg. `busy` is "
    "the share of the processor that handlers take at the highest speed."
)


def figures(
    case: Case, folder: Path, board: str = BOARD, emulator: str = EMULATOR
) -> dict[str, Figure]:
    """Return the figures of one engine on one board."""
    top_rpm = ASKED_RPM[case.pulses_per_turn]
    manifest = firmware(case, top_rpm, folder, board)
    low = manifest.start.below_rpm * 1.05
    rpm = [float(speed) for speed in np.geomspace(low, top_rpm, SPEEDS)]
    results = run(manifest, rpm, emulator)
    facts = chip_facts(manifest, results)[0]
    last = results[-1]
    busy = sum(
        last.run.counters[f"{h.vector}_count"] * last.run.facts[f"{h.vector}_cycles_mean"]
        for h in facts.handlers
    )
    name = case.name
    return {
        f"{name}_highest_rpm": top_rpm,
        f"{name}_sparks": sum(len(r.measurement.spark_s) for r in results),
        f"{name}_missed": sum(len(r.measurement.missed) for r in results),
        f"{name}_stray": sum(len(r.measurement.stray) for r in results),
        f"{name}_worst_error_deg": max(abs(r.worst.deg) for r in results),
        f"{name}_worst_error_of_allowed": max(
            abs(r.worst.deg) / r.worst.allowed_deg for r in results if r.worst.allowed_deg
        ),
        f"{name}_host_differs_ticks": max(
            float(np.max(np.abs(r.difference.ticks), initial=0.0)) for r in results
        ),
        f"{name}_checks_failed": ", ".join(
            f"{c.name} at {speed:.0f} rpm"
            for speed, r in zip(rpm, results, strict=True)
            for c in r.verdict.checks
            if not c.passed
        )
        or "none",
        f"{name}_table_bound_deg": manifest.table_bound_deg,
        f"{name}_busy_percent": 100.0 * busy / last.run.facts["cycles"],
        f"{name}_deepest_stack_bytes": facts.stack_bytes,
        f"{name}_outputs_safe_us": facts.outputs_safe_s * 1e6,
        **{f"{name}_{h.vector}_longest_cycles": h.most for h in facts.handlers},
    }


def main() -> None:
    """Run all and keep the figures."""
    found: dict[str, Figure] = {"speeds": SPEEDS}
    with tempfile.TemporaryDirectory() as temporary:
        for case in CASES:
            if not case.name.endswith("long_magnet"):
                found |= figures(case, Path(temporary) / case.name)
    record("stm32f1_bar", found, NOTE)


if __name__ == "__main__":
    main()
