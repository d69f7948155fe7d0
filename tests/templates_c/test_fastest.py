"""At the greatest speeds the chip would be too slow for its own engine: sparks late or missing."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen import toolchain
from sparktick.host_sim import train as motions
from sparktick.host_sim.emulate import run_scenario
from sparktick.host_sim.simulate import Scenario

from .variants import LOGIC, make_firmware

MAGNET = {
    "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 70.0",
    "arc_deg = 34.0": "arc_deg = 36.0",
}
READY_S = 5e-3


# benchmarks/steady_bar.py runs more speeds and coils, and searches for the greatest.
@pytest.mark.parametrize(("pulses", "top_rpm"), [(1, 20000.0), (2, 10000.0)])
def test_the_steady_bar_holds_up_to_the_greatest_speed(
    tmp_path: Path, pulses: int, top_rpm: float
) -> None:
    spacing = 360.0 / pulses
    manifest = make_firmware(
        tmp_path / "fast",
        {**MAGNET, **LOGIC},
        pulses_per_turn=pulses,
        spacing_deg=spacing,
        top_rpm=top_rpm,
        limit_rpm=top_rpm * 1.02,
        resume_rpm=top_rpm * 1.01,
    )
    toolchain.build(manifest.folder)
    for rpm in (0.3 * top_rpm, top_rpm):
        # The crank rests behind the magnet while the chip starts.
        at_deg = -70.0 - (spacing - 38.0)
        motion = motions.profile([0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=at_deg)
        scenario = Scenario(f"steady-{rpm:.0f}", "fast", motion, READY_S + 0.3)
        result = run_scenario(manifest, scenario, "simavr")
        assert len(result.measurement.spark_s) > 25
        assert result.verdict.passed, (rpm, result.verdict.failures)
