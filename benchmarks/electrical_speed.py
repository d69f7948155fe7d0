"""How long `sparktick check` takes for a whole description, and how long the sums alone.

Processor time, so that other work on the machine does not count.

    python benchmarks/electrical_speed.py
"""

from __future__ import annotations

import importlib.resources
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from _results import Figure, record

from sparktick.gen.electrical_figures import electrical_section, svg_text
from sparktick.gen.electrical_of import electrical_of
from sparktick.gen.pipeline import Product, make_plan

REPEATS = 7
COMMAND = "from sparktick.gen.cli import main; main()"


def best_ms(action: Callable[[], object], repeats: int = REPEATS) -> float:
    """Return the shortest processor time in milliseconds."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        action()
        times.append(time.process_time() - begin)
    return 1e3 * min(times)


def command_ms(description: Path) -> tuple[float, float]:
    """Return processor and wall time of the whole command in a new process, in milliseconds."""
    spent, waited = [], []
    for _ in range(REPEATS):
        begin = time.perf_counter()
        child = subprocess.Popen(
            [sys.executable, "-c", COMMAND, "check", str(description)], stdout=subprocess.DEVNULL
        )
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        waited.append(time.perf_counter() - begin)
        spent.append(usage.ru_utime + usage.ru_stime)
        if child.returncode:
            raise SystemExit(f"check ended with {child.returncode}")
    return 1e3 * min(spent), 1e3 * min(waited)


def work_out(product: Product) -> object:
    """Run the electrical sums of one description."""
    return electrical_of(product.engine, product.design, product.plan)


def main() -> None:
    """Measure and record."""
    figures: dict[str, Figure] = {}
    for name in ("plover", "teal"):
        with importlib.resources.as_file(
            importlib.resources.files("sparktick.examples") / f"{name}.toml"
        ) as description:
            spent, waited = command_ms(description)
            product = make_plan(description)
        figures[f"{name}_check_processor_ms"] = round(spent, 1)
        figures[f"{name}_check_wall_ms"] = round(waited, 1)
        figures[f"{name}_sums_alone_ms"] = round(best_ms(lambda p=product: work_out(p)), 2)
        worked = electrical_of(product.engine, product.design, product.plan)
        figures[f"{name}_pictures_ms"] = round(
            best_ms(lambda e=worked: [svg_text(f) for _, _, f in electrical_section(e)], 3), 0
        )
    for key, value in figures.items():
        print(f"{key:28} {value}")
    record(
        "electrical speed",
        figures,
        "`sparktick check` in a new process, Python's start included; the electrical sums with all "
        "corners alone; all pictures as SVG. The bar is 1000 ms for the command.",
    )


if __name__ == "__main__":
    main()
