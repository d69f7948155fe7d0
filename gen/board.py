"""Board descriptions: chip, pins, boot loader; data only, one TOML a board."""

from __future__ import annotations

import functools
import importlib.resources
import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from pydantic import ConfigDict, Field, ValidationError

from .errors import BoardError, Fault
from .families import FAMILIES
from .faults import Translator, nearest, read_toml
from .fields import Section, num, pick

WHAT = "board description"
OWN_BOARDS = "SPARKTICK_BOARDS"
REMEDY = (
    "`sparktick boards` lists the boards; a new one is one file in a folder that the variable "
    f"{OWN_BOARDS} names."
)


# The board whose handlers' times the host simulator was fitted to.
TIMED_BOARD = "nano-328p"
# Of the crank, from spark to spark: ten times the delay table's bound.
SPREAD_MOST_DEG = 0.2


class Pin(Section):
    """One pin: chip port and bit, the name printed on the board, the chip's own function."""

    port: str = pick("Port of the chip: a letter; GPIO where it has none.", pattern=r"^[A-Z]{1,4}$")
    bit: int = num("Bit in that port.", 0, 31, "ports have at most 32 bits.")
    printed: str = pick("Name printed on the board.", min_length=1, max_length=12)
    function: str = pick("Function of the chip used here.", "GPIO", max_length=16)

    @property
    def chip_name(self) -> str:
        """Name in the chip's data sheet, as PB0, or GPIO2 where pins have no ports."""
        return f"{'P' if len(self.port) == 1 else ''}{self.port}{self.bit}"


class Pins(Section):
    """The pins the firmware uses.

    ``coil_select`` says which of two coils the output reaches, ``phase`` is the input of the sensor
    that tells whose pulse it is, ``supply`` the analogue input that measures the supply (function
    ADCn); boards that lack them cannot do that.
    """

    pickup: Pin
    coil: Pin
    coil_select: Pin | None = None
    phase: Pin | None = None
    supply: Pin | None = None
    lamp: Pin
    tacho: Pin
    serial_tx: Pin | None = None
    serial_rx: Pin | None = None

    def named(self) -> dict[str, Pin]:
        """Return the pins that the board has, by use, in the order of the format."""
        pins = {name: getattr(self, name) for name in type(self).model_fields}
        return {name: pin for name, pin in pins.items() if pin is not None}


class Timer(Section):
    """The timer that times the spark, and its capture input."""

    bits: Literal[8, 16, 32] = pick("Width of the counter.")
    prescaler: int = num("CPU clocks a tick.", 1, 1024, "prescalers of the chips served.")
    sync_cycles_min: float = num(
        "Least CPU clocks from pin to capture.", 0, 20, "synchronisers take a few clocks."
    )
    sync_cycles_max: float = num(
        "Most CPU clocks from pin to capture.", 0, 20, "synchronisers take a few clocks."
    )
    filter_cycles: int = num(
        "CPU clocks the capture filter adds.", 0, 256, "4 equal samples on the AVR."
    )
    sample_cycles: int = num(
        "CPU clocks from one sample of the capture filter to the next.",
        1,
        256,
        "1 where it looks every clock.",
        1,
    )
    late_cycles: int = num(
        "CPU clocks by which other handlers may delay the stamp where an interrupt takes it.",
        0,
        2000,
        "0 where a timer notes the instant.",
        0,
    )
    spread_us: float = num(
        "How far sparks spread in running timing where an interrupt takes the stamp, measured.",
        0,
        100,
        "0 where a timer notes the instant.",
        0.0,
    )


class Watchdog(Section):
    """The watchdog, which ends a hang with the coil on."""

    period_us: int = num("Nominal period used.", 1000, 1000000, "the shortest is the safest.")
    tolerance_percent: float = num(
        "How far the real period may be off.", 0, 50, "its oscillator is an RC one."
    )

    @property
    def longest_us(self) -> float:
        """Longest time a hang can last."""
        return self.period_us * (1.0 + self.tolerance_percent / 100.0)


