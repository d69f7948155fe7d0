"""If this fails: a board file is wrong, or a wrong board file is not refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen.board import all_boards, board_names, boards_folder, load_board, read_board
from sparktick.gen.errors import BoardError, FolderError

# Register names and bits from the ATmega328P data sheet, port alternate functions; from memory.
ALTERNATE_328P = {
    "ADC0": "PC0",
    "ICP1": "PB0",
    "OC1A": "PB1",
    "OC1B": "PB2",
    "RXD": "PD0",
    "TXD": "PD1",
}


@pytest.mark.parametrize("name", board_names())
def test_every_board_is_sound(name: str) -> None:
    board = load_board(name)
    assert board.name == name
    assert board.f_cpu_hz % board.timer.prescaler == 0
    assert board.flash_free_bytes > 0
    assert {"pickup", "coil", "lamp", "tacho"} <= set(board.pins.named())


@pytest.mark.parametrize("name", [b.name for b in all_boards() if b.mcu == "atmega328p"])
def test_pins_of_the_328p_have_their_functions(name: str) -> None:
    board = load_board(name)
    for pin in board.pins.named().values():
        if pin.function != "GPIO":
            assert ALTERNATE_328P[pin.function] == pin.chip_name
    assert board.pins.pickup.function == "ICP1"
    assert board.pins.coil.function == "OC1A"
    assert (board.flash_bytes, board.ram_bytes) == (32768, 2048)


@pytest.mark.parametrize("name", [b.name for b in all_boards() if b.mcu == "atmega328p"])
def test_printed_names_follow_the_usual_numbering(name: str) -> None:
    # Common numbering of boards with this chip: PD0..PD7 are 0..7, PB0..PB5 are 8..13.
    for use, pin in load_board(name).pins.named().items():
        number = pin.bit + (8 if pin.port == "B" else 0)
        digits = "".join(c for c in pin.printed if c.isdigit())
        assert not digits or int(digits) == number, use


@pytest.mark.parametrize("name", [b.name for b in all_boards() if b.mcu == "atmega328p"])
def test_fuse_advice_of_the_328p(name: str) -> None:
    # Data sheet, fuse bytes; a programmed bit reads 0; from memory.
    board = load_board(name)
    fuse = {item.name: item.value for item in board.fuse}
    assert fuse["high"] & 0x01, "BOOTRST: starts in the firmware"
    assert not fuse["high"] & 0x10, "WDTON: watchdog always on"
    assert not fuse["high"] & 0x20, "SPIEN: the programmer still gets in"
    assert fuse["high"] & 0xC0 == 0xC0, "RSTDISBL and DWEN: the reset pin stays a reset pin"
    assert fuse["low"] & 0x80, "CKDIV8: full speed"
    level = {0b100: 4.3, 0b101: 2.7, 0b110: 1.8}[fuse["extended"] & 0b111]
    # Safe operating area: 4 MHz at 1.8 V, 10 MHz at 2.7 V, 20 MHz at 4.5 V, straight between.
    needed = 2.7 + max(board.f_cpu_hz / 1e6 - 10.0, 0.0) * 1.8 / 10.0
    assert level < board.volts
    assert level >= min(needed, 2.7) if board.f_cpu_hz <= 10e6 else level >= needed


def test_tick_and_capture_delay() -> None:
    nano, mini = load_board("nano-328p"), load_board("promini-328p-8mhz")
    assert (nano.tick_us, mini.tick_us) == (0.5, 1.0)
    assert nano.capture_delay_cycles == 7.0
    assert nano.watchdog.longest_us == pytest.approx(19200.0)


def _copy(tmp_path: Path, old: str, new: str) -> Path:
    text = (boards_folder() / "nano-328p.toml").read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "nano-328p.toml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    return file


WRONG = [
    ('name = "nano-328p"', 'name = "other"', "differs from the file's name"),
    ("f_cpu_hz = 16000000", "f_cpu_hz = 16", "out of range"),
    ("f_cpu_hz = 16000000", 'f_cpu_hz = "16 MHz"', "without quotes"),
    ('family = "avr_timer1"', 'family = "avr_timer9"', "(allowed: avr_timer1"),
    ('mcu = "atmega328p"', 'mcu = "atmega8"', "does not know this chip"),
    ('bit = 1\nprinted = "D9"', 'bit = 3\nprinted = "D11"', "allowed: PB1"),
    ("volts = 5.0", "volt = 5.0", "did you mean volts"),
    ("bit = 1", "bit = 0", "already the pin of pickup"),
    ('port = "B"', 'port = "b"', "characters that are not allowed"),
    ("clock_tolerance_ppm = 5000", "clock_tolerance_ppm = 200000", "is broken"),
    ("sync_cycles_min = 2.5", "sync_cycles_min = 9.5", "larger than sync_cycles_max"),
    ("[watchdog]", "[watchdogs]", "did you mean watchdog"),
    (
        "value = 0xF7",
        "value = 0x1F7",
        "[[fuse]] number 1, value = 503: out of range (allowed",
    ),
    ("[pins.lamp]", "[pins.led]", "pins.lamp"),
    ("bits = 16", "bits = 12", "8 | 16 | 32"),
    ("bit = 1", "bit = 0", "boards that have one for both: mega-2560, nano-328p"),
]


@pytest.mark.parametrize(("old", "new", "part"), WRONG)
def test_a_wrong_board_is_an_error(tmp_path: Path, old: str, new: str, part: str) -> None:
    with pytest.raises(BoardError) as caught:
        read_board(_copy(tmp_path, old, new))
    message = str(caught.value)
    assert part in message or part.replace("pins.", "[pins] ") in message


@pytest.mark.parametrize(
    ("board", "use", "can", "cannot"),
    [
        ("tiny85-16mhz", "supply", "tiny-1604", "tiny84"),
        ("tiny85-16mhz", "coil_select", "nano-328p", "tiny84"),
        ("tiny84-16mhz", "serial_tx", "tiny-1604", "tiny85"),
    ],
)
def test_a_pin_for_what_the_chip_cannot_do_is_refused_with_the_boards_that_can(
    tmp_path: Path, board: str, use: str, can: str, cannot: str
) -> None:
    """ATtiny84 and 85: no USART; the ATtiny85's port: one coil, a constant supply."""
    text = (boards_folder() / f"{board}.toml").read_text(encoding="utf-8")
    pin = f'[pins.{use}]\nport = "B"\nbit = 3\nprinted = "PB3"\n\n[[upload]]'
    file = tmp_path / f"{board}.toml"
    file.write_text(text.replace("[[upload]]", pin, 1), encoding="utf-8")
    with pytest.raises(BoardError) as caught:
        read_board(file)
    message = str(caught.value)
    assert f'[pins] {use} = "PB3": the att' in message
    named = message[message.index("a board that can") :]
    assert can in named and cannot not in named


def test_a_wrong_board_is_never_left_out_of_the_list(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "broken-board.toml").write_text("schema = 1\n", encoding="utf-8")
    monkeypatch.setattr("sparktick.gen.board.boards_folder", lambda: tmp_path)
    with pytest.raises(BoardError, match=r"broken-board\.toml"):
        all_boards()


def test_unreadable_board(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="cannot read board description"):
        read_board(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("name", "near"),
    [("nano", "nano-328p"), ("uno328p", "uno-328p"), ("promini-328p", "promini-328p-8mhz")],
)
def test_unknown_board_names_the_nearest(name: str, near: str) -> None:
    with pytest.raises(BoardError, match=f"Did you mean {near}"):
        load_board(name)
