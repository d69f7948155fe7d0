"""An STM32F103 image on an emulated Cortex-M3 with a register-level model of what is around it.

The instructions are those of the real image, run by unicorn.  Timer 4, the pins, the interrupt
controller and the resets of clock and watchdog are a model written from the reference manual
RM0008: it shows that the firmware and that reading of the manual agree, not that the silicon does.
Code takes no time here: handlers' durations, latencies and nesting are not shown.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any

from elftools.elf.elffile import ELFFile

from sparktick.gen.errors import RunError

from ..run import F64, U8

FLASH, RAM, RAM_BYTES = 0x08000000, 0x20000000, 20 * 1024
BACK = 0x10000000  # where handlers return to: nothing else is there
TIM4, RCC, IWDG, GPIO_A, GPIO_B = 0x40000800, 0x40021000, 0x40003000, 0x40010800, 0x40010C00
CR1, DIER, SR, EGR, CCMR2, CCER = 0x00, 0x0C, 0x10, 0x14, 0x1C, 0x20
GPIO_C_LAMP = 0x40011010  # set and reset register of the lamp's port
CNT, PSC, CCR1, CCR3, CCR4 = 0x24, 0x28, 0x34, 0x3C, 0x40
UIF, CC1, CC3, CC4 = 1, 2, 8, 16
NVIC_ISER0, NVIC_IPR7 = 0xE000E100, 0xE000E41C
TIM4_VECTOR, SYSTICK_VECTOR = 16 + 30, 15
PICKUP_BIT, COIL_BIT = 6, 8


@dataclass
class Stm32Model:
    """One chip with its image, from reset.

    ``writes`` are (address, value) of every register write until ``log`` is switched off;
    ``coil`` are (CPU clock, level) of every change of the coil pin once it is driven.
    """

    elf: Path
    active_low: bool
    f_cpu_hz: int = 72_000_000
    filter_clocks: int = 24
    sync_clocks: int = 4
    registers: dict[int, int] = field(default_factory=dict)
    writes: list[tuple[int, int]] = field(default_factory=list)
    log: bool = True
    coil: list[tuple[int, int]] = field(default_factory=list)
    clock: int = 0
    began: int = 0
    level: int = 0
    output: int = 0
    feeds: int = 0
    _passed: bool = True
    _at_lamp: bool = False

    def __post_init__(self) -> None:
        unicorn: Any = import_module("unicorn")
        self.arm: Any = import_module("unicorn.arm_const")
        self.uc: Any = unicorn.Uc(
            unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS
        )
        self.uc.ctl_set_cpu_model(self.arm.UC_CPU_ARM_CORTEX_M3)
        self.uc.mem_map(FLASH, 0x20000)
        self.uc.mem_map(RAM, RAM_BYTES & ~0xFFF)
        self.uc.mem_map(BACK, 0x1000)
        for base, size in ((0x40000000, 0x24000), (0xE000E000, 0x1000)):
            self.uc.mmio_map(base, size, self._read, base, self._write, base)
        self.registers |= {GPIO_A + 0x400 * k + o: 0x44444444 for k in range(3) for o in (0, 4)}
        self.level = int(self.active_low)
        with self.elf.open("rb") as stream:
            for segment in ELFFile(stream).iter_segments("PT_LOAD"):
                if segment["p_filesz"]:
                    self.uc.mem_write(segment["p_paddr"], segment.data())
            symbols: Any = ELFFile(stream).get_section_by_name(".symtab")
            self.symbols = {s.name: s["st_value"] for s in symbols.iter_symbols()}
        self.uc.reg_write(self.arm.UC_ARM_REG_SP, self._word(FLASH))
        self.at = self._word(FLASH + 4)

    def _word(self, address: int) -> int:
        return int.from_bytes(self.uc.mem_read(address, 4), "little")

    # ---- Registers ---------------------------------------------------------------------------

    def _tim(self, offset: int) -> int:
        return self.registers.get(TIM4 + offset, 0)

    @property
    def _per_tick(self) -> int:
        return self._tim(PSC) + 1

    def count(self) -> int:
        """Return the tick counter."""
        return (self.clock - self.began) // self._per_tick & 0xFFFF

    def _read(self, uc: Any, offset: int, size: int, base: int) -> int:
        address = base + offset
        value = self.registers.get(address, 0)
        if address == TIM4 + CNT:
            return self.count()
        if address == TIM4 + CCR1:
            self.registers[TIM4 + SR] = self._tim(SR) & ~CC1
        elif address == RCC:  # an oscillator that is on is ready
            return value | (value & 0x01010000) << 1
        elif address == RCC + 4:  # the clock chosen is the clock used
            return value | (value & 3) << 2
        elif address == RCC + 0x24:
            return value | 1 << 27
        elif address == GPIO_B + 8:
            return self.level << PICKUP_BIT | self.pin() << COIL_BIT
        elif address == 0x40013800:  # serial port 1: free
            return 0xC0
        return value

    def _write(self, uc: Any, offset: int, size: int, value: int, base: int) -> None:
        address = base + offset
        if self.log:
            self.writes.append((address, value))
        if address == TIM4 + SR:
            value &= self._tim(SR)  # 0 clears, 1 keeps
        elif address == TIM4 + EGR:
            self.began = self.clock
        elif address == IWDG and value == 0xAAAA:
            self.feeds += 1
        elif GPIO_A <= address < GPIO_A + 0xC00 and address & 0x3FF == 0x10:
            odr = address - 4
            value = self.registers.get(odr, 0) & ~(value >> 16) | value & 0xFFFF
            address = odr
        self.registers[address] = value
        if address == TIM4 + CCMR2 and value >> 4 & 7 == 4:
            self.output = 0
        self._look()
        if address == GPIO_C_LAMP - 4 and self._passed is False:
            self._passed = True
            self.uc.emu_stop()

    def _coil_mode(self) -> int:
        return self.registers.get(GPIO_B + 4, 0x44444444) >> 4 * (COIL_BIT - 8) & 15

    def pin(self) -> int:
        """Return the coil pin's level; a pin that nothing drives is pulled low on the board."""
        if self._coil_mode() in (8 | 2, 8 | 1, 8 | 3):
            enabled, low = self._tim(CCER) >> 8 & 1, self._tim(CCER) >> 9 & 1
            return (self.output ^ low) & enabled
        if self._coil_mode() in (1, 2, 3):
            return self.registers.get(GPIO_B + 0x0C, 0) >> COIL_BIT & 1
        return 0

    def _look(self) -> None:
        now = self.pin()
        if now != (self.coil[-1][1] if self.coil else 0):
            self.coil.append((self.clock, now))

    # ---- Running -----------------------------------------------------------------------------

    def pass_main(self, most: int = 2_000_000) -> None:
        """Run the main program until its loop has written the lamp once more, events let in.

        Not by a number of instructions: unicorn 2.1.4 forgets the rest of an IT block when it stops
        inside one.
        """
        if self._at_lamp:  # a stop from within a write comes before the program counter moves on
            self.uc.emu_start(self.at | 1, BACK, count=1)
            self.at = self.uc.reg_read(self.arm.UC_ARM_REG_PC)
        self._passed = False
        self.uc.emu_start(self.at | 1, BACK, count=most)
        self._at_lamp = self._passed
        self.at = self.uc.reg_read(self.arm.UC_ARM_REG_PC)
        held = self.uc.reg_read(self.arm.UC_ARM_REG_BASEPRI)
        if not self._passed or held or self.uc.reg_read(self.arm.UC_ARM_REG_PRIMASK):
            raise RunError(f"{self.elf}: the image has halted at {self.at:#x}")

    def boot(self) -> None:
        """Run from reset through the first pass of the main loop."""
        self.pass_main()

    def _handler(self, vector: int) -> None:
        """Call a handler: what the core pushes is kept by the model, not on the stack."""
        arm = self.arm
        kept = [arm.UC_ARM_REG_R0, arm.UC_ARM_REG_R1, arm.UC_ARM_REG_R2, arm.UC_ARM_REG_R3]
        kept += [arm.UC_ARM_REG_R12, arm.UC_ARM_REG_LR, arm.UC_ARM_REG_XPSR]
        values = [self.uc.reg_read(register) for register in kept]
        self.uc.reg_write(arm.UC_ARM_REG_LR, BACK | 1)
        self.uc.emu_start(self._word(FLASH + 4 * vector) | 1, BACK)
        for register, value in zip(kept, values, strict=True):
            self.uc.reg_write(register, value)

    def _serve(self) -> None:
        for _ in range(20):
            if not self._tim(SR) & self._tim(DIER):
                return
            self._handler(TIM4_VECTOR)
        raise RunError(f"{self.elf}: the timer's interrupt never ends")

    def _next_match(self, offset: int) -> int:
        """Return the CPU clock at which the counter next takes a compare value."""
        ticks = (self.clock - self.began) // self._per_tick
        ahead = (self._tim(offset) - ticks - 1 & 0xFFFF) + 1
        return self.began + (ticks + ahead) * self._per_tick

    def _matched(self, flag: int) -> None:
        self.registers[TIM4 + SR] = self._tim(SR) | flag
        if flag == CC3:
            action = self._tim(CCMR2) >> 4 & 7
            self.output = {1: 1, 2: 0, 3: 1 - self.output}.get(action, self.output)
            self._look()

    def _captured(self, level: int) -> None:
        falling = self._tim(CCER) >> 1 & 1
        if self._tim(CCER) & 1 and level == 1 - falling:
            self.registers[TIM4 + CCR1] = self.count()
            self.registers[TIM4 + SR] = self._tim(SR) | CC1

    def drive(self, edge_s: F64, active: U8, end_s: float) -> None:
        """Put level changes on the pickup pin, from the present instant on."""
        delay = self.filter_clocks + self.sync_clocks
        edges = [round(t * self.f_cpu_hz) for t in edge_s]
        levels = [int(bool(a) != self.active_low) for a in active]
        end, beat, at = round(end_s * self.f_cpu_hz), self.f_cpu_hz // 1000, 0
        next_beat = (self.clock // beat + 1) * beat
        while True:
            edge = edges[at] + delay if at < len(edges) else end + 1
            match = {flag: self._next_match(o) for flag, o in ((CC3, CCR3), (CC4, CCR4))}
            span = 0x10000 * self._per_tick
            wrap = self.began + ((self.clock - self.began) // span + 1) * span
            self.clock = min(edge, wrap, next_beat, *match.values())
            if self.clock > end:
                return
            if self.clock == wrap:
                self.registers[TIM4 + SR] = self._tim(SR) | UIF
            for flag, when in match.items():
                if when == self.clock:
                    self._matched(flag)
            if self.clock == edge:
                self.level = levels[at]
                self._captured(self.level)
                at += 1
            if self.clock == next_beat:
                next_beat += beat
                self._handler(SYSTICK_VECTOR)
                self.pass_main()
            self._serve()
