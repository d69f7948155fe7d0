"""How long a charge burns: from spark to 50 % burnt, against speed, size, fuel and dilution.

The angle from spark to 50 % burnt is

    C (Sp v)^(1/3) (h / S)^(2/3) / stroke

with mean piston speed Sp, kinematic viscosity v of the charge, clearance height h and laminar
burning speed S, all at the spark: the form of Hires, Tabaczynski and Novak (SAE 780232) as given
by Heywood ch. 9 and 14 (from memory), made free of dimension by the stroke.  It grows with the
cube root of speed and, for engines of one shape, does not depend on size.

Laminar speed S = S0(phi) (T/298 K)^a (p/1 atm)^b (1 - 2.06 x^0.77): Metghalchi and Keck 1982
(methanol, propane), Rhodes and Keck 1985 (petrol, residual gas x), Guelder 1982 (ethanol), as
given by Heywood 9.3; from memory.  The mass fraction burnt follows Wiebe's function with a = 5,
m = 2 (the textbook program BurnFraction, Ferguson and Kirkpatrick ex. 2.4; read).
Angles are crank degrees, speeds rpm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .slider_crank import (
    ATMOSPHERE_PA,
    COMPRESSION_N,
    Cylinder,
    pressure_pa,
    temperature_k,
    volume_m3,
)

F64 = NDArray[np.float64]

WIEBE_A, WIEBE_M = 5.0, 2.0
HALF_BURNT_Y = float((np.log(2.0) / WIEBE_A) ** (1.0 / (WIEBE_M + 1.0)))  # 0.51755
# 50 % burnt 8 to 10 deg after TDC gives the best torque (Heywood 15.3; from memory).
BEST_HALF_BURNT_DEG_ATDC = 9.0
# Set so that a 25 cc petrol engine wants about 28 deg at 6000 rpm: common practice of small
# engines, no source.
BURN_C = 805.0
AIR_M2_PER_S = 1.57e-5  # kinematic viscosity of air at 300 K, 1 atm; grows as T^1.7 / p; memory
RICHNESS = 1.1  # slightly rich, as small engines are set; common practice, no source
CHARGE_K = 330.0  # charge warmed by the walls; common practice, no source
# Residual part at full charge = RESIDUAL / ratio: hot exhaust fills the clearance; from memory.
RESIDUAL = 0.35
RESIDUAL_MOST = 0.30
RESIDUAL_TWO_STROKE = 2.0  # scavenging leaves about twice as much; common practice, no source


@dataclass(frozen=True)
class Fuel:
    """A fuel: lower heating value, stoichiometric air/fuel mass ratio, laminar speed law.

    ``heating_mj_per_kg`` and ``air_per_fuel``: Heywood table D.4.  ``laminar_m_per_s`` at 298 K,
    1 atm and RICHNESS; ``t_power``, ``p_power`` its exponents.  All from memory.
    """

    name: str
    heating_mj_per_kg: float
    air_per_fuel: float
    laminar_m_per_s: float
    t_power: float
    p_power: float
    source: str


FUELS = {
    "petrol": Fuel("petrol", 44.0, 14.6, 0.298, 2.02, -0.175, "Rhodes and Keck 1985"),
    "methanol": Fuel("methanol", 20.0, 6.47, 0.369, 2.10, -0.138, "Metghalchi and Keck 1982"),
    "ethanol": Fuel("ethanol", 26.9, 9.00, 0.47, 1.75, -0.162, "Guelder 1982"),
    "propane": Fuel("propane", 46.4, 15.67, 0.341, 2.10, -0.138, "Metghalchi and Keck 1982"),
}


def wiebe(y: ArrayLike, a: float = WIEBE_A, m: float = WIEBE_M) -> F64:
    """Mass fraction burnt, 1 - exp(-a y^(m+1)); ``y`` is the share of the burn that has passed."""
    part = np.maximum(np.asarray(y, dtype=np.float64), 0.0)
    return np.asarray(-np.expm1(-a * part ** (m + 1.0)), dtype=np.float64)


def wiebe_share_at(burnt: ArrayLike, a: float = WIEBE_A, m: float = WIEBE_M) -> F64:
    """Share ``y`` of the burn at which a mass fraction (below 1) is burnt."""
    fraction = np.asarray(burnt, dtype=np.float64)
    return np.asarray((-np.log1p(-fraction) / a) ** (1.0 / (m + 1.0)), dtype=np.float64)


def residual_part(ratio: float, charge: ArrayLike, strokes: int) -> F64:
    """Burnt gas left in the charge; ``charge`` is the fresh charge as a part of the full one."""
    full = RESIDUAL / ratio * (RESIDUAL_TWO_STROKE if strokes == 2 else 1.0)
    fresh = np.maximum(np.asarray(charge, dtype=np.float64), 0.02)
    return np.minimum(full / fresh, RESIDUAL_MOST)


def laminar_speed_m_per_s(fuel: Fuel, t_k: ArrayLike, p_pa: ArrayLike, residual: ArrayLike) -> F64:
    """Laminar burning speed at RICHNESS."""
    hot = (np.asarray(t_k, dtype=np.float64) / 298.0) ** fuel.t_power
    dense = (np.asarray(p_pa, dtype=np.float64) / ATMOSPHERE_PA) ** fuel.p_power
    diluted = 1.0 - 2.06 * np.asarray(residual, dtype=np.float64) ** 0.77
    return np.asarray(fuel.laminar_m_per_s * hot * dense * diluted, dtype=np.float64)


@dataclass(frozen=True)
class Burn:
    """The burn of one engine at one charge: ``half_deg_at_1000`` from spark to 50 % at 1000 rpm."""

    half_deg_at_1000: float

    def half_deg(self, rpm: ArrayLike) -> F64:
        """Crank degrees from the spark to 50 % burnt."""
        return self.half_deg_at_1000 * np.cbrt(np.asarray(rpm, dtype=np.float64) / 1000.0)

    def whole_deg(self, rpm: ArrayLike) -> F64:
        """Crank degrees of Wiebe's whole burn from the spark."""
        return self.half_deg(rpm) / HALF_BURNT_Y

    def best_advance_deg(self, rpm: ArrayLike) -> F64:
        """Advance in deg BTDC that puts 50 % burnt where the torque is best."""
        return self.half_deg(rpm) - BEST_HALF_BURNT_DEG_ATDC


