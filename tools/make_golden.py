#!/usr/bin/env python3
"""Write the expected numbers of the examples' firmware folders into tests/golden again.

python tools/make_golden.py

Read the difference (git diff tests/golden) before you commit it: it is what changes on users'
chips.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from sparktick.gen.pipeline import generate

ROOT = Path(__file__).resolve().parents[1]
GOLDEN = ROOT / "tests" / "golden"


def main() -> None:
    """Generate every example and keep config.h and the manifest."""
    shutil.rmtree(GOLDEN, ignore_errors=True)
    for description in sorted((ROOT / "examples").glob("*.toml")):
        target = GOLDEN / description.stem
        target.mkdir(parents=True)
        with tempfile.TemporaryDirectory() as temporary:
            made = Path(temporary) / "firmware"
            generate(description, made)
            for name in ("src/config.h", "manifest.json"):
                shutil.copy(made / name, target)
        print(f"{target.relative_to(ROOT)}: written")


if __name__ == "__main__":
    main()
