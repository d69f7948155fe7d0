"""If this fails: a port sets its chip's timer, filter or watchdog not as the data sheet asks.

The ports of timer 1 and of the ATtiny85, on every chip they serve; test_timer_b_port.py does it for
the chips with timers A and B.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from elftools.elf.elffile import ELFFile

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import boards_folder, load_board
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build, find_compiler
from sparktick.host_sim.chip import Peek, run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.train import Train, pickup_train, steady

pytestmark = [
    pytest.mark.emulator,
    pytest.mark.avr,
    pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
]
# Data addresses: avr-libc iom328p.h, iomxx0_1.h, iom32u4.h, iotnx4.h, iotnx5.h.
REGISTERS = {
    "nano-328p": {"action": 0x80, "mode": 0x81, "masks": 0x6F, "watchdog": 0x60, "beat": 0x45},
    "mega-2560": {"action": 0x120, "mode": 0x121, "masks": 0x73, "watchdog": 0x60, "beat": 0x45},
    "promicro-32u4": {"action": 0x80, "mode": 0x81, "masks": 0x6F, "watchdog": 0x60, "beat": 0x45},
    "tiny84-16mhz": {"action": 0x4F, "mode": 0x4E, "masks": 0x2C, "watchdog": 0x41, "beat": 0x53},
    "tiny85-16mhz": {"action": 0x4A, "mode": 0x53, "masks": 0x59, "watchdog": 0x41, "edge": 0x55},
}
TIMER_1 = [board for board in REGISTERS if board != "tiny85-16mhz"]
# Exact: 2048 cycles of 128 kHz (48/88/168 data sheet p. 47, recomputed).
WATCHDOG_S = 2048 / 128e3
EMULATOR = "simavr"


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Manifest]:
    """Return an example engine's folder for each board, built."""
    place = tmp_path_factory.mktemp("registers")
    found = {}
    for board in REGISTERS:
        description = place / f"{board}.toml"
        description.write_text(engine_for(board))
        generate(description, place / board)
        build(place / board)
        found[board] = read_manifest(place / board)
    return found


@pytest.mark.parametrize("board", REGISTERS)
def test_registers_hold_what_the_data_sheet_asks_for(
    board: str, images: dict[str, Manifest]
) -> None:
    """Bits by the names of avr-libc's headers; they have the same places in timers 1 and 5."""
    manifest = images[board]
    peeks = tuple(Peek(name, at, 1) for name, at in REGISTERS[board].items())
    train = pickup_train(steady(3000.0), manifest, 0.1)
    held = run_chip(chip_job(manifest, train, peeks=peeks), EMULATOR).counters
    assert held["watchdog"] & 0x2F == 0x08, "WDE, WDP3:0 = 0: 2048 cycles, 16 ms"
    assert held["action"] & 0x0F == 0, "the other compare unit drives no pin; WGM normal"
    assert held["action"] & 0x80, "COMnA1: the coil pin is the compare unit's"
    if board == "tiny85-16mhz":
        assert held["mode"] & 0x0F == 0x02, "CS01: clock / 8"
        assert held["edge"] & 0x02, "ISC01: one kind of edge"
        assert held["masks"] & 0x02, "TOIE0"
        return
    assert held["mode"] & 0xBF == 0x82, "ICNC1: 4 equal samples; CS11: clock / 8; WGM normal"
    assert held["masks"] & 0x01, "TOIE1"
    assert held["beat"] == 0x03, "TCCR0B: CS01, CS00: clock / 64"


@pytest.mark.parametrize("board", TIMER_1)
def test_what_is_no_longer_than_the_canceller_is_not_seen(
    board: str, images: dict[str, Manifest]
) -> None:
    """Four equal samples, not prescaled (328PB data sheet p. 165): three clocks leave no trace."""
    manifest = images[board]
    clock_s = 1.0 / load_board(board).f_cpu_hz
    still = pickup_train(steady(1.0, angle_deg=100.0), manifest, 0.05)
    at_s = 0.02 + np.arange(50) * 311.3e-6
    for clocks, seen in ((2.9, False), (5.1, True)):
        edge_s = np.sort(np.concatenate([at_s, at_s + clocks * clock_s]))
        active = np.tile([1, 0], len(at_s)).astype(np.uint8)
        noisy = Train(edge_s, active, np.ones(len(edge_s), np.uint8), 0.05, still.motion)
        run = run_chip(chip_job(manifest, noisy, serial=False), EMULATOR)
        assert (run.counters["captures"] > 0) == seen, clocks


