"""If this fails: some chip sparks at other instants than the core that was judged on the host."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import all_boards, load_board
from sparktick.gen.cli import cli
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim.chip.backends import backends_of
from sparktick.host_sim.differential import Case, cases, compare, judge
from sparktick.host_sim.emulate import run_scenario
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.measure import RULE_RUN
from sparktick.host_sim.run import Run
from sparktick.host_sim.simulate import steady_scenario
from sparktick.host_sim.train import pickup_train, steady

NEEDS = {
    "yasimavr": pytest.mark.needs_system(
        "yasimavr", "python tools/install_yasimavr.py", module="yasimavr"
    ),
    "simavr": pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
    "unicorn": pytest.mark.needs_system("unicorn", "pip install unicorn==2.1.4", module="unicorn"),
    "rp2040": pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi"),
}
# One board a chip and clock: the others differ in print only.
BOARDS = {(board.mcu, board.f_cpu_hz): board for board in all_boards()}
PAIRS = [
    pytest.param(board.name, emulator, marks=NEEDS.get(emulator, ()), id=f"{board.name}-{emulator}")
    for board in BOARDS.values()
    for emulator in backends_of(board.mcu)
    if not (emulator == "yasimavr" and board.name == "promini-328p-8mhz")  # the slower one, twice
]
pytestmark = [pytest.mark.emulator, pytest.mark.avr]


def firmware(board: str, folder: Path) -> Manifest:
    description = folder / f"{board}.toml"
    description.write_text(engine_for(board))
    generate(description, folder / board)
    return read_manifest(folder / board)


@pytest.mark.parametrize(("board", "emulator"), PAIRS)
def test_every_chip_sparks_where_the_host_does(board: str, emulator: str, tmp_path: Path) -> None:
    manifest = firmware(board, tmp_path)
    build(manifest.folder)
    results = list(compare(manifest, cases(manifest, pulses=30), [emulator]))
    for result in results:
        assert result.passed, (result.case.title, result.first and "\n".join(result.first.lines))
    assert sum(result.chip_sparks for result in results) > 400


@NEEDS["simavr"]
def test_a_chip_that_differs_is_shown_with_both_traces(tmp_path: Path) -> None:
    """The port's own C is changed so that each instant armed is four ticks late."""
    manifest = firmware("promicro-32u4", tmp_path)
    port = manifest.folder / "src" / "st_port.c"
    text = port.read_text()
    armed = "ST_OCRA = count;"
    assert text.count(armed) == 1
    port.write_text(text.replace(armed, "ST_OCRA = (uint16_t)(count + 4U);"))
    args = ["differ", str(manifest.folder), "--emulator", "simavr"]
    done = CliRunner().invoke(cli, [*args, "--json"])
    assert done.exit_code == 1
    said = json.loads(done.stdout)
    first = said["cases"][0]["first_difference"]
    assert first["ticks"] == 4.0
    assert sum("<-- differs" in line for line in first["traces"]) == 1
    assert {line.split()[2] for line in first["traces"]} == {"pickup", "host", "chip"}
    assert "DIFFER" in CliRunner().invoke(cli, args).stdout


def test_a_spark_of_one_side_alone_is_the_first_difference(plover: Path) -> None:
    manifest = read_manifest(plover)
    train = pickup_train(steady(1000.0), manifest, 0.5)

    def run(*off_s: float) -> Run:
        times = np.sort(np.concatenate((np.array(off_s) - 3e-3, off_s)))
        on = np.tile(np.array([1, 0], np.uint8), len(off_s))
        return Run("made", 2e6, 0.0, times, on, np.zeros(len(on), np.uint8), {}, {}, b"")

    result = judge(Case("made", "made", train), run(0.1, 0.2, 0.3), run(0.1, 0.3 + 9e-6))
    assert (result.differing, result.passed) == (2, False)
    assert result.first is not None and result.first.at_s == 0.2
    assert np.isnan(result.first.ticks)
    assert result.most_ticks == pytest.approx(18.0)


@NEEDS["simavr"]
@pytest.mark.parametrize("rpm", [1000.0, 2614.0, 5628.0, 8000.0])
def test_an_edge_stamped_by_interrupt_costs_what_is_stated(rpm: float, stamped: Manifest) -> None:
    """ATtiny85: no capture unit; running timing up to 8000 rpm.  In start mode it costs more."""
    scenario = steady_scenario(stamped, rpm, pulses=200)
    result = run_scenario(stamped, scenario, "simavr")
    m = result.measurement
    running = (m.rule == RULE_RUN) & (np.arange(len(m.rule)) > 4)
    error_us = 1e6 * m.error_ticks[running] / stamped.tick_hz
    assert np.count_nonzero(running) > 150
    assert np.abs(error_us).max() < load_board("tiny85-16mhz").timer.spread_us
    assert np.abs(np.median(error_us)) < 1.0


@pytest.fixture(scope="module")
def stamped(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """Return the built firmware of the board without a capture unit."""
    manifest = firmware("tiny85-16mhz", tmp_path_factory.mktemp("stamped"))
    build(manifest.folder)
    return manifest
