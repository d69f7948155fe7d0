"""Measure the interrupt handlers on the emulated chip and write them into the board files.

    python tools/measure_boards.py [BOARD ...]

For each board an example engine that it can serve is run at speeds from the start floor to
the limit, with ramps, start and stop; the longest run of each handler goes into [handler_cycles].
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

from sparktick.examples.fitting import engine_for
from sparktick.gen import pipeline, toolchain
from sparktick.gen.board import all_boards, boards_folder
from sparktick.gen.files import write_file
from sparktick.host_sim.emulate import chip_facts, chip_scenarios, emulate, emulators_named
from sparktick.host_sim.manifest import read_manifest


def measure(board: str) -> tuple[str, dict[str, int]]:
    """Return what measured, and the longest run of each handler in CPU cycles."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "firmware"
        description = Path(temporary) / "engine.toml"
        description.write_text(engine_for(board))
        pipeline.generate(description, folder)
        toolchain.build(folder)
        manifest = read_manifest(folder)
        results = list(
            emulate(
                folder,
                chip_scenarios(manifest, ramp=True),
                emulators_named(None, str(manifest.raw["mcu"])),
            )
        )
        facts = chip_facts(manifest, results)[0]
    return facts.source, {handler.vector: round(handler.most) for handler in facts.handlers}


def main() -> None:
    """Measure every board."""
    wanted = sys.argv[1:]
    for board in all_boards():
        if wanted and board.name not in wanted:
            continue
        source, cycles = measure(board.name)
        path = boards_folder() / f"{board.name}.toml"
        text = path.read_text()
        head = re.split(r"\n# Longest run of each handler", text)[0].rstrip()
        head = re.sub(r"\nhandler_source = .*", "", head)
        head = head.replace(
            "\nbootloader_bytes", f'\nhandler_source = "{source}"\nbootloader_bytes', 1
        )
        table = "\n".join(f"{name} = {n}" for name, n in sorted(cycles.items()))
        note = "# Longest run of each handler, CPU cycles; written by tools/measure_boards.py."
        write_file(path, f"{head}\n\n{note}\n[handler_cycles]\n{table}\n")
        print(board.name, source, cycles)


if __name__ == "__main__":
    main()
