"""What an emulated chip is asked to do, and the one function that does it.

Emulators by different authors run the same job (backends.py says which knows which chip).  They
are corrected where they differ from the data sheet; README.md in this folder lists every
correction and its test.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path

import numpy as np

from ..bench import CoilNoise
from ..run import F64, U8, Run, Train
from .backends import BACKENDS, backend_named, coverage_of

EMULATORS = tuple(backend.name for backend in BACKENDS)


class ResetKind(IntEnum):
    """Source of a reset; the value is its bit in MCUSR."""

    POWER_ON = 1  # RAM content is lost
    EXTERNAL = 2
    BROWN_OUT = 4
    WATCHDOG = 8  # comes from the chip itself, cannot be injected


class UpsetSpace(IntEnum):
    """Where a bit flips; the values are those of chip_io.h."""

    DATA = 4  # address in data space: 0-31 registers, then I/O registers, then RAM
    PROGRAM_COUNTER = 5  # address is not used; bit 0 is worth one instruction word
    FLASH = 6  # byte address


@dataclass(frozen=True)
class PickupPin:
    """Pin the train's edges arrive at; ``active_level`` is its level while the magnet is there."""

    port: str
    bit: int
    active_level: int


@dataclass(frozen=True)
class CoilPin:
    """Pin that switches a coil; ``on_level`` is its level while the coil charges."""

    port: str
    bit: int
    on_level: int = 1


@dataclass(frozen=True)
class AnalogueInput:
    """Voltage at an analogue input through the whole run; ``reference_v`` is the chip's supply."""

    channel: int
    volts: float
    reference_v: float


@dataclass(frozen=True)
class TwoCoils:
    """Second input and output of an engine with two coils.

    ``phase`` the phase sensor's pin, at its ``active_level`` for the second cylinder; ``select``
    the output whose ``on_level`` directs the coil output to the second coil.
    """

    phase: PickupPin
    select: CoilPin


@dataclass(frozen=True)
class Reset:
    """A reset forced at ``at_s``; its cause (supply too low, button) lasts ``lasts_s``."""

    at_s: float
    kind: ResetKind = ResetKind.BROWN_OUT
    lasts_s: float = 0.0


@dataclass(frozen=True)
class Upset:
    """One bit that flips at ``at_s``, between two instructions."""

    at_s: float
    space: UpsetSpace
    address: int
    bit: int


@dataclass(frozen=True)
class Peek:
    """Memory read at the end of the run, as ``Run.counters[name]``; ``size`` 1..8 bytes.

    ``address`` is a data-space address, or the name of a symbol of the image; ``offset``
    bytes are added to it.
    """

    name: str
    address: int | str
    size: int
    offset: int = 0


@dataclass(frozen=True)
class ChipJob:
    """An image, the pins it uses and what happens to it.

    ``elf`` image with symbols; ``mcu`` as the compiler names it; ``f_cpu_hz`` nominal clock,
    from which the real one differs by ``clock_error_ppm`` (all instants in the result are
    true seconds); ``tick_hz`` is copied to the result.  After each reset, and what its cause
    lasts, the chip stays held for ``reset_hold_s`` with its pins undriven (start-up fuses; 65 ms
    on common boards).  RAM at power-on is filled from ``ram_seed``.  ``noise`` on the pickup line
    follows every switching of the coil, as on the host bench (simavr only).  With
    ``two_coils`` the channel of a coil change is 0 or 1 by the level of the select pin.
    """

    elf: Path
    mcu: str
    f_cpu_hz: int
    tick_hz: float
    train: Train
    pickup: PickupPin
    coils: tuple[CoilPin, ...]
    two_coils: TwoCoils | None = None
    analogue: AnalogueInput | None = None
    resets: tuple[Reset, ...] = ()
    reset_hold_s: float = 0.0
    upsets: tuple[Upset, ...] = ()
    peeks: tuple[Peek, ...] = ()
    serial: bool = True
    clock_error_ppm: float = 0.0
    ram_seed: int = 1
    noise: CoilNoise | None = None

    @property
    def clock_hz(self) -> float:
        """True CPU clock in hertz."""
        return self.f_cpu_hz * (1.0 + 1e-6 * self.clock_error_ppm)


@dataclass(frozen=True)
class ChipRun(Run):
    """A run on an emulated chip, with what only the chip shows.

    ``reset_s`` (r,) instants of resets after the first power-on, ``reset_kind`` (r,) their
    ResetKind.  With noise, ``line_s`` (n,) and ``line_active`` (n,) are the pickup line's levels as
    sampled, noise included: instants of change and the level after each.
    """

    reset_s: F64 = field(default_factory=lambda: np.zeros(0))
    reset_kind: U8 = field(default_factory=lambda: np.zeros(0, np.uint8))
    line_s: F64 = field(default_factory=lambda: np.zeros(0))
    line_active: U8 = field(default_factory=lambda: np.zeros(0, np.uint8))


def run_chip(job: ChipJob, emulator: str = "yasimavr") -> ChipRun:
    """Run ``job.elf`` against ``job.train`` on one of ``EMULATORS``; say what its coils did.

    ``Run.facts`` (float): ``cycles``; ``boot_s`` reset to main(); ``outputs_safe_s`` first
    instant every coil pin is driven to off (each left out when it never happened);
    ``last_reset_s`` and ``reset_safe_s``, the longest from a later reset to every coil pin driven
    to off, inf when that never came about (both left out without one);
    ``stack_bytes`` deepest use; ``ram_end`` last data address; for each interrupt
    handler that ran, ``<VECTOR>_cycles_max`` and ``_cycles_mean`` from response to the end
    of RETI, and ``<VECTOR>_wait_cycles_max`` from flag and enable to response.
    ``Run.counters`` (int): ``<VECTOR>_count``, ``captures``, ``resets_watchdog`` and the
    other kinds (without the first power-on), ``bad_opcodes`` and ``bad_addresses`` met by
    an upset program, ``noise_bursts`` and ``noise_dropped`` (too many at once), and every ``Peek``.

    ToolError when the emulator is not installed, RunError when the job cannot be run.
    """
    coverage_of(emulator, job.mcu)
    run: ChipRun = backend_named(emulator).load().run(job)
    return run
