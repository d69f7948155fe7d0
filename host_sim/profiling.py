"""How long a chip takes to serve a pulse, measured on its emulated image.

An engine is made for the board whose spark is due sooner than the chip can arm it.  Such a spark
comes when its order is armed, so its lateness tells the time from the edge to the armed output to
the clock; the time within handlers tells what a pulse costs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import load_board
from sparktick.gen.design import Design, design
from sparktick.gen.engine import Engine, read_engine
from sparktick.gen.errors import RunError, SparktickError
from sparktick.gen.pipeline import Product, write_product
from sparktick.gen.plan import SMALL_FLASH_BYTES, quantise
from sparktick.gen.toolchain import build

from . import train as motions
from .chip import run_chip
from .chip.backends import installed_for
from .chip.folder import chip_job
from .manifest import Manifest, read_manifest
from .measure import measure
from .run import Train

READY_S = 5e-3
LEAST_S, PULSES = 0.3, 100
SETTLED = 5  # sparks after which charges and lock are settled
FASTEST_RPM = 32000.0  # no table reaches further
SPEEDS = np.linspace(0.5, 0.97, 8)  # parts of the speed limit
LATE_TICKS = 4.0  # a spark later than that came when it was armed
HURRIES = ((3, 1.0), (5, 1.0), (8, 1.0), (12, 1.0), (12, 0.5))  # parts of the board's time, spare
DWELL_S, OFF_S = 0.5e-3, 0.3e-3
SPARE_CYCLES = 1200.0  # what the plan asks for beyond service and confirmation; a fast chip's less


@dataclass(frozen=True)
class Profile:
    """Greatest CPU cycles from edge to armed output, and of all handlers together a pulse."""

    emulator: str
    service_cycles: float
    pulse_cycles: float


def profile(board: str, folder: Path) -> Profile:
    """Measure a board's image, with the first emulator installed for it.

    ``folder`` (to be written) holds firmware folders afterwards.  RunError when no spark can be
    made late.
    """
    chip = load_board(board)
    description = folder / "engine.toml"
    folder.mkdir(parents=True, exist_ok=True)
    description.write_text(engine_for(board), encoding="utf-8")
    engine = read_engine(description)
    made = design(engine, chip)
    for part, spare in HURRIES:
        hurried = _hurried(made, chip.service_cycles / part / chip.f_cpu_hz, spare)
        try:
            manifest = _built(engine, hurried, folder / f"part-{part}-{spare}")
        except SparktickError:
            continue
        found = _measured(manifest, hurried)
        if found is not None:
            return found
    raise RunError(f"{board}: no spark could be made late, so its handlers were not measured")


def _hurried(made: Design, service_s: float, spare: float) -> Design:
    """Return the engine with a spark due when ``service_s`` and the confirmation are over.

    ``spare`` is the part of ``SPARE_CYCLES`` that comes to it.
    """
    board = made.board
    limit = min(60.0 * board.f_cpu_hz / (2.2 * board.cycles_per_pulse), FASTEST_RPM)
    due_s = 1.1 * (service_s + made.layers.confirm_s) + made.lead_delay_s + made.output_delay_s
    spare_s = spare * min(25e-6, SPARE_CYCLES / board.f_cpu_hz)
    small = board.flash_free_bytes <= SMALL_FLASH_BYTES
    lead = made.advance_deg(limit) + 6.0 * limit * (due_s + spare_s)
    return replace(
        made,
        board=board.model_copy(update={"service_cycles": round(service_s * board.f_cpu_hz)}),
        service_s=service_s,
        limit_rpm=limit,
        resume_rpm=0.98 * limit,
        top_rpm=0.97 * limit,
        predictor="last" if small else made.predictor,  # the only one that fits there
        lead_deg_btdc=lead,
        arc_deg=lead - 4.0,
        dwell_s=DWELL_S,
        off_min_s=OFF_S,
        supply_dwell=None,
        layers=replace(made.layers, blank_on_s=0.0, blank_off_s=0.0),
    )


def _built(engine: Engine, made: Design, folder: Path) -> Manifest:
    write_product(Product(engine, made, quantise(made)), folder, force=True)
    build(folder)
    return read_manifest(folder)


def _measured(manifest: Manifest, made: Design) -> Profile | None:
    """Return the worst over all speeds; None where every spark was in time."""
    board, emulator = made.board, installed_for(made.board.mcu)
    served, pulses = [], []
    for rpm in SPEEDS * made.limit_rpm:
        train = _train(manifest, made, float(rpm))
        run = run_chip(chip_job(manifest, train), emulator)
        found = measure(run, train, manifest)
        late_ticks = -float(found.error_ticks[SETTLED:].min(initial=0.0))
        due_s = (made.lead_deg_btdc - made.advance_deg(rpm)) / (6.0 * rpm) - made.layers.confirm_s
        due_s -= made.lead_delay_s + made.output_delay_s + made.capture_delay_s
        if late_ticks > LATE_TICKS:
            served.append(due_s * board.f_cpu_hz + late_ticks * board.timer.prescaler)
        pulses.append(run.facts["busy_cycles"] / max(1, len(found.pulses.at_s)))
    return Profile(emulator, float(max(served)), max(pulses)) if served else None


def _train(manifest: Manifest, made: Design, rpm: float) -> Train:
    """Return steady pulses; the crank rests behind the magnet while the chip starts."""
    at_deg = -made.lead_deg_btdc - (360.0 - made.arc_deg - 2.0)
    motion = motions.profile([0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=at_deg)
    end_s = READY_S + max(LEAST_S, PULSES * 60.0 / rpm)
    return motions.pickup_train(motion, manifest, end_s)