class Power(Section):
    """How the board is fed from a battery, and what its logic supply is called."""

    printed: str = pick("Supply pin, as printed on the board.", "VIN", min_length=1, max_length=12)
    logic_printed: str = pick(
        "Pin of the logic supply, as printed.", "5V", min_length=1, max_length=12
    )
    volts_min: float = num("Least voltage at the supply pin.", 1.8, 12, "regulators' drop.", 7.0)
    volts_max: float = num("Most voltage at the supply pin.", 3, 40, "boards in use.", 15.0)
    current_ma: float = num("What board and sensor take.", 1, 500, "boards in use.", 30.0)


class Upload(Section):
    """One way to put the image into the board."""

    name: str = pick("Short name of the way.", pattern=r"^[a-z0-9-]{2,24}$")
    programmer: str = pick(
        "What that program calls the programmer.", pattern=r"^[A-Za-z0-9_-]{2,24}$"
    )
    baud: int = num("Speed of the port; 0 for a programmer without one.", 0, 1000000, "as given.")
    platformio_board: str = pick("PlatformIO board id.", pattern=r"^[A-Za-z0-9_-]{2,32}$")
    note: str = pick("When to choose it.", "")


class Fuse(Section):
    """Advice for one fuse byte, for those who have a programmer."""

    name: Literal["low", "high", "extended", "wdtcfg", "bodcfg", "osccfg", "syscfg0", "syscfg1"] = (
        pick("Which fuse byte.")
    )
    value: int = num("Value to write.", 0, 255, "one byte.")
    mask: int = num("Bits that the chip has; the others read as they like.", 1, 255, "a byte.", 255)
    why: str = pick("What it sets and the reason.")


class Board(Section):
    """A whole board description.

    ``image`` holds what an example engine's image takes of the board, in bytes, and
    ``handler_cycles`` the greatest CPU cycles measured for each interrupt handler on the
    emulated chip (empty until measured); ``handler_source`` names what measured them.
    """

    model_config = ConfigDict(title="sparktick board description 1")

    schema_version: Literal[1] = pick("Version of this format: 1.", alias="schema")
    name: str = pick("Name in [board] name; also the file's.", pattern=r"^[a-z0-9][a-z0-9-]{1,30}$")
    title: str = pick("Name for people.", min_length=3, max_length=60)
    mcu: str = pick("Chip, as the compiler names it.", pattern=r"^[a-z0-9]{3,24}$")
    family: str = pick("Folder of its port in templates_c/port.", pattern=r"^[a-z0-9_]{2,24}$")
    f_cpu_hz: int = num("CPU clock.", 1000000, 400000000, "chips served.")
    clock_tolerance_ppm: float = num(
        "Error of the clock: crystal 100, ceramic resonator 5000, inner RC 100000.",
        1,
        100000,
        "an oscillator that is further off is broken.",
    )
    volts: float = num("Supply of the chip.", 1.8, 5.5, "chips served.")
    flash_bytes: int = num("Flash memory.", 4096, 16777216, "the core does not fit in less.")
    ram_bytes: int = num("RAM.", 512, 1048576, "the core does not fit in less.")
    stack_bytes: int = num(
        "RAM that variables must leave free for the stack.",
        96,
        65536,
        "handlers save registers.",
        512,
    )
    bootloader_bytes: int = num("Flash kept by the boot loader.", 0, 65536, "boot loaders.", 0)
    cycles_per_pulse: int = num(
        "CPU cycles one pulse costs at most, all handlers together.",
        200,
        100000,
        "sets the greatest pulse rate.",
        4000,
    )
    service_cycles: int = num(
        "CPU cycles from a captured edge to an armed output, confirmation not counted.",
        50,
        50000,
        "sets how late the lead edge may be.",
        1200,
    )
    timer: Timer
    watchdog: Watchdog
    power: Power = Field(default_factory=Power)
    pins: Pins
    upload: tuple[Upload, ...] = Field(min_length=1, strict=False)
    platformio_platform: str = pick("PlatformIO platform.", pattern=r"^[a-z0-9_-]{2,24}$")
    fuse: tuple[Fuse, ...] = Field(default=(), strict=False)
    handler_cycles: dict[str, int] = Field(default_factory=dict)
    image: dict[str, int] = Field(default_factory=dict)
    handler_source: str = ""
    not_for: tuple[str, ...] = Field(default=(), strict=False)

    @property
    def tick_hz(self) -> float:
        """Timer ticks a second."""
        return self.f_cpu_hz / self.timer.prescaler

    @property
    def tick_us(self) -> float:
        """Microseconds a timer tick."""
        return 1e6 / self.tick_hz

    @property
    def capture_delay_cycles(self) -> float:
        """Mean CPU cycles from the pin to the captured instant, with the capture filter on."""
        timer = self.timer
        return (timer.sync_cycles_min + timer.sync_cycles_max) / 2.0 + timer.filter_cycles

    @property
    def has_serial(self) -> bool:
        """Whether the firmware can tell anything."""
        return self.pins.serial_tx is not None

    @property
    def max_pulses_per_s(self) -> float:
        """Pulse rate that takes half of the CPU, the most that is allowed."""
        return 0.5 * self.f_cpu_hz / self.cycles_per_pulse

    @property
    def longest_handler_cycles(self) -> int:
        """Longest run of a handler; 1 where none was measured."""
        return max(self.handler_cycles.values(), default=1)

    @property
    def timed_rpm(self) -> float:
        """Speed at which the spread of an interrupt's time stamps is the most that is allowed."""
        spread_us = self.timer.spread_us
        return SPREAD_MOST_DEG / (6e-6 * spread_us) if spread_us else math.inf

    def most_rpm(self, pulses_per_crank_turn: float) -> float:
        """Return the greatest speed limit that an engine of so many pulses a turn may have."""
        served = self.max_pulses_per_s * 60.0 / pulses_per_crank_turn / 1.2
        return min(served, self.timed_rpm)

    @property
    def flash_free_bytes(self) -> int:
        """Flash that an image may fill."""
        return self.flash_bytes - self.bootloader_bytes


