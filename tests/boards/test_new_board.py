"""If this fails: a user cannot add a board with one file, or gets one that cannot work."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import boards_folder, load_board
from sparktick.gen.cli import cli
from sparktick.gen.errors import BoardError, DescriptionError
from sparktick.gen.pipeline import make_plan


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a user's folder of boards, known by the variable."""
    folder = tmp_path / "my-boards"
    folder.mkdir()
    monkeypatch.setenv("SPARKTICK_BOARDS", str(folder))
    return folder


def add(own: Path, source: str, name: str, *changes: tuple[str, str]) -> None:
    text = (boards_folder() / f"{source}.toml").read_text(encoding="utf-8")
    for old, new in ((f'name = "{source}"', f'name = "{name}"'), *changes):
        assert old in text
        text = text.replace(old, new, 1)
    (own / f"{name}.toml").write_text(text, encoding="utf-8")


# Another chip, clock or pin of each family; test_timer_b_boards.py has the one with timers A and B.
ONE_FILE = {
    "bare-168p": (
        "uno-328p",
        ("atmega168p", 12e6),
        ('mcu = "atmega328p"', 'mcu = "atmega168p"'),
        ("f_cpu_hz = 16000000", "f_cpu_hz = 12000000"),
        ("flash_bytes = 32768", "flash_bytes = 16384"),
        ("ram_bytes = 2048", "ram_bytes = 1024"),
    ),
    "slow-85": (
        "tiny85-16mhz",
        ("attiny85", 8e6),
        ("f_cpu_hz = 16000000", "f_cpu_hz = 8000000"),
    ),
    "big-pill": (
        "pill-103c8",
        ("stm32f103cb", 72e6),
        ('mcu = "stm32f103c8"', 'mcu = "stm32f103cb"'),
        ("flash_bytes = 65536", "flash_bytes = 131072"),
        ('[pins.lamp]\nport = "C"\nbit = 13', '[pins.lamp]\nport = "B"\nbit = 12'),
    ),
}
SIMAVR = (
    pytest.mark.avr,
    pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
)
ARM = (
    pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi"),
    pytest.mark.needs_system("unicorn", "pip install unicorn==2.1.4", module="unicorn"),
)


@pytest.mark.emulator
@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=ARM if "pill" in name else SIMAVR) for name in ONE_FILE],
)
def test_a_board_of_a_known_family_is_one_file(name: str, own: Path, tmp_path: Path) -> None:
    """Another chip, clock and prescaled tick, run on an emulator."""
    source, (mcu, f_cpu_hz), *changes = ONE_FILE[name]
    add(own, source, name, *changes)
    description = tmp_path / "engine.toml"
    description.write_text(engine_for(name))
    folder = tmp_path / "fw"
    for args in (["generate", str(description), str(folder)], ["build", str(folder)]):
        done = CliRunner().invoke(cli, args)
        assert done.exit_code == 0, done.output
    slow = 600 if "avr" in load_board(name).family else 1500  # the other's example starts later
    args = ["emulate", str(folder), "--rpm", f"{slow},3000,6000", "--json"]
    done = CliRunner().invoke(cli, args)
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert (said["mcu"], said["f_cpu_hz"], said["tick_hz"]) == (
        mcu,
        f_cpu_hz,
        load_board(name).tick_hz,
    )
    assert all(run["sparks"] > 50 for run in said["scenarios"])
    assert said["chip"][0]["exercised"] and said["chip"][0]["not_exercised"]


def test_own_boards_are_listed_and_come_first(own: Path) -> None:
    add(own, "uno-328p", "my-uno")
    add(own, "nano-328p", "nano-328p", ("volts = 5.0", "volts = 4.9"))
    assert "my-uno" in CliRunner().invoke(cli, ["boards"]).output
    assert load_board("nano-328p").volts == 4.9


def refused(about: str, text: str, tmp_path: Path) -> str:
    path = tmp_path / "engine.toml"
    path.write_text(text)
    with pytest.raises(DescriptionError) as caught:
        make_plan(path)
    assert about in str(caught.value)
    return str(caught.value)


def test_a_chip_without_a_serial_port_tells_nothing(tmp_path: Path) -> None:
    text = engine_for("tiny84-16mhz")
    path = tmp_path / "engine.toml"
    path.write_text(text)
    assert make_plan(path).plan.tell is False
    message = refused("tiny84-16mhz", f"{text}\n[telling]\nserial = true\n", tmp_path)
    assert "has no serial port" in message
    assert "nano-328p" in message and "tiny84-8mhz" not in message


def test_a_clock_too_slow_for_the_speed_names_those_that_do(tmp_path: Path) -> None:
    text = engine_for("tiny84-8mhz").replace("limit_rpm = 8500", "limit_rpm = 16000")
    message = refused("tiny84-8mhz", text, tmp_path)
    assert "faster than tiny84-8mhz can serve" in message
    assert "mega-2560" in message and "promini-328p-8mhz" not in message


