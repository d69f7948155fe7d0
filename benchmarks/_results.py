"""The one place benchmarks write to: results.json, and RESULTS.md made from it."""

from __future__ import annotations

import json
import os
import platform
import subprocess
from pathlib import Path
from typing import Any

from sparktick.gen.files import write_file

HERE = Path(__file__).resolve().parent
JSON_FILE = HERE / "results.json"
PAGE = HERE / "RESULTS.md"


def _first_line(command: list[str]) -> str:
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError:
        return "not found"
    return done.stdout.splitlines()[0] if done.stdout else "unknown"


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor() or platform.machine()


def machine() -> dict[str, Any]:
    """Return what the figures depend on besides the code."""
    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "compiler": _first_line([os.environ.get("CC") or "cc", "--version"]),
    }


def record(name: str, figures: dict[str, Any]) -> None:
    """Put one benchmark's figures in the place of its former ones, and write the page anew.

    ``figures`` maps names that end in their unit to numbers, text, or dicts of such; a key
    "command" says how to get them again.
    """
    results: dict[str, Any] = {}
    if JSON_FILE.exists():
        results = json.loads(JSON_FILE.read_text(encoding="utf-8"))
    results[name] = {"machine": machine(), "figures": figures}
    ordered = dict(sorted(results.items()))
    write_file(JSON_FILE, json.dumps(ordered, indent=1, allow_nan=False) + "\n")
    write_file(PAGE, _page(ordered))


def _number(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _rows(figures: dict[str, Any], prefix: str = "") -> list[str]:
    rows = []
    for key, value in figures.items():
        if isinstance(value, dict):
            rows += _rows(value, f"{prefix}{key}: ")
        elif key != "command":
            rows.append(f"| {prefix}{key} | {_number(value)} |")
    return rows


def _page(results: dict[str, Any]) -> str:
    lines = ["# Benchmark results", "", "Written by the scripts in this folder; do not edit.", ""]
    for name, result in results.items():
        figures, where = result["figures"], result["machine"]
        lines += [f"## {name}", ""]
        if "command" in figures:
            lines += [f"`{figures['command']}`", ""]
        lines += ["| figure | value |", "|---|---|", *_rows(figures), ""]
        about = ", ".join(f"{key} {value}" for key, value in where.items())
        lines += [f"Machine: {about}.", ""]
    return "\n".join(lines)
