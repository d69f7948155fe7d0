"""How AVR firmware is compiled; gen/families.py says which family takes which flags.

The optimisation flags were chosen by trying the size-related flags of avr-gcc 5.4 and 7.3 on two
example engines. They are kept for 7.3, which the package brings; benchmarks/flash_size.py tells
what each saves on the present core.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Flags:
    """Flags of one family of chips: language and warnings, optimisation, linking.

    The chip itself (``-mmcu``) comes from the board.
    """

    language: tuple[str, ...]
    warnings: tuple[str, ...]
    size: tuple[str, ...]
    link: tuple[str, ...]

    @property
    def compile(self) -> tuple[str, ...]:
        """Return what the compiler proper is given, the chip left out."""
        return (*self.language, *self.warnings, *self.size)


UNUSED_FLASH = "unused_flash.ld"  # fills free flash with jumps back; templates_c/project

AVR = Flags(
    language=("-std=c99",),
    warnings=("-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Werror"),
    size=(
        "-Os",
        "-flto",  # one whole program: unused arguments and copies go
        "-mcall-prologues",  # registers saved and restored by shared code
        "-mrelax",  # 2-byte instead of 4-byte calls and jumps where they reach
        "-mstrict-X",
        "-fshort-enums",
        "-fno-inline-small-functions",
        "-fno-gcse",
        "-fno-ipa-cp",  # the one state struct stays behind a pointer: shorter than its address
        "-fno-move-loop-invariants",
        "-fno-tree-copyrename",  # avr-gcc 5.4 only; newer ones have no such pass
        "-fno-tree-dominator-opts",
        "-fno-tree-forwprop",
        "-fno-tree-fre",
        "-ffunction-sections",
        "-fdata-sections",
    ),
    link=("-Wl,--gc-sections", f"-Wl,-T,src/{UNUSED_FLASH}"),
)

# Chips with Timer1; on those with timers A and B it takes off next to nothing.
AVR_TIMER1 = replace(AVR, size=(*AVR.size, "-fno-ivopts"))

# The image that fills its chip: with two passes more it is some bytes shorter.
AVR_TIGHT = replace(
    AVR,
    size=tuple(
        flag for flag in AVR.size if flag not in ("-fno-tree-dominator-opts", "-fno-tree-fre")
    ),
)
