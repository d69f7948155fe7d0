"""If this fails: on an ATmega4809 or ATtiny160x a coil can stay on, or a spark come elsewhere.

Only one emulator knows these chips (host_sim/chip/README.md says what was added to it).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sparktick.gen import toolchain
from sparktick.gen.board import load_board
from sparktick.host_sim import train as motions
from sparktick.host_sim.chip import ChipRun, Peek, run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.emulate import run_scenario
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.restart import brown_out
from sparktick.host_sim.simulate import Scenario
from sparktick.host_sim.train import pickup_train, steady

from .test_fastest import MAGNET, READY_S
from .variants import LOGIC, make_firmware

pytestmark = [
    pytest.mark.emulator,
    pytest.mark.avr,
    pytest.mark.needs_system("yasimavr", "python tools/install_yasimavr.py", module="yasimavr"),
]
EMULATOR = "yasimavr"
RPM = 6000.0
WINDOW_S = 8 / 1024  # closed half of the watchdog, 8 clocks of 1.024 kHz
BEAT_S = 32 / 32768
# Register: address on the ATmega4809, on the ATtiny160x; avr-libc iom4809.h, iotn1604.h.
REGISTERS = {
    "WDT.CTRLA": (0x100, 0x100),
    "WDT.STATUS": (0x101, 0x101),
    "CLKCTRL.MCLKCTRLB": (0x61, 0x61),
    "CLKCTRL.MCLKLOCK": (0x62, 0x62),
    "TCA0.CTRLA": (0xA00, 0xA00),
    "TCA0.CTRLB": (0xA01, 0xA01),
    "TCB0.CTRLA": (0xA80, 0xA40),
    "TCB0.CTRLB": (0xA81, 0xA41),
    "RTC.PITCTRLA": (0x150, 0x150),
    "CCL.CTRLA": (0x1C0, 0x1C0),
}


def on_board(board: str) -> dict[str, str]:
    return {'name = "nano-328p"': f'name = "{board}"'}


@pytest.fixture(scope="module", params=["nano-4809", "tiny-1604"])
def firmware(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """Return the Plover's folder for one board of each kind, built."""
    place = tmp_path_factory.mktemp("timer-b") / "plover"
    manifest = make_firmware(place, on_board(request.param))
    toolchain.build(manifest.folder)
    return manifest


def spun(manifest: Manifest, end_s: float = 0.3, **settings: object) -> ChipRun:
    train = pickup_train(steady(RPM, angle_deg=-400.0), manifest, end_s)
    return run_chip(chip_job(manifest, train, serial=False, **settings), EMULATOR)


def on_times_s(run: ChipRun) -> np.ndarray:
    off_s, on_s = run.coil_s[run.coil_on == 0], run.coil_s[run.coil_on == 1]
    return off_s - on_s[: len(off_s)]


def changed(manifest: Manifest, folder: Path, file: str, old: str, new: str) -> Manifest:
    """Return a copy of a folder with its C broken on purpose, built."""
    copy = make_firmware(folder / "broken", on_board(str(manifest.raw["board"])))
    source = copy.folder / "src" / file
    text = source.read_text()
    assert text.count(old) == 1
    source.write_text(text.replace(old, new))
    toolchain.build(copy.folder)
    return copy


def test_registers_hold_what_the_data_sheets_ask_for(firmware: Manifest) -> None:
    """Values by the names of avr-libc's headers; the watchdog's and the clock's are locked."""
    column = 0 if firmware.raw["mcu"] == "atmega4809" else 1
    peeks = tuple(Peek(name, places[column], 1) for name, places in REGISTERS.items())
    held = spun(firmware, 0.05, peeks=peeks).counters
    assert held["WDT.CTRLA"] == 1 << 4 | 1, "WINDOW 8CLK, PERIOD 8CLK"
    assert held["WDT.STATUS"] & 0x80, "LOCK"
    assert (held["CLKCTRL.MCLKCTRLB"], held["CLKCTRL.MCLKLOCK"]) == (0, 1)
    assert held["TCA0.CTRLA"] == 3 << 1 | 1, "CLKSEL DIV8, ENABLE"
    assert held["TCA0.CTRLB"] == 0, "NORMAL, no outputs"
    assert held["TCB0.CTRLA"] == 1, "CLKDIV1, ENABLE"
    assert held["TCB0.CTRLB"] == 2, "CNTMODE CAPT"
    assert held["RTC.PITCTRLA"] == 4 << 3 | 1, "PERIOD CYC32, PITEN"
    assert held["CCL.CTRLA"] == 1


def test_outputs_are_safe_before_main(firmware: Manifest) -> None:
    facts = spun(firmware, 0.02).facts
    # From reset; the chip then runs at a sixth of its clock.
    assert facts["outputs_safe_s"] < 5e-6
    assert facts["outputs_safe_s"] < 0.1 * facts["boot_s"]


def test_the_window_is_met_at_every_speed(firmware: Manifest) -> None:
    for rpm in (500.0, 3000.0, 8400.0):
        train = pickup_train(steady(rpm, angle_deg=-400.0), firmware, 0.4)
        run = run_chip(chip_job(firmware, train), EMULATOR)
        assert run.counters["resets_watchdog"] == 0, rpm


