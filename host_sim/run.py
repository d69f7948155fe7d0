"""Plain values that flow through the simulators: crank motion, pulse train, run.

All times are float64 seconds from the reset of the chip.  Crank angles are float64
degrees, cumulative (they grow past 360); 0 is top dead centre of the cylinder that
fires, so a point ``b`` degrees BTDC has the angle ``360 * k - b``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]


@dataclass(frozen=True)
class Motion:
    """Exact crank motion as pieces of constant angular acceleration.

    ``t_s`` (n,) start of each piece, strictly increasing; ``angle_deg`` (n,) and
    ``speed_deg_s`` (n,) at that instant; ``accel_deg_s2`` (n,) through the piece.  The
    last piece has no end.  Before ``t_s[0]`` the first piece is extended backwards.
    """

    t_s: F64
    angle_deg: F64
    speed_deg_s: F64
    accel_deg_s2: F64

    def _piece(self, t_s: F64) -> NDArray[np.intp] | int:
        if len(self.t_s) == 1:
            return 0
        index = np.searchsorted(self.t_s, t_s, side="right") - 1
        return np.clip(index, 0, len(self.t_s) - 1)

    def angle_at(self, t_s: F64) -> F64:
        """Cumulative crank angle in degrees at each instant."""
        t = np.asarray(t_s, dtype=np.float64)
        i = self._piece(t)
        dt = t - self.t_s[i]
        mean_deg_s: F64 = self.speed_deg_s[i] + 0.5 * self.accel_deg_s2[i] * dt
        angle: F64 = self.angle_deg[i] + dt * mean_deg_s
        return angle

    def speed_at(self, t_s: F64) -> F64:
        """Crank speed in degrees per second at each instant (6 deg/s is 1 rpm)."""
        t = np.asarray(t_s, dtype=np.float64)
        i = self._piece(t)
        return self.speed_deg_s[i] + self.accel_deg_s2[i] * (t - self.t_s[i])

    def accel_at(self, t_s: F64) -> F64:
        """Crank acceleration in degrees per second squared at each instant."""
        t = np.asarray(t_s, dtype=np.float64)
        return np.broadcast_to(self.accel_deg_s2[self._piece(t)], t.shape)

    def time_at(self, angle_deg: F64) -> F64:
        """First instant each cumulative angle is reached; needs a motion that never reverses."""
        a = np.asarray(angle_deg, dtype=np.float64)
        i: NDArray[np.intp] | int = 0
        if len(self.t_s) > 1:
            i = np.clip(np.searchsorted(self.angle_deg, a, side="right") - 1, 0, len(self.t_s) - 1)
        da = a - self.angle_deg[i]
        w, acc = self.speed_deg_s[i], self.accel_deg_s2[i]
        root = np.sqrt(np.maximum(w * w + 2.0 * acc * da, 0.0))
        denom = w + root  # the form that stays exact as the acceleration goes to zero
        with np.errstate(divide="ignore", invalid="ignore"):
            dt = np.where(denom != 0.0, 2.0 * da / denom, np.where(da == 0.0, 0.0, np.inf))
        return self.t_s[i] + dt


@dataclass(frozen=True)
class Train:
    """Level changes at the chip's pickup pin, and the motion that made them.

    ``edge_s`` (n,) float64, non-decreasing; ``active`` (n,) uint8, 1 when the magnet is
    there after the edge.  The pin is inactive before the first edge.  Noise edges are
    in the same arrays; ``true_edge`` (n,) uint8 marks those the crank made.  ``second_s`` (k,)
    ascending: instants at which the phase sensor of an engine with two coils changes between
    the first cylinder, where it begins, and the second.
    """

    edge_s: F64
    active: U8
    true_edge: U8
    end_s: float
    motion: Motion
    second_s: F64 = field(default_factory=lambda: np.zeros(0))

    @property
    def line(self) -> U8:
        """Level of pickup (bit 0) and phase sensor (bit 1) after each edge (n,)."""
        second = np.searchsorted(self.second_s, self.edge_s, side="right") & 1
        return np.asarray(self.active | (second << 1).astype(np.uint8), dtype=np.uint8)


@dataclass(frozen=True)
class Run:
    """What one firmware did with one train: coil pin changes and counters.

    ``coil_s`` (m,) float64 instants, ``coil_on`` (m,) uint8 1 = charging begins,
    0 = spark; ``coil_channel`` (m,) uint8.  ``source`` names what produced the run
    ("host", "yasimavr 0.1.6", "simavr 1.6").  ``timer_phase_s`` is an instant at which
    the chip's tick counter stepped to 0, so that the host can use the same tick grid.
    """

    source: str
    tick_hz: float
    timer_phase_s: float
    coil_s: F64
    coil_on: U8
    coil_channel: U8
    counters: dict[str, int] = field(default_factory=dict)
    facts: dict[str, float] = field(default_factory=dict)
    serial: bytes = b""
