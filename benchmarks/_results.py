"""The one place benchmarks write to: results.json, and RESULTS.md made from it."""

from __future__ import annotations

import datetime
import json
import os
import platform
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sparktick.gen.files import write_file

HERE = Path(__file__).resolve().parent
JSON_FILE = HERE / "results.json"
PAGE = HERE / "RESULTS.md"

Figure = int | float | str


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor() or platform.machine()


def machine() -> str:
    """Return what the figures depend on besides the code, as one line."""
    return (
        f"{_processor()}, {os.cpu_count()} cores, {platform.system()} {platform.release()}, "
        f"Python {platform.python_version()}"
    )


def record(name: str, figures: Mapping[str, Figure], note: str = "") -> None:
    """Put one benchmark's figures in the place of its former ones, and write the page anew.

    ``figures`` maps names that end in their unit to numbers or text; ``note`` says in a sentence
    or two what was measured.
    """
    results: dict[str, Any] = {}
    if JSON_FILE.exists():
        results = json.loads(JSON_FILE.read_text(encoding="utf-8"))
    results[name] = {
        "date": datetime.date.today().isoformat(),
        "machine": machine(),
        "note": note,
        "figures": dict(figures),
    }
    ordered = dict(sorted(results.items()))
    write_file(JSON_FILE, json.dumps(ordered, indent=1, allow_nan=False) + "\n")
    write_file(PAGE, _page(ordered))


def _cell(value: Figure) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _page(results: dict[str, Any]) -> str:
    lines = ["# Measured figures", "", "Made by `make bench`; do not edit.", ""]
    for name, result in results.items():
        lines += [f"## {name}", ""]
        if result["note"]:
            lines += [result["note"], ""]
        lines += [f"{result['date']}, {result['machine']}", "", "| figure | value |", "|---|---|"]
        lines += [f"| {key} | {_cell(value)} |" for key, value in result["figures"].items()]
        lines.append("")
    return "\n".join(lines)
