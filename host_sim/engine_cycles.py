"""The engine turn by turn in NumPy, with sparks where the advance curve wants them.

The same tables and the same rules as ``engine_motion.c``, for cranks that never stop, and without
a compiler: what `sparktick generate` needs to foresee how unevenly an engine turns.  A whole turn
is solved at once, a few times over, because burn and drag depend on the time that results.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from math import inf, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sparktick.gen.burn import HALF_BURNT_Y, wiebe
from sparktick.gen.errors import RunError
from sparktick.gen.slider_crank import ATMOSPHERE_PA

from .engine_model import CLOSED, LEAST_CHARGE, TO_INLET, EngineModel, Tables
from .run import F64, Motion

RAD_S_PER_RPM = pi / 30.0
PASSES = 3
Advance = Callable[[float], float]
Load = tuple[float, float, float]
NO_LOAD: Load = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Duty:
    """What one turn works against: throttle and load as in ``engine_motion.Phase``."""

    throttle_rpm: float = inf
    load_nm_s: Load = NO_LOAD


def charge_at(rpm: float, throttle_rpm: float) -> float:
    """Fresh charge as a part of a full one: 1 / sqrt(1 + (rpm / throttle_rpm)^2)."""
    return 1.0 / float(np.hypot(1.0, rpm / throttle_rpm)) if throttle_rpm > 0.0 else 0.0


def throttle_for(rpm: float, charge: float) -> float:
    """Throttle that lets a charge in at a speed; the inverse of ``charge_at``."""
    return inf if charge >= 1.0 else rpm / float(np.sqrt(1.0 / charge**2 - 1.0))


@lru_cache(maxsize=16)
def _tables(model: EngineModel, cell_deg: float) -> Tables:
    return Tables(model, cell_deg)


class _Cylinder:
    """One cylinder over a turn that begins in the cell ``first`` of its cycle."""

    def __init__(self, tables: Tables, first: int) -> None:
        cell = np.arange(first, first + tables.per_turn) % tables.per_cycle
        border = np.append(cell, (cell[-1] + 1) % tables.per_cycle)
        self.cell = cell
        self.v, self.u = tables.v[border], tables.u[border]
        self.du, self.dv = np.diff(self.u), np.diff(self.v)
        self.closed = tables.region[cell] == CLOSED
        self.inlet = tables.region[cell] == TO_INLET
        # Where in this turn the throttle decides on the charge: the inlet's opening at the top, or
        # a two-stroke's port closing.
        breathes = tables.close if tables.model.strokes == 2 else tables.per_turn
        self.breathes_at = _place(cell, breathes)
        # Closed cells at the begin hold what the turn before shut in.
        self.carried = int(np.argmin(self.closed)) if self.closed[0] else 0
        self.top_deg = tables.cell_deg * float((-first) % tables.per_turn)
        self.u_burn = tables.u_burn.reshape(-1, 2)[cell]


def _place(cell: NDArray[np.int64], wanted: int) -> int | None:
    found = np.flatnonzero(cell == wanted)
    return int(found[0]) if len(found) else None


@dataclass(frozen=True)
class _Spark:
    """The sparks of one turn: where, and what multiplies the heat of the charges they light."""

    deg_btdc: float
    heat_factor: float


@dataclass(frozen=True)
class _Gas:
    """What a cylinder holds between two turns: p V^n, its charge, its latest burn."""

    k: float
    charge: float = 1.0
    spark_s: float = 0.0
    burn_s: float = 1.0
    heat_j: float = 0.0
    burnt: float = 0.0


def _burnt(gas: _Gas, at_s: ArrayLike) -> F64:
    return wiebe(np.minimum((np.asarray(at_s) - gas.spark_s) / gas.burn_s, 1.0))


def _released(kind: _Cylinder, gas: _Gas, t: F64, where: NDArray[np.bool_]) -> tuple[F64, F64]:
    """Return what a burn adds to p V^n and the heat it releases, in some cells of a turn.

    What burnt before the first of them is released in it.
    """
    if not (gas.heat_j > 0.0 and where.any()):
        return np.zeros(len(where)), np.zeros(len(where))
    at_border = _burnt(gas, t)
    middle = _burnt(gas, 0.5 * (t[1:] + t[:-1]))
    begin = at_border[:-1].copy()
    begin[int(np.argmax(where))] = gas.burnt
    middle = np.clip(middle, begin, at_border[1:])
    first = np.where(where, gas.heat_j * (middle - begin), 0.0)
    second = np.where(where, gas.heat_j * (at_border[1:] - middle), 0.0)
    return first / kind.u_burn[:, 0] + second / kind.u_burn[:, 1], first + second


class Turner:
    """An engine turned forwards, turn by turn; ``rpm`` at the begin.

    A turn goes from bottom to bottom of the first cylinder, which fires in the first of them.
    Cylinders that fire in between hand their gas and their burn on to the next turn.
    """

    def __init__(self, model: EngineModel, rpm: float, *, cell_deg: float = 1.0) -> None:
        self.model, self.tables = model, _tables(model, cell_deg)
        turn, cycle, half = self.tables.per_turn, self.tables.per_cycle, self.tables.per_turn // 2
        self._kinds = [
            [
                _Cylinder(self.tables, (first - half - behind) % cycle)
                for first in range(0, cycle, turn)
            ]
            for behind in self.tables.phase_cells
        ]
        self._apart = any(phase % 360.0 for phase in model.phases_deg)
        inertia = self.tables.inertia
        self._inertia = np.concatenate((inertia[half:], inertia[1 : half + 1]))
        self._step = np.radians(cell_deg)
        self._deg = np.arange(turn) * cell_deg - 180.0
        self._charge_of = np.linspace(0.0, 1.0, len(model.half_deg_at_1000))
        self._gas = [_Gas(self._shut_in(1.0)) for _ in model.phases_deg]
        self.w = rpm * RAD_S_PER_RPM
        self.t_s = 0.0
        self.turn = 0
        self.mean_rpm = rpm
        self._pieces: list[F64] = []
        self._profile: dict[int, F64] = {}  # speed over its begin, of the last turn of each kind

    def _shut_in(self, part: float) -> float:
        """Return p V^n of a charge when the cylinder closes."""
        close_v = float(self.tables.v[self.tables.close])
        return float(ATMOSPHERE_PA * part * close_v**self.model.n)

    def go(self, duty: Duty, advance: Advance, heat_factor: float = 1.0) -> None:
        """Turn once.  ``heat_factor`` multiplies the heat of charges lit in this turn.

        Raises RunError, with turn and state, when the crank stops on the way.
        """
        kind_of_turn = self.turn % len(self._kinds[0])
        kinds = [row[kind_of_turn] for row in self._kinds]
        spark = _Spark(advance(self.mean_rpm), heat_factor)
        before = self._profile.get(kind_of_turn)
        w = self.w * (before if before is not None else np.ones(self.tables.per_turn + 1))
        for _ in range(PASSES if before is None else PASSES - 1):
            work, after = self._gases(kinds, duty, w, spark)
            w = self._speeds(work, w, duty)
        if self._apart:  # what burns on into the next turn began at the final speeds' instants
            after = self._gases(kinds, duty, w, spark)[1]
        self._gas = after
        self._profile[kind_of_turn] = w / w[0]
        self._take(w)

    def _gases(
        self, kinds: list[_Cylinder], duty: Duty, w: F64, spark: _Spark
    ) -> tuple[F64, list[_Gas]]:
        found = [
            self._gas_work(kind, gas, duty.throttle_rpm, w, spark)
            for kind, gas in zip(kinds, self._gas, strict=True)
        ]
        return np.sum([work for work, _ in found], axis=0), [gas for _, gas in found]

    def _times(self, w: F64) -> F64:
        dt = 2.0 * self._step / (w[1:] + w[:-1])
        return np.concatenate(([0.0], np.cumsum(dt)))

    def _speeds(self, gas_work_j: F64, w: F64, duty: Duty) -> F64:
        middle = np.sqrt(0.5 * (w[1:] ** 2 + w[:-1] ** 2))
        l0, l1, l2 = duty.load_nm_s
        drag = self.model.friction_nm(middle) + l0 + middle * (l1 + middle * l2)
        energy = 0.5 * self._inertia[0] * self.w**2
        after = energy + np.concatenate(([0.0], np.cumsum(gas_work_j - drag * self._step)))
        if not np.all(after > 0.0):
            place = int(np.argmax(~(after > 0.0)))
            raise RunError(
                f"the crank stops in turn {self.turn}, {self._deg[max(place - 1, 0)]:.0f} deg "
                f"after dead centre: {self.w / RAD_S_PER_RPM:.0f} rpm ({energy:.3g} J) before, "
                f"charge {min(gas.charge for gas in self._gas):.2f}, "
                f"throttle {duty.throttle_rpm:g} rpm\n"
                "    Give it more throttle, less load or more flywheel."
            )
        return np.asarray(np.sqrt(2.0 * after / self._inertia))

    def _gas_work(
        self, kind: _Cylinder, gas: _Gas, throttle_rpm: float, w: F64, spark: _Spark
    ) -> tuple[F64, _Gas]:
        """Work of a cylinder's gas on the crank in each cell, against the air; its end."""
        charge = gas.charge
        if kind.breathes_at is not None:
            charge = charge_at(float(w[kind.breathes_at]) / RAD_S_PER_RPM, throttle_rpm)
        part = max(charge, LEAST_CHARGE) if self.model.strokes == 4 else 1.0
        work = np.where(kind.inlet, ATMOSPHERE_PA * (part - 1.0) * kind.dv, 0.0)
        if not kind.closed.any():
            return work, _Gas(gas.k, charge)
        t = self.t_s + self._times(w)
        lit, place = self._lit(kind, charge, t, w, spark)
        carried = np.arange(len(kind.cell)) < kind.carried
        old = _released(kind, gas, t, carried)
        burns = (np.arange(len(kind.cell)) > place) & (carried == carried[place])
        new = _released(kind, lit, t, burns)
        heat_k, heat_j = (np.where(kind.closed, a + b, 0.0) for a, b in zip(old, new, strict=True))
        added = np.concatenate(([0.0], np.cumsum(heat_k)))
        k = np.where(
            carried, gas.k + added[:-1], self._shut_in(part) + added[:-1] - added[kind.carried]
        )
        middle = 0.5 * (kind.u[1:] + kind.u[:-1])
        closed_work = heat_j - heat_k * middle - (k + 0.5 * heat_k) * kind.du
        end = replace(lit, k=float(k[-1] + heat_k[-1]), heat_j=0.0)
        if kind.closed[-1] and not carried[place]:
            burnt = float(_burnt(lit, t[-1])) if burns[-1] else 0.0
            end = replace(end, heat_j=lit.heat_j, burnt=burnt)
        return np.where(kind.closed, closed_work - ATMOSPHERE_PA * kind.dv, work), end

    def _lit(
        self, kind: _Cylinder, charge: float, t: F64, w: F64, spark: _Spark
    ) -> tuple[_Gas, int]:
        """Return the burn that this turn's spark begins, and the cell it comes in."""
        at_deg = (kind.top_deg - spark.deg_btdc) % 360.0
        place = min(int(at_deg / self.tables.cell_deg), len(w) - 2)
        by = np.radians(at_deg - place * self.tables.cell_deg)
        accel = (w[place + 1] ** 2 - w[place] ** 2) / (2.0 * self._step)
        spark_w = float(np.sqrt(max(w[place] ** 2 + 2.0 * accel * by, 1e-12)))
        rpm = spark_w / RAD_S_PER_RPM
        half = float(np.interp(charge, self._charge_of, self.model.half_deg_at_1000))
        heat_j = self.model.charge_j * charge * spark.heat_factor if kind.closed[place] else 0.0
        lit = _Gas(
            k=0.0,
            charge=charge,
            spark_s=float(t[place] + 2.0 * by / (w[place] + spark_w)),
            burn_s=half * float(np.cbrt(rpm / 1000.0)) / HALF_BURNT_Y / (6.0 * rpm),
            heat_j=heat_j,
        )
        return lit, place

    def _take(self, w: F64) -> None:
        t = self._times(w)
        accel = np.diff(w**2) / (2.0 * self._step)
        rows = (self.t_s + t[:-1], 360.0 * self.turn + self._deg, np.degrees(w[:-1]))
        self._pieces.append(np.stack((*rows, np.degrees(accel))))
        self.t_s += float(t[-1])
        self.mean_rpm = 60.0 / float(t[-1])
        self.w = float(w[-1])
        self.turn += 1

    def motion(self) -> Motion:
        """Return the motion of all turns so far; it begins at -180 deg."""
        return Motion(*(np.concatenate(parts) for parts in zip(*self._pieces, strict=True)))


