"""Piston, cylinder volume, gas pressure and gas torque against crank angle.

Angles are crank degrees *after* top dead centre (negative before), as arrays or
floats; everything else is SI.  Compression and expansion follow p V^n = constant from
the angle where the cylinder closes, full of charge at ``closed_pa``: the worst case for
hand starting, since leaks, heat loss and a throttle only make the crank easier to turn.

Sources: slider-crank geometry (Heywood, Internal Combustion Engine Fundamentals,
eq. 2.4-2.6; the closed values in the reference tests were computed from it); polytropic
exponent 1.3 to 1.35 in compression (Heywood 9.2, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

F64 = NDArray[np.float64]

ATMOSPHERE_PA = 101_325.0
COMPRESSION_N = 1.32  # middle of Heywood's 1.3 to 1.35
COMPRESSION_N_WORST = 1.40  # dry air without heat loss: no real compression does more work


@dataclass(frozen=True)
class Cylinder:
    """One cylinder's geometry.

    ``rod_m`` is centre to centre and longer than half the stroke; ``compression_ratio``
    is the full geometric one (> 1); ``closed_deg_btdc`` is where compression begins, 180
    (bottom dead centre) at worst, less when a port or valve closes later.
    """

    bore_m: float
    stroke_m: float
    rod_m: float
    compression_ratio: float
    closed_deg_btdc: float = 180.0

    @property
    def crank_radius_m(self) -> float:
        """Half the stroke."""
        return 0.5 * self.stroke_m

    @property
    def piston_area_m2(self) -> float:
        """Area of the bore."""
        return 0.25 * pi * self.bore_m**2

    @property
    def swept_m3(self) -> float:
        """Displacement of the cylinder."""
        return self.piston_area_m2 * self.stroke_m

    @property
    def clearance_m3(self) -> float:
        """Volume above the piston at top dead centre."""
        return self.swept_m3 / (self.compression_ratio - 1.0)


def piston_travel_m(cylinder: Cylinder, angle_deg: ArrayLike) -> F64:
    """Piston below its top dead centre: r (1 - cos t) + l - sqrt(l^2 - r^2 sin^2 t)."""
    t = np.radians(np.asarray(angle_deg, dtype=np.float64))
    r, rod = cylinder.crank_radius_m, cylinder.rod_m
    side = r * np.sin(t)
    # side^2/(l + sqrt(l^2 - side^2)) equals l - sqrt(l^2 - side^2) without its cancellation
    lean = side**2 / (rod + np.sqrt(rod**2 - side**2))
    return 2.0 * r * np.sin(0.5 * t) ** 2 + lean


def travel_per_radian_m(cylinder: Cylinder, angle_deg: ArrayLike) -> F64:
    """dx/dt of :func:`piston_travel_m` in m per radian of crank (positive past TDC)."""
    t = np.radians(np.asarray(angle_deg, dtype=np.float64))
    r, rod = cylinder.crank_radius_m, cylinder.rod_m
    s = np.sin(t)
    return r * s + r**2 * s * np.cos(t) / np.sqrt(rod**2 - (r * s) ** 2)


def volume_m3(cylinder: Cylinder, angle_deg: ArrayLike) -> F64:
    """Gas volume of the cylinder."""
    return cylinder.clearance_m3 + cylinder.piston_area_m2 * piston_travel_m(cylinder, angle_deg)


def _closed_m3(cylinder: Cylinder) -> float:
    return float(volume_m3(cylinder, cylinder.closed_deg_btdc))


def pressure_pa(
    cylinder: Cylinder,
    angle_deg: ArrayLike,
    n: float = COMPRESSION_N,
    closed_pa: float = ATMOSPHERE_PA,
) -> F64:
    """Absolute motored pressure; ``closed_pa`` while the cylinder is still open."""
    ratio = _closed_m3(cylinder) / volume_m3(cylinder, angle_deg)
    return closed_pa * np.maximum(ratio, 1.0) ** n


def temperature_k(
    cylinder: Cylinder, angle_deg: ArrayLike, n: float = COMPRESSION_N, closed_k: float = 300.0
) -> F64:
    """Motored gas temperature by the same law: T V^(n-1) = constant."""
    ratio = _closed_m3(cylinder) / volume_m3(cylinder, angle_deg)
    return closed_k * np.maximum(ratio, 1.0) ** (n - 1.0)


def gas_torque_nm(
    cylinder: Cylinder,
    angle_deg: ArrayLike,
    n: float = COMPRESSION_N,
    closed_pa: float = ATMOSPHERE_PA,
    crankcase_pa: float = ATMOSPHERE_PA,
) -> F64:
    """Torque of the motored gas on the crank, positive forwards: (p - p_crankcase) A dx/dt.

    Negative while compressing, positive while the same gas pushes back past TDC.
    """
    net_pa = pressure_pa(cylinder, angle_deg, n, closed_pa) - crankcase_pa
    return net_pa * cylinder.piston_area_m2 * travel_per_radian_m(cylinder, angle_deg)


def _gas_work_from_closed_j(cylinder: Cylinder, angle_deg: ArrayLike, n: float, p0: float) -> F64:
    """Work done on the gas from closing to ``angle_deg``; integral of p dV in closed form."""
    v0 = _closed_m3(cylinder)
    v = volume_m3(cylinder, angle_deg)
    ratio = np.maximum(v0 / v, 1.0)
    if abs(n - 1.0) < 1e-9:
        closed = p0 * v0 * np.log(ratio)
    else:
        closed = p0 * v0 * np.expm1((n - 1.0) * np.log(ratio)) / (n - 1.0)
    return closed - p0 * np.maximum(v - v0, 0.0)


def compression_work_j(
    cylinder: Cylinder,
    from_deg: ArrayLike,
    to_deg: ArrayLike,
    n: float = COMPRESSION_N,
    closed_pa: float = ATMOSPHERE_PA,
    crankcase_pa: float = ATMOSPHERE_PA,
) -> F64:
    """Net work the crank gives the gas between two angles (after TDC; negative before), in J.

    Integral of (p - p_crankcase) dV in closed form; arrays broadcast.  The way back past
    TDC returns the same work, so the result is negative from TDC downwards.
    """
    gas = _gas_work_from_closed_j(cylinder, to_deg, n, closed_pa) - _gas_work_from_closed_j(
        cylinder, from_deg, n, closed_pa
    )
    return gas - crankcase_pa * (volume_m3(cylinder, from_deg) - volume_m3(cylinder, to_deg))


def flywheel_inertia_kg_m2(mass_kg: float, diameter_m: float, bore_m: float = 0.0) -> float:
    """Inertia m (D^2 + d^2) / 8 of a disc, or of a rim with ``bore_m`` its inside diameter."""
    return mass_kg * (diameter_m**2 + bore_m**2) / 8.0