@pytest.mark.parametrize("board", REGISTERS)
def test_a_main_loop_that_hangs_is_reset_after_16_ms(
    board: str, images: dict[str, Manifest], tmp_path: Path
) -> None:
    """Outputs are safe within microseconds of each of these resets, before main."""
    description = tmp_path / "engine.toml"
    description.write_text(engine_for(board))
    generate(description, tmp_path / "fw")
    source = tmp_path / "fw" / "src" / "st_main.c"
    text = source.read_text()
    old = "    st_port_started();\n    for (;;) {\n"
    assert text.count(old) == 1
    source.write_text(text.replace(old, f"{old}        for (;;) {{\n        }}\n"))
    build(tmp_path / "fw")
    manifest = read_manifest(tmp_path / "fw")
    run = run_chip(chip_job(manifest, pickup_train(steady(3000.0), manifest, 0.2)), EMULATOR)
    assert run.counters["resets_watchdog"] == 12
    np.testing.assert_allclose(np.diff(run.reset_s[1:]), WATCHDOG_S, rtol=2e-3)
    assert run.facts["reset_safe_s"] < 10e-6
    assert load_board(board).watchdog.period_us == pytest.approx(WATCHDOG_S * 1e6)


def test_a_main_loop_that_hears_no_heartbeat_does_not_feed_the_watchdog(tmp_path: Path) -> None:
    """Interrupts that have died, timer and all, must not be covered by a loop that goes round."""
    generate(boards_folder().parent / "examples" / "plover.toml", tmp_path / "fw")
    source = tmp_path / "fw" / "src" / "st_port_avr.h"
    text = source.read_text()
    old = "    beats = st_beats;\n"
    assert text.count(old) == 1
    source.write_text(text.replace(old, "    beats = 0U;\n"))
    build(tmp_path / "fw")
    manifest = read_manifest(tmp_path / "fw")
    run = run_chip(chip_job(manifest, pickup_train(steady(3000.0), manifest, 0.2)), EMULATOR)
    assert run.counters["resets_watchdog"] == 12
    np.testing.assert_allclose(np.diff(run.reset_s[1:]), WATCHDOG_S, rtol=2e-3)


def test_tables_that_fail_their_check_let_nothing_spark(tmp_path: Path) -> None:
    """One bit of the delay table is another: main never begins, the coil stays off."""
    generate(boards_folder().parent / "examples" / "plover.toml", tmp_path / "fw")
    config = tmp_path / "fw" / "src" / "config.h"
    text = config.read_text()
    found = re.search(r"(ST_CFG_RUN_TABLE \\\n.*?UINT32_C\(\d+\), -?)(\d+)L", text)
    assert found is not None
    flipped = f"{found[1]}{int(found[2]) ^ 1}L"
    config.write_text(text[: found.start()] + flipped + text[found.end() :])
    build(tmp_path / "fw")
    manifest = read_manifest(tmp_path / "fw")
    run = run_chip(chip_job(manifest, pickup_train(steady(3000.0), manifest, 0.3)), EMULATOR)
    assert not run.coil_on.any()


CLI, SEI = 0x94F8, 0x9478


@pytest.mark.parametrize(("port", "bit", "far"), [("B", 7, False), ("H", 6, True)])
def test_a_lamp_on_a_far_port_is_written_with_interrupts_off(
    port: str, bit: int, far: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ATmega2560: ports H to L lie beyond SBI and CBI; a handler's write in between would be lost.

    The lamp's function alone, by its instructions: CLI first, SEI behind both writes.
    """
    own = tmp_path / "own"
    own.mkdir()
    monkeypatch.setenv("SPARKTICK_BOARDS", str(own))
    text = (boards_folder() / "mega-2560.toml").read_text()
    text = text.replace('name = "mega-2560"', 'name = "far"', 1)
    begin = text.index("[pins.lamp]")
    lamp = text[begin:].replace('port = "B"\nbit = 7', f'port = "{port}"\nbit = {bit}', 1)
    (own / "far.toml").write_text(text[:begin] + lamp)
    (tmp_path / "engine.toml").write_text(engine_for("far"))
    generate(tmp_path / "engine.toml", tmp_path / "fw")
    made = tmp_path / "board.o"
    compiler = str(find_compiler(mcu="atmega2560").path)
    source = tmp_path / "fw" / "src" / "st_port_board.c"
    command = [compiler, "-std=c99", "-Os", "-mmcu=atmega2560", "-ffunction-sections", "-c"]
    subprocess.run([*command, str(source), "-o", str(made)], check=True)
    with made.open("rb") as stream:
        code = ELFFile(stream).get_section_by_name(".text.st_port_lamp").data()
    words = np.frombuffer(code, dtype="<u2").tolist()
    assert (CLI in words, SEI in words) == (far, far)
    if far:
        assert words.index(CLI) == 0
        writes = [i for i, word in enumerate(words) if word & 0xFE0F == 0x9200]  # STS
        assert writes and words.index(SEI) > max(writes)
