"""Recordings of two coils: whose pulse it was and which coil sparked, by the lines that tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .manifest import Manifest
from .recording import Recording
from .run import F64, U8, Run, Train

Line = tuple[F64, U8]
BEFORE_S = 1e-4  # a phase sensor has told before its pulse


def _says_second(line: Line, at_s: F64, second_level: int) -> U8:
    """Return 1 where a line says second cylinder, at each instant."""
    index = np.maximum(np.searchsorted(line[0], at_s, side="right") - 1, 0)
    return np.asarray(line[1][index] == second_level, np.uint8)


def with_cylinders(train: Train, recording: Recording, manifest: Manifest, spark_s: F64) -> Train:
    """Return the train with a phase sensor, and with a motion that begins with the right cylinder.

    Told by the phase line; else by the select line at each of ``spark_s``; else the first pulse is
    taken for the first cylinder's.  Pulses alternate.
    """
    lead_s = train.edge_s[train.active == 1]
    phase, select = recording.more.get("phase"), recording.more.get("select")
    turn = np.arange(len(lead_s)) & 1
    if phase is not None:
        level = int(manifest.raw["phase_pin"]["second"] == "high")
        apart = _says_second(phase, lead_s, level) ^ turn
    elif select is not None:
        pulse = np.searchsorted(lead_s, spark_s) - 1
        known = pulse >= 0
        apart = _says_second(select, spark_s[known], 1) ^ turn[pulse[known]]
    else:
        apart = np.zeros(1, np.uint8)
    second_first = bool(len(apart)) and float(np.mean(apart)) > 0.5
    middle_s = 0.5 * (lead_s[1:] + lead_s[:-1])
    if second_first:
        middle_s = np.concatenate(([lead_s[0] - BEFORE_S], middle_s))
    # The motion counts the first pulse as the one before top dead centre 1, which is the second's.
    more_deg = 0.0 if second_first else manifest.geometry.spacing_deg
    motion = replace(train.motion, angle_deg=train.motion.angle_deg + more_deg)
    return replace(train, motion=motion, second_s=middle_s)


def with_coils(run: Run, recording: Recording, index: U8) -> Run:
    """Return the run with the coil of each change: by the select line, else by the pulse.

    ``index`` (n,) is the cylinder, 0 or 1, whose pulse came last before each change.
    """
    select = recording.more.get("select")
    if select is None:
        return replace(run, coil_channel=index)
    on = run.coil_on == 1
    held = np.maximum.accumulate(np.where(on, np.arange(len(on)), 0))
    return replace(run, coil_channel=_says_second(select, run.coil_s[held], 1))


def cylinder_before(train: Train, at_s: F64, manifest: Manifest) -> U8:
    """Return the cylinder whose top dead centre is the nearest at each instant."""
    angle = train.motion.angle_at(at_s)
    spacing_deg = manifest.geometry.spacing_deg
    return np.asarray(np.rint(angle / spacing_deg).astype(np.int64) & 1, np.uint8)
