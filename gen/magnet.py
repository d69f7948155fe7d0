"""Field of a round magnet at a Hall sensor, and the arc over which the sensor is on.

The magnet is a cylinder magnetised along its axis.  Field on the axis, z from the face:

    B = Br/2 ((L+z)/sqrt(R^2+(L+z)^2) - z/sqrt(R^2+z^2))         (read, several texts)

and anywhere from N. Derby and S. Olbert, "Cylindrical magnets and ideal solenoids",
Am. J. Phys. 78 (2010) 229, whose one elliptic integral (Bulirsch's cel) is computed here
for whole arrays.  Tesla, metres, degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

F64 = NDArray[np.float64]

Mounting = Literal["rim", "face"]


@dataclass(frozen=True)
class Magnet:
    """A round magnet: diameter, length along the axis, remanence (1.2 T neodymium, 0.4 ferrite)."""

    diameter_m: float
    length_m: float
    remanence_t: float


@dataclass(frozen=True)
class Pulse:
    """Where one passage switches the sensor, in shaft degrees before and after the centre.

    ``on_deg`` before the magnet's centre, ``off_deg`` after it; ``peak_t`` the field at the
    centre.  ``on_deg`` is None when the field never operates the sensor, ``off_deg`` None
    when the sensor does not release by itself (a latching sensor needs a second magnet).
    """

    peak_t: float
    on_deg: float | None
    off_deg: float | None

    @property
    def arc_deg(self) -> float | None:
        """Degrees of the shaft over which the sensor is on; None when it has no two edges."""
        if self.on_deg is None or self.off_deg is None:
            return None
        return self.on_deg + self.off_deg


def axial_field_t(magnet: Magnet, distance_m: ArrayLike) -> F64:
    """Field on the axis at a distance from the face."""
    z = np.asarray(distance_m, dtype=np.float64)
    r, end = 0.5 * magnet.diameter_m, z + magnet.length_m
    return np.asarray(0.5 * magnet.remanence_t * (end / np.hypot(r, end) - z / np.hypot(r, z)))


def field_t(magnet: Magnet, distance_m: ArrayLike, radius_m: ArrayLike) -> tuple[F64, F64]:
    """Axial and radial field at a distance in front of the face and off the axis."""
    z0 = np.asarray(distance_m, dtype=np.float64) + 0.5 * magnet.length_m
    rho = np.asarray(radius_m, dtype=np.float64)
    a, half = 0.5 * magnet.diameter_m, 0.5 * magnet.length_m
    gamma = (a - rho) / (a + rho)
    axial, radial = np.zeros(np.broadcast(z0, rho).shape), np.zeros(np.broadcast(z0, rho).shape)
    for sign, z in ((1.0, z0 + half), (-1.0, z0 - half)):
        slant = np.hypot(z, rho + a)
        kc = np.hypot(z, a - rho) / slant
        axial += sign * z / slant * _cel(kc, gamma**2, np.ones_like(kc), gamma)
        radial += sign * a / slant * _cel(kc, np.ones_like(kc), np.ones_like(kc), -1.0)
    scale = magnet.remanence_t / np.pi
    return scale * a / (a + rho) * axial, scale * radial


def passing_field_t(
    magnet: Magnet, gap_m: float, orbit_m: float, angle_deg: ArrayLike, mounting: Mounting = "rim"
) -> F64:
    """Field along the sensor's axis with the shaft turned ``angle_deg`` from face to face.

    ``orbit_m`` is the shaft's centre to the magnet's face ("rim": the magnet looks outwards)
    or to its axis ("face": it looks along the shaft).
    """
    turn = np.radians(np.abs(np.asarray(angle_deg, dtype=np.float64)))
    if mounting == "face":
        return field_t(magnet, gap_m, 2.0 * orbit_m * np.sin(0.5 * turn))[0]
    reach = orbit_m + gap_m
    axial, radial = field_t(magnet, reach * np.cos(turn) - orbit_m, reach * np.sin(turn))
    return axial * np.cos(turn) + radial * np.sin(turn)


def sensor_pulse(
    magnet: Magnet,
    gap_m: float,
    orbit_m: float,
    *,
    operate_t: float,
    release_t: float,
    mounting: Mounting = "rim",
) -> Pulse:
    """Angles at which a passing magnet operates and releases a Hall switch.

    The field is sampled every 0.01 deg to 90 deg from the centre and interpolated; beyond the
    magnet's edge it turns over, which releases some latching sensors, so that is looked at too.
    """
    angle = np.linspace(0.0, 90.0, 9001)
    field = passing_field_t(magnet, gap_m, orbit_m, angle, mounting)
    peak = float(field[0])
    if peak < operate_t:
        return Pulse(peak, None, None)
    return Pulse(peak, _first_below(angle, field, operate_t), _first_below(angle, field, release_t))


def least_field_margin(magnet: Magnet, gap_m: float, operate_t: float) -> float:
    """Field at the gap over the sensor's operate point; below 1 the pulse never comes."""
    return float(axial_field_t(magnet, gap_m)) / operate_t


def widest_gap_m(magnet: Magnet, operate_t: float) -> float | None:
    """Widest gap at which the magnet still operates the sensor; None when none does."""
    if float(axial_field_t(magnet, 0.0)) < operate_t:
        return None
    low, high = 0.0, 100.0 * (magnet.diameter_m + magnet.length_m)
    for _ in range(60):
        mid = 0.5 * (low + high)
        strong = float(axial_field_t(magnet, mid)) >= operate_t
        low, high = (mid, high) if strong else (low, mid)
    return low


def _first_below(angle: F64, field: F64, level_t: float) -> float | None:
    below = np.flatnonzero(field < level_t)
    if len(below) == 0:
        return None
    i = int(below[0])
    share = (field[i - 1] - level_t) / (field[i - 1] - field[i])
    return float(angle[i - 1] + share * (angle[i] - angle[i - 1]))


def _cel(kc: F64, p: F64, c: F64, s: ArrayLike) -> F64:
    """Bulirsch's complete elliptic integral for arrays (p >= 0, kc > 0), by Derby and Olbert."""
    k = np.abs(kc)
    pp, cc, ss = np.sqrt(np.maximum(p, 1e-30)), np.asarray(c), np.asarray(s) + np.zeros_like(k)
    ss = ss / pp
    em, scale = np.ones_like(k), k.copy()
    for _ in range(12):  # doubles the digits each time
        before = cc
        cc = before + ss / pp
        g = scale / pp
        ss = 2.0 * (ss + before * g)
        pp = pp + g
        root = np.sqrt(scale)
        em, k = em + k, 2.0 * root
        scale = k * em
    return np.asarray(0.5 * np.pi * (ss + cc * em) / (em * (em + pp)))