def burn_of(
    cylinder: Cylinder, fuel: Fuel, *, strokes: int, charge: float = 1.0, spark_deg: float = 20.0
) -> Burn:
    """Return the burn of a cylinder at a charge (0 to 1) and a spark ``spark_deg`` BTDC.

    Temperature and pressure at the spark by polytropic compression; a two-stroke's trapped
    pressure does not fall with the throttle, a four-stroke's does.
    """
    closed_pa = ATMOSPHERE_PA * (charge if strokes == 4 else 1.0)
    t_k = temperature_k(cylinder, -spark_deg, COMPRESSION_N, CHARGE_K)
    p_pa = pressure_pa(cylinder, -spark_deg, COMPRESSION_N, closed_pa)
    residual = residual_part(cylinder.compression_ratio, charge, strokes)
    laminar = laminar_speed_m_per_s(fuel, t_k, p_pa, residual)
    viscosity = AIR_M2_PER_S * (t_k / 300.0) ** 1.7 * ATMOSPHERE_PA / p_pa
    height_m = volume_m3(cylinder, -spark_deg) / cylinder.piston_area_m2
    piston_m_per_s = 2.0 * cylinder.stroke_m * 1000.0 / 60.0
    length_m = np.cbrt(piston_m_per_s * viscosity * (height_m / laminar) ** 2)
    return Burn(float(BURN_C * length_m / cylinder.stroke_m))
