"""A capacitor-discharge unit would be triggered early, twice, or above the speed limit."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen import pipeline
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.simulate import run_scenario, standard_scenarios

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def discharge(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    text = (ROOT / "examples" / "plover.toml").read_text()
    begin, end = text.index("[coil]"), text.index("[supply]")
    unit = '[coil]\nkind = "capacitor-discharge"\ntrigger_us = 100\n\n[driver]\nkind = "logic"\n\n'
    folder = tmp_path_factory.mktemp("discharge")
    (folder / "unit.toml").write_text(text[:begin] + unit + text[end:])
    pipeline.generate(folder / "unit.toml", folder / "firmware")
    return read_manifest(folder / "firmware")


# The trigger was once begun before the edge like a charge: 5 deg early at the speed limit.
def test_the_trigger_comes_at_the_spark_in_every_standard_scenario(discharge: Manifest) -> None:
    assert discharge.spark_on_rise
    scenarios = standard_scenarios(discharge)
    assert len(scenarios) > 15
    for scenario in scenarios:
        result = run_scenario(discharge.folder, discharge, scenario)
        assert result.verdict.passed, (scenario.name, result.verdict.failures)
