"""What of an STM32F103 can be upset, by the names of the firmware's own header."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

# In the order of host_sim/chip/cortex.h, four bytes each.
CPU_WORDS = (*(f"r{n}" for n in range(13)), "sp", "lr", "xpsr", "primask", "basepri")
REGISTERS = "st_port_regs.h"
DEFINED = re.compile(r"#define (\w+) ST_REG\((0x[0-9A-F]+)U\)")
# Acts when written and holds nothing: update generation, watchdog key, status, data.
HOLDS_NOTHING = re.compile(r"\w+_(EGR|KR|SR|DR|IDR|BSRR|CVR)")
USED_BYTES = {"CCR": 2, "CNT": 2, "PSC": 2, "ARR": 2}  # of four, by the end of a name
PORTS = {"A": 0x40010800, "B": 0x40010C00, "C": 0x40011000}
PORT_REGISTERS = {"CRL": 0x00, "CRH": 0x04, "ODR": 0x0C}
RAM_FROM = 0x20000000
PC_BITS = 31  # of half-words


def is_arm(mcu: str) -> bool:
    """Whether the chip is one of these."""
    return mcu.startswith("stm32f1")


@cache
def register_names(header: Path) -> dict[int, str]:
    """Return the registers that the firmware uses, a name for each byte's address."""
    text = header.read_text(encoding="utf-8")
    found = {int(address, 16): name for name, address in DEFINED.findall(text)}
    for port, base in PORTS.items():
        found |= {base + at: f"GPIO{port}_{name}" for name, at in PORT_REGISTERS.items()}
    names: dict[int, str] = {}
    for address, name in sorted(found.items()):
        if HOLDS_NOTHING.fullmatch(name) and name != "TIM4_SR":
            continue
        size = next((n for end, n in USED_BYTES.items() if end in name), 4)
        names |= dict.fromkeys(range(address, address + size), name)
    return names
