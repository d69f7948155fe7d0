"""What a linked ELF file puts where: bytes for flash, sizes of flash and RAM."""

from __future__ import annotations

from pathlib import Path

from elftools.elf.constants import SH_FLAGS
from elftools.elf.elffile import ELFFile

from .errors import FolderError

AVR_RAM = 0x800000
FILL_SECTION = ".unused"  # free flash, filled by unused_flash.ld


def loaded(elf: Path) -> tuple[int, bytes]:
    """Return where an ELF file's flash begins and what it holds, by its segments' load addresses.

    An AVR's RAM and EEPROM have load addresses from 0x800000 on; they are no part of it.
    """
    with elf.open("rb") as stream:
        image = ELFFile(stream)
        avr = image["e_machine"] == "EM_AVR"
        segments = [
            (int(segment["p_paddr"]), segment.data())
            for segment in image.iter_segments("PT_LOAD")
            if segment["p_filesz"] and not (avr and segment["p_paddr"] >= AVR_RAM)
        ]
        has = any(s["sh_flags"] & SH_FLAGS.SHF_EXECINSTR for s in image.iter_sections())
    if not has or not segments:
        raise FolderError(f"{elf}: holds no program\n    Build again.")
    base = 0 if avr else min(address for address, _ in segments)
    content = bytearray()
    for address, data in sorted(segments):
        content.extend(b"\xff" * max(0, address - base + len(data) - len(content)))
        content[address - base : address - base + len(data)] = data
    return base, bytes(content)


def image_sizes(elf: Path) -> tuple[int, int]:
    """Return the bytes of flash and of static RAM that an image takes.

    What may be written lies in RAM, and what start-up copies there from elsewhere; what has content
    lies in flash, initial values included.  What only fills free flash is not counted.
    """
    flash = ram = 0
    with elf.open("rb") as stream:
        image = ELFFile(stream)
        moved = [s for s in image.iter_segments("PT_LOAD") if s["p_vaddr"] != s["p_paddr"]]
        for section in image.iter_sections():
            if not section["sh_flags"] & SH_FLAGS.SHF_ALLOC or section.name == FILL_SECTION:
                continue
            in_ram = section["sh_flags"] & SH_FLAGS.SHF_WRITE or section["sh_type"] == "SHT_NOBITS"
            in_ram = in_ram or any(segment.section_in_segment(section) for segment in moved)
            ram += section["sh_size"] if in_ram else 0
            flash += section["sh_size"] if section["sh_type"] == "SHT_PROGBITS" else 0
    return flash, ram
