"""If this fails: the folder's platformio.ini does not build, or builds another image than ours.

PlatformIO's own platforms for AVR cannot be fetched without the network; folders laid out here
stand in for them.  Their flags and their boards' data are from memory of them (medium
confidence); PlatformIO, SCons and the compiler are the real ones.
"""

from __future__ import annotations

import configparser
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from intelhex import IntelHex

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import all_boards, load_board
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import Compiler, build

pytestmark = [
    pytest.mark.avr,
    pytest.mark.needs_system("PlatformIO", "pip install platformio", module="platformio"),
    pytest.mark.needs_system("SCons", "pip install scons", module="SCons"),
]

NEEDS_ARM = pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi")
EXAMPLES = Path(__file__).parents[2] / "examples"
# Platform, id: chip, clock, upload speed, flash less the boot loader, RAM.
BOARDS = {
    ("atmelavr", "nanoatmega328new"): ("atmega328p", 16, 115200, 32256, 2048),
    ("atmelavr", "nanoatmega328"): ("atmega328p", 16, 57600, 30720, 2048),
    ("atmelavr", "uno"): ("atmega328p", 16, 115200, 32256, 2048),
    ("atmelavr", "pro8MHzatmega328"): ("atmega328p", 8, 57600, 30720, 2048),
    ("atmelavr", "megaatmega2560"): ("atmega2560", 16, 115200, 253952, 8192),
    ("atmelavr", "leonardo"): ("atmega32u4", 16, 57600, 28672, 2560),
    ("atmelavr", "attiny84"): ("attiny84", 8, 115200, 8192, 512),
    ("atmelavr", "attiny85"): ("attiny85", 8, 115200, 8192, 512),
    ("atmelmegaavr", "nano_every"): ("atmega4809", 16, 115200, 49152, 6144),
    ("atmelmegaavr", "ATmega4809"): ("atmega4809", 16, 115200, 49152, 6144),
    ("atmelmegaavr", "ATtiny1604"): ("attiny1604", 16, 115200, 16384, 1024),
    ("atmelmegaavr", "ATtiny1606"): ("attiny1606", 16, 115200, 16384, 1024),
}
BOARDS[("ststm32", "bluepill_f103c8")] = ("stm32f103c8", 72, 0, 65536, 20480)
BOARDS[("raspberrypi", "pico")] = ("rp2040", 120, 0, 2097152, 262144)
PLATFORMS = sorted({platform for platform, _ in BOARDS})
ARM = {"ststm32": "cortex-m3", "raspberrypi": "cortex-m0plus"}
TOOLS = {
    "toolchain-atmelavr": ("avr", "1.70300.0"),
    "toolchain-gccarmnoneeabi": ("arm-none-eabi", "1.120301.0"),
}

SCONS = """\
import SCons.Script
SCons.Script.main()
"""

PLATFORM = """\
from platformio.public import PlatformBase


class %sPlatform(PlatformBase):
    pass
"""

BUILDER = """\
from SCons.Script import Builder, Default, DefaultEnvironment

env = DefaultEnvironment()
env.Replace(
    AR="avr-gcc-ar", AS="avr-as", CC="avr-gcc", CXX="avr-g++", RANLIB="avr-gcc-ranlib",
    OBJCOPY="avr-objcopy", SIZETOOL="avr-size", PROGNAME="firmware", PROGSUFFIX=".elf",
    SIZEPROGREGEXP=r"^(?:\\.text|\\.data)\\s+(\\d+).*",
    SIZEDATAREGEXP=r"^(?:\\.data|\\.bss|\\.noinit)\\s+(\\d+).*",
    SIZECHECKCMD="$SIZETOOL -A -d $SOURCES",
)
env.Append(
    CFLAGS=["-std=gnu11"],
    CCFLAGS=["-Os", "-Wall", "-ffunction-sections", "-fdata-sections", "-mmcu=$BOARD_MCU"],
    CPPDEFINES=[("F_CPU", "$BOARD_F_CPU")],
    LINKFLAGS=["-Os", "-mmcu=$BOARD_MCU", "-Wl,--gc-sections", "-Wl,--relax"],
    LIBS=["m"],
    BUILDERS=dict(
        ElfToHex=Builder(
            action=env.VerboseAction(
                "$OBJCOPY -O ihex -R .eeprom $SOURCES $TARGET", "Building $TARGET"
            ),
            suffix=".hex",
        )
    ),
)
image = env.ElfToHex("$BUILD_DIR/${PROGNAME}", env.BuildProgram())
Default(env.Alias("buildprog", image, image))
"""

# The platform itself adds libc, libm and libstdc++, of which -nostdlib firmware takes nothing.
ARM_BUILDER = (
    BUILDER.replace("avr-", "arm-none-eabi-")
    .replace('"-mmcu=$BOARD_MCU"', '"-mthumb", "-mcpu=CORE"')
    .replace(" -R .eeprom", "")
    .replace('LIBS=["m"]', 'LIBS=["gcc"]')
)


def _write_json(path: Path, content: Any) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(content))


