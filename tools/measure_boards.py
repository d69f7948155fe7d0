"""Measure the interrupt handlers on the emulated chip and write them into the board files.

    python tools/measure_boards.py [BOARD ...]

For each board an example engine that it can serve is run at speeds from the start floor to
the limit, with ramps, start and stop, glitches and a failing pickup; the longest run of each
handler goes into [handler_cycles], what the image takes into [image].  An engine that asks more
than the chip can do shows what it can (host_sim/profiling.py): service_cycles and
cycles_per_pulse.  Run it again when those two have changed: the example engine may follow.
"""

from __future__ import annotations

import math
import re
import sys
import tempfile
from pathlib import Path

from sparktick.examples.fitting import engine_for
from sparktick.gen import pipeline, toolchain
from sparktick.gen.board import all_boards, boards_folder
from sparktick.gen.files import write_file
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.differential import cases
from sparktick.host_sim.emulate import chip_facts, chip_scenarios, emulate, emulators_named
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.profiling import profile

# Room for engines whose handlers take longer than the one measured (more points, two coils):
# least, most, and what is given anew.  A figure between the two stays, for every firmware hangs
# on it.
SERVICE_ROOM = (1.12, 1.25, 1.2)
PULSE_ROOM = (1.08, 1.2, 1.1)
MEANING = {
    "service_cycles": "edge to armed output: {:.0f} measured, and room for other engines",
    "cycles_per_pulse": "all handlers of one pulse: {:.0f} measured, and room",
}
DISTURBED = ("noise", "lost-pulses", "false-pulses")


def stated(text: str, key: str, cycles: float, room: tuple[float, float, float], step: int) -> str:
    """Return a board file with a measured number and its room in place of the one it had."""
    least, most, given = room
    found = re.search(rf"\n{key} = (\d+)[^\n]*", text)
    assert found is not None, f"no {key}"
    value = int(found[1])
    if not least * cycles <= value <= most * cycles:
        value = math.ceil(cycles * given / step) * step
    line = f"{key} = {value}"
    return text.replace(found[0], f"\n{line:33} # {MEANING[key].format(cycles)}", 1)


def measure(board: str) -> tuple[str, dict[str, int], dict[str, int]]:
    """Return what measured, what the image takes, the longest run of each handler in cycles."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "firmware"
        description = Path(temporary) / "engine.toml"
        description.write_text(engine_for(board))
        pipeline.generate(description, folder)
        built = toolchain.build(folder)
        manifest = read_manifest(folder)
        results = list(
            emulate(
                folder,
                chip_scenarios(manifest, ramp=True),
                emulators_named(None, str(manifest.raw["mcu"])),
            )
        )
        facts = chip_facts(manifest, results)[0]
        most = {handler.vector: round(handler.most) for handler in facts.handlers}
        for case in cases(manifest):
            if case.name in DISTURBED:
                run = run_chip(chip_job(manifest, case.train), results[0].emulator)
                for vector in most:
                    seen = run.facts.get(f"{vector}_cycles_max", 0.0)
                    most[vector] = max(most[vector], round(seen))
    image = {
        "flash_bytes": built.flash_bytes,
        "static_ram_bytes": built.ram_bytes,
        "deepest_stack_bytes": facts.stack_bytes,
    }
    return facts.source, image, most


def main() -> None:
    """Measure every board."""
    wanted = sys.argv[1:]
    for board in all_boards():
        if wanted and board.name not in wanted:
            continue
        source, image, cycles = measure(board.name)
        path = boards_folder() / f"{board.name}.toml"
        text = path.read_text()
        head = re.split(r"\n# (?:Longest run of each handler|What the image of)", text)[0].rstrip()
        with tempfile.TemporaryDirectory() as temporary:
            found = profile(board.name, Path(temporary))
        service, pulse = found.service_cycles, found.pulse_cycles
        head = stated(head, "service_cycles", service, SERVICE_ROOM, 100)
        head = stated(head, "cycles_per_pulse", pulse, PULSE_ROOM, 500)
        head = re.sub(r"\nhandler_source = .*", "", head)
        head = re.sub(r"(\nservice_cycles = .*)", rf'\1\nhandler_source = "{source}"', head)
        table = "\n".join(f"{name} = {n}" for name, n in sorted(cycles.items()))
        note = "# Longest run of each handler, CPU cycles; written by tools/measure_boards.py."
        sizes = "\n".join(f"{name} = {n}" for name, n in image.items())
        first = "# What the image of an example engine takes; written by tools/measure_boards.py."
        text = f"{head}\n\n{first}\n[image]\n{sizes}\n\n{note}\n[handler_cycles]\n{table}\n"
        write_file(path, text)
        print(board.name, source, round(service), round(pulse), cycles)


if __name__ == "__main__":
    main()
