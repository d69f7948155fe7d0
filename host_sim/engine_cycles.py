"""The engine turn by turn in NumPy, with sparks where the advance curve wants them.

The same tables and the same rules as ``engine_motion.c``, for cranks that never stop, and without
a compiler: what `sparktick generate` needs to foresee how unevenly an engine turns.  A whole turn
is solved at once, a few times over, because burn and drag depend on the time that results.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import inf, pi

import numpy as np

from sparktick.gen.burn import HALF_BURNT_Y, wiebe
from sparktick.gen.errors import RunError, SparktickError
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
    """One cylinder over a turn from bottom to bottom, firing in that turn or not."""

    def __init__(self, tables: Tables, *, firing: bool) -> None:
        half = tables.per_turn // 2
        first = -half if firing else half
        cell = np.arange(first, first + tables.per_turn) % tables.per_cycle
        border = np.append(cell, (cell[-1] + 1) % tables.per_cycle)
        self.cell = cell
        self.v, self.u = tables.v[border], tables.u[border]
        self.du, self.dv = np.diff(self.u), np.diff(self.v)
        self.closed = tables.region[cell] == CLOSED
        self.inlet = tables.region[cell] == TO_INLET
        # Where in this turn the throttle decides on the charge: the inlet's opening at the top, or
        # a two-stroke's port closing.
        self.breathes_at: int | None = half if self.inlet[half] else None
        if tables.model.strokes == 2:
            self.breathes_at = tables.close - half
        self.u_burn = tables.u_burn.reshape(-1, 2)[cell]
        self.close_v = float(tables.v[tables.close])


class Turner:
    """An engine turned forwards, turn by turn from bottom to bottom; ``rpm`` at the begin.

    The first turn is a firing one of the first cylinder.  Raises SparktickError for cylinders
    whose dead centres do not fall together.
    """

    def __init__(self, model: EngineModel, rpm: float, *, cell_deg: float = 1.0) -> None:
        if any(phase % 360.0 for phase in model.phases_deg):
            raise SparktickError(
                "[engine] tdc_spacing_deg: only cylinders that reach the top together are turned "
                "in one piece; describe one of them"
            )
        self.model, self.tables = model, _tables(model, cell_deg)
        self._kinds = {firing: _Cylinder(self.tables, firing=firing) for firing in (True, False)}
        half = self.tables.per_turn // 2
        inertia = self.tables.inertia
        self._inertia = np.concatenate((inertia[half:], inertia[1 : half + 1]))
        self._step = np.radians(cell_deg)
        self._deg = np.arange(self.tables.per_turn) * cell_deg - 180.0
        self._charge_of = np.linspace(0.0, 1.0, len(model.half_deg_at_1000))
        self._charge = [1.0] * model.cylinders
        self.w = rpm * RAD_S_PER_RPM
        self.t_s = 0.0
        self.turn = 0
        self.mean_rpm = rpm
        self._pieces: list[F64] = []
        self._profile: dict[bool, F64] = {}  # speed over its begin, of the last turn of each kind

    def _fires(self, index: int) -> bool:
        if self.model.strokes == 2:
            return True
        return (self.turn - round(self.model.phases_deg[index] / 360.0)) % 2 == 0

    def go(self, duty: Duty, advance: Advance, heat_factor: float = 1.0) -> None:
        """Turn once.  ``heat_factor`` multiplies the heat of charges lit in this turn.

        Raises RunError, with turn and state, when the crank stops on the way.
        """
        kinds = [self._kinds[self._fires(i)] for i in range(self.model.cylinders)]
        spark_deg = -advance(self.mean_rpm)
        kind_of_turn = self._fires(0)
        before = self._profile.get(kind_of_turn)
        w = self.w * (before if before is not None else np.ones(self.tables.per_turn + 1))
        for _ in range(PASSES if before is None else PASSES - 1):
            work = np.zeros(self.tables.per_turn)
            for i, kind in enumerate(kinds):
                if kind.breathes_at is not None:
                    rpm = float(w[kind.breathes_at]) / RAD_S_PER_RPM
                    self._charge[i] = charge_at(rpm, duty.throttle_rpm)
                work += self._gas_work(kind, self._charge[i], w, spark_deg, heat_factor)
            w = self._speeds(work, w, duty)
        self._profile[kind_of_turn] = w / w[0]
        self._take(w)

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
                f"charge {min(self._charge):.2f}, throttle {duty.throttle_rpm:g} rpm\n"
                "    Give it more throttle, less load or more flywheel."
            )
        return np.asarray(np.sqrt(2.0 * after / self._inertia))

    def _gas_work(
        self, kind: _Cylinder, charge: float, w: F64, spark_deg: float, factor: float
    ) -> F64:
        """Work of one cylinder's gas on the crank in each cell, against the air outside."""
        model = self.model
        part = max(charge, LEAST_CHARGE) if model.strokes == 4 else 1.0
        work = np.where(kind.inlet, ATMOSPHERE_PA * (part - 1.0) * kind.dv, 0.0)
        closed = kind.closed
        if not closed.any():
            return work
        k0 = ATMOSPHERE_PA * part * kind.close_v**model.n
        heat_k, heat_j = self._burn(kind, charge, w, spark_deg, factor)
        k = k0 + np.concatenate(([0.0], np.cumsum(heat_k)))
        middle = 0.5 * (kind.u[1:] + kind.u[:-1])
        gas = -(k[:-1] + 0.5 * heat_k) * kind.du + heat_j - heat_k * middle
        return np.where(closed, gas - ATMOSPHERE_PA * kind.dv, work)

    def _burn(
        self, kind: _Cylinder, charge: float, w: F64, spark_deg: float, factor: float
    ) -> tuple[F64, F64]:
        """Return what the burn adds to p V^n and the heat it releases, in each cell."""
        model = self.model
        t = self._times(w)
        place = int(np.clip((spark_deg + 180.0) / self.tables.cell_deg, 0, len(w) - 2))
        by = np.radians(spark_deg - self._deg[place])
        accel = (w[place + 1] ** 2 - w[place] ** 2) / (2.0 * self._step)
        spark_w = float(np.sqrt(max(w[place] ** 2 + 2.0 * accel * by, 1e-12)))
        spark_s = t[place] + 2.0 * by / (w[place] + spark_w)
        rpm = spark_w / RAD_S_PER_RPM
        half = float(np.interp(charge, self._charge_of, model.half_deg_at_1000))
        burn_s = half * float(np.cbrt(rpm / 1000.0)) / HALF_BURNT_Y / (6.0 * rpm)
        share = np.minimum((t - spark_s) / burn_s, 1.0)
        begun = np.arange(len(t)) > place + 1
        burnt = np.where(begun, wiebe(share), 0.0)
        middle = np.where(begun[1:], wiebe(0.5 * (share[1:] + share[:-1])), 0.0)
        middle = np.clip(middle, burnt[:-1], burnt[1:])
        heat = model.charge_j * charge * factor
        first, second = heat * (middle - burnt[:-1]), heat * (burnt[1:] - middle)
        in_gas = kind.closed
        heat_k = np.where(in_gas, first / kind.u_burn[:, 0] + second / kind.u_burn[:, 1], 0.0)
        return heat_k, np.where(in_gas, first + second, 0.0)

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
    turner = Turner(model, rpm)
    total = 0.0
    for firing in (True,) if model.strokes == 2 else (True, False):
        kind = turner._kinds[firing]
        w = np.full(turner.tables.per_turn + 1, turner.w)
        total += float(np.sum(turner._gas_work(kind, charge, w, -advance_deg, 1.0)))
    return float(total * model.cylinders / np.radians(model.cycle_deg))


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
