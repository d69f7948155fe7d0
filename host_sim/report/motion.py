"""What the pictures of an engine in motion are drawn from; computed once for a report."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sparktick.gen.design import Design
from sparktick.gen.engine import Engine
from sparktick.gen.magnet_place import Placement, StartCost, place_magnet, start_costs
from sparktick.gen.predictor import Choice, choose
from sparktick.gen.turning import motions_of

from ..closed_loop import ClosedLoop, ClosedRun
from ..engine_cycles import screw_load, steady_throttle_rpm
from ..engine_library import load_loop
from ..engine_model import EngineModel, model_of
from ..engine_motion import Phase
from ..engine_scenes import (
    SceneResult,
    StartsResult,
    heat_factors,
    play_all,
    play_starts,
    sure_pull,
)
from ..library import Library
from ..manifest import Manifest, read_manifest
from ..run import F64, Motion

PULL_AT_S = 0.1
START_S = 2.5


@dataclass(frozen=True)
class Cycle:
    """Speed over two turns: ``deg`` crank angle after firing dead centre, ``rpm`` there."""

    title: str
    deg: F64
    rpm: F64

    @property
    def irregularity(self) -> float:
        """Greatest less least speed over the mean."""
        return float((self.rpm.max() - self.rpm.min()) / self.rpm.mean())


@dataclass(frozen=True)
class MotionPart:
    """An engine in motion: its uneven turns, the choice they led to, starts, scenes, magnet."""

    engine: Engine
    design: Design
    cycles: tuple[Cycle, ...]
    choice: Choice
    start: ClosedRun
    scenes: tuple[SceneResult, ...]
    starts: StartsResult
    placement: Placement
    costs: tuple[StartCost, ...]

    @property
    def passed(self) -> bool:
        """True when every scene and every start held."""
        return self.starts.passed and all(scene.passed for scene in self.scenes)


def motion_part(
    engine: Engine, designed: Design, folder: Path, *, seed: int = 1, starts: int = 300
) -> MotionPart:
    """Turn an engine with a folder's firmware; ``engine`` is what the folder was made from.

    Raises RunError when it cannot be turned as described, BuildError without a C compiler,
    SparktickError when no place of the magnet works.
    """
    library, manifest, model = load_loop(folder), read_manifest(folder), model_of(engine)
    advance = designed.advance_deg
    screw = screw_load(model, engine.engine.top_rpm, advance)
    throttle = steady_throttle_rpm(model, engine.engine.idle_rpm, screw, advance)
    phase = Phase(0.0, 1.6 * throttle, screw)
    return MotionPart(
        engine=engine,
        design=designed,
        cycles=_cycles(engine, designed),
        choice=choose(engine, designed),
        start=_slowest_start(library, manifest, engine, model, phase, seed),
        scenes=tuple(play_all(folder, engine, seed=seed)),
        starts=play_starts(library, manifest, engine, model, count=starts, seed=seed),
        placement=place_magnet(engine),
        costs=start_costs(engine),
    )


def _slowest_start(
    library: Library,
    manifest: Manifest,
    engine: Engine,
    model: EngineModel,
    phase: Phase,
    seed: int,
) -> ClosedRun:
    """Return the start by the gentlest pull after which the engine runs, or by the strongest."""
    best = sure_pull(engine, model, PULL_AT_S)
    for part in (0.5, 0.6, 0.7, 0.8, 0.9, 1.0):
        pull = replace(best, rpm=part * best.rpm, torque_nm=part**2 * best.torque_nm)
        loop = ClosedLoop(
            library, manifest, model, [phase], [pull], heat_factors=heat_factors(seed)
        )
        run = loop.run(START_S)
        if len(run.turns.end_s) and run.turns.end_s[-1] > START_S - 0.3:
            break
    return run


def _cycles(engine: Engine, designed: Design) -> tuple[Cycle, ...]:
    names = {"idle": "idle", "full load": "full throttle, heavy load", "top": "full speed"}
    motions = motions_of(engine, designed.advance_deg, only=tuple(names))
    return tuple(_cycle(names[name], motion) for name, motion in motions)


def _cycle(title: str, motion: Motion) -> Cycle:
    """Return two turns from a bottom dead centre: of all such, those of the median irregularity."""
    count = int((motion.angle_deg[-1] + 180.0) // 720.0)
    deg = np.linspace(0.0, 720.0, 721)
    begins = 720.0 * np.arange(1, count)[:, None] - 180.0
    rpm = motion.speed_at(motion.time_at(begins + deg)) / 6.0
    uneven = (rpm.max(axis=1) - rpm.min(axis=1)) / rpm.mean(axis=1)
    place = int(np.argsort(uneven)[len(uneven) // 2])
    return Cycle(title, deg - 180.0, np.asarray(rpm[place]))
