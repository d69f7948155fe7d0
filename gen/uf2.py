"""UF2: blocks of 512 bytes that a boot loader takes as a file copied to its drive.

Layout from the format's public specification (Microsoft's repository "uf2"), from memory: eight
words of head, 476 bytes of data, a closing word; all little-endian.
"""

from __future__ import annotations

import struct
from pathlib import Path

from .elf_image import loaded
from .errors import FolderError
from .files import write_file

BLOCK = 512
BEGIN = (0x0A324655, 0x9E5D5157)
END = 0x0AB16F30
PAYLOAD = 256
DATA_MAX = 476
NOT_FOR_FLASH = 0x00000001
HAS_FAMILY = 0x00002000
# Family of a chip, by the begin of its name; from the specification's list, from memory.
FAMILIES = {"rp2040": 0xE48BFF56}


def read_uf2(path: Path) -> tuple[dict[int, int], int | None]:
    """Read the bytes by address, and the family where one is named.

    Raises FolderError at the first block that is cut or spoilt, or that is missing.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise FolderError(f"{path}: cannot be read: {error.strerror}") from None
    remedy = "\n    Build again."
    if not raw or len(raw) % BLOCK:
        raise FolderError(f"{path}: {len(raw)} bytes are no whole blocks of UF2{remedy}")
    found: dict[int, int] = {}
    family, count = None, len(raw) // BLOCK
    for number in range(count):
        block = raw[number * BLOCK : (number + 1) * BLOCK]
        *magic, flags, address, size, at, total, own = struct.unpack("<8I", block[:32])
        whole = tuple(magic) == BEGIN and block[-4:] == struct.pack("<I", END)
        if not whole or size > DATA_MAX or (at, total) != (number, count):
            raise FolderError(f"{path}: block {number} of {count} is spoilt{remedy}")
        if flags & NOT_FOR_FLASH:
            continue
        family = own if flags & HAS_FAMILY else family
        found.update(enumerate(block[32 : 32 + size], address))
    return found, family


def family_of(mcu: str) -> int | None:
    """Return the number that stands for a chip's family in its files; None: no such files."""
    return next((number for name, number in FAMILIES.items() if mcu.startswith(name)), None)


def uf2_bytes(base: int, content: bytes, family: int) -> bytes:
    """Return contiguous bytes from an address on as UF2, the last block filled with 0xFF."""
    parts = [content[k : k + PAYLOAD] for k in range(0, len(content), PAYLOAD)]
    blocks = []
    for number, part in enumerate(parts):
        head = (*BEGIN, HAS_FAMILY, base + number * PAYLOAD, PAYLOAD, number, len(parts), family)
        data = part.ljust(PAYLOAD, b"\xff").ljust(DATA_MAX, b"\0")
        blocks.append(struct.pack("<8I", *head) + data + struct.pack("<I", END))
    return b"".join(blocks)


def write_uf2(elf: Path, target: Path, mcu: str) -> None:
    """Write what an ELF file has for flash as UF2.  Raises FolderError for a chip without such."""
    family = family_of(mcu)
    if family is None:
        raise FolderError(f"{target}: the {mcu} takes no UF2 files")
    base, content = loaded(elf)
    write_file(target, uf2_bytes(base, content, family))
