"""Sweep every fault of the catalogue over a whole turn, both forms, and tell what was broken.

    python tools/sweep_faults.py [INSTANTS]        the Plover, 1000 instants, 6000 rpm

Ends with 1 when an invariant was broken.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from sparktick.gen import pipeline, toolchain
from sparktick.host_sim.faults import CATALOGUE, sweep
from sparktick.host_sim.manifest import read_manifest

ROOT = Path(__file__).parent.parent
INSTANTS = 1000
SHOWN = 5


def main() -> int:
    """Sweep and print."""
    instants = int(sys.argv[1]) if len(sys.argv) > 1 else INSTANTS
    broken = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name, "plover")
        pipeline.generate(ROOT / "examples" / "plover.toml", folder)
        toolchain.build(folder)
        manifest = read_manifest(folder)
        for fault in CATALOGUE:
            for persistent in (False, True):
                done = sweep(manifest, fault, persistent=persistent, instants=instants)
                form = "persistent" if persistent else "transient"
                print(f"{fault}  {form}: {instants} instants, {len(done.findings)} broken")
                for finding in done.findings[:SHOWN]:
                    print(f"    {finding.invariant} at {finding.onset_s:.6f} s: {finding.text}")
                broken += len(done.findings)
    return int(broken > 0)


if __name__ == "__main__":
    sys.exit(main())
