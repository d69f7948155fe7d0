"""Traces as value change dumps (IEEE 1364), which any wave viewer opens."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from sparktick.gen.files import write_file

from .manifest import Manifest
from .run import Run, Train

UNIT_S = 1e-9
COIL_CODES = ("c", "d")


def vcd_text(train: Train, run: Run, manifest: Manifest) -> str:
    """Return a run as VCD: levels at the pins ``pickup``, ``coil`` (``coil2``), in nanoseconds."""
    pins = manifest.raw["coil_pins"]
    low = manifest.raw["pickup_pin"]["active"] == "low"
    on = [int(pin["on_level"] == "high") for pin in pins]
    names = ["pickup", *(f"coil{k + 1}" if k else "coil" for k in range(len(pins)))]
    codes = ["p", *COIL_CODES[: len(pins)]]
    channel = np.minimum(run.coil_channel.astype(np.intp), len(pins) - 1)
    at_s = np.concatenate((train.edge_s, run.coil_s))
    code = np.concatenate((np.full(len(train.edge_s), "p"), np.array(COIL_CODES)[channel]))
    coil_level = np.where(run.coil_on == 1, np.array(on)[channel], 1 - np.array(on)[channel])
    level = np.concatenate((train.active ^ int(low), coil_level))
    order = np.argsort(at_s, kind="stable")
    stamp = np.rint(at_s[order] / UNIT_S).astype(np.int64)
    words = [np.char.add("#", stamp.astype(str)), level[order].astype(np.int64).astype(str)]
    rows = np.char.add(np.char.add(np.char.add(words[0], "\n"), words[1]), code[order])
    first = [f"{int(low)}p", *(f"{1 - on[k]}{codes[k + 1]}" for k in range(len(pins)))]
    variables = "".join(
        f"$var wire 1 {c} {name} $end\n" for c, name in zip(codes, names, strict=True)
    )
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
