"""yasimavr in process: Python builds the device, yasim_run.cpp runs it."""

from __future__ import annotations

import importlib.metadata
import re
from functools import cache
from pathlib import Path
from typing import Any

import cffi
import numpy as np

from sparktick.gen.errors import RunError, ToolError

from . import exchange, native
from .backends import TIMER_B_CHIPS
from .base import ChipJob, ChipRun

INSTALL = "python tools/install_yasimavr.py"
VERSION = "0.1.6"  # the corrections are tied to it
SOURCE = f"yasimavr {VERSION}"
SOURCES = ("chip_record.c", "yasim_run.cpp", "yasim_wire.cpp", "yasim_xt.cpp")
TIMER_B = re.compile(TIMER_B_CHIPS)  # yasim_xt.cpp
CDEF = """
void *chip_run_yasim(void *device, const chip_job *job, const chip_event *events,
                     chip_result *result);
void *chip_run_yasim_xt(void *device, const chip_job *job, const chip_event *events,
                        chip_result *result, int mega);
const chip_change *chip_yasim_changes(void *chip);
const uint8_t *chip_yasim_serial(void *chip);
void chip_yasim_free(void *chip);
"""


def package_folder() -> Path:
    """Return where yasimavr is installed; ToolError when it is not, or not this version."""
    try:
        found = importlib.metadata.version("yasimavr")
        import yasimavr
    except ImportError as error:
        raise ToolError(f"yasimavr is not installed; install it with: {INSTALL}") from error
    if found != VERSION:
        raise ToolError(f"yasimavr {found} is installed, {VERSION} is needed: {INSTALL}")
    return Path(str(yasimavr.__file__)).parent


def require() -> None:
    """Raise ToolError when yasimavr is not installed, or not the version that was tried."""
    package_folder()


@cache
def _library() -> tuple[cffi.FFI, Any]:
    package = package_folder()
    include, lib = package / "include", package / "lib"
    flags = ["-std=c++20", "-O2", "-fPIC", "-shared", "-fvisibility=hidden"]
    for part in ("core", "arch_avr", "arch_xt"):
        flags += ["-isystem", str(include / part)]
    libraries = [f"-L{lib}", "-lyasimavr_core", "-lyasimavr_arch_avr", "-lyasimavr_arch_xt"]
    libraries += [f"-Wl,-rpath,{lib}"]
    command = native.compiler("CXX", ("c++", "g++", "clang++"))
    path = native.build("yasim_run.so", SOURCES, command, flags, libraries, extra=SOURCE)
    # yasimavr's own modules first, so that its libraries are loaded once.
    from yasimavr.lib import arch_avr, arch_xt  # noqa: F401

    ffi = cffi.FFI()
    ffi.include(exchange.ffi())
    ffi.cdef(CDEF)
    return ffi, ffi.dlopen(str(path))


def _device(mcu: str) -> Any:
    from yasimavr.device_library import load_device

    try:
        device = load_device(mcu)
        if TIMER_B.fullmatch(mcu):  # Y26: its watchdog is there and left out
            device._builder_.build_peripherals(device, ["WDT"])
        return device
    except Exception as error:
        raise RunError(f'mcu = "{mcu}": {SOURCE} does not know this chip') from error


def run(job: ChipJob) -> ChipRun:
    """Run one job on yasimavr."""
    if job.upsets:
        raise RunError("upsets: this emulator stops at a bad instruction; use simavr")
    if job.noise is not None:
        raise RunError("noise: this emulator does not know noise tied to the coil; use simavr")
    ffi, library = _library()
    from yasimavr.lib import _sip

    events = exchange.events(job)
    packed = exchange.pack(job, len(events))
    result = ffi.new("chip_result *")
    device = _device(job.mcu)
    given = (
        ffi.cast("void *", _sip.unwrapinstance(device)),
        packed,
        ffi.cast("chip_event *", events.ctypes.data),
        result,
    )
    if TIMER_B.fullmatch(job.mcu):
        chip = library.chip_run_yasim_xt(*given, int(job.mcu.startswith("atmega")))
    else:
        chip = library.chip_run_yasim(*given)
    change_bytes = result.change_count * exchange.CHANGE.itemsize
    changes = (
        bytes(ffi.buffer(library.chip_yasim_changes(chip), change_bytes)) if change_bytes else b""
    )
    serial = (
        bytes(ffi.buffer(library.chip_yasim_serial(chip), result.serial_count))
        if result.serial_count
        else b""
    )
    _sip.delete(device)
    library.chip_yasim_free(chip)
    return exchange.unpack(job, result, np.frombuffer(changes, exchange.CHANGE), serial, SOURCE)
