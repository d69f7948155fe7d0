"""Turn an engine's crank: exact motion from torque, with sparks at a given angle or none.

Closed loop with a firmware's own sparks is in ``closed_loop.py``.  The stepping is C
(``engine_motion.c``); the result is a ``Motion`` of pieces of constant acceleration.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.errors import RunError

from .engine_library import load_engine
from .engine_model import EngineModel, Tables
from .run import F64, Motion
from .train import DEG_S_PER_RPM

RAD_S_PER_RPM = np.pi / 30.0
PIECES = 1 << 16
CELL_DEG = 1.0
NO_SPARK = -1000.0
WIEBE_A, WIEBE_M = 5.0, 2.0


@dataclass(frozen=True)
class Phase:
    """What acts from ``at_s`` on.

    ``throttle_rpm``: speed at which the throttle lets through 71 % of a full charge; the charge
    is 1 / sqrt(1 + (rpm / throttle_rpm)^2), full when cranking and inverse to speed when the
    throttle chokes.  ``inf`` is wide open, 0 closed.  ``load_nm_s`` (l0, l1, l2): drag torque
    l0 + l1 w + l2 w^2 over rad/s.
    """

    at_s: float
    throttle_rpm: float = inf
    load_nm_s: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Pull:
    """One pull of a starter: torque that falls evenly to nothing at ``rpm``, never backwards.

    It lets go after ``travel_deg`` of the crank or at ``until_s``.
    """

    at_s: float
    torque_nm: float
    rpm: float
    travel_deg: float
    until_s: float = inf


@dataclass(frozen=True)
class Energies:
    """Energies in J since the begin of a run; ``kinetic_j``, ``trapped_j`` those of now.

    ``trapped_j``: internal energy of shut-in gas and the air's push on its piston.
    """

    gas_j: float
    friction_j: float
    load_j: float
    starter_j: float
    heat_j: float
    kinetic_j: float
    trapped_j: float


class Spec:
    """engine_spec and the arrays it points to, kept alive together."""

    def __init__(
        self,
        ffi: Any,
        model: EngineModel,
        phases: Sequence[Phase],
        pulls: Sequence[Pull] = (),
        heat_factors: F64 | None = None,
        *,
        cell_deg: float = CELL_DEG,
        spark_deg_btdc: float | None = None,
    ) -> None:
        _check_order(phases, pulls)
        self._ffi = ffi
        self._kept: list[Any] = []
        self.tables = tables = Tables(model, cell_deg)
        self.struct = spec = ffi.new("engine_spec *")
        spec.cells_per_turn, spec.cells_per_cycle = tables.per_turn, tables.per_cycle
        spec.cylinders = model.cylinders
        for i, cells in enumerate(tables.phase_cells):
            spec.phase_cells[i] = cells
        spec.close_border, spec.open_border = tables.close, tables.opens
        for name, values, kind in (
            ("u", tables.u, "double *"),
            ("u_burn", tables.u_burn, "double *"),
            ("v", tables.v, "double *"),
            ("region", tables.region, "uint8_t *"),
            ("inertia", tables.inertia, "double *"),
            ("half_deg", model.half_deg_at_1000, "double *"),
        ):
            setattr(spec, name, self._array(values, kind))
        spec.half_points = len(model.half_deg_at_1000)
        spec.n, spec.air_pa, spec.charge_j = model.n, 101_325.0, model.charge_j
        spec.trapped_follows = 1.0 if model.strokes == 4 else 0.0
        for i in range(3):
            spec.friction[i] = model.friction_nm_s[i]
        spec.wiebe_a, spec.wiebe_m = WIEBE_A, WIEBE_M
        spec.wiebe_half = (np.log(2.0) / WIEBE_A) ** (1.0 / (WIEBE_M + 1.0))
        spec.fixed_spark_deg = NO_SPARK if spark_deg_btdc is None else spark_deg_btdc
        self._phases = self._phase_array(phases)
        self._pulls = self._pull_array(pulls)
        self._factors = heat_factors

    def _array(self, values: NDArray[Any], kind: str) -> Any:
        kept = np.ascontiguousarray(values)
        self._kept.append(kept)
        return self._ffi.cast(kind, self._ffi.from_buffer(kept))

    def _phase_array(self, phases: Sequence[Phase]) -> Any:
        array = self._ffi.new("engine_phase[]", len(phases))
        for place, phase in zip(array, phases, strict=True):
            place.at_s = phase.at_s
            place.throttle_w = phase.throttle_rpm * RAD_S_PER_RPM
            place.load = list(phase.load_nm_s)
        return array

    def _pull_array(self, pulls: Sequence[Pull]) -> Any:
        array = self._ffi.new("engine_pull[]", len(pulls))
        for place, pull in zip(array, pulls, strict=True):
            place.at_s, place.until_s = pull.at_s, pull.until_s
            place.torque_nm, place.speed = pull.torque_nm, pull.rpm * RAD_S_PER_RPM
            place.travel = np.radians(pull.travel_deg)
        return array

    def attach(self, state: Any) -> None:
        """Point an initialised engine_state at phases, pulls and heat factors."""
        state.phase, state.phases = self._phases, len(self._phases)
        state.pull, state.pulls = self._pulls, len(self._pulls)
        if self._factors is not None and len(self._factors):
            state.heat_factor = self._array(self._factors.astype(np.float64), "double *")
            state.heat_factors = len(self._factors)


def _check_order(phases: Sequence[Phase], pulls: Sequence[Pull]) -> None:
    if not phases:
        raise RunError("an engine needs at least one phase: a throttle and a load from a time on")
    for what, times in (("phases", phases), ("pulls", pulls)):
        at = [one.at_s for one in times]
        if sorted(at) != at:
            raise RunError(f"{what} of an engine must come in the order of their times")


def broken(state: Any, ffi: Any, lib: Any) -> RunError:
    """Return the error of a solution that is no number any more, with its turn and state."""
    angle = lib.engine_angle_deg(state)
    gas = ", ".join(f"{state.cyl[i].k:.4g}" for i in range(int(state.spec.cylinders)))
    return RunError(
        f"the crank's motion has no solution from turn {angle / 360.0:.0f} on: angle "
        f"{angle:.2f} deg, time {state.t_s:.6g} s, speed {state.w / RAD_S_PER_RPM:.6g} rpm, "
        f"gas p V^n {gas}, kinetic energy {lib.engine_kinetic_j(state):.4g} J\n"
        "    Look at the load, the throttle and the starter: one of them may not be a number."
    )


class Crank:
    """One engine without firmware.  ``run`` may be called again and again.

    ``angle_deg`` cumulative crank angle at the begin (0: first cylinder at firing dead centre),
    ``rpm`` speed there; ``spark_deg_btdc`` a spark at that angle in every turn, or none.
    """

    def __init__(
        self,
        model: EngineModel,
        phases: Sequence[Phase] = (Phase(0.0),),
        pulls: Sequence[Pull] = (),
        *,
        angle_deg: float = 0.0,
        rpm: float = 0.0,
        spark_deg_btdc: float | None = None,
        heat_factors: F64 | None = None,
        cell_deg: float = CELL_DEG,
    ) -> None:
        self._ffi, self._lib = load_engine()
        self._spec = Spec(
            self._ffi,
            model,
            phases,
            pulls,
            heat_factors,
            cell_deg=cell_deg,
            spark_deg_btdc=spark_deg_btdc,
        )
        self.state = self._ffi.new("engine_state *")
        self._lib.engine_init(self.state, self._spec.struct, angle_deg, rpm * DEG_S_PER_RPM)
        self._spec.attach(self.state)

    def run(self, until_s: float) -> Motion:
        """Turn on to the first step that ends at or after ``until_s``; return the motion.

        Raises RunError, with turn and state, when the solution is no number any more.
        """
        found: list[Any] = []
        count = self._ffi.new("int64_t *")
        while self.state.t_s < until_s:
            pieces = np.empty((PIECES, 5))
            room = self._ffi.cast("engine_piece *", self._ffi.from_buffer(pieces))
            result = self._lib.engine_run(self.state, until_s, room, PIECES, count)
            if result != 0:
                raise broken(self.state, self._ffi, self._lib)
            found.append(pieces[: count[0]])
        return motion_of(np.concatenate(found) if found else np.empty((0, 5)))

    def energies(self) -> Energies:
        """Return the energies so far."""
        a = self.state.account
        return Energies(
            a.gas_j,
            a.friction_j,
            a.load_j,
            a.starter_j,
            a.heat_j,
            self._lib.engine_kinetic_j(self.state),
            self._lib.engine_gas_j(self.state),
        )


def motion_of(pieces: F64) -> Motion:
    """Return the motion of rows (t_s, deg, deg/s, deg/s2, end_s); empty pieces left out."""
    rows = pieces[pieces[:, 4] > pieces[:, 0]]
    if not len(rows):
        raise RunError("the crank did not move on in time")
    return Motion(rows[:, 0].copy(), rows[:, 1].copy(), rows[:, 2].copy(), rows[:, 3].copy())
