"""How fast, and in how much memory, a recording of 1 GB is read; a child process reads it."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import _results

from sparktick.host_sim.recording import read_recording

SIZE = 1_000_000_000
STEP_S = 1e-6
TURN = 7500  # samples: 8000 rpm
ARC, CHARGE = 708, 3782  # samples that pickup and coil are on
BAR_MB_PER_S = 50.0


def write_csv(path: Path) -> int:
    """Write rows of time, pickup, coil until the file is full; return their number.

    The columns of levels repeat every turn; only the time is made anew.
    """
    levels = [f",{int(k >= ARC)},{int(k < CHARGE)}\n" for k in range(TURN)]
    rows = 0
    with path.open("w", encoding="ascii", newline="") as stream:
        stream.write("Time [s],pickup,coil\n")
        while stream.tell() < SIZE:
            times = [f"{(rows + k) * STEP_S:.6f}" for k in range(TURN)]
            stream.write("".join(a + b for a, b in zip(times, levels, strict=True)))
            rows += TURN
    return rows


def read_once(path: Path) -> None:
    """Read the file and print seconds, rows, changes and peak memory in MB."""
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begin = time.perf_counter()
    found = read_recording(path)
    spent = time.perf_counter() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    changes = len(found.pickup_s) + len(found.coil_s)
    print(spent, found.rows, changes, peak / 1024.0, (peak - base) / 1024.0)


def main() -> None:
    """Write, read in a process of its own, and record."""
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as place:
        path = Path(place, "analyser.csv")
        rows = write_csv(path)
        mb = path.stat().st_size / 1e6
        here = [sys.executable, __file__, str(path)]
        done = subprocess.run(here, capture_output=True, text=True, check=True)
    spent, read, changes, peak, grown = (float(word) for word in done.stdout.split())
    assert int(read) == rows
    _results.record(
        "recording_speed",
        {
            "file_mb": mb,
            "rows": rows,
            "level_changes": int(changes),
            "read_mb_per_s": mb / spent,
            "bar_mb_per_s": BAR_MB_PER_S,
            "peak_memory_mb": peak,
            "grown_while_reading_mb": grown,
        },
        "A logic analyser's CSV (time, pickup, coil at 1 MHz, 8000 rpm) read by `sparktick trace`.",
    )
    print(f"{mb / spent:.0f} MB/s, at most {peak:.0f} MB of memory")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        read_once(Path(sys.argv[1]))
    else:
        main()
