"""What an engine does in its life, in closed loop with a firmware, and what must hold meanwhile.

Scenes: idle, idle with misfires, a step of load, throttle opened and closed again, a stall and a
new start, and full speed.  In all of them a locked firmware must refuse no true edge, lose no lock
and keep its invariants; no start may kick back, and no start spark come more than a degree before
the start advance while the crank turns forwards.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any

import numpy as np

from sparktick.gen.engine import Engine

from .bench import broken_invariants
from .closed_loop import ClosedLoop, ClosedRun
from .engine_cycles import Load, screw_load, steady_throttle_rpm
from .engine_library import load_loop
from .engine_model import EngineModel, model_of
from .engine_motion import Phase, Pull
from .library import Library
from .manifest import Manifest, read_manifest
from .run import F64
from .starts import START_MODES, STARTERS, Starts, many_starts, pull_for
from .verdict import Check

# Counters of pulses that were not believed; with clean edges none may count while running.
REFUSALS = ("short", "blanked", "trail_bounce", "arc", "interval", "missing", "storm")
SPREAD = 0.10  # standard deviation of a small engine's heat from cycle to cycle; no source
MISFIRE_EVERY = 23
SETTLE_S = 1.0
START_SPARE_DEG = 1.0
LOAD_STEP = 0.25  # of the friction


@dataclass(frozen=True)
class Scene:
    """One scene: what acts over time, how it begins, and for how long it goes on.

    ``settle_s``: sparks before it are not measured.  ``from_rest``: it begins or stalls on the
    way, so pulses of a crank that swings back may be refused.
    """

    name: str
    title: str
    phases: tuple[Phase, ...]
    pulls: tuple[Pull, ...]
    rpm: float
    seconds: float
    misfire_every: int = 0
    settle_s: float = SETTLE_S
    from_rest: bool = False


@dataclass(frozen=True)
class SceneResult:
    """A scene, played.  ``error_deg`` (n,) of locked sparks, positive early; ``error_s`` when."""

    scene: Scene
    run: ClosedRun
    error_s: F64
    error_deg: F64
    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        """True when every check passed."""
        return all(check.passed for check in self.checks)

    @property
    def worst_deg(self) -> float:
        """Greatest error by magnitude; 0 when nothing was measured."""
        return float(np.abs(self.error_deg).max(initial=0.0))

    def as_dict(self) -> dict[str, Any]:
        """Return the result as JSON holds it."""
        speeds = self.run.turns.mean_rpm[1:]
        return {
            "name": self.scene.name,
            "title": self.scene.title,
            "turns": len(self.run.turns.end_s),
            "sparks": len(self.run.sparks.t_s),
            "least_rpm": round(float(speeds.min(initial=np.inf)), 1) if len(speeds) else None,
            "most_rpm": round(float(speeds.max(initial=0.0)), 1) if len(speeds) else None,
            "worst_error_deg": round(self.worst_deg, 4),
            "passed": self.passed,
            "checks": [check.as_dict() for check in self.checks],
        }


def standard_scenes(engine: Engine, model: EngineModel) -> list[Scene]:
    """Return the scenes of an engine.

    Raises RunError when the engine cannot be turned as described.
    """
    advance = engine.advance.at_rpm
    idle, top = engine.engine.idle_rpm, engine.engine.top_rpm
    screw = screw_load(model, top, advance)
    throttle = steady_throttle_rpm(model, idle, screw, advance)
    step = LOAD_STEP * model.friction_nm_s[0]
    heavier: Load = (step, 0.0, screw[2])
    steady = Phase(0.0, throttle, screw)
    pull = sure_pull(engine, model, 6.0)
    return [
        Scene("idle", "idle", (steady,), (), idle, 8.0),
        Scene("misfires", "idle with misfires", (steady,), (), idle, 12.0, MISFIRE_EVERY),
        Scene(
            "load",
            "a step of load at idle",
            (steady, Phase(4.0, throttle, heavier), Phase(8.0, throttle, screw)),
            (),
            idle,
            11.0,
        ),
        Scene(
            "throttle",
            "throttle opened and closed",
            (steady, Phase(3.0, inf, screw), Phase(7.0, throttle, screw)),
            (),
            idle,
            12.0,
        ),
        Scene(
            "restart",
            "stall and a new start",
            (steady, Phase(2.0, 0.0, screw), Phase(5.0, 1.6 * throttle, screw)),
            (pull,),
            idle,
            9.0,
            from_rest=True,
        ),
        Scene("top", "full speed", (Phase(0.0, inf, screw),), (), 0.98 * top, 4.0),
    ]


def sure_pull(engine: Engine, model: EngineModel, at_s: float) -> Pull:
    """Return a pull by the described starter at its best."""
    starter = STARTERS[engine.engine.starter]
    most = max(starter.rpm[1], engine.engine.starter_rpm)
    best = type(starter)((most, most), (starter.travel_deg[1],) * 2, starter.holds, starter.seconds)
    return pull_for(best, model, np.random.default_rng(0), at_s)


def heat_factors(seed: int, misfire_every: int = 0, count: int = 4096) -> F64:
    """Return the spread of the charges' heat, with every so manieth one lost."""
    factors = np.maximum(1.0 + SPREAD * np.random.default_rng(seed).standard_normal(count), 0.0)
    if misfire_every:
        factors[misfire_every - 1 :: misfire_every] = 0.0
    return np.asarray(factors)


