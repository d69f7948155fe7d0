"""If this fails, the standard scenarios or `sparktick simulate` do not do what they say."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.simulate import (
    NoiseLevel,
    run_scenario,
    simulate,
    standard_scenarios,
    steady_scenario,
    steady_speeds,
)

from .conftest import EXAMPLES


def test_standard_set_covers_what_an_engine_does(manifest: Manifest) -> None:
    names = [scenario.name for scenario in standard_scenarios(manifest)]
    assert len(names) == len(set(names))
    for wanted in ("ramp-up", "ramp-down", "start-slow", "start-run", "stop", "speed-limit"):
        assert wanted in names
    assert sum("+glitches" in name for name in names) >= 2
    assert sum("+bursts" in name for name in names) >= 2
    speeds = steady_speeds(manifest)
    assert manifest.start.floor_rpm < speeds[0] < 1.6 * max(300.0, manifest.start.floor_rpm)
    assert 0.95 * manifest.resume_rpm < speeds[-1] < manifest.resume_rpm


def test_given_speeds_replace_the_set(manifest: Manifest) -> None:
    names = [s.name for s in standard_scenarios(manifest, rpm=[1000.0, 2000.0], noise=["bursts"])]
    assert names == ["steady-1000", "steady-2000", "steady-1000+bursts", "steady-2000+bursts"]


def test_seed_repeats_a_run_and_another_differs(plover: Path) -> None:
    manifest = read_manifest(plover)
    scenario = steady_scenario(manifest, 3000.0, pulses=300, noise=("glitches", "bursts"))
    first = run_scenario(plover, manifest, scenario, seed=4)
    again = run_scenario(plover, manifest, scenario, seed=4)
    other = run_scenario(plover, manifest, scenario, seed=5)
    np.testing.assert_array_equal(first.run.coil_s, again.run.coil_s)
    assert first.run.facts == again.run.facts
    assert first.run.facts["edges"] != other.run.facts["edges"]


def test_noise_kinds_draw_from_streams_of_their_own(plover: Path) -> None:
    """Adding bursts does not shift the glitches."""
    manifest = read_manifest(plover)
    trains = []
    for noise in (("glitches",), ("glitches", "bursts")):
        scenario = steady_scenario(manifest, 3000.0, pulses=100, noise=noise)
        scenario = type(scenario)(**{**vars(scenario), "name": "same"})
        trains.append(run_scenario(plover, manifest, scenario).train)
    np.testing.assert_array_equal(trains[0].edge_s, trains[1].edge_s)


def test_a_fault_in_the_c_is_found(plover: Path, tmp_path: Path) -> None:
    """Sparks half a degree late in an edited folder fail the steady speeds."""
    import shutil

    edited = tmp_path / "edited"
    shutil.copytree(plover, edited)
    source = edited / "src" / "st_sync.c"
    text = source.read_text()
    wanted = "st_ticks spark_at = edge_at + st_rounded("
    assert wanted in text
    source.write_text(text.replace(wanted, "st_ticks spark_at = edge_at + 60U + st_rounded("))
    (result,) = simulate(edited, rpm=[3000.0], noise=())
    # the spark, and with it the end of the charge
    failed = [check.name for check in result.verdict.failures]
    assert failed == ["timing_steady", "dwell_steady"]
    worst = result.verdict["timing_steady"]
    assert worst.value == pytest.approx(60 / 2e6 * 18_000, abs=0.02)


def invoke(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(cli, ["simulate", *arguments])
    return result.exit_code, result.output


def test_command_on_a_description() -> None:
    code, output = invoke(str(EXAMPLES / "plover.toml"), "--rpm", "3000", "--noise", "none")
    assert code == 0
    assert "steady 3000 rpm" in output
    assert "1 of 1 scenarios kept their limits" in output


def test_command_as_json(plover: Path) -> None:
    code, output = invoke(str(plover), "--rpm", "900", "--rpm", "5000", "--json", "--seed", "3")
    document = json.loads(output)
    assert code == 0
    assert (document["schema"], document["command"], document["seed"]) == (1, "simulate", 3)
    assert document["passed"] is True
    assert len(document["scenarios"]) == 6
    clean = document["scenarios"][0]
    assert clean["name"] == "steady-900"
    assert clean["sparks"] == clean["pulses"] - 1  # near the starting speed the second sparks
    assert 0.0 < clean["error_max_deg"] < 0.1
    assert {check["name"] for check in clean["checks"]} >= {"timing_steady", "invariants"}


def test_command_ends_with_1_when_a_limit_is_not_kept(plover: Path) -> None:
    code, output = invoke(
        str(plover), "--rpm", "3000", "--noise", "glitches", "--glitch-hz", "40000",
        "--glitch-us", "1", "60",
    )  # fmt: skip
    assert code == 1
    assert "not kept" in output
    assert "limit" in output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--glitch-us", "5", "1"], "SHORTEST <= LONGEST"),
        (["--rpm", "5"], "10"),
        (["--noise", "rain"], "glitches"),
    ],
)
def test_command_refuses_bad_options(plover: Path, arguments: list[str], message: str) -> None:
    code, output = invoke(str(plover), *arguments)
    assert code == 2
    assert message in output


def test_command_shows_the_compilers_message(plover: Path, tmp_path: Path) -> None:
    import shutil

    edited = tmp_path / "broken"
    shutil.copytree(plover, edited)
    (edited / "src" / "st_coil.c").write_text("int broken = ;\n")
    code, output = invoke(str(edited), "--rpm", "3000")
    assert code == 2
    assert "st_coil.c:1:" in output
    assert "Traceback" not in output


def test_missing_folder(tmp_path: Path) -> None:
    assert invoke(str(tmp_path / "none"))[0] == 2


def test_noise_level_defaults_are_possible() -> None:
    level = NoiseLevel()
    assert level.glitch_width_s[0] < level.glitch_width_s[1]
    assert level.burst_glitches[0] <= level.burst_glitches[1]
