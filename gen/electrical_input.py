"""What :func:`sparktick.gen.electrical.electrical_report` takes, and the arrays it works on.

SI units; rpm and crank degrees where named so.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .battery import Battery
from .coil import PrimaryCircuit
from .coil_heat import COUPLING, ThermalSet
from .secondary import Burn
from .slider_crank import Cylinder

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Tolerances:
    """How far parts may be from nominal (parts of 1) and the winding's coldest and hottest.

    15 % and 10 % are common practice for inductance and resistance, no source.
    """

    coil_ohm: float = 0.10
    inductance: float = 0.15
    coldest_c: float = -10.0
    hottest_c: float = 110.0


@dataclass(frozen=True)
class Coil:
    """An inductive coil with its switch: [coil] kind "inductive".

    ``circuit`` is scalar, at the nominal supply and the winding's working temperature.
    ``dwell_s`` overrides the dwell computed for ``wanted_a``; ``follows_supply`` is for
    firmware that lengthens dwell as the supply falls.  ``on_limit_s`` is the longest
    on-time that a fault can cause (hard limit and one watchdog period).
    """

    circuit: PrimaryCircuit
    wanted_a: float
    thermal: ThermalSet
    driver_max_a: float
    clamp_v: float
    clamp_energy_j: float
    turns_ratio: float
    secondary_ohm: float
    secondary_f: float
    dwell_s: float | None = None
    follows_supply: bool = False
    on_limit_s: float | None = None
    ballast_rating_w: float = 0.0
    coupling: float = COUPLING
    tolerances: Tolerances = field(default_factory=Tolerances)


@dataclass(frozen=True)
class LogicCoil:
    """A coil with its own switch: only what its maker states is known."""

    dwell_s: float
    max_on_s: float
    current_a: float
    energy_j: float | None = None
    on_limit_s: float | None = None


@dataclass(frozen=True)
class CapacitorStore:
    """Capacitor discharge: what is stored and how fast it fills again."""

    capacitor_f: float
    volts: float
    recharge_s: float


@dataclass(frozen=True)
class ElectricalInput:
    """Everything the report needs.

    ``curve`` holds (rpm, deg BTDC) points, straight between and flat beyond;
    ``plugs_in_series`` is 2 on a twin-lead coil, ``both_compress`` whether its second plug
    sits in compressed gas too.  ``sparks_per_turn`` counts charges of one coil in a crank
    turn (0.5 with one magnet on a cam shaft).  ``start_rpm`` is the cranking speed.
    """

    source: Coil | LogicCoil | CapacitorStore
    cylinder: Cylinder
    curve: tuple[tuple[float, float], ...]
    start_rpm: float
    top_rpm: float
    supply_v: float
    supply_min_v: float
    supply_max_v: float
    plug_gap_m: float
    plug_ohm: float = 0.0
    plugs_in_series: int = 1
    both_compress: bool = False
    min_off_s: float = 1e-3
    sparks_per_turn: float = 1.0
    arc_deg: float = 14.0
    ambient_c: float = 40.0
    battery: Battery | None = None
    least_margin: float = 1.2
    least_gap_j: float = 3e-3


@dataclass(frozen=True)
class SparkCurves:
    """Electrical figures over rpm: shape (k,) nominal, (corners, k) for the corners."""

    rpm: F64
    dwell_s: F64
    current_a: F64
    energy_j: F64
    burn: Burn
    available_v: F64
    demanded_v: F64

    @property
    def margin(self) -> F64:
        """Available over demanded voltage; below 1 there is no spark."""
        return np.asarray(self.available_v / self.demanded_v)


@dataclass(frozen=True)
class Corners:
    """All corners of resistance, inductance, winding temperature and supply.

    ``names`` (c,) says each corner in words; ``curves`` has arrays (c, k).
    """

    names: tuple[str, ...]
    supply_v: F64
    curves: SparkCurves
