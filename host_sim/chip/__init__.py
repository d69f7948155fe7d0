"""Emulated microcontrollers behind one interface: the image that will be flashed is run."""

from __future__ import annotations

from .base import (
    EMULATORS,
    ChipJob,
    ChipRun,
    CoilPin,
    Peek,
    PickupPin,
    Reset,
    ResetKind,
    Upset,
    UpsetSpace,
    run_chip,
)

__all__ = [
    "EMULATORS",
    "ChipJob",
    "ChipRun",
    "CoilPin",
    "Peek",
    "PickupPin",
    "Reset",
    "ResetKind",
    "Upset",
    "UpsetSpace",
    "run_chip",
]
