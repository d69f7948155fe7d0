"""A Cortex-M3 under unicorn in process, the chip around it by our own model (stm32f1.h)."""

from __future__ import annotations

import importlib.metadata
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import cffi
import numpy as np
from elftools.elf.elffile import ELFFile

from sparktick.gen.errors import RunError, ToolError

from . import exchange, native
from .base import ChipJob, ChipRun

VERSION = "2.1.4"  # what is known of its interrupted IT blocks is tied to it
INSTALL = f"pip install unicorn=={VERSION}"
SOURCE = f"unicorn {VERSION} + timer model"
SOURCES = (
    *("chip_record.c", "cortex.c"),
    *("stm32f1.c", "stm32f1_timer.c", "stm32f1_pins.c", "stm32f1_parts.c"),
    "stm32f1_upset.c",
)
FLASH_FROM, FLASH_BYTES, RAM_BYTES = 0x08000000, 0x10000, 0x5000
CDEF = """
void *chip_run_stm32f1(const chip_job *job, const chip_event *events, uint8_t *flash,
                       uint32_t flash_size, uint32_t ram_size, chip_result *result);
const chip_change *chip_changes(void *chip);
const uint8_t *chip_serial(void *chip);
void chip_free(void *chip);
"""


def package_folder() -> Path:
    """Return where unicorn is installed; ToolError when it is not, or not this version."""
    try:
        found = importlib.metadata.version("unicorn")
        unicorn: Any = import_module("unicorn")
    except ImportError as error:
        raise ToolError(f"unicorn is not installed; install it with: {INSTALL}") from error
    if found != VERSION:
        raise ToolError(f"unicorn {found} is installed, {VERSION} is needed: {INSTALL}")
    return Path(str(unicorn.__file__)).parent


def require() -> None:
    """Raise ToolError when unicorn is not installed, or not the version that was tried."""
    package_folder()


@cache
def _library() -> tuple[cffi.FFI, Any]:
    package = package_folder()
    flags = ["-std=c99", "-O2", "-Wall", "-Wextra", "-fPIC", "-shared", "-fvisibility=hidden"]
    flags += ["-isystem", str(package / "include")]
    lib = package / "lib"
    libraries = [f"-L{lib}", "-l:libunicorn.so.2", f"-Wl,-rpath,{lib}"]
    command = native.compiler("CC", ("cc", "gcc", "clang"))
    path = native.build("unicorn_arm.so", SOURCES, command, flags, libraries, extra=SOURCE)
    ffi = cffi.FFI()
    ffi.include(exchange.ffi())
    ffi.cdef(CDEF)
    return ffi, ffi.dlopen(str(path))


def _flash(elf: Path) -> bytearray:
    """Return what the image puts into flash; erased flash is all ones."""
    flash = bytearray(b"\xff" * FLASH_BYTES)
    with elf.open("rb") as stream:
        for segment in ELFFile(stream).iter_segments("PT_LOAD"):
            offset = segment["p_paddr"] - FLASH_FROM
            if segment["p_filesz"] and 0 <= offset <= FLASH_BYTES - segment["p_filesz"]:
                flash[offset : offset + segment["p_filesz"]] = segment.data()
    return flash


def _refuse(job: ChipJob) -> None:
    if job.noise is not None:
        raise RunError("noise: this emulator does not know noise tied to the coil; use simavr")


def run(job: ChipJob) -> ChipRun:
    """Run one job on unicorn and the model."""
    _refuse(job)
    ffi, library = _library()
    events = exchange.events(job, line=True)
    packed = exchange.pack(job, len(events))
    result = ffi.new("chip_result *")
    flash = _flash(job.elf)
    chip = library.chip_run_stm32f1(
        packed,
        ffi.cast("chip_event *", events.ctypes.data),
        ffi.from_buffer("uint8_t[]", flash),
        FLASH_BYTES,
        RAM_BYTES,
        result,
    )
    try:
        count, said = result.change_count, result.serial_count
        changes = bytes(ffi.buffer(library.chip_changes(chip), count * exchange.CHANGE.itemsize))
        serial = bytes(ffi.buffer(library.chip_serial(chip), said)) if said else b""
    finally:
        library.chip_free(chip)
    return exchange.unpack(job, result, np.frombuffer(changes, exchange.CHANGE), serial, SOURCE)
