"""If this fails: a board's image does not fit, or its coil may be on between reset and main."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from elftools.elf.elffile import ELFFile
from intelhex import IntelHex

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import all_boards, load_board
from sparktick.gen.families import FAMILIES
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import BuildResult, build
from sparktick.host_sim import train as motions
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.backends import backends_of
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.emulate import run_scenario
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.simulate import Scenario
from tests.templates_c.variants import LOGIC, make_firmware

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
ARM = pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi")
BOARDS = [
    pytest.param(board.name, marks=ARM if FAMILIES[board.family].tools.name == "ARM" else ())
    for board in all_boards()
]
RUN = [
    pytest.param(board.name, emulator, marks=NEEDS.get(emulator, ()), id=f"{board.name}-{emulator}")
    for board in all_boards()
    for emulator in backends_of(board.mcu)[:1]
]
FAST = [
    pytest.param(name, marks=NEEDS["simavr"])
    for name in ("mega-2560", "promicro-32u4", "tiny84-16mhz")
]
MAGNET = {
    "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 75.0",
    "arc_deg = 34.0": "arc_deg = 40.0",
}
QUIET = "\n\n[noise]\nblank_after_on_us = 40.0"  # fits between edge and spark at 20 000 rpm
READY_S = 5e-3
# Until the coil's pin is driven to off.  The RP2040 reads its first instructions from serial flash
# at a slow clock, its pins undriven and pulled low from reset on (data sheet 2.19.6.3).
SAFE_WITHIN_S = {"rp2040": 2e-3}
pytestmark = pytest.mark.avr


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Manifest, BuildResult]]:
    """Return what was built of each board so far, to be filled by ``image_of``."""
    return {}


def image_of(
    board: str, built: dict[str, tuple[Manifest, BuildResult]], factory: pytest.TempPathFactory
) -> tuple[Manifest, BuildResult]:
    if board not in built:
        folder = factory.mktemp("images") / board
        description = folder.with_suffix(".toml")
        description.write_text(engine_for(board))
        generate(description, folder)
        result = build(folder)
        built[board] = read_manifest(folder), result
    return built[board]


@pytest.mark.parametrize("board", BOARDS)
def test_every_image_is_built_and_fits(
    board: str,
    built: dict[str, tuple[Manifest, BuildResult]],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Reader of the HEX file: intelhex; of the ELF file: pyelftools, by load address."""
    _, result = image_of(board, built, tmp_path_factory)
    facts = load_board(board)
    assert result.warnings == ()
    assert 4000 < result.flash_bytes <= facts.flash_free_bytes
    assert result.ram_bytes <= facts.ram_bytes - facts.stack_bytes
    start = FAMILIES[facts.family].flash_from
    wanted: dict[int, int] = {}
    with result.elf.open("rb") as stream:
        for segment in ELFFile(stream).iter_segments("PT_LOAD"):
            if start <= segment["p_paddr"] < start + facts.flash_bytes:
                wanted |= dict(enumerate(segment.data(), segment["p_paddr"]))
    read = IntelHex(str(result.hex)).todict()
    read.pop("start_addr", None)  # ARM: the entry, in a record of its own
    assert read == wanted


@pytest.mark.emulator
@pytest.mark.parametrize(("board", "emulator"), RUN)
def test_outputs_are_safe_before_main(
    board: str,
    emulator: str,
    built: dict[str, tuple[Manifest, BuildResult]],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    manifest, _ = image_of(board, built, tmp_path_factory)
    train = motions.pickup_train(motions.steady(2000.0), manifest, 0.2)
    run = run_chip(chip_job(manifest, train), emulator)
    within_s = SAFE_WITHIN_S.get(load_board(board).family, 10e-6)
    assert 0.0 < run.facts["outputs_safe_s"] < within_s < run.facts["boot_s"]
    assert np.all(run.coil_s > run.facts["boot_s"])
    assert np.count_nonzero(run.coil_on) > 3
    free = load_board(board).ram_bytes - manifest.raw["sizes"]["ram_bytes"]
    assert run.facts["stack_bytes"] < free


@pytest.mark.emulator
@pytest.mark.parametrize("board", FAST)
def test_the_steady_bar_holds_up_to_20000_rpm(board: str, tmp_path: Path) -> None:
    """As for the ATmega328P in tests/templates_c/test_fastest.py."""
    manifest = make_firmware(
        tmp_path / "fast",
        {**MAGNET, **LOGIC, 'name = "nano-328p"': f'name = "{board}"{QUIET}'},
        spacing_deg=360.0,
        top_rpm=20000.0,
        limit_rpm=20400.0,
        resume_rpm=20200.0,
    )
    build(manifest.folder)
    for rpm in (6000.0, 20000.0):
        motion = motions.profile(
            [0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=-75.0 - (360.0 - 42.0)
        )
        scenario = Scenario(f"steady-{rpm:.0f}", "fast", motion, READY_S + 0.3)
        result = run_scenario(manifest, scenario, "simavr")
        assert len(result.measurement.spark_s) > 25
        assert result.verdict.passed, (rpm, result.verdict.failures)
