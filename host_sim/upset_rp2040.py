"""What of an RP2040 can be upset: registers the firmware relies on, and what its PIO holds."""

from __future__ import annotations

from functools import cache

# In the order of host_sim/chip/rp2040_upset.c, four bytes each.
CPU_WORDS = (*(f"r{n}" for n in range(13)), "sp", "lr", "xpsr", "primask")
PINS = (0, 1, 2, 3, 4, 5, 6, 25, 26)  # those of the board files
# Address, name, bytes that hold something.  Serial port and converter are left out: they spark not.
SINGLE = (
    (0x4000C000, "RESETS", 4),
    (0x40010008, "PSM_WDSEL", 3),
    (0x40008030, "CLK_REF_CTRL", 1),
    (0x4000803C, "CLK_SYS_CTRL", 1),
    (0x40024000, "XOSC_CTRL", 3),
    (0x40028004, "PLL_SYS_PWR", 1),
    (0x40028008, "PLL_SYS_FBDIV", 2),
    (0x4002800C, "PLL_SYS_PRIM", 3),
    (0x40054010, "TIMER_ALARM0", 4),
    (0x40054028, "TIMER_RAW_LOW", 4),
    (0x40054034, "TIMER_INTR", 1),
    (0x40054038, "TIMER_INTE", 1),
    (0x40058000, "WATCHDOG_CTRL", 4),
    (0x40058004, "WATCHDOG count", 3),
    (0x4005802C, "WATCHDOG_TICK", 2),
    (0xD0000010, "SIO_OUT", 4),
    (0xD0000020, "SIO_OE", 4),
    (0x50200000, "PIO_CTRL", 1),
    (0x50200030, "PIO_IRQ", 1),
    (0x5020003C, "PIO_PADOUT", 4),
    (0x50200040, "PIO_PADOE", 4),
    (0x5020012C, "PIO_IRQ0_INTE", 2),
    (0xE000E100, "NVIC_ISER", 4),
    (0xE000E200, "NVIC_ISPR", 4),
    (0xE000E400, "NVIC_IPR0", 4),
    (0xE000E404, "NVIC_IPR1", 4),
    (0xE000ED08, "VTOR", 4),
)
MACHINE = (("CLKDIV", 4), ("EXECCTRL", 4), ("SHIFTCTRL", 4), ("", 0), ("", 0), ("PINCTRL", 4))
HELD = (("pc", 1), ("x", 4), ("y", 4), ("isr", 4), ("osr", 4))
RAM_FROM = 0x20000000
PC_BITS = 31  # of half-words


@cache
def register_names() -> dict[int, str]:
    """Return the registers that the firmware uses, a name for each byte's address."""
    found = list(SINGLE)
    found += [(0x40014004 + 8 * pin, f"IO_CTRL GPIO{pin}", 4) for pin in PINS]
    found += [(0x4001C004 + 4 * pin, f"PAD GPIO{pin}", 1) for pin in PINS]
    found += [(0x50200048 + 4 * at, f"PIO program {at}", 2) for at in range(29)]
    for sm in range(4):
        for first, each, parts in ((0x502000C8, 24, MACHINE), (0x50200200, 32, HELD)):
            begin = first + each * sm
            found += [(begin + 4 * k, f"PIO {sm} {n}", size) for k, (n, size) in enumerate(parts)]
    return {at + k: name for at, name, size in found for k in range(size)}