def play(
    library: Library, manifest: Manifest, model: EngineModel, scene: Scene, *, seed: int = 1
) -> SceneResult:
    """Play one scene and check it.  ``seed`` decides the spread of the charges' heat."""
    loop = ClosedLoop(
        library,
        manifest,
        model,
        scene.phases,
        scene.pulls,
        rpm=scene.rpm,
        heat_factors=heat_factors(seed, scene.misfire_every),
    )
    run = loop.run(scene.seconds)
    at_s, error = running_errors(run, manifest, scene.settle_s)
    return SceneResult(scene, run, at_s, error, _checks(scene, run, manifest))


def running_errors(run: ClosedRun, manifest: Manifest, after_s: float) -> tuple[F64, F64]:
    """Return instants and errors of the sparks of a locked firmware, below the speed limit.

    The error is against the curve at the crank's true speed at the spark.
    """
    speeds, degrees = zip(*manifest.curve, strict=True)
    sparks = run.sparks
    locked = (sparks.mode == run.run.modes.index("run")) & (sparks.t_s > after_s)
    locked &= sparks.rpm > 0.0
    error = sparks.deg_btdc[locked] - np.interp(sparks.rpm[locked], speeds, degrees)
    return sparks.t_s[locked], np.asarray(error)


def _none(name: str, found: int, unit: str, of: int) -> Check:
    return Check(name, float(found), 0.0, unit, found == 0, of)


def _checks(scene: Scene, run: ClosedRun, manifest: Manifest) -> tuple[Check, ...]:
    counters, pulses = run.run.counters, run.run.counters["pulse"]
    checks = [
        _none("kick_backs", run.kick_backs, "reversals", run.reversals),
        _none("invariants", sum(broken_invariants(run.run).values()), "events", pulses),
        _start_check(run, manifest),
    ]
    if manifest.two_coils:
        wrong = run.sparks.coil != run.sparks.cylinder
        checks.append(_none("wrong_coil", int(wrong.sum()), "sparks", len(wrong)))
    if not scene.from_rest:
        refused = sum(counters[name] for name in REFUSALS)
        checks.append(_none("refused_edges", refused, "edges", pulses))
        checks.append(_none("lost_lock", counters["lost"], "times", pulses))
    return tuple(checks)


def _start_limit(manifest: Manifest) -> float:
    return manifest.start.deg_btdc + START_SPARE_DEG


def _start_check(run: ClosedRun, manifest: Manifest) -> Check:
    modes = [run.run.modes.index(name) for name in START_MODES]
    by_start = np.isin(run.sparks.mode, modes) & (run.sparks.rpm > 0.0)
    limit = _start_limit(manifest)
    earliest = float(run.sparks.deg_btdc[by_start].max(initial=-180.0))
    return Check("start_advance", earliest, limit, "deg", earliest < limit, int(by_start.sum()))


@dataclass(frozen=True)
class StartsResult:
    """Many starts, and what must hold for all of them."""

    starts: Starts
    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        """True when every check passed."""
        return all(check.passed for check in self.checks)

    def as_dict(self) -> dict[str, Any]:
        """Return the result as JSON holds it."""
        return {
            "count": len(self.starts.started),
            "started": int(self.starts.started.sum()),
            "kick_backs": int(self.starts.kick_backs.sum()),
            "passed": self.passed,
            "checks": [check.as_dict() for check in self.checks],
        }


def play_starts(
    library: Library,
    manifest: Manifest,
    engine: Engine,
    model: EngineModel,
    *,
    count: int = 300,
    seed: int = 1,
) -> StartsResult:
    """Start the engine many times by its described starter, throttle a little open."""
    advance = engine.advance.at_rpm
    screw = screw_load(model, engine.engine.top_rpm, advance)
    throttle = 2.0 * steady_throttle_rpm(model, engine.engine.idle_rpm, screw, advance)
    starts = many_starts(
        library,
        manifest,
        model,
        STARTERS[engine.engine.starter],
        count=count,
        seed=seed,
        throttle_rpm=throttle,
    )
    forwards = starts.start_spark_rpm > 0.0
    earliest = float(starts.start_spark_deg_btdc[forwards].max(initial=-180.0))
    limit = _start_limit(manifest)
    checks = (
        _none("kick_backs", int(starts.kick_backs.sum()), "starts", count),
        _none("lit_backwards", int(starts.lit_backwards.sum()), "starts", count),
        Check("start_advance", earliest, limit, "deg", earliest < limit, int(forwards.sum())),
    )
    return StartsResult(starts, checks)


def play_all(folder: Path, engine: Engine, *, seed: int = 1) -> Iterator[SceneResult]:
    """Play every scene of an engine with a folder's firmware.

    Raises BuildError and FolderError as ``library.load``, RunError as ``standard_scenes``.
    """
    manifest, library, model = read_manifest(folder), load_loop(folder), model_of(engine)
    for scene in standard_scenes(engine, model):
        yield play(library, manifest, model, scene, seed=seed)
