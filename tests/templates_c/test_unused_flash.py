"""A program counter thrown into free flash would run on, coil charged, until chance ended it."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from elftools.elf.elffile import ELFFile

from sparktick.gen.board import load_board
from sparktick.gen.flashing import read_hex
from sparktick.gen.toolchain import build
from sparktick.host_sim.chip import Upset, UpsetSpace, run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.train import pickup_train, steady

from .variants import make_firmware

# `sei` and `rjmp .-4`: 1100 kkkk kkkk kkkk with k = -2 (AVR instruction set manual, DS40002198).
LET_IN, JUMP_BACK = 0x9478, 0xCFFE
RPM = 6000.0
HEARTBEAT_S = 1.1e-3  # the watchdog was last fed at most so long before


def test_all_free_flash_jumps_to_itself(plover_image: Manifest) -> None:
    board = load_board("nano-328p")
    files = plover_image.raw["files"]
    cells = read_hex(plover_image.folder / files["hex"])
    end = board.flash_free_bytes  # where the boot loader begins
    content = bytes(cells[k] for k in range(end))  # without a gap
    assert len(cells) == len(content)
    with (plover_image.folder / files["elf"]).open("rb") as stream:
        program = int(ELFFile(stream).get_section_by_name(".unused")["sh_addr"])
    free = np.frombuffer(content[program:], dtype="<u2")
    assert set(free[0::2].tolist()) == {LET_IN} and set(free[1::2].tolist()) == {JUMP_BACK}
    assert len(free) > 10_000
    assert plover_image.raw["sizes"]["flash_bytes"] == program  # free flash is not counted as used


@pytest.mark.parametrize("board", ["mega-2560", "nano-4809", "tiny-1604"])
def test_other_chips_are_filled_too(tmp_path: Path, board: str) -> None:
    """More flash than a jump reaches, and flash that is part of the data space."""
    folder = make_firmware(tmp_path / "other", {'name = "nano-328p"': f'name = "{board}"'}).folder
    built = build(folder)
    cells = read_hex(built.hex)
    end = load_board(board).flash_free_bytes
    assert sorted(cells) == list(range(end))
    start = built.flash_bytes
    free = np.frombuffer(bytes(cells[k] for k in range(start, end)), dtype="<u2")
    assert set(free[0::2].tolist()) == {LET_IN} and set(free[1::2].tolist()) == {JUMP_BACK}


@pytest.mark.parametrize("part", range(4))
@pytest.mark.parametrize("bit", [12, 13])  # 8 KiB and 16 KiB ahead of wherever it was
def test_a_program_counter_in_free_flash_ends_in_a_reset(
    plover_image: Manifest, bit: int, part: int
) -> None:
    at_s = 0.15 + 0.25 * part * 60.0 / RPM + 1e-6 * bit
    train = pickup_train(steady(RPM, angle_deg=-400.0), plover_image, 0.2)
    upset = Upset(at_s, UpsetSpace.PROGRAM_COUNTER, 0, bit)
    run = run_chip(chip_job(plover_image, train, upsets=(upset,), serial=False), "simavr")
    watchdog_s = plover_image.raw["watchdog_us"] * 1e-6
    assert run.counters["resets_watchdog"] == 1
    assert run.counters["bad_opcodes"] == 0
    reset_s = run.facts["last_reset_s"]
    assert watchdog_s - HEARTBEAT_S <= reset_s - at_s <= watchdog_s
    assert run.facts["reset_safe_s"] < 20e-6
    on_s = run.coil_s[(run.coil_on == 1) & (run.coil_s < reset_s)]
    off_s = run.coil_s[(run.coil_on == 0) & (run.coil_s <= reset_s)]
    assert len(on_s) == len(off_s)  # off at the reset at the latest
    assert np.max(off_s - on_s) <= plover_image.hard_limit_us * 1e-6 + watchdog_s


def test_vectors_that_nothing_uses_lead_to_one_halt(plover_image: Manifest) -> None:
    cells = read_hex(plover_image.folder / plover_image.raw["files"]["hex"])
    words = [cells[2 * k] | cells[2 * k + 1] << 8 for k in range(2 * 26)]
    used = {0, 10, 11, 12, 13, 14}  # reset, capture, compares, overflow, heartbeat (11.1, mega x8)
    targets = {}
    for vector in range(26):
        first, second = words[2 * vector], words[2 * vector + 1]
        far = first & 0xFE0E == 0x940C  # jmp, else rjmp
        target = second if far else (2 * vector + 1 + ((first & 0xFFF) ^ 0x800) - 0x800) & 0x3FFF
        assert far or first >> 12 == 0xC
        targets[vector] = target
    stray = {target for vector, target in targets.items() if vector not in used}
    assert len(stray) == 1
    assert stray.isdisjoint(targets[vector] for vector in used)


def test_the_script_says_where_free_flash_ends(plover_image: Manifest) -> None:
    text = (plover_image.folder / "src" / "unused_flash.ld").read_text()
    assert re.findall(r">= (\d+),", text) == [str(load_board("nano-328p").flash_free_bytes)]
