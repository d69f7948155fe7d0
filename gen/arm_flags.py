"""How firmware for ARM Cortex-M is compiled: no C library, our own start-up and link script."""

from __future__ import annotations

from dataclasses import replace

from .avr_flags import AVR, Flags

CORTEX_M3 = Flags(
    language=("-std=c99", "-ffreestanding"),
    warnings=AVR.warnings,
    size=(
        "-O2",
        "-flto",
        "-fshort-enums",
        "-fno-tree-loop-distribute-patterns",  # memset in st_port_start.c must not call itself
        "-ffunction-sections",
        "-fdata-sections",
    ),
    link=("-nostdlib", "-Wl,--gc-sections", "-Wl,--build-id=none"),
)

# The Cortex-M0+ has no division and no table jump: libgcc, which -nolibc leaves in, has them.
CORTEX_M0PLUS = replace(
    CORTEX_M3, link=("-nostartfiles", "-nolibc", "-Wl,--gc-sections", "-Wl,--build-id=none")
)
