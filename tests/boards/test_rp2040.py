"""If this fails: an RP2040 sparks elsewhere than the host, or its coil is not safe.

The image runs on sparktick's own model of the chip (host_sim/chip/rp2040_*.c; what it shows and
what not stands in host_sim/chip/backends.py).  Register numbers: RP2040 data sheet, from memory.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping
from pathlib import Path

import adafruit_uf2.uf2conv as uf2
import numpy as np
import pytest
from click.testing import CliRunner
from elftools.elf.elffile import ELFFile
from intelhex import IntelHex

from sparktick.examples.fitting import engine_for
from sparktick.gen.cli import cli
from sparktick.gen.errors import RunError
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim import train as motions
from sparktick.host_sim.bench import CoilNoise, Hardware, run_train
from sparktick.host_sim.chip import ChipRun, Reset, ResetKind, Upset, UpsetSpace, run_chip
from sparktick.host_sim.chip.base import AnalogueInput, Peek
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.emulate import run_scenario
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.measure import compare_runs
from sparktick.host_sim.run import Train
from sparktick.host_sim.simulate import Scenario, steady_scenario
from tests.templates_c.variants import LOGIC, make_firmware

pytestmark = [
    pytest.mark.emulator,
    pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi"),
]
BOARD = 'name = "pico-rp2040"\n\n[noise]\nblank_after_on_us = 40.0'
FAST = {
    "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 75.0",
    "arc_deg = 34.0": "arc_deg = 40.0",
    'active = "low"': 'active = "low"\nsensor_supply = "battery"',
    'name = "nano-328p"': BOARD,
    **LOGIC,
}
SPEEDS = {"top_rpm": 30000.0, "limit_rpm": 30400.0, "resume_rpm": 30200.0}
READY_S = 20e-3  # the chip copies its program from serial flash first
TWINS = {
    'name = "nano-328p"': 'name = "pico-rp2040"',
    "divider_top_ohm = 27000": "divider_top_ohm = 39000",
    "[driver]": "[driver]\ngate_volts_min = 3.0",
    'active = "low"': 'active = "low"\nsensor_supply = "battery"',
}
LOSES_OFF = {
    "st_port_pio.c": (
        "    PIO_TXF(sm) = ~(2U * at);",
        "    if (sm != ST_SM_OFF) {\n        PIO_TXF(sm) = ~(2U * at);\n    }",
    )
}
FLASH, RAM = 0x10000000, 0x20000000


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """Return an engine for 30 000 rpm, its sensor fed from the battery, built."""
    place = tmp_path_factory.mktemp("rp2040") / "fast"
    manifest = make_firmware(place, FAST, spacing_deg=360.0, **SPEEDS)
    build(manifest.folder)
    return read_manifest(manifest.folder)


def edited(firmware: Manifest, folder: Path, changes: Mapping[str, tuple[str, str]]) -> Manifest:
    """Build a copy of the firmware with a piece of a source file replaced."""
    shutil.copytree(firmware.folder, folder)
    for name, (old, new) in changes.items():
        path = folder / "src" / name
        text = path.read_text()
        assert text.count(old) == 1, (name, old)
        path.write_text(text.replace(old, new))
    build(folder)
    return read_manifest(folder)


def turning(manifest: Manifest, rpm: float, last_s: float = 0.3) -> Train:
    motion = motions.profile(
        [0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=-75.0 - (360.0 - 42.0)
    )
    return motions.pickup_train(motion, manifest, READY_S + last_s)


def on_chip(manifest: Manifest, train: Train) -> ChipRun:
    run = run_chip(chip_job(manifest, train), "rp2040")
    assert (run.counters["bad_opcodes"], run.counters["bad_addresses"]) == (0, 0)
    return run


def charges_s(run: ChipRun) -> np.ndarray:
    """Return how long each charge that ended lasted."""
    pairs = run.coil_s[: len(run.coil_s) // 2 * 2].reshape(-1, 2)
    return pairs[:, 1] - pairs[:, 0]


def symbols(elf: ELFFile) -> dict[str, int]:
    table = elf.get_section_by_name(".symtab")
    return {symbol.name: int(symbol["st_value"]) for symbol in table.iter_symbols()}


def content(firmware: Manifest) -> bytes:
    image = IntelHex(str(firmware.folder / "build" / "firmware.hex"))
    return bytes(image.tobinstr(start=FLASH, end=image.maxaddr()))


@pytest.mark.parametrize("rpm", [2000.0, 6000.0, 20000.0, 29000.0, 30000.0])
def test_the_steady_bar_holds_up_to_30000_rpm(firmware: Manifest, rpm: float) -> None:
    motion = motions.profile(
        [0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=-75.0 - (360.0 - 42.0)
    )
    result = run_scenario(
        firmware, Scenario(f"steady-{rpm:.0f}", "fast", motion, READY_S + 0.3), "rp2040"
    )
    assert result.verdict.passed, result.verdict.failures
    assert len(result.measurement.spark_s) > (5 if rpm < 3000.0 else 25)
    assert np.abs(result.difference.ticks).max() < 1e-6


def test_the_delay_from_pin_to_stamp_is_the_boards(firmware: Manifest) -> None:
    """At a speed at which a tick of the width shows as several at the spark: 35 to 36 clocks."""
    train = motions.pickup_train(motions.steady(743.0), firmware, 20.0)
    chip = on_chip(firmware, train)
    worst = {}
    for clocks in (34.0, 35.5, 37.0):
        hardware = Hardware.of(
            firmware,
            timer_phase_s=chip.timer_phase_s,
            start_s=chip.facts["boot_s"],
            capture_delay_cycles=clocks,
        )
        host = run_train(load(firmware.folder), hardware, train)
        worst[clocks] = float(np.abs(compare_runs(host, chip).ticks).max())
    assert worst[35.5] < 1e-6
    assert min(worst[34.0], worst[37.0]) > 1.0
    assert firmware.capture_delay_cycles == 35.5


def test_without_its_filter_the_capture_is_half_a_microsecond_earlier(
    firmware: Manifest, tmp_path: Path
) -> None:
    plain = {**FAST, BOARD: BOARD}
    plain['name = "nano-328p"'] = f"{BOARD}\ncapture_filter = false"
    manifest = make_firmware(tmp_path / "plain", plain, spacing_deg=360.0, **SPEEDS)
    build(manifest.folder)
    manifest = read_manifest(manifest.folder)
    assert manifest.capture_delay_cycles == firmware.capture_delay_cycles - 30.0
    scenario = steady_scenario(manifest, 3000.0, pulses=200)
    result = run_scenario(manifest, scenario, "rp2040")
    assert result.verdict.passed, result.verdict.failures
    assert np.abs(result.difference.ticks).max() < 1e-6


def test_two_coils_and_a_measured_supply(tmp_path: Path) -> None:
    """The divider of the description: 39 kohm over 10 kohm, 3.3 V full scale."""
    manifest = make_firmware(tmp_path / "twins", TWINS, "avocet")
    build(manifest.folder)
    manifest = read_manifest(manifest.folder)
    result = run_scenario(manifest, steady_scenario(manifest, 3000.0, pulses=100), "rp2040")
    assert result.verdict.passed, result.verdict.failures
    assert set(result.run.coil_channel) == {0, 1}
    train = motions.pickup_train(motions.steady(2000.0), manifest, 0.6)
    dwell_us = []
    for volts in (10.5, 14.4):
        supply = AnalogueInput(channel=0, volts=volts * 10.0 / 49.0, reference_v=3.3)
        run = run_chip(chip_job(manifest, train, analogue=supply), "rp2040")
        dwell_us.append(float(charges_s(run)[-1]) * 1e6)
    points = dict(manifest.raw["supply_pin"]["dwell_us"])
    wanted = [np.interp(v, list(points), list(points.values())) for v in (10.5, 14.4)]
    assert dwell_us == pytest.approx(wanted, rel=0.02)


# ---- Start-up ------------------------------------------------------------------------------------


def test_the_second_stage_is_what_the_boot_rom_wants(firmware: Manifest) -> None:
    """Data sheet 2.8.1.3: 252 bytes and their CRC-32, not reflected, not inverted.

    Counted here bit by bit; shown by the check value of the published parameters CRC-32/MPEG-2.
    """

    def crc(data: bytes) -> int:
        rest = 0xFFFFFFFF
        for byte in data:
            rest ^= byte << 24
            for _ in range(8):
                rest = rest << 1 & 0xFFFFFFFF ^ (0x04C11DB7 if rest >> 31 else 0)
        return rest

    assert crc(b"123456789") == 0x0376E6E7
    image = content(firmware)
    assert int.from_bytes(image[252:256], "little") == crc(image[:252])
    stack, entry = np.frombuffer(image[256:264], "<u4")
    assert stack == RAM + 256 * 1024
    assert FLASH < entry < FLASH + 0x400 and entry & 1


def test_a_spoilt_second_stage_is_not_started(firmware: Manifest, tmp_path: Path) -> None:
    folder = tmp_path / "spoilt"
    shutil.copytree(firmware.folder, folder)
    source = folder / "src" / "st_port_boot.S"
    source.write_text(source.read_text().replace("movs r1, #4", "movs r1, #2"))
    build(folder)
    manifest = read_manifest(folder)
    with pytest.raises(RunError, match="its sum is wrong"):
        on_chip(manifest, turning(manifest, 3000.0))


def test_nothing_but_the_start_runs_from_flash(firmware: Manifest) -> None:
    with (firmware.folder / "build" / "firmware.elf").open("rb") as stream:
        elf = ELFFile(stream)
        place = symbols(elf)
        start = elf.get_section_by_name(".start")["sh_size"]
    assert start < 0x400
    for name in ("st_pio_event", "st_timer_beat", "st_port_halt", "main"):
        found = [at for symbol, at in place.items() if symbol.split(".")[0] == name]
        assert all(RAM <= at < RAM + 0x10000 for at in found), name
    assert {place[name] >> 28 for name in ("st_reset", "st_stop")} == {1}


def test_every_other_vector_leads_to_a_halt(firmware: Manifest) -> None:
    """Exceptions 1 to 15, then 32 interrupts; the timer's (0) and the PIO's (7) are used."""
    with (firmware.folder / "build" / "firmware.elf").open("rb") as stream:
        elf = ELFFile(stream)
        place = symbols(elf)
        text = elf.get_section_by_name(".text")
        words = np.frombuffer(text.data()[: 4 * 48], "<u4")
    assert text["sh_addr"] == RAM
    halt = words[3]
    assert set(np.delete(words, [0, 1, 16, 23])) == {halt}
    assert len({int(w) for w in (words[16], words[23], halt)}) == 3
    assert words[0] == place["st_stack_top"]


def test_the_coil_is_pulled_low_and_then_driven_off(firmware: Manifest) -> None:
    run = on_chip(firmware, turning(firmware, 3000.0))
    assert run.facts["outputs_safe_s"] < 2e-3 < run.facts["boot_s"] < 12e-3
    assert run.coil_s[0] > run.facts["boot_s"]
    assert run.facts["stack_bytes"] < 1024


def test_a_reset_while_charging_is_safe_and_resumes_warm(firmware: Manifest) -> None:
    """The pin marked RUN resets all but RAM (2.12.7, CHIP_RESET); a brown-out is a power-on."""
    train = turning(firmware, 3000.0, 1.0)
    at_s = float(on_chip(firmware, train).coil_s[12]) + 0.4e-3  # a charge has begun
    job = chip_job(firmware, train, resets=(Reset(at_s, ResetKind.EXTERNAL),))
    run = run_chip(job, "rp2040")
    ended = int(np.searchsorted(run.coil_s, at_s - 1e-6))
    assert run.coil_on[ended] == 0 and run.coil_s[ended] == pytest.approx(at_s, abs=1e-6)
    assert run.coil_s[ended + 1] > at_s + run.facts["boot_s"]
    assert len(run.coil_s) > ended + 50
    assert run.facts["reset_safe_s"] < 2e-3
    for kind, resets, warm in ((ResetKind.EXTERNAL, 1, 1), (ResetKind.BROWN_OUT, 0, 0)):
        again = run_chip(chip_job(firmware, train, resets=(Reset(at_s, kind),)), "rp2040")
        told = again.serial.decode("ascii").split("\r\n")[-2].split("*")[0].split(",")
        assert [int(word, 16) for word in told[-2:]] == [resets, warm], told


# ---- Faults --------------------------------------------------------------------------------------


def test_a_hang_ends_in_a_watchdog_reset_and_a_warm_start(
    firmware: Manifest, tmp_path: Path
) -> None:
    """Watchdog: 2 x 16 000 counts, two a microsecond (erratum E1).  The main loop just ends."""
    hang = "static uint8_t fed;\n    if (++fed == 200U) {\n        for (;;) {\n        }\n    }\n"
    old = "    st_flash_check();\n    WATCHDOG_LOAD"
    manifest = edited(firmware, tmp_path / "hang", {"st_port_board.c": (old, f"    {hang}{old}")})
    train = turning(manifest, 3000.0, 0.6)
    run = on_chip(manifest, train)
    assert run.counters["resets_watchdog"] >= 1
    first = float(run.reset_s[0])
    assert first == pytest.approx(run.facts["boot_s"] + 0.2 + 0.016, abs=3e-3)
    after = run.coil_s[run.coil_s > first]
    # Kept RAM: the first believed pulse sparks; from standstill it would take three turns.
    turn_s = 60.0 / 3000.0
    assert 0.0 < after[0] - first < run.facts["boot_s"] + 2.1 * turn_s
    assert charges_s(run).max() < firmware.hard_limit_us * 1e-6 + 0.017


def test_an_order_that_its_machine_has_lost_ends_in_a_reset(
    firmware: Manifest, tmp_path: Path
) -> None:
    """Within a round of the main loop, a millisecond, and some: no charge lasts longer for it."""
    manifest = edited(firmware, tmp_path / "lost", LOSES_OFF)
    run = on_chip(manifest, turning(manifest, 3000.0))
    assert run.counters["resets_watchdog"] > 1
    assert charges_s(run).max() < firmware.dwell_us * 1e-6 + 1.5e-3


def test_the_guard_ends_a_charge_that_the_pio_does_not_end(
    firmware: Manifest, tmp_path: Path
) -> None:
    """Orders to switch off are lost and nobody notices: the guard's override alone ends it."""
    changes = {
        **LOSES_OFF,
        "st_port.c": (
            "    st_not_overdue(st_coil_pending != (uint8_t)ST_COIL_IDLE, st_coil_at);\n",
            "",
        ),
    }
    manifest = edited(firmware, tmp_path / "stuck", changes)
    run = on_chip(manifest, turning(manifest, 3000.0))
    found = re.search(
        r"ST_CFG_GUARD_BEATS (\d+)U", (manifest.folder / "src" / "config.h").read_text()
    )
    assert found is not None
    charges = charges_s(run)
    assert len(charges) >= 1
    assert np.all(charges < (int(found[1]) + 1.1) * 1e-3)
    assert np.all(charges > firmware.hard_limit_us * 1e-6)


