"""High voltage: what the plug asks for, what the coil can give, what burns at the gap.

SI units; floats or arrays.  Laws and where they come from:

* uniform field, V(kV) = 24.22 (delta d) + 6.08 sqrt(delta d), d in cm, delta the density of
  air against 20 C and 1013 mbar (Kuffel & Zaengl, from memory).  Against printed sphere-gap
  tables it is within 6 % from 2.9 to 10 mm and reads 12 % low at 1 mm.
* plug in a cylinder, V(kV) = 4.3 + 136 p/T + 324 p d/T in bar, kelvin, mm (an SAE-type
  correlation, from memory, with a large scatter; high at atmospheric pressure).
* needle points in open air: the 1920s AIEE table (read), 5 kV 4.2 mm to 30 kV 26.9 mm.

The greater of the first two is taken as the demand.  One source (read) puts a 0.6 mm gap at
about 8 kV in a cylinder of ratio 8 and up to 20 kV when lean: the demand below lies
between, so a margin above 1 is a usual day, and 1.5 is what a worn plug leaves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .slider_crank import ATMOSPHERE_PA, COMPRESSION_N, Cylinder, pressure_pa, temperature_k

F64 = NDArray[np.float64]

ROOM_K = 293.0
BURN_V = 600.0  # glow discharge across a small gap; 400 to 1000 V, from memory
NEEDLE_V = np.array([0.0, 5e3, 10e3, 20e3, 30e3])
NEEDLE_GAP_M = np.array([0.0, 4.2e-3, 8.5e-3, 17.5e-3, 26.9e-3])


def density_factor(pressure: ArrayLike, temperature: ArrayLike = ROOM_K) -> F64:
    """Density of air at Pa and K against 1013 mbar and 293 K."""
    return np.asarray(ROOM_K * np.asarray(pressure) / (101_300.0 * np.asarray(temperature)))


def uniform_field_v(gap_m: ArrayLike, density: ArrayLike = 1.0) -> F64:
    """Breakdown voltage of a gap between round electrodes in air of a density factor."""
    product_cm = np.asarray(gap_m) * 100.0 * np.asarray(density)
    return np.asarray(1e3 * (24.22 * product_cm + 6.08 * np.sqrt(product_cm)))


def plug_correlation_v(gap_m: ArrayLike, pressure: ArrayLike, temperature: ArrayLike) -> F64:
    """Breakdown voltage of a plug in a cylinder at Pa and K."""
    bar_per_k = np.asarray(pressure) / 1e5 / np.asarray(temperature)
    return np.asarray(1e3 * (4.3 + 136.0 * bar_per_k + 324.0 * bar_per_k * np.asarray(gap_m) * 1e3))


def demanded_v(gap_m: ArrayLike, pressure: ArrayLike, temperature: ArrayLike) -> F64:
    """Voltage the plug asks for: the greater of the two laws."""
    return np.maximum(
        uniform_field_v(gap_m, density_factor(pressure, temperature)),
        plug_correlation_v(gap_m, pressure, temperature),
    )


def demanded_in_cylinder_v(
    cylinder: Cylinder,
    gap_m: float,
    advance_deg_btdc: ArrayLike,
    n: float = COMPRESSION_N,
    closed_pa: float = ATMOSPHERE_PA,
    closed_k: float = 300.0,
) -> F64:
    """Voltage asked for at each spark angle of a completely filled cylinder (the worst case)."""
    angle = -np.asarray(advance_deg_btdc, dtype=np.float64)
    return demanded_v(
        gap_m,
        pressure_pa(cylinder, angle, n, closed_pa),
        temperature_k(cylinder, angle, n, closed_k),
    )


def second_gap_v(gap_m: float, compressed_v: ArrayLike, both_compress: bool) -> F64:
    """Voltage of two plugs in series on a twin-lead coil.

    The second gap is in the other cylinder: compressed as well (two-stroke twin firing
    together) or at atmospheric pressure (a four-stroke's exhaust stroke, hot gas at 700 K
    asks less than the room air taken here).
    """
    if both_compress:
        return np.asarray(2.0 * np.asarray(compressed_v))
    return np.asarray(np.asarray(compressed_v) + uniform_field_v(gap_m))


def available_v(
    energy_j: ArrayLike,
    *,
    turns_ratio: float,
    clamp_v: float,
    secondary_f: float,
    coupling: float = 0.985,
) -> F64:
    """Greatest open secondary voltage: the driver's clamp times turns, or 1/2 C V^2 = k^2 E.

    ``secondary_f`` holds winding, lead and plug.  The leakage inductance rings a little
    over the clamp's share, which is left out: a SPICE run of a usual coil gives 4 % more.
    """
    by_energy = np.sqrt(2.0 * coupling**2 * np.asarray(energy_j) / secondary_f)
    return np.minimum(by_energy, clamp_v * turns_ratio)


def bench_gap_m(voltage_v: ArrayLike) -> F64:
    """Gap between round electrodes in room air that a voltage just jumps (uniform-field law)."""
    root = (-6.08 + np.sqrt(6.08**2 + 4.0 * 24.22 * np.asarray(voltage_v) / 1e3)) / (2.0 * 24.22)
    return np.asarray(root**2 / 100.0)


def bench_needle_gap_m(voltage_v: ArrayLike) -> F64:
    """Gap between needle points in room air that a voltage just jumps (table to 30 kV, then on)."""
    v = np.asarray(voltage_v, dtype=np.float64)
    beyond = (NEEDLE_GAP_M[-1] - NEEDLE_GAP_M[-2]) / (NEEDLE_V[-1] - NEEDLE_V[-2])
    over = np.maximum(v - NEEDLE_V[-1], 0.0)
    return np.asarray(np.interp(v, NEEDLE_V, NEEDLE_GAP_M) + over * beyond)


@dataclass(frozen=True)
class Burn:
    """The spark after breakdown: energy at the gap, peak secondary current, duration."""

    gap_j: F64
    current_a: F64
    duration_s: F64


def spark_burn(
    energy_j: ArrayLike,
    primary_a: ArrayLike,
    *,
    turns_ratio: float,
    series_ohm: float,
    burn_v: float = BURN_V,
    coupling: float = 0.985,
) -> Burn:
    """Share of the stored energy that reaches a gap burning at constant voltage.

    The secondary current falls from k I / N through the secondary and plug resistance:
    L di/dt = -(V + R i), so with x = R i0 / V the gap gets 2 (x - ln(1+x)) / x^2 of it and
    the spark lasts (L/R) ln(1+x).  Zero energy gives zeros.
    """
    energy = coupling**2 * np.asarray(energy_j, dtype=np.float64)
    start = coupling * np.asarray(primary_a, dtype=np.float64) / turns_ratio
    x = np.maximum(series_ohm, 1e-3) * start / burn_v
    share = np.where(x < 1e-3, 1.0 - x / 1.5, 2.0 * (x - np.log1p(x)) / np.maximum(x, 1e-3) ** 2)
    # L/R = (2 E / i0^2) / R, and ln(1+x)/x keeps it finite as the current goes to zero
    slow = np.divide(np.log1p(x), x, out=np.ones_like(x), where=x > 1e-12)
    flux = np.divide(2.0 * energy, start, out=np.zeros_like(x), where=start > 0.0)
    return Burn(energy * share, start, flux * slow / burn_v)


def capacitor_energy_j(
    capacitor_f: float, volts: float, period_s: ArrayLike, recharge_s: float
) -> F64:
    """Energy of a capacitor store between two discharges ``period_s`` apart.

    1/2 C V^2 once ``recharge_s`` has passed; before, its share at constant charging power.
    """
    full = 0.5 * capacitor_f * volts**2
    return np.asarray(full * np.minimum(np.asarray(period_s) / recharge_s, 1.0))