def test_a_speed_at_which_stamps_of_an_interrupt_fail_is_refused_with_figure_and_boards(
    tmp_path: Path,
) -> None:
    """ATtiny85: 3.5 us are 0.2 deg of a crank at 9524 rpm."""
    board = load_board("tiny85-16mhz")
    assert board.most_rpm(1.0) == pytest.approx(0.2 / (6e-6 * board.timer.spread_us))
    text = engine_for("tiny85-16mhz").replace("limit_rpm = 8500", "limit_rpm = 12000")
    message = refused("tiny85-16mhz", text, tmp_path)
    assert "no capture unit" in message
    assert "spread by up to 3.5 us, 0.25 deg at that speed" in message
    assert "allowed: up to 9524 rpm" in message
    can = message[message.index("a board that can") :]
    assert "nano-328p" in can and "tiny84-16mhz" in can and "tiny85" not in can


def test_what_the_chip_lacks_names_those_that_have_it(tmp_path: Path) -> None:
    text = engine_for("tiny84-16mhz").replace("[supply]", "[supply]\nmeasure = true")
    message = refused("tiny84-16mhz", text, tmp_path)
    assert "has no pin for a measured supply" in message
    assert "nano-328p" in message and "tiny84-8mhz" not in message


@pytest.mark.emulator
@pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi")
def test_an_rp2040_board_with_other_pins_is_one_file(own: Path, tmp_path: Path) -> None:
    """Any of its pins can be the pickup's or the coil's."""
    add(
        own,
        "pico-rp2040",
        "tiny-rp2040",
        ('bit = 2\nprinted = "GP2"', 'bit = 29\nprinted = "29"'),
        ('bit = 3\nprinted = "GP3"', 'bit = 13\nprinted = "13"'),
        ('bit = 0\nprinted = "GP0"', 'bit = 12\nprinted = "12"'),
    )
    description = tmp_path / "engine.toml"
    description.write_text(engine_for("tiny-rp2040"))
    folder = tmp_path / "fw"
    for args in (["generate", str(description), str(folder)], ["build", str(folder)]):
        done = CliRunner().invoke(cli, args)
        assert done.exit_code == 0, done.output
    done = CliRunner().invoke(cli, ["emulate", str(folder), "--rpm", "3000,12000", "--json"])
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert all(run["sparks"] > 50 for run in said["scenarios"])


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("f_cpu_hz = 120000000", "f_cpu_hz = 133000000", "120000000 with prescaler 60"),
        ("prescaler = 60", "prescaler = 30", "120000000 with prescaler 60"),
        ('bit = 0\nprinted = "GP0"', 'bit = 8\nprinted = "GP8"', "GPIO0 | GPIO12"),
        ('bit = 26\nprinted = "GP26"', 'bit = 22\nprinted = "GP22"', "GPIO26 | GPIO27"),
        ('port = "GPIO"\nbit = 2', 'port = "B"\nbit = 2', "GPIO0 | GPIO1"),
    ],
)
def test_an_rp2040_board_that_cannot_work_is_refused(
    own: Path, old: str, new: str, part: str
) -> None:
    add(own, "pico-rp2040", "wrong-rp2040", (old, new))
    with pytest.raises(BoardError) as caught:
        load_board("wrong-rp2040")
    assert part in str(caught.value)


def test_two_coils_on_a_chip_with_one_output_name_those_that_do(tmp_path: Path) -> None:
    text = (boards_folder().parent / "examples" / "avocet.toml").read_text()
    message = refused("tiny84-16mhz", text.replace('"nano-328p"', '"tiny84-16mhz"'), tmp_path)
    assert "has no pin for two coils" in message
    can = message[message.index("no pin for two coils") :].split("\n")[1]
    assert "nano-328p" in can and "tiny-1604" in can and "tiny84" not in can


@pytest.mark.parametrize(
    ("old", "new"), [("[pickup]", "[[pickup]]"), ("[coil]", '[pickup2]\nsensor = "hall"\n\n[coil]')]
)
def test_a_second_pickup_is_refused_with_what_serves_in_its_place(
    tmp_path: Path, old: str, new: str
) -> None:
    text = (boards_folder().parent / "examples" / "avocet.toml").read_text()
    message = refused("nano-4809", text.replace(old, new, 1), tmp_path)
    assert "two pickups are not served" in message
    assert "phase sensor" in message and "mega-2560" in message and "tiny84" not in message


def test_an_edge_too_late_for_a_slow_clock_names_the_boards_in_time(tmp_path: Path) -> None:
    text = engine_for("nano-328p").replace('"nano-328p"', '"tiny84-8mhz"')
    message = refused("lead_edge_deg_btdc", text, tmp_path)
    can = message[message.index("fast enough") :]
    assert "nano-328p" in can and "tiny84-8mhz" not in can
