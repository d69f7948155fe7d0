"""Size of the images, and what each optimisation flag of gen/avr_flags.py takes off it.

    python benchmarks/flash_size.py

Built for both examples by every AVR compiler of this machine.  "saved" figures are bytes by which
all those images together grow when that flag alone is left out.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import replace
from pathlib import Path

from _results import Figure, record

from sparktick.gen import pipeline, toolchain
from sparktick.gen.families import FAMILIES

ROOT = Path(__file__).parent.parent
FAMILY = "avr_timer1"
PLAIN = ("-Os", "-ffunction-sections", "-fdata-sections")


def compilers() -> list[toolchain.Compiler]:
    """Return the compiler that users get, and the system's when that is another one."""
    found = [toolchain.find_compiler()]
    system = shutil.which("avr-gcc")
    if system and Path(system) != found[0].path:
        told = subprocess.run([system, "-dumpversion"], capture_output=True, text=True, check=True)
        found.append(toolchain.Compiler("avr-gcc", Path(system), told.stdout.strip(), "PATH"))
    return found


def sizes(folders: dict[str, Path], size_flags: tuple[str, ...]) -> dict[str, int]:
    """Return flash bytes of each image by compiler and example."""
    kept = FAMILIES[FAMILY]
    FAMILIES[FAMILY] = replace(kept, flags=replace(kept.flags, size=size_flags))
    try:
        return {
            f"{name}_gcc_{compiler.version}_bytes": toolchain.build(folder, compiler).flash_bytes
            for compiler in compilers()
            for name, folder in folders.items()
        }
    finally:
        FAMILIES[FAMILY] = kept


def main() -> None:
    """Measure, print and record."""
    flags = FAMILIES[FAMILY].flags.size
    with tempfile.TemporaryDirectory() as temporary:
        folders = {name: Path(temporary) / name for name in ("plover", "teal")}
        for name, folder in folders.items():
            pipeline.generate(ROOT / "examples" / f"{name}.toml", folder)
        ours = sizes(folders, flags)
        figures: dict[str, Figure] = {**ours}
        plain = sizes(folders, PLAIN)
        figures |= {f"plain_os_{name}": bytes_ for name, bytes_ in plain.items()}
        for flag in flags:
            if flag not in PLAIN:
                without = sizes(folders, tuple(other for other in flags if other != flag))
                figures[f"saved_by {flag} bytes"] = sum(without.values()) - sum(ours.values())
    for name, value in figures.items():
        print(f"{name:60} {value}")
    record("flash_size", figures, note="Flash of the images, initial values included.")


if __name__ == "__main__":
    main()
