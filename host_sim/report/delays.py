"""Delays between the magnet and the spark that the firmware takes back, in time and degrees."""

from __future__ import annotations

from dataclasses import dataclass

from sparktick.gen.design import Design
from sparktick.gen.plan import CAPTURE_TICKS, COMPARE_TICKS

from ..manifest import Manifest


@dataclass(frozen=True)
class Delay:
    """One delay in microseconds; ``how`` says what it is and where its figure comes from."""

    name: str
    us: float
    how: str

    def deg(self, rpm: float) -> float:
        """Crank degrees that pass meanwhile: 6 degrees a second and rpm."""
        return self.us * 1e-6 * 6.0 * rpm


def delays_of(manifest: Manifest, design: Design | None) -> tuple[Delay, ...]:
    """Return the delays from the lead edge at the magnet to the spark at the plug."""
    clock_us = 1e6 / manifest.f_cpu_hz
    filter_us = manifest.capture_filter_cycles * clock_us
    pin_us = manifest.capture_delay_cycles * clock_us - filter_us
    counting_us = (COMPARE_TICKS - CAPTURE_TICKS) / manifest.tick_hz * 1e6
    return (
        *_sensor(manifest, design),
        Delay(
            "capture synchroniser",
            pin_us,
            "mean clocks from pin to capture unit, from the chip's data sheet",
        ),
        Delay(
            "capture filter",
            filter_us,
            f"{manifest.capture_filter_cycles} clocks of equal samples"
            if manifest.capture_filter_cycles
            else "switched off in the description",
        ),
        Delay(
            "counting in ticks",
            counting_us,
            "a compare unit acts one tick after its count, less the half tick by which a captured "
            "count is early on average",
        ),
        Delay(
            "output stage",
            manifest.output_delay_us,
            "coil pin to spark, [driver] output_delay_us of the description",
        ),
    )


def _sensor(manifest: Manifest, design: Design | None) -> tuple[Delay, ...]:
    whole_us = manifest.sensor_delay_us
    if design is None:
        return (Delay("sensor and its line", whole_us, "lead edge, from the firmware's manifest"),)
    line_us = (design.line.fall_s if design.active_low else design.line.rise_s) * 1e6
    isolator_us = design.isolator_delay_s * 1e6
    how = "[pickup] isolator_delay_us of the description"
    isolator = (Delay("optical isolator", isolator_us, how),) if isolator_us else ()
    sensor_us = whole_us - line_us - isolator_us
    return (
        Delay("sensor", sensor_us, "[pickup] sensor_delay_us of the description"),
        *isolator,
        Delay("sensor line's filter", line_us, "lead edge through pull-up, resistor and capacitor"),
    )