def mean_gas_torque_nm(model: EngineModel, rpm: float, charge: float, advance_deg: float) -> float:
    """Mean torque of the gas over a cycle at constant speed, one charge and one advance."""
    turner = Turner(replace(model, phases_deg=(0.0,)), rpm)
    w = np.full(turner.tables.per_turn + 1, turner.w)
    gas = replace(turner._gas[0], charge=charge)
    throttle, spark = throttle_for(rpm, charge), _Spark(advance_deg, 1.0)
    work = [turner._gas_work(kind, gas, throttle, w, spark)[0] for kind in turner._kinds[0]]
    return float(np.sum(work) * model.cylinders / np.radians(model.cycle_deg))


def steady_throttle_rpm(model: EngineModel, rpm: float, load: Load, advance: Advance) -> float:
    """Throttle at which gas and drag balance at a speed.

    Raises RunError when even a full charge cannot hold it.
    """
    w = rpm * RAD_S_PER_RPM
    wanted = float(model.friction_nm(w)) + load[0] + w * (load[1] + w * load[2])
    low, high = 0.02, 1.0
    full = mean_gas_torque_nm(model, rpm, high, advance(rpm))
    if full < wanted * (1.0 - 1e-6):
        raise RunError(
            f"the engine cannot hold {rpm:g} rpm: friction and load take {wanted:.3g} N m, its gas "
            f"gives {full:.3g} N m at full throttle\n    Take less load or a lower speed."
        )
    for _ in range(40):
        middle = 0.5 * (low + high)
        enough = mean_gas_torque_nm(model, rpm, middle, advance(rpm)) >= wanted
        low, high = (low, middle) if enough else (middle, high)
    return throttle_for(rpm, high)


def screw_load(model: EngineModel, top_rpm: float, advance: Advance) -> Load:
    """Load of a screw or propeller that holds full throttle at the top speed: torque over w^2.

    Raises RunError when friction alone takes all the torque there.
    """
    w = top_rpm * RAD_S_PER_RPM
    spare = mean_gas_torque_nm(model, top_rpm, 1.0, advance(top_rpm)) - float(model.friction_nm(w))
    if spare <= 0.0:
        raise RunError(
            f"[engine] top_rpm = {top_rpm:g}: friction takes all the torque there\n"
            "    Lower it, or give friction_nm as measured."
        )
    return (0.0, 0.0, float(spare / w**2))
