"""The steady timing bar on the RP2040, up to 30 000 rpm.

    python benchmarks/rp2040_bar.py

The image runs on sparktick's own model of the chip (host_sim/chip/README.md): a check of the firmware
against our reading of the data sheet, not of the silicon.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from _results import Figure, record
from steady_bar import CASES
from stm32f1_bar import SPEEDS, figures

BOARD, EMULATOR = "pico-rp2040", "rp2040"
NOTE = (
    "Steady speeds on the RP2040 at 120 MHz: instructions, programmable I/O, timer and pins on "
    "sparktick's own model after the data sheet. The Plover with a coil-on-plug of 1.2 ms of "
    "dwell, or a discharge unit's trigger; lead edge 70 deg BTDC, arc 36 deg. `busy` is the share "
    "of the processor that handlers take at the highest speed."
)


def main() -> None:
    """Run all and keep the figures."""
    found: dict[str, Figure] = {"speeds": SPEEDS}
    with tempfile.TemporaryDirectory() as temporary:
        for case in CASES:
            if not case.name.endswith("long_magnet"):
                found |= figures(case, Path(temporary) / case.name, BOARD, EMULATOR)
    record("rp2040_bar", found, NOTE)


if __name__ == "__main__":
    main()