# Instants over one turn.
@pytest.mark.parametrize("part", [0.05, 0.3, 0.55, 0.8])
def test_brown_out_at_speed_is_followed_by_true_sparks(firmware: Manifest, part: float) -> None:
    found = brown_out(firmware, RPM, part, EMULATOR)
    assert found.safe_s < 20e-6
    assert len(found.error_deg) >= 3
    assert np.all(np.abs(found.error_deg) <= 1.0)
    assert found.missed == 0
    assert found.first_spark_pulse in (2, 3), "timing must resume warm, not from standstill"


def test_a_chip_that_hangs_with_the_coil_on_is_reset_by_the_watchdog(
    firmware: Manifest, tmp_path: Path
) -> None:
    """Where the charge has begun and its end is not armed yet; later, the timer ends it."""
    hang = (
        "    static uint8_t st_served;\n"
        "    st_core *const core = &st_the_core;\n"
        "    if ((vector == ST_VECTOR_COIL) && st_coil_is_on() && (++st_served == 20U)) {\n"
        "        cli();\n"
        "        for (;;) {\n"
        "        }\n"
        "    }\n"
        "    if (vector == ST_VECTOR_CAPTURE) {"
    )
    old = "    st_core *const core = &st_the_core;\n    if (vector == ST_VECTOR_CAPTURE) {"
    broken = changed(firmware, tmp_path, "st_port_avr.h", old, hang)
    run = spun(broken)
    assert run.counters["resets_watchdog"] >= 1
    assert run.facts["reset_safe_s"] < 20e-6
    longest_s = float(on_times_s(run).max())
    assert 0.005 < longest_s <= firmware.dwell_us * 1e-6 + 2 * WINDOW_S + 50e-6
    plan_s = (firmware.hard_limit_us + firmware.raw["watchdog_longest_us"]) * 1e-6
    assert longest_s <= plan_s, "what the circuit is checked for"


def test_the_guard_ends_a_charge_that_nobody_ends(firmware: Manifest, tmp_path: Path) -> None:
    """From the twentieth on no charge is ended by the timer, and the core is not told."""
    lost = (
        "    static uint8_t st_ends;\n"
        "    if ((st_coil_pending == (uint8_t)ST_COIL_OFF_AT) && (st_ends < 20U)) {\n"
        "        st_ends++;\n"
        "    }\n"
        "    if (st_ends == 20U) {\n"
        "        return;\n"
        "    }\n"
        "    ST_TCA.CMP0 ="
    )
    broken = changed(firmware, tmp_path, "st_port.c", "    ST_TCA.CMP0 =", lost)
    config = (firmware.folder / "src" / "config.h").read_text()
    beats = int(config.split("ST_CFG_GUARD_BEATS ")[1].split("U")[0]) * 5 // 4 + 1
    run = spun(broken)
    longest_s = float(on_times_s(run).max())
    assert run.counters["resets_watchdog"] == 0
    assert longest_s > firmware.hard_limit_us * 1e-6
    assert longest_s <= (beats + 2) * BEAT_S


def test_the_steady_bar_holds_up_to_20000_rpm(tmp_path: Path) -> None:
    top_rpm = 20000.0
    manifest = make_firmware(
        tmp_path / "fast",
        {**MAGNET, **LOGIC, **on_board("nano-4809")},
        top_rpm=top_rpm,
        limit_rpm=top_rpm * 1.02,
        resume_rpm=top_rpm * 1.01,
    )
    toolchain.build(manifest.folder)
    for rpm in (0.3 * top_rpm, top_rpm):
        at_deg = -70.0 - (360.0 - 38.0)  # the crank rests behind the magnet while the chip starts
        motion = motions.profile([0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=at_deg)
        scenario = Scenario(f"steady-{rpm:.0f}", "fast", motion, READY_S + 0.3)
        result = run_scenario(manifest, scenario, EMULATOR)
        assert len(result.measurement.spark_s) > 25
        assert result.verdict.passed, (rpm, result.verdict.failures)


def test_what_is_no_longer_than_the_canceller_is_not_seen(firmware: Manifest) -> None:
    """Four equal samples (Microchip's description of TCB 21.3.3.3): three clocks leave no trace."""
    clock_s = 1.0 / load_board(str(firmware.raw["board"])).f_cpu_hz
    still = pickup_train(steady(1.0, angle_deg=100.0), firmware, 0.05)
    at_s = 0.02 + np.arange(50) * 311.3e-6
    for clocks, seen in ((2.9, 0), (5.1, 1)):
        edge_s = np.sort(np.concatenate([at_s, at_s + clocks * clock_s]))
        active = np.tile([1, 0], len(at_s)).astype(np.uint8)
        noisy = motions.Train(edge_s, active, np.ones(len(edge_s), np.uint8), 0.05, still.motion)
        run = run_chip(chip_job(firmware, noisy, serial=False), EMULATOR)
        assert (run.counters["captures"] > 0) == bool(seen)