def test_a_bit_of_the_program_in_ram_is_right_again_within_milliseconds(
    firmware: Manifest,
) -> None:
    """A pass over the sum takes five beats; that against flash takes a seventh of a second."""
    place = 0x200000BC  # a vector that is never used
    with (firmware.folder / "build" / "firmware.elf").open("rb") as stream:
        text = ELFFile(stream).get_section_by_name(".text").data()
    right = int.from_bytes(text[place - RAM :][:4], "little")

    def word(at_s: float, later_s: float) -> int:
        motion = motions.steady(3000.0, angle_deg=-400.0)
        train = motions.pickup_train(motion, firmware, at_s + later_s)
        upset = Upset(at_s, UpsetSpace.DATA, place, 2)
        job = chip_job(firmware, train, upsets=(upset,), peeks=(Peek("word", place, 4),))
        run = run_chip(job, "rp2040")
        assert run.counters["resets_watchdog"] == 0
        return run.counters["word"]

    assert [word(0.2, later_s) for later_s in (0.1e-3, 12e-3)] == [right ^ 4, right]


def test_a_changed_program_in_ram_is_put_right(firmware: Manifest, tmp_path: Path) -> None:
    """A vector that is never used changes after 200 beats; a pass takes a seventh of a second.

    The sum changes with it, so that the pass against flash is alone.
    """
    spoil = (
        "static uint16_t fed;\n    if (++fed == 200U) {\n"
        "        ST_REG(0x200000BCU) ^= 4U;\n        st_code_sum += 4U;\n    }\n"
    )
    old = "    st_flash_check();\n    WATCHDOG_LOAD"
    manifest = edited(
        firmware, tmp_path / "spoilt", {"st_port_board.c": (old, f"    {spoil}{old}")}
    )
    train = turning(manifest, 3000.0, 0.38)
    place = 0x200000BC
    run = run_chip(chip_job(manifest, train, peeks=(Peek("word", place, 4),)), "rp2040")
    with (manifest.folder / "build" / "firmware.elf").open("rb") as stream:
        text = ELFFile(stream).get_section_by_name(".text").data()
    assert run.counters["word"] == int.from_bytes(text[place - RAM :][:4], "little")
    early = turning(manifest, 3000.0, 0.2)  # ends before it is found
    run = run_chip(chip_job(manifest, early, peeks=(Peek("word", place, 4),)), "rp2040")
    assert run.counters["word"] == int.from_bytes(text[place - RAM :][:4], "little") ^ 4


