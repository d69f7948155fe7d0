"""The RP2040 model in process: rp2040_*.c, written from the data sheet; needs no other program."""

from __future__ import annotations

from functools import cache
from typing import Any

import cffi
import numpy as np
from elftools.elf.elffile import ELFFile

from sparktick.gen.elf_image import loaded
from sparktick.gen.errors import RunError

from . import exchange, native
from .base import ChipJob, ChipRun, Upset, UpsetSpace
from .pin_filter import alternating

INSTALL = "comes with sparktick; a C compiler is needed"
SOURCE = "sparktick's RP2040 model 1"
SOURCES = (
    *("chip_record.c", "rp2040_cpu.c", "rp2040_exception.c", "rp2040_pio.c"),
    *("rp2040_time.c", "rp2040_bus.c", "rp2040_upset.c", "rp2040_run.c"),
)
FLAGS = ("-std=gnu99", "-O2", "-fPIC", "-shared", "-Wall", "-Wextra")
# First address of a region, and where rp2040_upset.c has it; the highest first.
REGIONS = (
    *((0xE000E000, 0x2300000), (0xD0000000, 0x2200000), (0x50200000, 0x2100000)),
    *((0x40000000, 0x2000000), (0x20000000, 0x1000000)),
)
CDEF = """
void *rp_new(const uint8_t *flash, int64_t bytes);
void rp_run(void *chip, const chip_job *job, const chip_event *events, chip_result *result,
            int coil_pin, int select_pin, int pickup_pin, int phase_pin);
const chip_change *rp_changes(void *chip);
const uint8_t *rp_serial(void *chip);
int rp_try(void *chip, uint32_t *registers, uint8_t *ram, int64_t bytes);
int64_t rp_try_pio(void *chip, const uint16_t *program, const uint32_t *settings,
                   const int64_t *levels, int64_t level_count, const int64_t *orders,
                   int64_t order_count, int64_t clocks, int64_t *seen);
void rp_never_skip(void *chip);
void rp_free(void *chip);
"""


@cache
def library() -> tuple[cffi.FFI, Any]:
    """Return the compiled model; ToolError when there is no C compiler."""
    command = native.compiler("CC", ("cc", "gcc", "clang"))
    path = native.build("rp2040.so", SOURCES, command, FLAGS)
    ffi = cffi.FFI()
    ffi.include(exchange.ffi())
    ffi.cdef(CDEF)
    return ffi, ffi.dlopen(str(path))


def require() -> None:
    """Raise ToolError when there is no C compiler."""
    library()


def _events(job: ChipJob) -> np.ndarray[Any, Any]:
    """Return what happens to the pins and resets, sorted by clock."""
    idle = 1 - job.pickup.active_level
    level = np.asarray(job.train.active, dtype=np.uint8) ^ np.uint8(idle)
    cycle = np.maximum(np.ceil(np.asarray(job.train.edge_s) * job.clock_hz), 1).astype(np.int64)
    last = np.ones(len(cycle), dtype=bool)
    last[:-1] = cycle[1:] != cycle[:-1]
    line = exchange.levels(exchange.PIN, alternating(cycle[last], level[last], idle))
    upsets = [(exchange.cycle_of(u.at_s, job), int(u.space), _flipped(u)) for u in job.upsets]
    upset = np.array(upsets, dtype=exchange.EVENT)
    rows = np.concatenate([line, exchange.phase_levels(job), exchange.resets(job), upset])
    return rows[np.lexsort((rows["kind"], rows["cycle"]))]


def place_of(address: int) -> int:
    """Return where rp2040_upset.c finds an address: those of the chip do not fit into an event.

    >>> hex(place_of(0x20000010)), hex(place_of(0x50200030)), hex(place_of(7))
    ('0x1000010', '0x2100030', '0x7')
    """
    begin, place = next(((a, p) for a, p in REGIONS if address >= a), (0, 0))
    return address - begin + place


def _flipped(upset: Upset) -> int:
    if upset.space == UpsetSpace.PROGRAM_COUNTER:
        return upset.bit
    return place_of(upset.address) * 8 + upset.bit


def _refuse(job: ChipJob) -> None:
    if job.noise:
        raise RunError("noise: the RP2040 model does not know it")


def run(job: ChipJob) -> ChipRun:
    """Run one job on the model."""
    _refuse(job)
    ffi, model = library()
    base, flash = loaded(job.elf)
    with job.elf.open("rb") as stream:
        arm = ELFFile(stream)["e_machine"] == "EM_ARM"
    if not arm or base != 0x10000000:
        raise RunError(f"{job.elf}: is no image for an RP2040")
    events = _events(job)
    packed = exchange.pack(job, len(events))
    result = ffi.new("chip_result *")
    two = job.two_coils
    pins = (
        job.coils[0].bit if job.coils else -1,
        two.select.bit if two else -1,
        job.pickup.bit,
        two.phase.bit if two else -1,
    )
    chip = model.rp_new(flash, len(flash))
    try:
        model.rp_run(chip, packed, ffi.cast("chip_event *", events.ctypes.data), result, *pins)
        changes, serial = model.rp_changes(chip), model.rp_serial(chip)
        size = result.change_count * exchange.CHANGE.itemsize
        change_bytes = bytes(ffi.buffer(changes, size)) if size else b""
        serial_bytes = bytes(ffi.buffer(serial, result.serial_count)) if serial else b""
    finally:
        model.rp_free(chip)
    kept = np.frombuffer(change_bytes, exchange.CHANGE)
    return exchange.unpack(job, result, kept, serial_bytes, SOURCE)
