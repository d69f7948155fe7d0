"""If this fails: the C that users get does not compile without a warning on some compiler."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from sparktick.gen.avr_flags import AVR
from sparktick.gen.toolchain import find_compiler

CORE = Path(__file__).parents[2] / "templates_c" / "core"
STRICT = "-Wpedantic -Wshadow -Wstrict-prototypes -Wundef"
WARNINGS = [*AVR.warnings, *STRICT.split(), "-std=c99"]
HOST_FLASH = """\
#ifndef ST_PORT_FLASH_H
#define ST_PORT_FLASH_H
#define ST_FLASH
#define ST_FLASH_U8(address) (*(address))
#define ST_FLASH_U16(address) (*(address))
#define ST_FLASH_U32(address) (*(address))
#define ST_FLASH_I32(address) (*(address))
#define ST_APART
#define ST_STATE_CLEARED 0
#define ST_LOOP_PART
#define ST_STACK_HOME() ((void)0)
#define ST_ROUND
#endif
"""
HOSTS = [
    pytest.param("gcc", marks=pytest.mark.needs_system("gcc", "apt-get install build-essential")),
    pytest.param("clang", marks=pytest.mark.needs_system("clang", "apt-get install clang")),
]


def compiled(command: list[str], source: Path | str, *folders: Path) -> str:
    """Compile to nothing; return what the compiler said."""
    include = [f"-I{folder}" for folder in folders]
    given = None if isinstance(source, Path) else source
    file = ["-xc", "-"] if isinstance(source, str) else [str(source)]
    done = subprocess.run(
        [*command, *WARNINGS, *include, "-c", "-o", "/dev/null", *file],
        input=given,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stderr


@pytest.fixture
def host_core(sources: Path, tmp_path: Path) -> Path:
    """Return a folder with the core and this engine's numbers, and a host's st_port_flash.h."""
    for path in (*CORE.glob("*.[ch]"), sources / "config.h"):
        (tmp_path / path.name).write_bytes((sources / path.name).read_bytes())
    (tmp_path / "st_port_flash.h").write_text(HOST_FLASH)
    return tmp_path


@pytest.mark.parametrize("optimise", ["-O0", "-O2", "-Os"])
@pytest.mark.parametrize("host", HOSTS)
def test_core_compiles_for_the_host(host_core: Path, host: str, optimise: str) -> None:
    files = sorted(host_core.glob("st_*.c"))
    assert len(files) == len(list(CORE.glob("*.c")))
    for path in files:
        assert compiled([host, optimise], path) == ""


@pytest.mark.parametrize("host", HOSTS)
def test_every_header_stands_alone(host_core: Path, host: str) -> None:
    headers = sorted(host_core.glob("*.h"))
    assert {"config.h", "st_core.h", "st_port.h", "st_types.h"} <= {path.name for path in headers}
    for header in headers:
        twice = f'#include "{header.name}"\n#include "{header.name}"\nextern char a_unit;\n'
        assert compiled([host], twice, host_core) == ""


@pytest.mark.avr
def test_every_file_compiles_for_the_chip_alone(sources: Path) -> None:
    """Without link-time optimisation too, and as strictly as for the host."""
    avr = [str(find_compiler().path), "-mmcu=atmega328p", "-Os"]
    for path in sorted(sources.glob("*.c")):
        assert compiled(avr, path) == ""
    parts = {path.name for path in (CORE.parent / "port" / "shared").iterdir()}  # of st_port.c
    for header in sorted(path for path in sources.glob("*.h") if path.name not in parts):
        twice = f'#include "{header.name}"\n#include "{header.name}"\nextern char a_unit;\n'
        assert compiled(avr, twice, sources) == ""
