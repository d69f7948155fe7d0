"""The user's engine turned through the scenes that a predictor and a magnet's place are chosen by.

Sparks come where the advance curve wants them; ``host_sim.engine_cycles`` turns it, without a
compiler.  The draws of heat and misfires are the same every time.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import TYPE_CHECKING

import numpy as np

from .engine import Engine
from .errors import SparktickError

if TYPE_CHECKING:
    from sparktick.host_sim.engine_cycles import Load, Turner
    from sparktick.host_sim.engine_model import EngineModel
    from sparktick.host_sim.run import Motion

SEED = 1
SPREAD = 0.10  # standard deviation of a small engine's heat from cycle to cycle; no source
MISFIRE_EVERY = 23
SCENES = ("idle", "full load", "top", "throttle opened", "throttle closed")
STEADY = ("idle", "full load", "top")


def motions_of(
    engine: Engine, advance: Callable[[float], float], only: Collection[str] = SCENES
) -> Iterator[tuple[str, Motion]]:
    """Yield the scenes by name, each turned with sparks where ``advance`` (deg BTDC of rpm) says.

    Raises RunError as ``choose_predictor``.
    """
    from sparktick.host_sim.engine_cycles import screw_load, steady_throttle_rpm
    from sparktick.host_sim.engine_model import model_of

    model = model_of(engine)
    idle, top = engine.engine.idle_rpm, engine.engine.top_rpm
    screw = screw_load(model, top, advance)
    throttle = steady_throttle_rpm(model, idle, screw, advance)
    rng = np.random.default_rng(SEED)
    if "idle" in only:
        idling = _turn(model, idle, throttle, screw, advance, 20, rng)
        yield "idle", _go(idling, throttle, screw, advance, 120, rng, misfire=True).motion()
    if "full load" in only:
        yield "full load", _full_load(model, idle, top, advance, rng)
    if "top" in only:
        topping = _turn(model, top, np.inf, screw, advance, 10, rng)
        yield "top", _go(topping, np.inf, screw, advance, 30, rng).motion()
    if "throttle opened" in only:
        opened = _turn(model, idle, throttle, screw, advance, 10, rng)
        yield "throttle opened", _go(opened, np.inf, screw, advance, 40, rng).motion()
    if "throttle closed" in only:
        closed = _turn(model, top, np.inf, screw, advance, 10, rng)
        yield "throttle closed", _go(closed, throttle, screw, advance, 40, rng).motion()


def _turn(
    model: EngineModel,
    rpm: float,
    throttle_rpm: float,
    load: Load,
    advance: Callable[[float], float],
    turns: int,
    rng: np.random.Generator,
) -> Turner:
    from sparktick.host_sim.engine_cycles import Turner

    return _go(Turner(model, rpm), throttle_rpm, load, advance, turns, rng)


def _go(
    turner: Turner,
    throttle_rpm: float,
    load: Load,
    advance: Callable[[float], float],
    turns: int,
    rng: np.random.Generator,
    *,
    misfire: bool = False,
) -> Turner:
    from sparktick.host_sim.engine_cycles import Duty

    duty = Duty(throttle_rpm, load)
    for turn in range(turns):
        lost = misfire and turn % (2 * MISFIRE_EVERY) in (MISFIRE_EVERY, MISFIRE_EVERY + 1)
        factor = 0.0 if lost else max(1.0 + SPREAD * float(rng.standard_normal()), 0.0)
        turner.go(duty, advance, factor)
    return turner


def _full_load(
    model: EngineModel,
    idle: float,
    top: float,
    advance: Callable[[float], float],
    rng: np.random.Generator,
) -> Motion:
    """Full throttle held down by a greater screw at the lowest speed that the flywheel carries."""
    from sparktick.host_sim.engine_cycles import screw_load

    for part in (0.2, 0.35, 0.5, 0.7, 0.9):
        rpm = idle * (top / idle) ** part
        try:
            load = screw_load(model, rpm, advance)
            return _turn(model, rpm, np.inf, load, advance, 40, rng).motion()
        except SparktickError:
            continue
    load = screw_load(model, top, advance)
    return _turn(model, top, np.inf, load, advance, 40, rng).motion()
