"""Traces as value change dumps (IEEE 1364), which any wave viewer opens."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from sparktick.gen.files import write_file

from .manifest import Manifest
from .run import F64, U8, Run, Train

UNIT_S = 1e-9
CODES = ("p", "c", "s", "f")


Change = tuple[F64, U8]


def _lines(train: Train, run: Run, manifest: Manifest) -> dict[str, tuple[int, Change]]:
    """Return each line's first level, and the instants and levels of its changes."""
    pin, low = manifest.raw["coil_pins"][0], manifest.raw["pickup_pin"]["active"] == "low"
    off = int(pin["on_level"] != "high")
    lines = {
        "pickup": (int(low), (train.edge_s, train.active ^ np.uint8(low))),
        "coil": (off, (run.coil_s, run.coil_on ^ np.uint8(off))),
    }
    if manifest.two_coils:
        first = int(manifest.raw["phase_pin"]["second"] != "high")
        phase = (1 - first + np.arange(len(train.second_s))) % 2
        begins = run.coil_on == 1
        chosen = run.coil_channel[begins]
        changes = np.diff(chosen, prepend=np.uint8(0)) != 0
        lines["coil_select"] = (0, (run.coil_s[begins][changes], chosen[changes]))
        lines["phase"] = (first, (train.second_s, phase.astype(np.uint8)))
    return lines


def vcd_text(train: Train, run: Run, manifest: Manifest) -> str:
    """Return a run as VCD, in nanoseconds: levels at the pins ``pickup`` and ``coil``.

    Two coils have ``coil_select`` (which changes with the charge that begins) and ``phase`` too.
    """
    lines = _lines(train, run, manifest)
    at_s = np.concatenate([at for _, (at, _) in lines.values()])
    level = np.concatenate([levels for _, (_, levels) in lines.values()]).astype(np.int64)
    count = [len(at) for _, (at, _) in lines.values()]
    code = np.repeat(np.array(CODES[: len(lines)]), count)
    order = np.argsort(at_s, kind="stable")
    order = order[at_s[order] >= 0.0]
    stamp = np.rint(at_s[order] / UNIT_S).astype(np.int64)
    words = [np.char.add("#", stamp.astype(str)), level[order].astype(str)]
    rows = np.char.add(np.char.add(np.char.add(words[0], "\n"), words[1]), code[order])
    codes = dict(zip(lines, CODES, strict=False))
    first = [f"{begin}{codes[name]}" for name, (begin, _) in lines.items()]
    variables = "".join(f"$var wire 1 {codes[name]} {name} $end\n" for name in lines)
    head = f"$timescale 1 ns $end\n$scope module sparktick $end\n{variables}$upscope $end\n"
    body = "\n".join(rows.tolist())
    end = f"#{round(train.end_s / UNIT_S)}"
    return (
        f"{head}$enddefinitions $end\n#0\n$dumpvars\n"
        + "\n".join(first)
        + f"\n$end\n{body}\n{end}\n"
    )


def write_vcd(path: Path, train: Train, run: Run, manifest: Manifest) -> None:
    """Write a run as VCD; whole or not at all."""
    write_file(path, vcd_text(train, run, manifest))


def write_traces(folder: Path, results: Iterable[Any], manifest: Manifest) -> None:
    """Write one VCD a result (ScenarioResult, EmulatedResult) into a folder."""
    for result in results:
        name = f"{result.run.source.split()[0]}-{result.scenario.name}"
        path = folder / (re.sub(r"[^\w+.-]+", "-", name) + ".vcd")
        write_vcd(path, result.train, result.run, manifest)
