"""If this fails, the sensor line's delay is taken back wrongly or lets more noise in than said."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.sensor_line import (
    SensorLine,
    delay_deg,
    greatest_rpm,
    line_delays,
    shortest_noise_s,
)

LINE = SensorLine(logic_v=5.0, pull_up_ohm=2200.0, series_ohm=1000.0, filter_f=4.7e-9)


def test_no_filter_no_delay() -> None:
    bare = SensorLine(5.0, 2200.0, 0.0, 0.0)
    delays = line_delays(bare)
    assert delays.fall_s == delays.rise_s == delays.shortest_low_s == 0.0


def test_rise_waits_for_the_pull_up_too() -> None:
    slow, fast = line_delays(LINE), line_delays(SensorLine(5.0, 470.0, 1000.0, 4.7e-9))
    assert slow.rise_s > fast.rise_s
    assert slow.fall_s == fast.fall_s
    longer = line_delays(SensorLine(5.0, 2200.0, 1000.0, 4.7e-9, line_f=200e-12))
    assert longer.rise_s > slow.rise_s


@pytest.mark.parametrize("idle_high", [True, False])
def test_noise_pulse_just_flips_the_pin(idle_high: bool) -> None:
    """Charge the capacitor in steps for just the time stated: the pin is at its threshold."""
    amplitude = 6.0
    time = float(shortest_noise_s(LINE, amplitude, idle_high))
    idle, sign = (LINE.logic_v, -1.0) if idle_high else (LINE.low_v, 1.0)
    target = idle + sign * amplitude
    pin, steps = idle, 100_000
    share = time / steps / (LINE.series_ohm * LINE.filter_f)
    for _ in range(steps):
        pin += (target - pin) * share
    threshold = LINE.fall_threshold_v if idle_high else LINE.rise_threshold_v
    assert pin == pytest.approx(threshold, abs=1e-3)


def test_weak_noise_never_gets_through() -> None:
    times = shortest_noise_s(LINE, [1.0, 3.5, 3.51, 100.0])
    assert np.isinf(times[:2]).all()
    assert np.isfinite(times[2:]).all()
    assert np.all(np.diff(times[2:]) < 0.0)


def test_degrees() -> None:
    assert float(delay_deg(10e-6, 10_000.0)) == pytest.approx(0.6)
    assert greatest_rpm(12.0, 200e-6) == pytest.approx(10_000.0)
