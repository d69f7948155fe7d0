"""Engines that several tests turn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

import sparktick.examples
from sparktick.gen.engine import Engine, read_engine
from sparktick.host_sim.engine_cycles import Advance
from sparktick.host_sim.engine_model import EngineModel, model_of

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))


def described(name: str) -> Engine:
    return read_engine(EXAMPLES / f"{name}.toml")


def model(name: str = "plover") -> EngineModel:
    return model_of(described(name))


def frictionless(**changes: object) -> EngineModel:
    """Plover without friction, breathing the same at both ends of its closed part."""
    same = replace(model(), exhaust_opens_deg_atdc=135.0)
    return replace(same.without_friction(), **changes)  # type: ignore[arg-type]


def advance_of(name: str = "plover") -> Advance:
    speeds, degrees = zip(*described(name).advance.curve, strict=True)
    return lambda rpm: float(np.interp(rpm, speeds, degrees))
