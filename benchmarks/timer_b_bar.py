"""The steady timing bar on the AVR chips with timers A and B, up to 20 000 rpm.

    python benchmarks/timer_b_bar.py

One emulator knows these chips, with parts of them added by us (host_sim/chip/README.md); two chips
stand for the two kinds.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from _results import Figure, record
from steady_bar import CASES, firmware, run

from sparktick.host_sim.emulate import chip_facts

SPEEDS = 16
EMULATOR = "yasimavr"
BOARDS = ("nano-4809", "tiny-1604")
NOTE = (
    "Steady speeds on the emulated ATmega4809 and ATtiny1604 at 16 MHz, yasimavr with event system "
    "and logic blocks added by its wrapper. The Plover with a coil-on-plug of 1.2 ms of dwell, "
    "lead edge 70 deg BTDC, arc 36 deg. `failed` names the checks that did not hold: host_same_"
    "sparks is a first spark, of a cut charge, that the host bench (handler times of the "
    "ATmega328P) ventures a pulse sooner than the chip."
)


def figures(board: str, folder: Path) -> dict[str, Figure]:
    """Return the figures of one board."""
    case = CASES[0]
    manifest = firmware(case, case.asked_rpm, folder, board)
    rpm = [
        float(speed)
        for speed in np.geomspace(manifest.start.below_rpm * 1.05, case.asked_rpm, SPEEDS)
    ]
    results = run(manifest, rpm, EMULATOR)
    facts = chip_facts(manifest, results)[0]
    ticks = [r.difference.ticks for r in results]
    name = board.replace("-", "_")
    return {
        f"{name}_highest_rpm": case.asked_rpm,
        f"{name}_sparks": sum(len(r.measurement.spark_s) for r in results),
        f"{name}_missed": sum(len(r.measurement.missed) for r in results),
        f"{name}_stray": sum(len(r.measurement.stray) for r in results),
        f"{name}_worst_error_deg": max(abs(r.worst.deg) for r in results),
        f"{name}_worst_error_of_allowed": max(
            abs(r.worst.deg) / r.worst.allowed_deg for r in results if r.worst.allowed_deg
        ),
        f"{name}_host_differs_ticks": max(float(np.max(np.abs(t), initial=0.0)) for t in ticks),
        f"{name}_failed": ", ".join(
            f"{c.name} at {speed:.0f} rpm"
            for speed, r in zip(rpm, results, strict=True)
            for c in r.verdict.checks
            if not c.passed
        )
        or "none",
        f"{name}_flash_bytes": manifest.raw["sizes"]["flash_bytes"],
        f"{name}_static_ram_bytes": manifest.raw["sizes"]["ram_bytes"],
        f"{name}_deepest_stack_bytes": facts.stack_bytes,
        f"{name}_outputs_safe_us": facts.outputs_safe_s * 1e6,
        **{f"{name}_{h.vector}_longest_cycles": h.most for h in facts.handlers},
    }


def main() -> None:
    """Run both and keep the figures."""
    found: dict[str, Figure] = {"speeds": SPEEDS}
    with tempfile.TemporaryDirectory() as temporary:
        for board in BOARDS:
            found |= figures(board, Path(temporary) / board)
    record("timer_b_bar", found, NOTE)


if __name__ == "__main__":
    main()
