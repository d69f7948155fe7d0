"""Resets at instants spread over one turn at speed, on the emulated chip.

    python benchmarks/resets.py [COUNT]     brown-outs and watchdog resets, 1000 each

Outputs must be safe within 20 us of the reset, every spark after it within 1 deg of the curve (or
left out), and the engine back in lock with the second pulse after the reset at the latest: the next
one sparks.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
from functools import partial
from pathlib import Path

import numpy as np
from _results import Figure, record

from sparktick.gen import pipeline, toolchain
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.restart import Restart, brown_out, watchdog

ROOT = Path(__file__).parent.parent
RPM = 6000.0
COUNT = 1000
CASES = {"brown_out": brown_out, "watchdog": watchdog}


def one(folder: Path, kind: str, part: float) -> Restart:
    """Run one reset in a worker."""
    return CASES[kind](read_manifest(folder), RPM, part)


def figures(kind: str, found: list[Restart]) -> dict[str, Figure]:
    """Return the worst of many resets."""
    error = np.concatenate([case.error_deg for case in found])
    cut = [case.cut_deg_btdc for case in found if case.cut_deg_btdc is not None]
    first = np.array([case.first_spark_pulse for case in found])
    return {
        f"{kind}_resets_count": len(found),
        f"{kind}_outputs_safe_after_us": max(case.safe_s for case in found) * 1e6,
        f"{kind}_sparks_after_count": len(error),
        f"{kind}_earliest_spark_deg": float(error.max()),
        f"{kind}_latest_spark_deg": float(error.min()),
        f"{kind}_no_spark_again_count": int(np.count_nonzero(first == 0)),
        f"{kind}_lock_with_first_pulse_count": int(np.count_nonzero(first == 2)),
        f"{kind}_lock_with_second_pulse_count": int(np.count_nonzero(first == 3)),
        f"{kind}_lock_later_count": int(np.count_nonzero(first > 3)),
        f"{kind}_missed_after_first_spark_count": sum(case.missed for case in found),
        f"{kind}_charge_cut_by_reset_count": len(cut),
        f"{kind}_earliest_cut_deg_btdc": max(cut, default=0.0),
        f"{kind}_longest_on_us": max(case.on_max_s for case in found) * 1e6,
    }


def main() -> None:
    """Run all and keep the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else COUNT
    parts = [k / count for k in range(count)]
    found: dict[str, Figure] = {"rpm": RPM}
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "plover"
        pipeline.generate(ROOT / "examples" / "plover.toml", folder)
        toolchain.build(folder)
        with multiprocessing.Pool(2, initializer=os.nice, initargs=(10,)) as pool:
            for kind in CASES:
                work = partial(one, folder, kind)
                found |= figures(kind, pool.map(work, parts, chunksize=8))
    record(
        "resets",
        found,
        "Resets at instants spread evenly over one turn of the Plover, on simavr. A charge that "
        "the reset cuts sparks there and then; the sparks after it are held against the curve.",
    )


if __name__ == "__main__":
    main()