def _package(folder: Path, kind: str, name: str, version: str) -> None:
    """Write what PlatformIO looks for before it believes that a package is installed."""
    file = "platform.json" if kind == "platform" else "package.json"
    content = {"name": name, "version": version}
    if kind == "platform":
        tool = {"type": "toolchain", "owner": "platformio", "version": "*"}
        mine = f"toolchain-{'gccarmnoneeabi' if name in ARM else 'atmelavr'}"
        content |= {"title": name, "packages": {mine: tool}}
    _write_json(folder / file, content)
    spec = {"owner": "platformio", "id": None, "name": name, "requirements": None, "uri": None}
    _write_json(folder / ".piopm", {"type": kind, "name": name, "version": version, "spec": spec})


def make_core(core: Path, *compilers: Path) -> None:
    """Lay out the core folder; ``compilers`` are the paths of an avr-gcc and an ARM one."""
    from platformio.dependencies import get_core_dependencies

    scons = core / "packages" / "tool-scons"
    _package(scons, "tool", "tool-scons", get_core_dependencies()["tool-scons"].removeprefix("~"))
    (scons / "scons.py").write_text(SCONS)
    for compiler, (package, (prefix, version)) in zip(compilers, TOOLS.items(), strict=False):
        tools = core / "packages" / package
        _package(tools, "tool", package, version)
        (tools / "bin").mkdir()
        for name in ("gcc", "objcopy", "size", "gcc-ar", "gcc-ranlib", "as", "g++"):
            (tools / "bin" / f"{prefix}-{name}").symlink_to(compiler.with_name(f"{prefix}-{name}"))
    for name in PLATFORMS:
        _make_platform(core / "platforms" / name, name)


def _make_platform(folder: Path, name: str) -> None:
    _package(folder, "platform", name, "5.1.0")
    (folder / "platform.py").write_text(PLATFORM % name.title())
    (folder / "builder").mkdir()
    builder = ARM_BUILDER.replace("CORE", ARM[name]) if name in ARM else BUILDER
    (folder / "builder" / "main.py").write_text(builder)
    mine = {board: facts for (platform, board), facts in BOARDS.items() if platform == name}
    for board, (mcu, mhz, speed, flash, ram) in mine.items():
        build = {"mcu": mcu, "f_cpu": f"{mhz}000000L", "core": "none"}
        upload = {"protocol": "arduino", "speed": speed}
        upload |= {"maximum_size": flash, "maximum_ram_size": ram}
        content = {"name": board, "url": "", "vendor": "", "build": build, "upload": upload}
        _write_json(folder / "boards" / f"{board}.json", content)


def run_pio(core: Path, folder: Path, *args: str) -> subprocess.CompletedProcess[str]:
    """Run ``pio`` on a firmware folder with that core folder, the network shut off."""
    quiet = {
        "PLATFORMIO_CORE_DIR": str(core),
        "PLATFORMIO_SETTING_ENABLE_TELEMETRY": "No",
        "PLATFORMIO_SETTING_CHECK_PLATFORMIO_INTERVAL": "9999",
        "HTTPS_PROXY": "http://127.0.0.1:9",
        "HTTP_PROXY": "http://127.0.0.1:9",
        "PYTHONWARNINGS": "ignore",
    }
    return subprocess.run(
        [sys.executable, "-m", "platformio", "run", "-d", str(folder), *args],
        env={**os.environ, **quiet},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def core(avr: Compiler, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("platformio")
    arm = shutil.which("arm-none-eabi-gcc")
    make_core(place, avr.path, *([Path(arm)] if arm else []))
    return place


def test_builds_the_same_image_in_every_environment(
    core: Path, avr: Compiler, folder: Path
) -> None:
    ours = IntelHex(str(build(folder, avr).hex)).todict()
    ini = configparser.ConfigParser()
    ini.read(folder / "platformio.ini")
    names = [name.removeprefix("env:") for name in ini.sections() if name.startswith("env:")]
    done = run_pio(core, folder, *(f"-e{name}" for name in names))
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(names) > 1
    for name in names:
        made = folder / ".pio" / "build" / name / "firmware.hex"
        assert IntelHex(str(made)).todict() == ours


def test_an_error_in_the_c_source_is_shown(core: Path, folder: Path) -> None:
    with (folder / "src" / "st_coil.c").open("a") as stream:
        stream.write("int oops(void) { return 1 }\n")
    done = run_pio(core, folder)
    assert done.returncode != 0
    assert "src/st_coil.c" in done.stderr


@pytest.mark.parametrize(
    "board",
    [
        *("nano-4809", "mega-2560", "promicro-32u4", "tiny84-16mhz", "tiny85-16mhz"),
        pytest.param("pill-103c8", marks=NEEDS_ARM),
        pytest.param("pico-rp2040", marks=NEEDS_ARM),
    ],
)
def test_builds_the_same_image_for_other_chips(core: Path, tmp_path: Path, board: str) -> None:
    (tmp_path / "engine.toml").write_text(engine_for(board))
    folder = tmp_path / "firmware"
    generate(tmp_path / "engine.toml", folder)
    ours = IntelHex(str(build(folder).hex)).todict()
    way = load_board(board).upload[0].name
    done = run_pio(core, folder, f"-e{way}")
    assert done.returncode == 0, done.stdout + done.stderr
    made = folder / ".pio" / "build" / way / "firmware.hex"
    assert IntelHex(str(made)).todict() == ours


def test_the_stand_in_knows_every_board_of_ours() -> None:
    """From memory of the official platform's list of boards."""
    ours = {
        (board.platformio_platform, way.platformio_board)
        for board in all_boards()
        for way in board.upload
        if board.platformio_platform in PLATFORMS
    }
    assert ours == set(BOARDS)