def test_counts_that_have_parted_start_the_chip_anew(firmware: Manifest, tmp_path: Path) -> None:
    """The PIO starts with another count than the timer's: no spark, a reset instead."""
    old = "st_pio_prepare(sm, 1U - (count * ST_HALVES_A_US));"
    new = "st_pio_prepare(sm, 1U - ((count - 5000U) * ST_HALVES_A_US));"
    manifest = edited(firmware, tmp_path / "parted", {"st_port_pio.c": (old, new)})
    run = on_chip(manifest, turning(manifest, 3000.0))
    assert run.counters["resets_watchdog"] > 3
    assert np.count_nonzero(run.coil_on) == 0


def test_what_the_model_does_not_know_is_refused(firmware: Manifest) -> None:
    noise = CoilNoise()
    with pytest.raises(RunError, match="noise: the RP2040 model"):
        run_chip(chip_job(firmware, turning(firmware, 3000.0), noise=noise), "rp2040")


@pytest.mark.parametrize(
    ("address", "bit"),
    [
        (0x50200244, 7),  # x of machine 2, the coil's off
        (0x50200224, 3),  # x of machine 1
        (0x50200208, 6),  # y of machine 0, written again at each edge
        (0x50200206, 1),  # x of machine 0, bit 17
        (0x50200040, 3),  # direction of the coil's pin
        (0x4000C001, 2),  # PIO 0 back into reset
        (0x4005802D, 1),  # the tick of timer and watchdog off
        (0x4000803C, 0),  # CPU clock from the crystal
        (0x200000C0, 4),  # code
    ],
)
def test_sparks_are_right_again_after_a_flipped_bit(
    firmware: Manifest, address: int, bit: int
) -> None:
    """Within a reset and some turns; until then none comes early and no charge is longer."""
    train = turning(firmware, 6000.0, 1.0)
    quiet = on_chip(firmware, train)
    flipped = Upset(0.4, UpsetSpace.DATA, address, bit)
    run = run_chip(chip_job(firmware, train, upsets=(flipped,)), "rp2040")
    late = quiet.coil_s > 0.75
    assert np.count_nonzero(late) > 40
    again = run.coil_s[run.coil_s > 0.75]
    assert again == pytest.approx(quiet.coil_s[late], abs=1.5e-6)
    assert charges_s(run).max() < firmware.hard_limit_us * 1e-6 + 0.017


