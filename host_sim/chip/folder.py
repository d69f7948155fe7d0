"""A firmware folder as a job for an emulated chip, from its manifest alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sparktick.gen.board import load_board
from sparktick.gen.errors import BoardError, FolderError

from ..manifest import Manifest
from ..run import Train
from .base import AnalogueInput, ChipJob, CoilPin, PickupPin, TwoCoils


def _level(word: str) -> int:
    return 1 if word == "high" else 0


def image_of(manifest: Manifest) -> Path:
    """Return the folder's image with symbols; FolderError when it has not been built."""
    name = str(manifest.raw.get("files", {}).get("elf", "build/firmware.elf"))
    path = manifest.folder / name
    if not path.exists():
        raise FolderError(
            f"{path}: no such image\n    Compile it first: `sparktick build {manifest.folder}`."
        )
    return path


def _two_coils(raw: dict[str, Any]) -> TwoCoils | None:
    if "phase_pin" not in raw:
        return None
    phase, select = raw["phase_pin"], raw["coil_select_pin"]
    return TwoCoils(
        PickupPin(str(phase["port"]), int(phase["bit"]), _level(phase["second"])),
        CoilPin(str(select["port"]), int(select["bit"])),
    )


def _unmeasured(raw: dict[str, Any]) -> AnalogueInput | None:
    """Return a supply too low to be one: the image then charges for the nominal supply.

    So does the host library, which is told none. An input left alone reads what the emulator likes.
    """
    if "supply_pin" not in raw:
        return None
    try:
        board = load_board(str(raw["board"]))
    except BoardError:  # the folder is complete without its board's file
        return None
    words = board.pins.supply.function if board.pins.supply is not None else ""
    channel = "".join(c for c in words if c.isdigit())
    return AnalogueInput(int(channel), 0.0, board.volts) if channel else None


def chip_job(manifest: Manifest, train: Train, **settings: Any) -> ChipJob:
    """Return the job that runs a folder's image against ``train``.

    ``settings`` are further fields of ChipJob (``resets``, ``upsets``, ``peeks``, ...).
    """
    raw = manifest.raw
    settings.setdefault("analogue", _unmeasured(raw))
    try:
        pickup, coils = raw["pickup_pin"], raw["coil_pins"]
        return ChipJob(
            elf=image_of(manifest),
            mcu=str(raw["mcu"]),
            f_cpu_hz=round(manifest.f_cpu_hz),
            tick_hz=manifest.tick_hz,
            train=train,
            pickup=PickupPin(str(pickup["port"]), int(pickup["bit"]), _level(pickup["active"])),
            coils=tuple(
                CoilPin(str(c["port"]), int(c["bit"]), _level(c["on_level"])) for c in coils
            ),
            two_coils=_two_coils(raw),
            **settings,
        )
    except KeyError as error:
        raise FolderError(f"{manifest.folder}/manifest.json: the key {error} is missing") from error