def boards_folder() -> Path:
    """Return the folder of the board files that came with sparktick."""
    return Path(str(importlib.resources.files("sparktick.boards")))


def own_boards() -> Path | None:
    """Return the user's folder of board files, named by the variable SPARKTICK_BOARDS."""
    folder = os.environ.get(OWN_BOARDS)
    return Path(folder) if folder else None


def _board_files() -> dict[str, Path]:
    """Return the file of each board by name; the user's own come before those of the package."""
    folders = [folder for folder in (boards_folder(), own_boards()) if folder is not None]
    return {path.stem: path for folder in folders for path in folder.glob("*.toml")}


def board_names() -> list[str]:
    """Return the names of all boards, sorted; found by listing the folders."""
    return sorted(_board_files())


def load_board(name: str) -> Board:
    """Return a board by name.  Raises BoardError when unknown (naming the nearest) or invalid."""
    files = _board_files()
    if name not in files:
        known = sorted(files)
        guess = nearest(name, known)
        hint = f"Did you mean {guess}? " if guess else ""
        raise BoardError(
            Fault(
                "",
                "board.name",
                "no such board",
                value=name,
                allowed=" | ".join(known),
                remedy=hint + REMEDY,
            )
        )
    return _kept(files[name])


@functools.cache
def _kept(path: Path) -> Board:
    return read_board(path)


def all_boards() -> list[Board]:
    """Return every board, sorted by name; an invalid file is an error, never left out."""
    return [load_board(name) for name in board_names()]


def boards_that(can: Callable[[Board], bool]) -> str:
    """Return the names of the boards that can do what another cannot, for a remedy.

    >>> boards_that(lambda board: board.f_cpu_hz > 10**9)
    'none'
    """
    return ", ".join(board.name for board in all_boards() if can(board)) or "none"


