"""Ways to put an image into a chip as Makefile and README of a firmware folder show them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from .board import Board, Upload

BOOT_LOADERS = ("arduino", "urclock", "wiring", "avr109", "butterfly")  # avrdude's names of them


def is_boot_loader(way: Upload) -> bool:
    """Whether a way goes through a boot loader, which can neither erase all nor reach fuses."""
    return way.programmer in BOOT_LOADERS


@dataclass(frozen=True)
class Uploader:
    """A program that uploads.

    ``package`` is Debian's that brings it, "" where every system has it; ``image`` the format it
    takes ("hex", "uf2", ...), ``words`` its arguments for a board, one of the board's ways, a port
    ("" for none) and an image file.
    """

    program: str
    package: str
    image: str
    words: Callable[[Board, Upload, str, str], list[str]]


def _avrdude(board: Board, way: Upload, port: str, image: str) -> list[str]:
    words = ["-p", board.mcu, "-c", way.programmer]
    words += ["-P", port] if port else []
    words += ["-b", str(way.baud)] if way.baud else []
    words += ["-D"] if is_boot_loader(way) else []
    return [*words, "-U", f"flash:w:{image}:i"]


def _stm32flash(board: Board, way: Upload, port: str, image: str) -> list[str]:
    return ["-b", str(way.baud), "-w", image, "-v", "-g", "0x0", port]  # and start it


AVRDUDE = Uploader("avrdude", "avrdude", "hex", _avrdude)
UPLOADERS = {
    "uf2": Uploader("cp", "", "uf2", lambda board, way, port, image: [image, port]),
    "serial": Uploader("stm32flash", "stm32flash", "hex", _stm32flash),
    "stlink": Uploader(
        "st-flash",
        "stlink-tools",
        "hex",
        lambda board, way, port, image: ["--format", "ihex", "write", image],
    ),
}
"""By the way's ``programmer``; every other programmer is avrdude's."""


def uploader_of(way: Upload) -> Uploader:
    """Return the program of a way."""
    return UPLOADERS.get(way.programmer, AVRDUDE)


def upload_line(board: Board, way: Upload, port: str, image: str = "") -> str:
    """Return the arguments of a way's program, without quotes, as documents show them."""
    uploader = uploader_of(way)
    file = image or f"build/firmware.{uploader.image}"
    wanted = way.baud or uploader.image == "uf2"  # whose port is a drive
    return " ".join(uploader.words(board, way, port if wanted else "", file))
