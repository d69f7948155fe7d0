"""A port that does not match st_port.h would be found only by whoever writes the next one."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from sparktick.gen.board import load_board
from sparktick.gen.families import FAMILIES
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import find_compiler
from tests.templates_c.variants import AVOCET_ON_PILL, described

ROOT = Path(__file__).parents[2]
CORE = ROOT / "templates_c" / "core"
PORTS = ROOT / "templates_c" / "port"
EXAMPLES = ("plover", "avocet")
NEEDS_ARM = pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi")
OTHERS = [
    *((board, example) for board in ("nano-4809", "tiny-1604") for example in EXAMPLES),
    *(
        pytest.param(board, example, marks=NEEDS_ARM)
        for board in ("pill-103c8", "pico-rp2040")
        for example in ("teal", "avocet")
    ),
]
WARNINGS = [
    "-Wall",
    "-Wextra",
    "-Wpedantic",
    "-Wconversion",
    "-Wsign-conversion",
    "-Wshadow",
    "-Werror",
]

EVERYTHING = (
    ("#define ST_CFG_TWO_COILS 0", "#define ST_CFG_TWO_COILS 1"),
    (
        "#define ST_CFG_DWELL_POINTS 0",
        "#define ST_CFG_DWELL_TABLE " + ", ".join(["4000U"] * 17) + "\n"
        "#define ST_CFG_SUPPLY_Q4 8000U\n#define ST_SUPPLY_CHANNEL 0\n"
        "#define ST_PIN_COIL_SELECT_PORT B\n#define ST_PIN_COIL_SELECT_BIT 2\n"
        "#define ST_PIN_PHASE_PORT D\n#define ST_PIN_PHASE_BIT 7\n"
        "#define ST_CFG_DWELL_POINTS 17",
    ),
)


def declared(half: str) -> set[str]:
    """Functions that one half of the contract declares."""
    text = (CORE / "st_port.h").read_text()
    port, core = text.split("/* ---- The core implements")
    part = port.split("/* ---- The port implements")[1] if half == "port" else core
    return set(re.findall(r"^[\w *]+?\b(st_\w+)\([^;]*\);", part, re.MULTILINE))


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("contract") / "plover"
    generate(ROOT / "examples" / "plover.toml", folder)
    config = folder / "src" / "config.h"
    text = config.read_text()
    for off, on in EVERYTHING:  # what this engine has no use for is part of the contract too
        assert off in text
        text = text.replace(off, on)
    config.write_text(text)
    return folder / "src"


def defined(objects: list[Path], nm: str) -> set[str]:
    """Global functions defined in object files."""
    listing = subprocess.run([nm, *map(str, objects)], capture_output=True, text=True, check=True)
    return set(re.findall(r"^[0-9a-f]+ T (st_\w+)$", listing.stdout, re.MULTILINE))


def compile_all(source: Path, compiler: list[str], folder: Path) -> list[Path]:
    objects = []
    for file in sorted(source.glob("*.c")):
        out = folder / f"{file.stem}.o"
        subprocess.run([*compiler, "-I", str(source), "-c", str(file), "-o", str(out)], check=True)
        objects.append(out)
    return objects


def port_symbols(objects: list[Path], nm: str) -> set[str]:
    return defined([o for o in objects if o.stem.startswith("st_port")], nm)


def core_symbols(objects: list[Path], nm: str) -> set[str]:
    return defined([o for o in objects if not o.stem.startswith("st_port")], nm)


def test_the_contract_names_functions_in_both_halves() -> None:
    assert {"st_port_init", "st_port_apply", "st_port_refresh"} <= declared("port")
    assert "st_tell" in declared("core")


def test_template_port_compiles_and_matches_the_contract(source: Path, tmp_path: Path) -> None:
    ported = tmp_path / "src"
    shutil.copytree(source, ported)
    for file in ported.glob("st_port_*.c"):
        file.unlink()
    for file in (PORTS / "template").glob("*.[ch]"):
        shutil.copy(file, ported)
    compiler = ["cc", "-std=c99", "-O2", *WARNINGS]
    objects = compile_all(ported, compiler, tmp_path)
    assert {s for s in port_symbols(objects, "nm") if s.startswith("st_port_")} == declared("port")
    assert declared("core") <= core_symbols(objects, "nm")
    subprocess.run(["cc", *map(str, objects), "-o", str(tmp_path / "whole")], check=True)


def test_avr_port_matches_the_contract(source: Path, tmp_path: Path) -> None:
    avr = find_compiler().path
    compiler = [str(avr), "-mmcu=atmega328p", "-std=c99", "-Os", *WARNINGS]
    objects = compile_all(source, compiler, tmp_path)
    nm = str(avr.with_name("avr-nm"))
    own = {s for s in port_symbols(objects, nm) if s.startswith("st_port_")}
    assert own - {"st_port_early"} == declared("port")  # the start-up code is the port's own affair
    assert declared("core") <= core_symbols(objects, nm)


@pytest.mark.parametrize(("board", "example"), OTHERS)
def test_other_ports_match_the_contract(board: str, example: str, tmp_path: Path) -> None:
    low = load_board(board).volts < 4.0 and example == "avocet"
    text = described(AVOCET_ON_PILL if low else {}, example)
    moved = re.sub(r'(\[board\]\nname = )"[^"]*"', rf'\1"{board}"', text)
    (tmp_path / "engine.toml").write_text(moved)
    generate(tmp_path / "engine.toml", tmp_path / "firmware")
    chip = load_board(board)
    gcc = find_compiler(chip.family, chip.mcu).path
    flags = FAMILIES[chip.family].chip(chip.mcu)
    compiler = [str(gcc), *flags, "-std=c99", "-ffreestanding", "-Os", *WARNINGS]
    objects = compile_all(tmp_path / "firmware" / "src", compiler, tmp_path)
    nm = str(gcc.with_name(gcc.name.replace("gcc", "nm")))
    own = {s for s in port_symbols(objects, nm) if s.startswith("st_port_")}
    both = {"st_port_second", "st_port_supply"}
    assert own - {"st_port_early"} - both == declared("port") - both
    assert (own >= both) is (example == "avocet"), "two coils and a measured supply"
    assert declared("core") <= core_symbols(objects, nm)
