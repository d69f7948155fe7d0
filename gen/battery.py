"""Battery: voltage under the coil's current, and how long it lasts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Battery:
    """A row of equal cells.

    ``capacity_ah`` (k,) belongs to the steady currents ``capacity_at_a`` (k,), ascending;
    between them the capacity is straight over the logarithm of the current, beyond them it
    goes on along the last stretch (a power law, as Peukert's), never above the first.
    """

    cells: int
    cell_full_v: float
    cell_flat_v: float
    cell_ohm: float
    capacity_at_a: tuple[float, ...]
    capacity_ah: tuple[float, ...]

    @property
    def full_v(self) -> float:
        """Open voltage when full."""
        return self.cells * self.cell_full_v

    @property
    def flat_v(self) -> float:
        """Voltage at which it counts as flat."""
        return self.cells * self.cell_flat_v

    @property
    def internal_ohm(self) -> float:
        """Resistance of the whole row."""
        return self.cells * self.cell_ohm


def sagged_v(battery: Battery, current_a: ArrayLike, full_part: float = 1.0) -> F64:
    """Terminal voltage at a current; ``full_part`` 1 is full, 0 flat (straight between)."""
    open_v = battery.flat_v + full_part * (battery.full_v - battery.flat_v)
    return np.asarray(open_v - np.asarray(current_a) * battery.internal_ohm)


def capacity_ah(battery: Battery, current_a: ArrayLike) -> F64:
    """Usable charge at a mean current (> 0)."""
    at = np.log(np.asarray(battery.capacity_at_a))
    amount = np.log(np.asarray(battery.capacity_ah))
    log = np.log(np.asarray(current_a, dtype=np.float64))
    inside = np.interp(log, at, amount)
    slope = (amount[-1] - amount[-2]) / (at[-1] - at[-2]) if len(at) > 1 else 0.0
    return np.asarray(np.exp(inside + slope * np.maximum(log - at[-1], 0.0)))


def life_h(battery: Battery, mean_a: ArrayLike) -> F64:
    """Hours of running at a mean current, from full; infinite at no current."""
    mean = np.asarray(mean_a, dtype=np.float64)
    drawn = np.maximum(mean, 1e-9)
    return np.asarray(np.where(mean > 0.0, capacity_ah(battery, drawn) / drawn, np.inf))


def simple_battery(volts: float, internal_ohm: float, amp_hours: float) -> Battery:
    """One block of a stated voltage, resistance and capacity, nothing else being known.

    The capacity is taken at the 20-hour rate and shrinks by Peukert's exponent 1.2 (lead
    acid; from memory), with 15 % fall of voltage from full to flat.
    """
    rate = amp_hours / 20.0
    at = (rate, 10.0 * rate, 100.0 * rate)
    amounts = tuple(float(amp_hours * (rate / a) ** 0.2) for a in at)
    return Battery(1, volts, 0.85 * volts, internal_ohm, at, amounts)