def read_board(path: str | Path) -> Board:
    """Read and check one board file."""
    text, data = read_toml(path, WHAT, REMEDY)
    translator = Translator(str(path), text, Board, {})
    try:
        board = Board.model_validate(data)
    except ValidationError as invalid:
        raise translator.error(invalid, BoardError) from None
    faults = [*_name_faults(board, Path(path)), *_pin_faults(board, str(path))]
    faults += _family_faults(board, str(path))
    if board.timer.sync_cycles_min > board.timer.sync_cycles_max:
        faults.append(
            Fault(
                str(path),
                "timer.sync_cycles_min",
                "larger than sync_cycles_max",
                value=board.timer.sync_cycles_min,
                remedy="Swap the two.",
            )
        )
    if faults:
        raise BoardError(*faults)
    return board


def _family_faults(board: Board, file: str) -> list[Fault]:
    family = FAMILIES.get(board.family)
    if family is None:
        allowed, remedy = " | ".join(FAMILIES), "Name an entry of gen/families.py."
        return [
            Fault(file, "family", "not known", value=board.family, allowed=allowed, remedy=remedy)
        ]
    fixed = family.fixed_pins(board.mcu)
    if fixed is None:
        remedy = "Take a chip of the family, or add it to gen/families.py and the port."
        problem = f"the port {family.name} does not know this chip"
        return [Fault(file, "mcu", problem, value=board.mcu, remedy=remedy)]
    clock = (board.f_cpu_hz, board.timer.prescaler)
    if family.clocks and clock not in family.clocks:
        allowed = " | ".join(f"{hz} with prescaler {ticks}" for hz, ticks in family.clocks)
        problem = f"the port {family.name} sets up no such clock"
        remedy = "The port sets the clock up itself, whatever the board's crystal allows."
        given = f"{clock[0]} with prescaler {clock[1]}"
        return [Fault(file, "f_cpu_hz", problem, value=given, allowed=allowed, remedy=remedy)]
    named = board.pins.named()
    faults = [
        Fault(
            file,
            f"pins.{use}",
            f"the {board.mcu} cannot do this, or its port {family.name} does not",
            value=named[use].chip_name,
            remedy=f"Leave the pin out, or take a board that can: {_boards_with(use)}.",
        )
        for use in family.lacking(board.mcu)
        if use in named
    ]
    return faults + [
        Fault(
            file,
            f"pins.{use}",
            f"{named[use].chip_name} is no pin of the {board.mcu} that does this in hardware",
            allowed=pin,
            remedy="A board that does not bring that pin out cannot be used.",
        )
        for use, pin in fixed.items()
        if use in named and named[use].chip_name not in pin.split(" | ")
    ]


def _boards_with(*uses: str) -> str:
    """Return the boards of the package that have pins for some uses."""
    able = []
    for path in sorted(boards_folder().glob("*.toml")):
        _, data = read_toml(path, WHAT, REMEDY)
        if set(uses) <= set(data.get("pins", {})):
            able.append(path.stem)
    return ", ".join(able) or "none"


def _name_faults(board: Board, path: Path) -> list[Fault]:
    if board.name == path.stem:
        return []
    remedy = f"Name the file {board.name}.toml, or the board {path.stem}."
    return [
        Fault(str(path), "name", "differs from the file's name", value=board.name, remedy=remedy)
    ]


def _pin_faults(board: Board, file: str) -> list[Fault]:
    faults = []
    owner: dict[str, str] = {}
    for use, pin in board.pins.named().items():
        if pin.chip_name in owner:
            faults.append(
                Fault(
                    file,
                    f"pins.{use}",
                    f"{pin.chip_name} is already the pin of {owner[pin.chip_name]}",
                    remedy="Give each use its own pin; boards that have one for both: "
                    f"{_boards_with(use, owner[pin.chip_name])}.",
                )
            )
        owner[pin.chip_name] = use
    return faults
