"""Resets of a running image, at any instant of the turn: what the sparks do afterwards.

A brown-out is injected. A watchdog reset comes from the chip itself: the program counter is thrown
into free flash, where it stays until the watchdog bites.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .chip import Reset, ResetKind, Upset, UpsetSpace, run_chip
from .chip.folder import chip_job
from .manifest import Manifest
from .run import F64, Run, Train
from .train import pickup_train, steady

BEGIN_S = 0.15  # locked long before
FIRST_DEG = -400.0
TURNS_AFTER = 7.0
FREE_FLASH_BIT = 13  # 8192 words ahead: free flash for every program below 16 KiB
CUT_S = 50e-6  # a charge that the reset cuts sparks within that


@dataclass(frozen=True)
class Restart:
    """One reset and the sparks after it.

    ``reset_s`` instant; ``safe_s`` from there to every coil pin driven to off; ``cut_deg_btdc``
    where a charge was cut by the reset (None: none was on); ``error_deg`` (n,) true crank angle
    of each later spark less the curve's, positive early; ``first_spark_pulse`` which lead edge
    after the reset was the first to spark (0: none did): lock had come with the pulse before;
    ``on_max_s`` longest on-time of the run; ``missed`` pulses without a spark after the first.
    """

    reset_s: float
    safe_s: float
    cut_deg_btdc: float | None
    error_deg: F64
    first_spark_pulse: int
    on_max_s: float
    missed: int


def _btdc(train: Train, at_s: F64, delay_s: float) -> F64:
    angle = train.motion.angle_at(at_s + delay_s)
    return np.asarray(-(((angle + 180.0) % 360.0) - 180.0))


def _wanted_deg(manifest: Manifest, rpm: float) -> float:
    speeds, advance = zip(*manifest.curve, strict=True)
    return float(np.interp(rpm, speeds, advance))


def _judge(manifest: Manifest, train: Train, run: Run, rpm: float) -> Restart:
    reset_s = run.facts["last_reset_s"]
    delay_s = manifest.output_delay_us * 1e-6
    off_s = run.coil_s[run.coil_on == 0]
    on_s = run.coil_s[run.coil_on == 1]
    cut = off_s[(off_s >= reset_s) & (off_s <= reset_s + CUT_S)]
    after_s = off_s[off_s > reset_s + CUT_S]
    error = _btdc(train, after_s, delay_s) - _wanted_deg(manifest, rpm)
    lead_s = train.edge_s[(train.active == 1) & (train.edge_s > reset_s)]
    first = int(np.searchsorted(lead_s, after_s[0])) if len(after_s) else 0
    due = lead_s[first:]
    due = due[due < train.end_s - 60.0 / rpm]  # pulses whose spark lies within the run
    served = np.searchsorted(after_s, due)
    missed = len(due) - len(np.unique(served[served < len(after_s)]))
    return Restart(
        reset_s=reset_s,
        safe_s=run.facts["reset_safe_s"],
        cut_deg_btdc=float(_btdc(train, cut[:1], delay_s)[0]) if len(cut) else None,
        error_deg=np.asarray(error),
        first_spark_pulse=first,
        on_max_s=float(np.max(off_s - on_s[: len(off_s)], initial=0.0)),
        missed=missed,
    )


def brown_out(manifest: Manifest, rpm: float, part: float, emulator: str = "simavr") -> Restart:
    """Reset an image at a steady ``rpm`` by a brown-out, ``part`` (0 to 1) of a turn onwards."""
    turn_s = 60.0 / rpm
    reset = Reset(BEGIN_S + part * turn_s, ResetKind.BROWN_OUT)
    end_s = BEGIN_S + (1.0 + TURNS_AFTER) * turn_s
    train = pickup_train(steady(rpm, angle_deg=FIRST_DEG), manifest, end_s)
    run = run_chip(chip_job(manifest, train, resets=(reset,), serial=False), emulator)
    return _judge(manifest, train, run, rpm)


def watchdog(manifest: Manifest, rpm: float, part: float) -> Restart:
    """Let the watchdog reset an image at a steady ``rpm``, ``part`` (0 to 1) of a turn onwards.

    The program counter leaves at a fixed instant; the crank is that part of a turn further on.
    """
    end_s = BEGIN_S + manifest.watchdog_us * 1e-6 + TURNS_AFTER * 60.0 / rpm
    train = pickup_train(steady(rpm, angle_deg=FIRST_DEG + 360.0 * part), manifest, end_s)
    upset = Upset(BEGIN_S, UpsetSpace.PROGRAM_COUNTER, 0, FREE_FLASH_BIT)
    run = run_chip(chip_job(manifest, train, upsets=(upset,), serial=False), "simavr")
    return _judge(manifest, train, run, rpm)
