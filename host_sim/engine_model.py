"""The numbers of an engine in motion, and the tables that the stepping works from.

Mechanics and gas of an invented or measured engine, in SI units: what the description tells, and
for the rest stated estimates.  None of them claims to foretell one engine's power; they make the
crank's speed vary within a turn as that of a small engine does.

Cylinder pressure: p V^n = k while closed, k raised by Wiebe's burn; atmospheric from the exhaust
opening on; the inlet's pressure until closing (four-stroke).  Sources beside each constant.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from math import pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sparktick.gen.burn import FUELS, RICHNESS, Fuel, burn_of
from sparktick.gen.engine import Engine
from sparktick.gen.errors import SparktickError
from sparktick.gen.slider_crank import (
    COMPRESSION_N,
    Cylinder,
    travel_per_radian_m,
    volume_m3,
)

F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

CLOSED, TO_AIR, TO_INLET = 0, 1, 2
AIR_KG_PER_M3 = 1.184  # 25 deg C, 1 atm; standard tables
# Air a full charge holds, as a part of the displacement at 1 atm; common practice, no source.
FILLING = {2: 0.60, 4: 0.75}
# Part of the fuel's heat that reaches the gas of a small engine: the walls and what stays unburnt
# take the rest; common practice, no source.
HEAT_PART = 0.60
EXHAUST_OPENS_DEG_ATDC = 125.0  # four-stroke, 55 deg before the bottom; common practice, no source
RECIPROCATING_KG_PER_M3 = 1000.0  # piston, pin, a third of the rod over bore^3; no source
# Friction of a warm four-stroke, bar over thousands of rpm (Barnes-Moss, in Heywood 13.6, from
# memory), taken over the piston speed of the 80 mm stroke it was measured at; no source for that.
FRICTION_BAR = (0.97, 0.15, 0.05)
FRICTION_STROKE_M = 0.080
HALF_POINTS = 64
LEAST_CHARGE = 0.1


@dataclass(frozen=True)
class EngineModel:
    """One engine.  ``charge_j`` heat of a full charge of one cylinder; the rest by name.

    ``phases_deg``: crank degrees by which each cylinder fires after the first.  ``friction_nm_s``
    (f0, f1, f2): drag torque f0 + f1 w + f2 w^2 over rad/s.  Raises SparktickError, naming the
    key of the description, for an engine that cannot turn.
    """

    cylinder: Cylinder
    strokes: int
    phases_deg: tuple[float, ...]
    inertia_kg_m2: float
    reciprocating_kg: float
    friction_nm_s: tuple[float, float, float]
    charge_j: float
    fuel: Fuel
    exhaust_opens_deg_atdc: float
    n: float = COMPRESSION_N
    half_deg_at_1000: F64 = field(repr=False, compare=False, default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        _refuse_impossible(self)
        if not len(self.half_deg_at_1000):
            charge = np.maximum(np.linspace(0.0, 1.0, HALF_POINTS), 0.02)
            half = [
                burn_of(self.cylinder, self.fuel, strokes=self.strokes, charge=c).half_deg_at_1000
                for c in charge.tolist()
            ]
            object.__setattr__(self, "half_deg_at_1000", np.array(half))

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return len(self.phases_deg)

    @property
    def cycle_deg(self) -> float:
        """Crank degrees of a working cycle."""
        return 180.0 * self.strokes

    def friction_nm(self, w_rad_s: ArrayLike) -> F64:
        """Drag torque of the engine itself."""
        f0, f1, f2 = self.friction_nm_s
        w = np.abs(np.asarray(w_rad_s, dtype=np.float64))
        return np.asarray(f0 + w * (f1 + w * f2))

    def without_friction(self) -> EngineModel:
        """Return the same engine, turning freely."""
        return replace(self, friction_nm_s=(0.0, 0.0, 0.0))


def _refuse(key: str, value: float, problem: str, allowed: str, remedy: str) -> None:
    raise SparktickError(
        f"[engine] {key} = {value:g}: {problem} (allowed: {allowed})\n    {remedy}"
    )


def _refuse_impossible(model: EngineModel) -> None:
    cylinder = model.cylinder
    if not model.inertia_kg_m2 > 0.0:
        _refuse(
            "flywheel_inertia_kg_m2",
            model.inertia_kg_m2,
            "without a flywheel nothing carries the piston over compression",
            "above 0",
            "Give flywheel_inertia_kg_m2, or flywheel_mass_kg and flywheel_diameter_mm.",
        )
    if not cylinder.rod_m > 0.5 * cylinder.stroke_m:
        _refuse(
            "rod_mm",
            cylinder.rod_m * 1e3,
            f"with a stroke of {cylinder.stroke_m * 1e3:g} mm the crank cannot turn",
            f"above {cylinder.stroke_m * 500:g} mm, half the stroke",
            "Measure from the centre of the big end to the centre of the small end.",
        )
    if not cylinder.compression_ratio > 1.0:
        _refuse(
            "compression_ratio",
            cylinder.compression_ratio,
            "nothing is compressed",
            "above 1, in practice 3 to 18",
            "It is the volume at the bottom over the volume at the top of the stroke.",
        )
    if not 90.0 < model.exhaust_opens_deg_atdc <= 180.0:
        _refuse(
            "compression_begins_deg_btdc",
            model.exhaust_opens_deg_atdc,
            "the exhaust would open in the first half of the stroke",
            "above 90 deg",
            "For a two-stroke it is where the exhaust port closes.",
        )


def friction_of(cylinder: Cylinder, cylinders: int) -> tuple[float, float, float]:
    """Estimate the drag torque (f0, f1, f2) of an engine of that size; see FRICTION_BAR."""
    per_w = cylinder.stroke_m / pi / (2.0 * FRICTION_STROKE_M) * 60.0 / 1000.0
    scale = 1e5 * cylinders * cylinder.swept_m3 / (4.0 * pi)
    a, b, c = FRICTION_BAR
    return a * scale, b * scale * per_w, c * scale * per_w**2


def model_of(engine: Engine) -> EngineModel:
    """Return the model of a described engine; what the description leaves out is estimated."""
    part = engine.engine
    cylinder = Cylinder(
        part.bore_mm * 1e-3,
        part.stroke_mm * 1e-3,
        part.rod_mm * 1e-3,
        part.compression_ratio,
        part.compression_begins_deg_btdc,
    )
    fuel = FUELS[part.fuel]
    friction = friction_of(cylinder, part.cylinders)
    if part.friction_nm is not None:
        scale = part.friction_nm / friction[0]
        friction = (part.friction_nm, friction[1] * scale, friction[2] * scale)
    return EngineModel(
        cylinder=cylinder,
        strokes=part.strokes,
        phases_deg=phases_deg(engine),
        inertia_kg_m2=part.inertia_kg_m2,
        reciprocating_kg=RECIPROCATING_KG_PER_M3 * cylinder.bore_m**3,
        friction_nm_s=friction,
        charge_j=charge_heat_j(cylinder, fuel, part.strokes),
        fuel=fuel,
        exhaust_opens_deg_atdc=(
            EXHAUST_OPENS_DEG_ATDC if part.strokes == 4 else part.compression_begins_deg_btdc
        ),
    )


def phases_deg(engine: Engine) -> tuple[float, ...]:
    """Crank degrees by which each cylinder fires after the first.

    The cylinders of a four-stroke whose pistons rise together fire a turn apart.
    """
    part = engine.engine
    if part.cylinders == 1:
        return (0.0,)
    return (0.0, float(part.tdc_spacing_deg or (360 if part.strokes == 4 else 0)))


def charge_heat_j(cylinder: Cylinder, fuel: Fuel, strokes: int) -> float:
    """Heat that a full charge gives to the gas: its air burns what fuel it can."""
    air_kg = AIR_KG_PER_M3 * cylinder.swept_m3 * FILLING[strokes]
    fuel_kg = air_kg / fuel.air_per_fuel * min(RICHNESS, 1.0)
    return fuel_kg * fuel.heating_mj_per_kg * 1e6 * HEAT_PART


@dataclass(frozen=True)
class Tables:
    """The cycle cut into cells of ``cell_deg``, counted from firing dead centre.

    ``u`` V^(1-n)/(n-1) and ``v`` volume in m3 at the borders (cells + 1,); ``region`` of each
    cell; ``inertia`` of all that moves at the borders of one turn; ``close``, ``opens`` borders
    where the charge is trapped and let out, to the nearest whole degree.
    """

    model: EngineModel
    cell_deg: float

    def __post_init__(self) -> None:
        cells = 360.0 / self.cell_deg
        whole = abs(cells - round(cells)) < 1e-9 and abs(1 / self.cell_deg % 1.0) < 1e-9
        if not (self.cell_deg <= 1.0 and whole):
            raise SparktickError(
                f"cell_deg = {self.cell_deg:g}: a whole number of cells must make one degree"
            )

    @property
    def per_turn(self) -> int:
        """Cells in one turn."""
        return round(360.0 / self.cell_deg)

    @property
    def per_cycle(self) -> int:
        """Cells in one working cycle."""
        return round(self.model.cycle_deg / self.cell_deg)

    @cached_property
    def angle_deg(self) -> F64:
        """Crank angle of each border after firing dead centre."""
        return np.asarray(np.arange(self.per_cycle + 1) * self.cell_deg, dtype=np.float64)

    @cached_property
    def v(self) -> F64:
        """Volume at each border."""
        return volume_m3(self.model.cylinder, self.angle_deg)

    @cached_property
    def u(self) -> F64:
        """V^(1-n) / (n-1) at each border."""
        n = self.model.n
        return np.asarray(self.v ** (1.0 - n) / (n - 1.0))

    @cached_property
    def u_burn(self) -> F64:
        """1 / mean(1/u) over each half cell (2 cells,), by Simpson's rule."""
        n, step = self.model.n, 0.25 * self.cell_deg
        at = np.arange(4 * self.per_cycle + 1) * step
        inverse = (n - 1.0) * volume_m3(self.model.cylinder, at) ** (n - 1.0)
        return np.asarray(6.0 / (inverse[:-1:2] + 4.0 * inverse[1::2] + inverse[2::2]))

    @property
    def close(self) -> int:
        """Border where the charge is trapped."""
        begins = round(self.model.cylinder.closed_deg_btdc)
        return round((self.model.cycle_deg - begins) / self.cell_deg)

    @property
    def opens(self) -> int:
        """Border where the exhaust opens."""
        return round(round(self.model.exhaust_opens_deg_atdc) / self.cell_deg)

    @cached_property
    def region(self) -> U8:
        """CLOSED, TO_AIR or TO_INLET, of each cell."""
        cell = np.arange(self.per_cycle)
        closed = (cell >= self.close) | (cell < self.opens)
        inlet = (self.model.strokes == 4) & (cell >= self.per_turn)
        return np.where(closed, CLOSED, np.where(inlet, TO_INLET, TO_AIR)).astype(np.uint8)

    @cached_property
    def inertia(self) -> F64:
        """Inertia of crank and flywheel, with the pistons' own: mass times (dx/dt)^2."""
        at = np.arange(self.per_turn + 1) * self.cell_deg
        total = np.full(len(at), self.model.inertia_kg_m2)
        for phase in self.model.phases_deg:
            lever = travel_per_radian_m(self.model.cylinder, at - phase)
            total += self.model.reciprocating_kg * lever**2
        return np.asarray(total)

    @property
    def phase_cells(self) -> tuple[int, ...]:
        """Cells by which each cylinder is behind the first."""
        return tuple(round(phase / self.cell_deg) for phase in self.model.phases_deg)


def speed_irregularity(energy_j: float, inertia_kg_m2: float, mean_rad_s: float) -> float:
    """(greatest - least speed) / mean of a flywheel whose energy swings by so much: E / (I w^2)."""
    return energy_j / (inertia_kg_m2 * mean_rad_s**2)
