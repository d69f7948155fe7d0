"""If this fails: the RP2040 model executes an instruction otherwise than a Cortex-M0+ does.

Held against unicorn's core (QEMU's), instruction by instruction with random operands; cycles
against the technical reference manual of the Cortex-M0+, table 3-1, from memory.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

import numpy as np
import pytest

from sparktick.host_sim.chip import rp2040

pytestmark = pytest.mark.needs_system("unicorn", "pip install unicorn==2.1.4", module="unicorn")
RAM, BYTES, CODE = 0x20000000, 4096, 0x800
TRIALS = 40
FLAGS = 0xF0000000

# First opcode, bits that are drawn; every encoding of ARMv6-M but exceptions, hints and barriers.
ALU = {
    "shift": (0x0000, 0x17FF),
    "add-subtract": (0x1800, 0x07FF),
    "immediate": (0x2000, 0x1FFF),
    "data": (0x4000, 0x03FF),
    "extend": (0xB200, 0x00FF),
    "rev": (0xBA00, 0x007F),
    "revsh": (0xBAC0, 0x003F),
    "adr": (0xA000, 0x07FF),
    "add-sp": (0xA800, 0x07FF),
    "branch": (0xE000, 0x007F),
}
MEMORY = {
    "ldr-literal": (0x4800, 0x0707),
    "register-offset": (0x5000, 0x0FFF),
    "word": (0x6000, 0x0FFF),
    "byte": (0x7000, 0x0FFF),
    "half": (0x8000, 0x0FFF),
    "stack": (0x9000, 0x0F3F),
    "push": (0xB400, 0x01FF),
    "pop": (0xBC00, 0x00FF),
    "sp-immediate": (0xB000, 0x008F),
    "stm": (0xC000, 0x07FF),
    "ldm": (0xC800, 0x07FF),
}


class Both:
    """One instruction on the model and on unicorn, from the same registers and RAM."""

    def __init__(self) -> None:
        self.unicorn: Any = import_module("unicorn")
        self.arm: Any = import_module("unicorn.arm_const")
        mode = self.unicorn.UC_MODE_THUMB | self.unicorn.UC_MODE_MCLASS
        self.uc = self.unicorn.Uc(self.unicorn.UC_ARCH_ARM, mode)
        self.uc.ctl_set_cpu_model(self.arm.UC_CPU_ARM_CORTEX_M0)
        self.uc.mem_map(RAM, BYTES)
        self.ffi, self.model = rp2040.library()
        self.chip = self.model.rp_new(b"", 0)
        self.names = [self.arm.UC_ARM_REG_R0 + k for k in range(13)]
        self.names += [self.arm.UC_ARM_REG_SP, self.arm.UC_ARM_REG_LR]

    def close(self) -> None:
        self.model.rp_free(self.chip)

    def ours(self, registers: list[int], ram: bytes) -> tuple[list[int], bytes, int]:
        given = self.ffi.new("uint32_t[17]", registers)
        memory = self.ffi.new("uint8_t[]", ram)
        cycles = self.model.rp_try(self.chip, given, memory, len(ram))
        return list(given), bytes(self.ffi.buffer(memory))[: len(ram)], cycles

    def theirs(self, registers: list[int], ram: bytes) -> tuple[list[int], bytes]:
        self.uc.mem_write(RAM, ram)
        self.uc.ctl_remove_cache(RAM, RAM + BYTES)  # unicorn keeps what it has translated
        for name, value in zip(self.names, registers, strict=False):
            self.uc.reg_write(name, value)
        self.uc.reg_write(self.arm.UC_ARM_REG_XPSR, registers[16] | 1 << 24)
        self.uc.emu_start(registers[15] | 1, RAM + BYTES, count=1)
        values = [self.uc.reg_read(name) for name in (*self.names, self.arm.UC_ARM_REG_PC)]
        flags = self.uc.reg_read(self.arm.UC_ARM_REG_XPSR) & FLAGS
        return [*values, flags], bytes(self.uc.mem_read(RAM, BYTES))

    def same(self, registers: list[int], ram: bytes, words: list[int]) -> None:
        mine, my_ram, _ = self.ours(registers, ram)
        other, other_ram = self.theirs(registers, ram)
        shown = " ".join(f"{word:04x}" for word in words)
        assert [hex(v) for v in mine] == [hex(v) for v in other], (shown, list(map(hex, registers)))
        assert my_ram == other_ram, shown


@pytest.fixture(scope="module")
def both() -> Any:
    pair = Both()
    yield pair
    pair.close()


def with_code(ram: bytes, *words: int) -> bytes:
    code = b"".join(word.to_bytes(2, "little") for word in words)
    return ram[:CODE] + code + ram[CODE + len(code) :]


def drawn(rng: np.random.Generator) -> tuple[list[int], bytes]:
    """Random registers, with small, extreme and shift-sized values among them, and random RAM."""
    values = rng.integers(0, 1 << 32, 17, np.uint32)
    special = rng.choice(np.array([0, 1, 31, 32, 33, 255, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF]), 17)
    mixed = np.where(rng.random(17) < 0.4, special, values)
    registers = [int(v) for v in mixed]
    registers[13] = RAM + BYTES // 4
    registers[15] = RAM + CODE
    registers[16] &= FLAGS
    return registers, rng.integers(0, 256, BYTES, np.uint8).tobytes()


@pytest.mark.parametrize("kind", ALU)
def test_arithmetic_is_unicorns(both: Both, kind: str) -> None:
    first, free = ALU[kind]
    rng = np.random.default_rng([7, first])
    for _ in range(4 * TRIALS):
        op = first | int(rng.integers(0, 1 << 16)) & free
        registers, ram = drawn(rng)
        both.same(registers, with_code(ram, op), [op])


@pytest.mark.parametrize("kind", MEMORY)
def test_loads_and_stores_are_unicorns(both: Both, kind: str) -> None:
    """Base registers point into RAM, aligned; offset registers are small."""
    first, free = MEMORY[kind]
    rng = np.random.default_rng([8, first])
    for _ in range(2 * TRIALS):
        op = first | int(rng.integers(0, 1 << 16)) & free
        if kind in ("push", "pop", "stm", "ldm") and op & 255 == 0:
            continue
        base, offset = (op >> 8 & 7, -1) if kind in ("stm", "ldm") else (op >> 3 & 7, op >> 6 & 7)
        if kind == "stm" and op & (1 << base) and op & ((1 << base) - 1):
            continue  # stores an unknown value (ARMv6-M manual, STM)
        registers, ram = drawn(rng)
        if kind == "register-offset":
            if base == offset:
                continue
            registers[offset] = int(rng.integers(0, 32)) * 4
        if kind != "stack":
            registers[base] = RAM + 4 * int(rng.integers(64, 128))
        both.same(registers, with_code(ram, op), [op])


def test_high_registers_and_jumps_are_unicorns(both: Both) -> None:
    rng = np.random.default_rng(9)
    for _ in range(4 * TRIALS):
        registers, ram = drawn(rng)
        target = RAM + 2 * int(rng.integers(16, 900))
        op = int(rng.choice([0x4400, 0x4500, 0x4600])) | int(rng.integers(0, 256))
        d, m = op & 7 | op >> 4 & 8, op >> 3 & 15
        if 13 not in (d, m) and d != 15 and (op & 0xFF00 != 0x4500 or (d | m) & 8):
            both.same(registers, with_code(ram, op), [op])
        m = int(rng.integers(0, 13))
        registers[m] = target | 1
        op = int(rng.choice([0x4700, 0x4780])) | m << 3
        both.same(registers, with_code(ram, op), [op])


@pytest.mark.parametrize("condition", range(14))
def test_conditions_are_unicorns(both: Both, condition: int) -> None:
    rng = np.random.default_rng([10, condition])
    for flags in range(16):
        registers, ram = drawn(rng)
        registers[16] = flags << 28
        op = 0xD000 | condition << 8 | int(rng.integers(0, 128))
        both.same(registers, with_code(ram, op), [op])


def test_long_calls_are_unicorns(both: Both) -> None:
    for offset in (-2000, -4, 0, 2, 1000):
        registers, ram = drawn(np.random.default_rng(11))
        bits = offset & 0x1FFFFFF
        s = bits >> 24 & 1
        j1, j2 = (bits >> 23 & 1) ^ s ^ 1, (bits >> 22 & 1) ^ s ^ 1
        first = 0xF000 | s << 10 | bits >> 12 & 0x3FF
        second = 0xD000 | j1 << 13 | j2 << 11 | bits >> 1 & 0x7FF
        both.same(registers, with_code(ram, first, second), [first, second])


# Technical reference manual, table 3-1: cycles of RAM without waits.
CYCLES = [
    ("adds", [0x1888], 1),
    ("muls", [0x4348], 1),
    ("ldr", [0x6800], 2),
    ("str", [0x6000], 2),
    ("ldm of 3", [0xC80E], 4),
    ("stm of 3", [0xC00E], 4),
    ("push of 4", [0xB407], 4),
    ("pop of 3", [0xBC07], 4),
    ("b", [0xE000], 2),
    ("beq not taken", [0xD000], 1),
    ("bl", [0xF000, 0xF800], 3),
    ("bx", [0x4700], 2),
    ("cpsid", [0xB672], 1),
    ("wfi", [0xBF30], 2),
    ("dsb", [0xF3BF, 0x8F4F], 3),
]


@pytest.mark.parametrize(("name", "words", "cycles"), CYCLES)
def test_cycles_are_the_manuals(both: Both, name: str, words: list[int], cycles: int) -> None:
    registers, ram = drawn(np.random.default_rng(12))
    registers[0] = RAM + 0x101 if name == "bx" else RAM + 0x100
    registers[16] = 0
    expected = 4 if name == "push of 4" else cycles
    assert both.ours(registers, with_code(ram, *words))[2] == expected


@pytest.mark.parametrize("words", [[0xFFFF, 0xFFFF], [0xDE00], [0xDF00], [0xB100], [0xE800]])
def test_what_is_no_instruction_fails(both: Both, words: list[int]) -> None:
    """Erased flash (all ones), UDF, SVC; CBZ and the wide ones belong to bigger cores."""
    registers, ram = drawn(np.random.default_rng(13))
    assert both.ours(registers, with_code(ram, *words))[2] == -1
