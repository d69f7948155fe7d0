"""If this fails: an STM32F103 sparks elsewhere than asked, or its coil may stay on.

The image's own instructions run on unicorn; timer, pins and interrupts are a model after RM0008
(host_sim/chip/backends.py says what that shows and what not; tests/host_sim/chip/test_stm32f1.py
holds the model against the manual's numbers).  Register numbers: RM0008, from memory; the filter's
rate and samples as references of the HAL crates list them.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from elftools.elf.elffile import ELFFile
from intelhex import IntelHex

from sparktick.gen.board import load_board
from sparktick.gen.toolchain import build
from sparktick.host_sim import train as motions
from sparktick.host_sim.chip import ChipRun, Peek, Reset, ResetKind, Upset, UpsetSpace, run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.emulate import run_scenario
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.run import Train
from sparktick.host_sim.simulate import Scenario
from sparktick.host_sim.upset import run_campaign
from sparktick.host_sim.upset_cases import Campaign
from tests.templates_c.variants import LOGIC, make_firmware

pytestmark = [
    pytest.mark.emulator,
    pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi"),
    pytest.mark.needs_system("unicorn", "pip install unicorn==2.1.4", module="unicorn"),
]
F_CPU_HZ = 72_000_000
FLASH, RAM, RAM_BYTES = 0x08000000, 0x20000000, 20 * 1024
TIM4, GPIO_B, IWDG = 0x40000800, 0x40010C00, 0x40003000
SYSTICK_VECTOR, TIM4_VECTOR = 15, 16 + 30
READY_S = 5e-3
LSI_HZ = 40e3  # data sheet: 30 to 60 kHz, 40 typical; from memory
BATTERY_FED = {
    "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 75.0",
    "arc_deg = 34.0": "arc_deg = 40.0",
    'active = "low"': 'active = "low"\nsensor_supply = "battery"',
    'name = "nano-328p"': 'name = "pill-103c8"\n\n[noise]\nblank_after_on_us = 40.0',
}
SPEEDS = {"top_rpm": 30000.0, "limit_rpm": 30400.0, "resume_rpm": 30200.0}


def firmware_in(folder: Path) -> Manifest:
    """Return an engine for 30 000 rpm, its sensor fed from the battery; not built."""
    return make_firmware(folder, {**BATTERY_FED, **LOGIC}, spacing_deg=360.0, **SPEEDS)


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    manifest = firmware_in(tmp_path_factory.mktemp("stm32f103") / "fast")
    build(manifest.folder)
    return manifest


def edited(folder: Path, *changes: tuple[str, str, str]) -> Manifest:
    """Return the same with pieces of its C replaced (file, old, new), built."""
    manifest = firmware_in(folder)
    for name, old, new in changes:
        path = manifest.folder / "src" / name
        text = path.read_text()
        assert text.count(old) == 1, old
        path.write_text(text.replace(old, new))
    build(manifest.folder)
    return manifest


def turning(manifest: Manifest, rpm: float, end_s: float) -> Train:
    motion = motions.profile(
        [0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=-75.0 - (360.0 - 42.0)
    )
    return motions.pickup_train(motion, manifest, end_s)


def run(manifest: Manifest, rpm: float, end_s: float, **settings: object) -> ChipRun:
    return run_chip(chip_job(manifest, turning(manifest, rpm, end_s), **settings), "unicorn")


def on_times_s(done: ChipRun) -> np.ndarray:
    changes = done.coil_s[: len(done.coil_s) // 2 * 2].reshape(-1, 2)
    return changes[:, 1] - changes[:, 0]


# Pin functions and memories: data sheet of the STM32F103x8, from memory.
FUNCTIONS = {
    "TIM4_CH1": "PB6",
    "TIM4_CH3": "PB8",
    "IN1": "PA1",
    "USART1_TX": "PA9",
    "USART1_RX": "PA10",
}
DEBUG_PORT = {"PA13", "PA14", "PA15", "PB3", "PB4"}
FIVE_VOLTS = {"PB6", "PB11"}  # inputs marked FT: a sensor fed with 5 V does not harm them


def test_the_board_names_pins_that_do_what_is_asked() -> None:
    board = load_board("pill-103c8")
    pins = board.pins.named()
    for use, pin in pins.items():
        if pin.function != "GPIO":
            assert FUNCTIONS[pin.function] == pin.chip_name, use
        assert pin.printed == f"{pin.port}{pin.bit}"
        assert pin.chip_name not in DEBUG_PORT
    assert {pins["pickup"].chip_name, pins["phase"].chip_name} <= FIVE_VOLTS
    assert (board.flash_bytes, board.ram_bytes) == (64 * 1024, 20 * 1024)
    slowest_s, fastest_s = 4 * 160 / 30e3, 4 * 160 / 60e3
    assert board.watchdog.longest_us * 1e-6 >= slowest_s
    assert board.watchdog.period_us * 1e-6 == pytest.approx(4 * 160 / LSI_HZ)
    assert fastest_s > 2 * 4e-3, "more than twice what a pass with all handlers may take"


@pytest.mark.parametrize("rpm", [2000.0, 6000.0, 20000.0, 29000.0, 30000.0])
def test_the_steady_bar_holds_up_to_30000_rpm(firmware: Manifest, rpm: float) -> None:
    """At 30 000 rpm every second heartbeat falls in the same place of the charge."""
    train = turning(firmware, rpm, READY_S + 0.3)
    scenario = Scenario(f"steady-{rpm:.0f}", "fast", train.motion, train.end_s)
    result = run_scenario(firmware, scenario, "unicorn")
    assert result.verdict.passed, result.verdict.failures
    assert len(result.measurement.spark_s) > (5 if rpm < 3000.0 else 25)
    assert result.run.counters["resets_watchdog"] == 0


@pytest.mark.parametrize("late_us", range(-40, 60, 10))
def test_no_spark_is_lost_where_the_charge_begins_beside_the_edge(
    firmware: Manifest, late_us: int
) -> None:
    """A match may fall between taking an order back and looking whether it came about."""
    curve_rpm, curve_deg = zip(*firmware.curve, strict=True)
    rpm = np.linspace(2000.0, 30000.0, 20000)
    delay_s = (75.0 - np.interp(rpm, curve_rpm, curve_deg)) / (6.0 * rpm)
    off_s = np.abs(delay_s - firmware.dwell_us * 1e-6 - late_us * 1e-6)
    at_rpm = float(rpm[np.argmin(off_s)])
    done = run(firmware, at_rpm, READY_S + 40 * 60.0 / at_rpm)
    sparks_s = done.coil_s[done.coil_on == 0]
    assert len(sparks_s) >= 36
    assert np.ptp(np.diff(sparks_s)[1:]) < 2e-6
    assert np.abs(on_times_s(done)[2:] * 1e6 - firmware.dwell_us).max() < 14.0


def test_handlers_fit_many_times_into_the_shortest_turn(firmware: Manifest) -> None:
    """Clocks are estimates (DDI 0337's table, wait states): half the turn is left at the least."""
    done = run(firmware, 30000.0, 0.3)
    per_turn = sum(
        done.counters[f"{name}_count"] * done.facts[f"{name}_cycles_mean"]
        for name in ("TIM4", "SYSTICK")
    ) / (0.3 * 500.0)
    assert per_turn < 0.5 * F_CPU_HZ / 500.0
    assert done.facts["TIM4_cycles_max"] < 3000


def test_an_active_low_driver_is_never_on_while_the_chip_starts(tmp_path: Path) -> None:
    """The level is set before the direction; a floating pin counts as off (pull-up at the gate)."""
    manifest = edited(tmp_path / "low", ("config.h", "COIL_ON_HIGH 1", "COIL_ON_HIGH 0"))
    made = chip_job(manifest, turning(manifest, 6000.0, 0.1))
    made = replace(made, coils=(replace(made.coils[0], on_level=0),))
    done = run_chip(made, "unicorn")
    assert done.facts["outputs_safe_s"] < 10e-6
    assert len(done.coil_s) > 10
    assert done.coil_s[0] > READY_S
    assert on_times_s(done).max() < 2e-3


def test_registers_hold_the_data_sheet_s_numbers(firmware: Manifest) -> None:
    """IWDG: 4 x (reload + 1) clocks of 40 kHz; TIM4: CKD = / 2, IC1F = 4: 6 samples at 18 MHz."""
    places = {
        "cr1": TIM4,
        "smcr": TIM4 + 0x08,
        "ccmr1": TIM4 + 0x18,
        "ccmr2": TIM4 + 0x1C,
        "psc": TIM4 + 0x28,
        "arr": TIM4 + 0x2C,
        "crl": GPIO_B,
        "crh": GPIO_B + 4,
        "pr": IWDG + 4,
        "rlr": IWDG + 8,
        "flash": 0x40022000,
        "cfgr": 0x40021004,
        "rvr": 0xE000E014,
        "iser0": 0xE000E100,
        "ipr7": 0xE000E41C,
        "shpr3": 0xE000ED20,
    }
    peeks = tuple(Peek(name, address, 4) for name, address in places.items())
    seen = run(firmware, 2000.0, 0.02, peeks=peeks).counters
    assert 4 * (seen["rlr"] + 1) / LSI_HZ == pytest.approx(16e-3)
    assert seen["pr"] == 0
    assert seen["psc"] == F_CPU_HZ / firmware.tick_hz - 1
    assert (seen["cr1"], seen["smcr"], seen["arr"]) == (0x105, 0, 0xFFFF)
    assert seen["ccmr1"] == 0x41
    assert seen["ccmr2"] & 0x08 == 0, "no preload: a compare value acts at once"
    samples, rate_hz = 6, F_CPU_HZ / 2 / 2
    assert samples / rate_hz * F_CPU_HZ == firmware.capture_filter_cycles
    assert firmware.capture_sample_cycles == F_CPU_HZ / rate_hz
    # Ports: 10 = output of the timer, 2 MHz; 8 = input with pull; 2 = output, 2 MHz.
    assert seen["crh"] & 0xF == 0xA
    assert seen["crl"] >> 24 & 0xF == 0x8
    assert seen["crh"] >> 4 & 0xF == 0x2
    assert seen["flash"] & 7 == 2, "wait states above 48 MHz"
    assert seen["cfgr"] >> 14 & 3 == 2, "converter at 12 MHz, 14 at most"
    assert seen["shpr3"] >> 24 < seen["ipr7"] >> 16 & 0xFF, "the guard preempts the events"
    assert seen["iser0"] == 1 << 30
    assert seen["rvr"] + 1 == F_CPU_HZ / 1000


def test_every_other_vector_and_free_flash_lead_to_a_reset(firmware: Manifest) -> None:
    """PM0056 2.3.4: 16 words of exceptions; RM0008 table 63: 43 interrupts.  0xE7FE is "b ."."""
    image = IntelHex(str(firmware.folder / "build" / "firmware.hex"))
    words = np.frombuffer(image.tobinstr(start=FLASH, size=4 * 59), "<u4")
    with (firmware.folder / "build" / "firmware.elf").open("rb") as stream:
        table = ELFFile(stream).get_section_by_name(".symtab")
        symbols = {s.name: s["st_value"] for s in table.iter_symbols()}
    assert words[0] == RAM + RAM_BYTES
    assert words[1] == symbols["st_reset"] | 1
    used = (0, 1, SYSTICK_VECTOR, TIM4_VECTOR)
    assert set(np.delete(words, used)) == {symbols["st_port_halt"] | 1}
    assert image.maxaddr() == FLASH + 0xFFFF
    free = np.frombuffer(image.tobinstr(start=FLASH + 0xC000, size=0x4000), "<u2")
    assert set(free) == {0xE7FE}


HANG = ("st_main.c", "    st_poll();\n", "    st_poll();\n    HANG\n")
NO_WATCHDOG = ("st_port_board.c", "    IWDG_KR = 0xCCCCU;\n", "")
NEVER_OFF = ("st_port.c", "? ST_DO_ON : ST_DO_OFF", "? ST_DO_ON : ST_DO_NOTHING")


def hang(condition: str) -> tuple[str, str, str]:
    name, old, new = HANG
    return name, old, new.replace("HANG", f"if ({condition}) {{ for (;;) {{ }} }}")


def test_the_guard_ends_a_charge_that_nothing_else_ends(tmp_path: Path) -> None:
    """Main loop stuck, timer never switches off, no watchdog: only heartbeats are left."""
    stuck = edited(tmp_path / "stuck", hang("st_the_core.coil_on"), NO_WATCHDOG, NEVER_OFF)
    done = run(stuck, 6000.0, 0.1)
    longest_ms = 1e3 * on_times_s(done).max()
    hard_limit_ms = stuck.hard_limit_us * 1e-3
    assert hard_limit_ms < longest_ms < hard_limit_ms + 4.0
    assert len(done.coil_s) == 2, "and the pin stays off"


def test_the_watchdog_ends_a_hang(tmp_path: Path) -> None:
    """Hung for good 30 ms after each reset: ended one period after the last feeding."""
    hung = edited(tmp_path / "hung", hang("st_port_now() > ST_CFG_TICK_HZ / 32U"))
    done = run(hung, 6000.0, 0.3)
    assert set(done.reset_kind.tolist()) == {ResetKind.WATCHDOG}
    apart_s = np.diff(done.reset_s)
    fed_at_most_s = 1e-3  # a beat before the hang
    start_s = 2.3e-3  # crystal and PLL, as the model has them; the tick counter begins after
    least = 1 / 32 + start_s - fed_at_most_s + stuck_period_s()
    assert apart_s == pytest.approx(least, abs=2e-3)
    assert done.facts["reset_safe_s"] < 10e-6


def stuck_period_s() -> float:
    return 4 * 160 / LSI_HZ


def test_a_reset_while_charging_is_safe_and_resumes_warm(firmware: Manifest) -> None:
    plain = run(firmware, 6000.0, 0.3)
    charges = plain.coil_s[plain.coil_on == 1]
    at_s = float(charges[charges > 0.15][0]) + 0.6e-3
    for kind, resets, warm in ((ResetKind.EXTERNAL, 1, 1), (ResetKind.POWER_ON, 0, 0)):
        done = run(firmware, 6000.0, 0.8, resets=(Reset(at_s, kind),))
        off = done.coil_s[(done.coil_s >= at_s) & (done.coil_on == 0)][0]
        assert off - at_s < 1e-6
        assert done.facts["reset_safe_s"] < 10e-6
        told = done.serial.decode().splitlines()[-2].partition("*")[0].split(",")
        assert [int(word, 16) for word in told[-2:]] == [resets, warm], told


def test_upsets_never_end_the_ignition(firmware: Manifest) -> None:
    """Bits of RAM, core, registers and program counter, short brown-outs; none may be for good."""
    result = run_campaign(Campaign(firmware, upsets=120, speeds_rpm=(9000.0,)), jobs=2)
    assert result.passed, result.failures
    assert result.total["none"] > 60
    assert result.total["reset"] > 10


def test_the_main_loop_within_a_handler_ends_in_a_reset(tmp_path: Path) -> None:
    """A program counter thrown from a handler into the loop: it would feed the watchdog on."""
    thrown = ("st_port.c", "void st_tim4(void)\n{\n", "void st_tim4(void)\n{\n    (void)main();\n")
    declared = ("st_port.c", "void st_tim4(void)\n", "int main(void);\nvoid st_tim4(void)\n")
    done = run(edited(tmp_path / "thrown", thrown, declared), 6000.0, 1.2)
    assert done.counters["resets_watchdog"] >= 2


def test_clocks_pins_and_watchdog_are_set_again(firmware: Manifest) -> None:
    """Every register that timing rests on is as before within a pass, the watchdog's at a beat."""
    places = {
        "cfgr": (0x40021005, 0),
        "apb2enr": (0x40021018, 3),
        "apb1enr": (0x4002101C, 2),
        "mapr": (0x40010005, 4),
        "acr": (0x40022000, 1),
        "crh": (GPIO_B + 4, 3),
        "rvr": (0xE000E016, 0),
        "vtor": (0xE000ED09, 2),
        "aircr": (0xE000ED0D, 2),
        "shpr3": (0xE000ED23, 7),
        "ipr7": (0xE000E41E, 6),
        "iser0": (0xE000E103, 6),
        "rlr": (IWDG + 8, 7),
        "pr": (IWDG + 4, 1),
        "psc": (TIM4 + 0x28, 2),
    }
    peeks = tuple(Peek(name, at & ~3, 4) for name, (at, _) in places.items())
    flips = tuple(Upset(0.05, UpsetSpace.DATA, at, bit) for at, bit in places.values())
    plain, upset = (run(firmware, 6000.0, 0.056, peeks=peeks, upsets=u) for u in ((), flips))
    assert upset.counters["resets_watchdog"] == 0
    assert {n: upset.counters[n] for n in places} == {n: plain.counters[n] for n in places}


def test_a_wrong_prescaler_in_force_ends_in_a_reset(firmware: Manifest) -> None:
    """It is written again at once, but taken over at the next overflow, a quarter second on."""
    flips = (
        Upset(0.1, UpsetSpace.DATA, TIM4 + 0x29, 0),
        Upset(0.1, UpsetSpace.DATA, TIM4 + 0x14, 0),
    )
    done = run(firmware, 6000.0, 0.3, upsets=flips)
    assert done.counters["resets_watchdog"] == 1
    assert done.reset_s[0] < 0.1 + (2 * 4 + 16 + 2) * 1e-3
    assert np.count_nonzero(done.coil_s > 0.2) > 15
