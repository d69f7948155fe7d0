"""The wire from the sensor to the pin: delays of pull-up, filter and Schmitt input.

An open-collector sensor pulls a line low against a pull-up; a series resistor and a
capacitor stand at the pin, whose input switches at two thresholds.  SI units.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

F64 = NDArray[np.float64]

PIN_F = 10e-12  # input capacitance of a usual chip, from memory
LINE_F_PER_M = 100e-12  # screened lead, from memory


@dataclass(frozen=True)
class SensorLine:
    """An open-collector line into a Schmitt input.

    ``low_v`` is the sensor's own low level; the thresholds are voltages at the pin, rising
    and falling (between ``low_v`` and ``logic_v``, rising above falling).  ``line_f`` is
    the lead's capacitance, ``filter_f`` holds the capacitor at the pin and the pin.
    """

    logic_v: float
    pull_up_ohm: float
    series_ohm: float
    filter_f: float
    line_f: float = 0.0
    low_v: float = 0.2
    rise_threshold_v: float = 3.0
    fall_threshold_v: float = 1.5


@dataclass(frozen=True)
class LineDelays:
    """What the line does to an edge and to noise, in seconds.

    ``shortest_low_s`` is the shortest full-swing pulse at the line that pulls an idle-high
    pin low, ``shortest_high_s`` the same upwards.
    """

    fall_s: float
    rise_s: float
    shortest_low_s: float
    shortest_high_s: float


def line_delays(line: SensorLine) -> LineDelays:
    """Delays of both edges from their RC, and the shortest noise pulse that gets through.

    Falling, the sensor empties the capacitor through the series resistor; rising, the
    pull-up fills it through both (the lead's capacitance is added to the filter's).
    """
    fall_tau = line.series_ohm * line.filter_f
    rise_tau = (line.pull_up_ohm + line.series_ohm) * line.filter_f
    rise_tau += line.pull_up_ohm * line.line_f
    swing = line.logic_v - line.low_v
    fall = _log_time(swing, line.fall_threshold_v - line.low_v)
    rise = _log_time(swing, line.logic_v - line.rise_threshold_v)
    return LineDelays(fall_tau * fall, rise_tau * rise, fall_tau * fall, fall_tau * rise)


def shortest_noise_s(line: SensorLine, amplitude_v: ArrayLike, idle_high: bool = True) -> F64:
    """Shortest noise pulse of each amplitude at the line that flips the pin; infinite if none.

    The noise source is stiff (no resistance of its own), which is the worst case; only the
    series resistor and the capacitor stand in its way.
    """
    amplitude = np.asarray(amplitude_v, dtype=np.float64)
    low_need, high_need = line.logic_v - line.fall_threshold_v, line.rise_threshold_v - line.low_v
    need = low_need if idle_high else high_need
    flips = amplitude > need
    left = np.where(flips, amplitude - need, 1.0)
    time = line.series_ohm * line.filter_f * np.log(np.where(flips, amplitude, 1.0) / left)
    return np.where(flips, time, np.inf)


def delay_deg(delay_s: ArrayLike, rpm: ArrayLike) -> F64:
    """Crank degrees that pass in a delay: 6 deg/s per rpm."""
    return np.asarray(6.0 * np.asarray(rpm) * np.asarray(delay_s))


def greatest_rpm(arc_deg: float, shortest_s: float) -> float:
    """Speed above which a pulse of ``arc_deg`` crank degrees is shorter than ``shortest_s``."""
    return arc_deg / (6.0 * shortest_s)


def _log_time(swing_v: float, left_v: float) -> float:
    return float(np.log(swing_v / left_v))