# ---- UF2 -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the board's example, generated and built by the commands."""
    place = tmp_path_factory.mktemp("uf2")
    (place / "engine.toml").write_text(engine_for("pico-rp2040"))
    generate(place / "engine.toml", place / "firmware")
    done = CliRunner().invoke(cli, ["build", str(place / "firmware")])
    assert done.exit_code == 0, done.output
    return place / "firmware"


def test_another_reader_finds_the_image_in_the_uf2_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """adafruit-uf2, for the family that the boot ROM takes: 0xE48BFF56."""
    monkeypatch.setattr(uf2, "familyid", 0xE48BFF56)
    raw = (folder / "build" / "firmware.uf2").read_bytes()
    read = uf2.convert_from_uf2(raw)
    image = content(read_manifest(folder))
    assert read[: len(image)] == image
    assert uf2.appstartaddr == FLASH
    assert int.from_bytes(raw[28:32], "little") == 0xE48BFF56


def test_flash_copies_the_file_to_the_drive(folder: Path, tmp_path: Path) -> None:
    drive = tmp_path / "RPI-RP2"
    drive.mkdir()
    (drive / "INFO_UF2.TXT").write_text("UF2 Bootloader v3.0\nModel: Raspberry Pi RP2\n")
    done = CliRunner().invoke(cli, ["flash", str(folder), "--port", str(drive)])
    assert done.exit_code == 0, done.output
    copied = (drive / "firmware.uf2").read_bytes()
    assert copied == (folder / "build" / "firmware.uf2").read_bytes()


def test_a_uf2_file_for_another_family_is_refused(folder: Path, tmp_path: Path) -> None:
    other = tmp_path / "firmware"
    shutil.copytree(folder, other)
    path = other / "build" / "firmware.uf2"
    raw = bytearray(path.read_bytes())
    for block in range(0, len(raw), 512):
        raw[block + 28] ^= 1
    path.write_bytes(raw)
    done = CliRunner().invoke(cli, ["flash", str(other), "--port", str(tmp_path), "--dry-run"])
    assert done.exit_code == 2
    assert "chip family" in done.output
