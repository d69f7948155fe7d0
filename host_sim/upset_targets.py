"""What of a chip can be upset: the RAM an image uses, the chip's registers, its program counter."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection
from numpy.typing import NDArray

from sparktick.gen.errors import ToolError
from sparktick.gen.toolchain import find_compiler

from . import upset_arm, upset_rp2040
from .chip import ChipJob, ChipRun
from .chip.exchange import DATA_SPACE, symbols
from .chip.folder import image_of
from .manifest import Manifest

I64 = NDArray[np.int64]

RAM, CPU, IO, PC, DIP = "ram", "cpu-registers", "io-registers", "program-counter", "brown-out"
SPACES = (RAM, CPU, IO, PC, DIP)
CPU_REGISTERS = 32
RP2040 = "rp2040"
REGISTER = re.compile(r"#define (\w+) _SFR_(IO|MEM)(8|16) ?\((0x[0-9A-Fa-f]+)\)")
IO_OFFSET = 0x20  # from the address IN and OUT use to the data-space address


@cache
def _macros(mcu: str) -> str:
    """Return the macros of the C library's header for a chip, as the compiler sees them."""
    command = [str(find_compiler().path), f"-mmcu={mcu}", "-E", "-dM", "-x", "c", "-"]
    done = subprocess.run(
        command, input="#include <avr/io.h>\n", capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise ToolError(f'mcu = "{mcu}": {command[0]} does not know this chip\n{done.stderr}')
    return done.stdout


def _number(mcu: str, name: str) -> int:
    found = re.search(
        rf"#define {name} \(?(0x[0-9A-Fa-f]+|\d+)U?L?\)?$", _macros(mcu), re.MULTILINE
    )
    if found is None:
        raise ToolError(f'mcu = "{mcu}": avr/io.h does not say {name}')
    return int(found.group(1), 0)


def register_names(mcu: str) -> dict[int, str]:
    """Return the I/O registers of an AVR chip by data-space address, as avr/io.h names them.

    Pin registers are left out: they hold nothing.  ToolError when the compiler does not know the
    chip.
    """
    found: dict[int, str] = {}
    for name, kind, bits, address in REGISTER.findall(_macros(mcu)):
        place = int(address, 16) + (IO_OFFSET if kind == "IO" else 0)
        if not re.fullmatch(r"PIN[A-L]", name):
            for byte in range(int(bits) // 8):
                found.setdefault(place + byte, name)
    return dict(sorted(found.items()))


@dataclass(frozen=True)
class Targets:
    """Data-space addresses (n,) int64 that can be upset, and the width of the program counter.

    ``ram`` is what the linker placed and the stack at its deepest: the RAM between them holds
    nothing.  ``cpu`` bytes of the core's registers.
    """

    ram: I64
    io: I64
    pc_bits: int
    cpu: int = CPU_REGISTERS


def find_targets(job: ChipJob, quiet: ChipRun) -> Targets:
    """Return what of an image can be upset; ``quiet`` is a run of the same job without upsets."""
    if upset_arm.is_arm(job.mcu):
        return _arm_targets(job, quiet)
    if job.mcu == RP2040:
        return _rp2040_targets(job, quiet)
    past = symbols(job).get("_end", _number(job.mcu, "RAMSTART"))
    ram_end = int(quiet.facts["ram_end"])
    deepest = ram_end + 1 - int(quiet.facts["stack_bytes"])
    statics = np.arange(_number(job.mcu, "RAMSTART"), past)
    stack = np.arange(max(deepest, past), ram_end + 1)
    return Targets(
        ram=np.concatenate((statics, stack)).astype(np.int64),
        io=np.array(list(register_names(job.mcu)), dtype=np.int64),
        pc_bits=(_number(job.mcu, "FLASHEND") // 2).bit_length(),
    )


def _arm_targets(job: ChipJob, quiet: ChipRun) -> Targets:
    past, ram_end = symbols(job)["st_ram_used"], int(quiet.facts["ram_end"])
    deepest = ram_end + 1 - int(quiet.facts["stack_bytes"])
    statics = np.arange(upset_arm.RAM_FROM, past)
    header = job.elf.parent.parent / "src" / upset_arm.REGISTERS
    return Targets(
        ram=np.concatenate((statics, np.arange(max(deepest, past), ram_end + 1))).astype(np.int64),
        io=np.array(list(upset_arm.register_names(header)), dtype=np.int64),
        pc_bits=upset_arm.PC_BITS,
        cpu=4 * len(upset_arm.CPU_WORDS),
    )


def _rp2040_targets(job: ChipJob, quiet: ChipRun) -> Targets:
    """Return what of an RP2040: vectors, code and constants lie in RAM like variables."""
    past, ram_end = symbols(job)["_end"], int(quiet.facts["ram_end"])
    deepest = ram_end + 1 - int(quiet.facts["stack_bytes"])
    statics = np.arange(upset_rp2040.RAM_FROM, past)
    return Targets(
        ram=np.concatenate((statics, np.arange(deepest, ram_end + 1))).astype(np.int64),
        io=np.array(list(upset_rp2040.register_names()), dtype=np.int64),
        pc_bits=upset_rp2040.PC_BITS,
        cpu=4 * len(upset_rp2040.CPU_WORDS),
    )


def _rp2040_register(space: str, address: int) -> str:
    if space == CPU:
        return f"{upset_rp2040.CPU_WORDS[address // 4]} byte {address % 4}"
    return f"{upset_rp2040.register_names().get(address, 'I/O')} (0x{address:08X})"


def _arm_register(manifest: Manifest, space: str, address: int) -> str:
    if space == CPU:
        return f"{upset_arm.CPU_WORDS[address // 4]} byte {address % 4}"
    names = upset_arm.register_names(manifest.folder / "src" / upset_arm.REGISTERS)
    return f"{names.get(address, 'I/O')} (0x{address:08X})"


def place_name(manifest: Manifest, space: str, address: int) -> str:
    """Return an address in words: the register, or the variable and the byte of it."""
    if space in (CPU, IO) and upset_arm.is_arm(str(manifest.raw["mcu"])):
        return _arm_register(manifest, space, address)
    if space in (CPU, IO) and manifest.raw["mcu"] == RP2040:
        return _rp2040_register(space, address)
    if space == CPU:
        return f"r{address}"
    if space == IO:
        name = register_names(str(manifest.raw["mcu"])).get(address, "I/O")
        return f"{name} (0x{address:02X})"
    found = "stack"
    for name, begin, size in _variables(image_of(manifest)):
        if begin <= address < begin + size:
            found = f"{name} byte {address - begin}"
    return f"{found} (0x{address:03X})"


@cache
def _variables(elf: Path) -> tuple[tuple[str, int, int], ...]:
    """Return name, data address and size of each variable of an image."""
    with elf.open("rb") as file:
        table = ELFFile(file).get_section_by_name(".symtab")
        assert isinstance(table, SymbolTableSection)
        arm = ELFFile(file)["e_machine"] == "EM_ARM"
        first, less = (upset_arm.RAM_FROM, 0) if arm else (DATA_SPACE, DATA_SPACE)
        return tuple(
            (str(s.name), int(s["st_value"]) - less, int(s["st_size"]))
            for s in table.iter_symbols()
            if s["st_value"] >= first and s["st_size"]
        )
