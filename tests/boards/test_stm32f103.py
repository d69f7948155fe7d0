"""If this fails: an STM32F103 sparks elsewhere than the host, or its coil is not safe before main.

The image's own instructions run on unicorn; timer, pins and interrupts are a model after RM0008
(host_sim/chip/stm32f1_model.py says what that shows and what not).  Register numbers: RM0008, from
memory; the filter's rate and samples as references of the HAL crates list them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from intelhex import IntelHex

from sparktick.gen.toolchain import BuildResult, build
from sparktick.host_sim import train as motions
from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.chip.stm32f1_model import (
    CCMR2,
    FLASH,
    GPIO_B,
    IWDG,
    PSC,
    RAM,
    RAM_BYTES,
    SYSTICK_VECTOR,
    TIM4,
    TIM4_VECTOR,
    Stm32Model,
)
from sparktick.host_sim.differential import cases
from sparktick.host_sim.differential import judge as compared
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.measure import measure
from sparktick.host_sim.run import Run, Train
from sparktick.host_sim.verdict import judge
from tests.templates_c.variants import LOGIC, make_firmware

pytestmark = [
    pytest.mark.emulator,
    pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi"),
    pytest.mark.needs_system("unicorn", "pip install unicorn==2.1.4", module="unicorn"),
]
F_CPU_HZ = 72_000_000
NEAR_TICKS = 8  # ST_NEAR_TICKS of the port
APART_TICKS = 2.0  # 0.8 us; where a charge is begun at once the host counts from another tick
READY_S = 5e-3
CASES = ["start-run", "stop", "noise", "lost-pulses", "stuck-line", "false-pulses"]


@dataclass(frozen=True)
class Firmware:
    manifest: Manifest
    image: BuildResult

    def chip(self) -> Stm32Model:
        return Stm32Model(self.image.elf, active_low=True)

    def run(self, train: Train) -> Run:
        chip = self.chip()
        chip.boot()
        chip.log = False
        chip.drive(train.edge_s, train.active, train.end_s)
        coil = np.array(chip.coil, dtype=float).reshape(-1, 2)
        on = coil[:, 1].astype(np.uint8)
        zeros = np.zeros(len(on), np.uint8)
        tick_hz = self.manifest.tick_hz
        return Run("unicorn 2.1.4", tick_hz, 0.0, coil[:, 0] / F_CPU_HZ, on, zeros)

    def host(self, train: Train) -> Run:
        hardware = Hardware.of(self.manifest, ideal=True, near_ticks=NEAR_TICKS)
        return run_train(load(self.manifest.folder), hardware, train)


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Firmware:
    """Return an engine for 30 000 rpm, its sensor fed from the battery, built."""
    changes = {
        "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 75.0",
        "arc_deg = 34.0": "arc_deg = 40.0",
        'active = "low"': 'active = "low"\nsensor_supply = "battery"',
        'name = "nano-328p"': 'name = "pill-103c8"\n\n[noise]\nblank_after_on_us = 40.0',
        **LOGIC,
    }
    speeds = {"top_rpm": 30000.0, "limit_rpm": 30400.0, "resume_rpm": 30200.0}
    place = tmp_path_factory.mktemp("stm32f103") / "fast"
    manifest = make_firmware(place, changes, spacing_deg=360.0, **speeds)
    return Firmware(manifest, build(manifest.folder))


@pytest.mark.parametrize("rpm", [2000.0, 6000.0, 20000.0, 29000.0, 30000.0])
def test_the_steady_bar_holds_up_to_30000_rpm(firmware: Firmware, rpm: float) -> None:
    """At 30 000 rpm every second heartbeat falls in the same place of the charge."""
    motion = motions.profile(
        [0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=-75.0 - (360.0 - 42.0)
    )
    train = motions.pickup_train(motion, firmware.manifest, READY_S + 0.3)
    run = firmware.run(train)
    measured = measure(run, train, firmware.manifest)
    verdict = judge(measured, run, train, firmware.manifest)
    assert verdict.passed, verdict.failures
    assert len(measured.spark_s) > (5 if rpm < 3000.0 else 25)
    host = firmware.host(train)
    assert run.coil_on.tolist() == host.coil_on.tolist()
    apart = np.abs(run.coil_s - host.coil_s) * firmware.manifest.tick_hz
    assert apart.max() < 1.0 + 1e-6
    assert np.count_nonzero(apart > 1e-6) <= 1  # the first charge, begun at once


@pytest.mark.parametrize("name", CASES)
def test_faults_end_as_on_the_host(firmware: Firmware, name: str) -> None:
    (case,) = [case for case in cases(firmware.manifest, pulses=30) if case.name == name]
    result = compared(case, firmware.host(case.train), firmware.run(case.train))
    assert result.host_sparks == result.chip_sparks > 8
    assert result.most_ticks <= APART_TICKS + 1e-6


def test_the_coil_is_driven_to_off_before_anything_else(firmware: Firmware) -> None:
    """RM0008 9.2: BSRR's upper half clears; four bits a pin, 2 = output of 2 MHz, 10 = timer's."""
    chip = firmware.chip()
    chip.boot()
    clock, level, mode = chip.writes[:3]
    assert clock[0] == 0x40021018 and clock[1] & 0b1101 == 0b1101  # ports A, B and pin functions
    assert level == (GPIO_B + 0x10, 1 << (8 + 16))
    assert mode == (GPIO_B + 4, 0x44444442)
    assert chip.coil == []


def test_watchdog_and_timer_hold_the_data_sheet_s_numbers(firmware: Firmware) -> None:
    """IWDG: 4 x (reload + 1) clocks of 40 kHz; TIM4: CKD = / 2, IC1F = 4: 6 samples at 18 MHz."""
    chip = firmware.chip()
    chip.boot()
    keys = [value for address, value in chip.writes if address == IWDG]
    assert keys[:2] == [0xCCCC, 0x5555]
    seen = dict(chip.writes)
    assert 4 * (seen[IWDG + 8] + 1) / 40e3 == pytest.approx(16e-3)
    assert seen[IWDG + 4] == 0
    assert seen[TIM4 + PSC] == F_CPU_HZ / firmware.manifest.tick_hz - 1
    assert seen[TIM4] == 0x105
    assert seen[TIM4 + 0x18] == 0x41
    assert seen[TIM4 + CCMR2] & 0x70 == 0x40  # coil forced off, no preload
    assert seen[TIM4 + CCMR2] & 0x08 == 0
    samples, rate_hz = 6, F_CPU_HZ / 2 / 2
    assert samples / rate_hz * F_CPU_HZ == firmware.manifest.capture_filter_cycles


def test_every_other_vector_and_free_flash_lead_to_a_reset(firmware: Firmware) -> None:
    """PM0056 2.3.4: 16 words of exceptions; RM0008 table 63: 43 interrupts.  0xE7FE is "b ."."""
    image = IntelHex(str(firmware.image.hex))
    words = np.frombuffer(image.tobinstr(start=FLASH, size=4 * 59), "<u4")
    symbols = firmware.chip().symbols
    assert words[0] == RAM + RAM_BYTES
    assert words[1] == symbols["st_reset"] | 1
    used = (0, 1, SYSTICK_VECTOR, TIM4_VECTOR)
    assert set(np.delete(words, used)) == {symbols["st_port_halt"] | 1}
    assert image.maxaddr() == FLASH + 0xFFFF
    free = np.frombuffer(image.tobinstr(start=FLASH + 0xC000, size=0x4000), "<u2")
    assert set(free) == {0xE7FE}


def test_the_guard_ends_a_charge_that_nothing_else_ends(firmware: Firmware) -> None:
    """The main loop does not run here, nor any event: only heartbeats."""
    chip = firmware.chip()
    chip.boot()
    chip.output = 1
    chip.registers[TIM4 + CCMR2] = 0
    beats = 0
    while chip.pin() == 1:
        chip._handler(SYSTICK_VECTOR)
        beats += 1
        assert beats < 100
    hard_limit_ms = firmware.manifest.hard_limit_us * 1e-3
    assert hard_limit_ms < beats < hard_limit_ms + 4.0
