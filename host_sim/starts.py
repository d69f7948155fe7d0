"""Many starts by hand, cord, drill or belt, each another one: who starts, who kicks back.

One start: the crank rests where compression left it, somewhere; the starter pulls; the firmware's
sparks do the rest.  The draws of one seed are the same on every computer.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.slider_crank import gas_torque_nm
from sparktick.gen.start_warnings import FASTEST_RPM

from .closed_loop import ClosedLoop, ClosedRun
from .engine_model import EngineModel
from .engine_motion import RAD_S_PER_RPM, Phase, Pull
from .library import Library
from .manifest import Manifest
from .run import F64

PULL_AT_S = 0.02
START_MODES = ("start", "locking")  # before lock sparks come by the start rule
STIFF = 10.0  # stall torque of a drill over what compression asks for; no source


@dataclass(frozen=True)
class Starter:
    """How a starter pulls.  ``travel_deg`` (least, most) it stays engaged; ``rpm`` (least, most).

    A flick or a cord is let go when the crank has the drawn speed or the travel is over; a drill
    or belt (``holds``) stays at that speed for ``seconds``.
    """

    rpm: tuple[float, float]
    travel_deg: tuple[float, float]
    holds: bool
    seconds: float


# Speeds and travels of common practice, no source: a flick of the fingers on the flywheel, a cord
# wound around it some times, a drill or belt that drives until the engine is faster.
STARTERS = {
    "hand": Starter((150.0, FASTEST_RPM["hand"]), (60.0, 330.0), False, 0.6),
    "cord": Starter((300.0, FASTEST_RPM["cord"]), (360.0, 1080.0), False, 1.2),
    "drill": Starter((500.0, 1200.0), (0.0, 0.0), True, 1.5),
    "belt": Starter((700.0, 1600.0), (0.0, 0.0), True, 1.5),
}


@dataclass(frozen=True)
class Starts:
    """Many starts, one value each.

    ``flick_rpm`` greatest speed the starter gives; ``rest_deg`` where the crank rested, after
    firing dead centre; ``sparks`` how many came; ``earliest_deg_btdc`` of those by the start rule
    (nan: none); ``latest_deg_btdc`` the same; ``kick_backs``; ``reversals``; ``started``: ran at
    the end; ``end_rpm`` then; ``lit_backwards``: sparks that lit a charge while the crank swung
    back, no kick-back by that count, but as hard a throw; ``run_early_deg``: how far a spark of the
    locked firmware came before the curve at most (nan: none).  ``start_spark_deg_btdc``,
    ``start_spark_rpm``: all sparks before lock, and of later ones those slower than the starting
    speed, with the speed they came at.
    """

    flick_rpm: F64
    rest_deg: F64
    sparks: F64
    earliest_deg_btdc: F64
    latest_deg_btdc: F64
    kick_backs: F64
    reversals: F64
    started: F64
    end_rpm: F64
    lit_backwards: F64
    run_early_deg: F64
    start_spark_deg_btdc: F64
    start_spark_rpm: F64


def _peak_torque_nm(model: EngineModel) -> float:
    """Greatest torque that motored compression asks for."""
    deg = np.arange(-180.0, 0.0)
    one = -float(gas_torque_nm(model.cylinder, deg, model.n).min())
    together = sum(1 for phase in model.phases_deg if phase == model.phases_deg[0])
    return one * together + float(model.friction_nm_s[0])


def pull_for(
    starter: Starter, model: EngineModel, rng: np.random.Generator, at_s: float = PULL_AT_S
) -> Pull:
    """Draw one pull; its torque gives the flywheel the drawn speed within the travel."""
    rpm = float(rng.uniform(*starter.rpm))
    energy_j = 0.5 * model.inertia_kg_m2 * (rpm * RAD_S_PER_RPM) ** 2
    if starter.holds:
        # a drill's own rotor, geared down, hardly slows: stiff against the whole compression
        return Pull(at_s, STIFF * _peak_torque_nm(model), rpm, np.inf, at_s + starter.seconds)
    travel = float(rng.uniform(*starter.travel_deg))
    # a torque that falls evenly to nothing at 1.5 times the speed; the integral is done at 1
    torque = 2.0 * energy_j / np.radians(travel)
    return Pull(at_s, torque, 1.5 * rpm, travel, at_s + starter.seconds)


def _most_early_deg(run: ClosedRun, manifest: Manifest, by_start: NDArray[np.bool_]) -> float:
    speeds, degrees = zip(*manifest.curve, strict=True)
    early = run.sparks.deg_btdc - np.interp(run.sparks.rpm, speeds, degrees)
    return float(early[~by_start].max()) if not by_start.all() else np.nan


def many_starts(
    library: Library,
    manifest: Manifest,
    model: EngineModel,
    starter: Starter,
    *,
    count: int,
    seed: int,
    throttle_rpm: float,
    until_s: float = 2.5,
    spread: float = 0.1,
) -> Starts:
    """Start the engine ``count`` times from rest, each with its own draw.

    ``spread`` is the standard deviation of the charges' heat.  Deterministic for a seed.
    """
    rng = np.random.default_rng(seed)
    rows, sparks_deg, sparks_rpm = [], [], []
    start_modes = [library.modes.index(name) for name in START_MODES]
    for _ in range(count):
        pull = pull_for(starter, model, rng)
        rest_deg = float(rng.uniform(-model.cycle_deg / 2.0, model.cycle_deg / 2.0))
        factors = np.maximum(1.0 + spread * rng.standard_normal(64), 0.0)
        loop = ClosedLoop(
            library,
            manifest,
            model,
            [Phase(0.0, throttle_rpm)],
            [pull],
            angle_deg=rest_deg,
            heat_factors=factors,
            record=False,
        )
        run = loop.run(until_s)
        by_start = np.isin(run.sparks.mode, start_modes)
        by_start |= run.sparks.rpm < manifest.start.below_rpm
        deg = run.sparks.deg_btdc[by_start]
        sparks_deg.append(deg)
        sparks_rpm.append(run.sparks.rpm[by_start])
        end_rpm = float(run.turns.mean_rpm[-1]) if len(run.turns.mean_rpm) > 1 else 0.0
        alive = len(run.turns.end_s) > 0 and run.turns.end_s[-1] > until_s - 0.3
        rows.append(
            (
                pull.rpm if starter.holds else pull.rpm / 1.5,
                rest_deg,
                len(run.sparks.t_s),
                deg.max(initial=-np.inf),
                deg.min(initial=np.inf),
                run.kick_backs,
                run.reversals,
                float(alive),
                end_rpm if alive else 0.0,
                float(((run.sparks.lit != 0) & (run.sparks.rpm < 0.0)).sum()),
                _most_early_deg(run, manifest, by_start),
            )
        )
    columns = np.array(rows, dtype=np.float64).T.copy()
    columns[3:5] = np.where(np.isfinite(columns[3:5]), columns[3:5], np.nan)
    names = [one.name for one in fields(Starts)][: len(columns)]
    return Starts(
        **dict(zip(names, columns, strict=True)),
        start_spark_deg_btdc=np.concatenate(sparks_deg),
        start_spark_rpm=np.concatenate(sparks_rpm),
    )
