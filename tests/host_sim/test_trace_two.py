"""If this fails: a two-coil recording hides that the wrong coil sparked, or accuses the right."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import sparktick.examples
from sparktick.gen.cli import cli
from sparktick.gen.pipeline import generate
from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.recording import Recording, read_recording
from sparktick.host_sim.trace import TraceResult, examine
from sparktick.host_sim.train import pickup_train, steady
from sparktick.host_sim.vcd import write_vcd

AVOCET = Path(next(iter(sparktick.examples.__path__))) / "avocet.toml"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("two") / "avocet"
    generate(AVOCET, place)
    return place


@pytest.fixture(scope="module")
def recorded(
    folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Recording, Manifest, Path]:
    """Avocet at 4000 rpm; the second cylinder comes first."""
    manifest = read_manifest(folder)
    train = pickup_train(steady(4000.0, angle_deg=30.0), manifest, 0.5)
    run = run_train(load(folder), Hardware.of(manifest), train)
    assert set(run.coil_channel) == {0, 1}
    path = tmp_path_factory.mktemp("two") / "bench.vcd"
    write_vcd(path, train, run, manifest)
    return read_recording(path), manifest, path


def checks(result: TraceResult) -> dict[str, bool]:
    return {check.name: check.passed for check in result.verdict.checks}


@pytest.mark.parametrize("left_out", [(), ("phase",), ("select",), ("select", "phase")])
def test_a_good_recording_passes_with_the_lines_it_has(
    recorded: tuple[Recording, Manifest, Path], left_out: tuple[str, ...]
) -> None:
    recording, manifest, _ = recorded
    more = {name: line for name, line in recording.more.items() if name not in left_out}
    result = examine(replace(recording, more=more), manifest, replay=True)
    assert result.passed, (result.findings, result.verdict.failures)
    assert ("coils not told apart" in [f.name for f in result.findings]) == ("select" in left_out)
    assert result.replay is not None and len(result.replay.ticks) > 50
    assert np.abs(result.replay.ticks).max() <= 1.0


def test_exchanged_coils_are_named(recorded: tuple[Recording, Manifest, Path]) -> None:
    recording, manifest, _ = recorded
    at_s, level = recording.more["select"]
    wrong = {**recording.more, "select": (at_s, 1 - level)}
    result = examine(replace(recording, more=wrong), manifest)
    assert not checks(result)["wrong_coil"] and not result.passed


def test_any_charge_a_measured_supply_asks_for_is_right(
    recorded: tuple[Recording, Manifest, Path],
) -> None:
    """Charges shortened to 2600 us, as at 12.7 V, are right; to 1000 us, as at no supply, wrong."""
    recording, manifest, _ = recorded
    on = recording.coil_level == 1
    for dwell_us, right in ((2600.0, True), (1000.0, False)):
        coil_s = recording.coil_s.copy()
        ends = coil_s[np.flatnonzero(on) + 1] if not on[-1] else coil_s[np.flatnonzero(on)[:-1] + 1]
        coil_s[np.flatnonzero(on)[: len(ends)]] = ends - dwell_us * 1e-6
        result = examine(replace(recording, coil_s=coil_s), manifest)
        assert checks(result)["dwell_steady"] is right


def test_the_command_takes_the_lines_by_name(
    recorded: tuple[Recording, Manifest, Path], folder: Path
) -> None:
    path = str(recorded[2])
    args = ["trace", path, "--folder", str(folder), "--select", "coil_select", "--phase", "phase"]
    result = CliRunner().invoke(cli, args)
    assert result.exit_code == 0, result.output
    assert "not told apart" not in result.stdout
    result = CliRunner().invoke(cli, [*args[:-1], "nothing"])
    assert result.exit_code == 2 and "no line 'nothing'" in result.stderr
