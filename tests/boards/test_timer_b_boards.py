"""If this fails: a board of the ATmega4809 or ATtiny160x names a pin or fuse its chip has not."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import Board, all_boards, boards_folder, read_board
from sparktick.gen.cli import cli
from sparktick.gen.errors import BoardError

BOARDS = {board.name: board for board in all_boards() if board.family == "avr_timerb"}
# Port functions: data sheets DS40002015 and DS40002312, from memory; vectors and fuse bits:
# avr-libc iom4809.h, iotn1604.h.
FUNCTIONS = {
    "atmega": {"LUT0 OUT": {"PA3", "PA6"}, "LUT2 OUT": {"PD3", "PD6"}, "TXD3": {"PB0", "PB4"}}
    | {"RXD3": {"PB1", "PB5"}}
    | {f"AIN{bit}": {f"PD{bit}"} for bit in range(8)},
    "attiny": {"LUT0 OUT": {"PA4", "PB4"}, "TXD": {"PB2", "PA1"}, "RXD": {"PB3", "PA2"}}
    | {f"AIN{bit}": {f"PA{bit}"} for bit in range(1, 8)},
}
# Headers of the common board with this chip, from memory of its pin map.
PRINTED = {
    **dict(zip(("D4", "D5", "D7", "D8", "D13"), ("PC6", "PB2", "PA1", "PE3", "PE2"), strict=True)),
    "A0": "PD3",
    "A1": "PD2",
}
# Flash, RAM, bytes: device tables of the data sheets, and avr-libc's headers.
MEMORIES = {"atmega4809": (49152, 6144), "attiny1604": (16384, 1024), "attiny1606": (16384, 1024)}
BROWN_OUT_V = {0: 1.8, 2: 2.6, 7: 4.2}  # avr-libc iom4809.h, BOD_LVL


@pytest.mark.parametrize("board", BOARDS.values(), ids=BOARDS)
def test_pins_and_memories_are_those_of_the_chip(board: Board) -> None:
    known = FUNCTIONS[board.mcu.rstrip("0123456789")]
    for use, pin in board.pins.named().items():
        if pin.function not in ("GPIO", "event"):
            assert pin.chip_name in known[pin.function], use
        if board.name == "nano-4809" and pin.printed != "USB":
            assert PRINTED[pin.printed] == pin.chip_name, use
        if board.mcu.startswith("attiny"):
            assert pin.printed == pin.chip_name
            assert pin.chip_name != "PA0", "UPDI"
    assert (board.flash_bytes, board.ram_bytes) == MEMORIES[board.mcu]
    assert board.timer.filter_cycles == 4, "Microchip's description of TCB, 21.3.3.3"
    assert board.watchdog.period_us == pytest.approx(16 / 1024 * 1e6)


@pytest.mark.parametrize("board", BOARDS.values(), ids=BOARDS)
def test_fuse_advice(board: Board) -> None:
    fuse = {item.name: item.value for item in board.fuse}
    assert BROWN_OUT_V[fuse["bodcfg"] >> 5] == 4.2
    assert fuse["bodcfg"] >> 2 & 3 == 1, "BOD enabled while active"
    assert {1: 16e6, 2: 20e6}[fuse["osccfg"] & 3] == board.f_cpu_hz
    assert not fuse["osccfg"] & 0x80, "calibration stays writable"
    assert fuse["wdtcfg"] == 0x11, "8 clocks closed, 8 open, as the firmware sets them"
    assert fuse["syscfg1"] & 7 == 7, "64 ms"


WRONG = [
    ("tiny-1604", 'port = "A"\nbit = 4', 'port = "A"\nbit = 1', "coil", "PA4 | PB4"),
    ("tiny-1606", 'port = "A"\nbit = 6', 'port = "C"\nbit = 0', "pickup", "PB5"),
    ("nano-4809", 'port = "D"\nbit = 3', 'port = "B"\nbit = 0', "coil", "PD3 | PD6"),
    ("nano-4809", 'port = "B"\nbit = 4', 'port = "E"\nbit = 0', "serial_tx", "PB4"),
]


@pytest.mark.parametrize(("name", "old", "new", "key", "allowed"), WRONG)
def test_a_pin_the_hardware_cannot_use_so_is_refused_with_those_it_can(
    tmp_path: Path, name: str, old: str, new: str, key: str, allowed: str
) -> None:
    text = (boards_folder() / f"{name}.toml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    file = tmp_path / f"{name}.toml"
    file.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(BoardError) as caught:
        read_board(file)
    message = str(caught.value)
    assert f"[pins] {key}: " in message
    assert allowed in message


@pytest.mark.avr
@pytest.mark.emulator
@pytest.mark.needs_system("yasimavr", "python tools/install_yasimavr.py", module="yasimavr")
def test_another_chip_of_the_family_at_20_mhz_is_one_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bare ATmega4808: no port B and E, the coil on the other pair of logic blocks, USART0."""
    own = tmp_path / "boards"
    own.mkdir()
    monkeypatch.setenv("SPARKTICK_BOARDS", str(own))
    text = (boards_folder() / "nano-4809.toml").read_text(encoding="utf-8")
    moves = {
        "pickup": ("C", 2),
        "coil": ("A", 3),
        "coil_select": ("A", 5),
        "lamp": ("A", 6),
        "tacho": ("A", 7),
        "serial_tx": ("A", 0),
        "serial_rx": ("A", 1),
        "phase": ("C", 3),
    }
    for use, (port, bit) in moves.items():
        text = re.sub(
            rf'(\[pins\.{use}\]\nport = )"."\nbit = \d', rf'\g<1>"{port}"\nbit = {bit}', text
        )
    for old, new in (
        ('name = "nano-4809"', 'name = "bare-4808"'),
        ('mcu = "atmega4809"', 'mcu = "atmega4808"'),
        ("f_cpu_hz = 16000000", "f_cpu_hz = 20000000"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    (own / "bare-4808.toml").write_text(text, encoding="utf-8")
    (tmp_path / "engine.toml").write_text(engine_for("bare-4808"))
    folder = tmp_path / "fw"
    for words in (
        ["generate", str(tmp_path / "engine.toml"), str(folder)],
        ["build", str(folder)],
        ["emulate", str(folder), "--rpm", "600,7000", "--json"],
    ):
        done = CliRunner().invoke(cli, words)
        assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert (said["mcu"], said["f_cpu_hz"], said["tick_hz"]) == ("atmega4808", 20e6, 2.5e6)
    assert all(run["sparks"] > 50 for run in said["scenarios"])
    assert any("second emulator" in line for line in said["chip"][0]["not_exercised"])
