"""If this fails, yasimavr built without libelf loads other bytes than the image holds."""

from __future__ import annotations

import importlib.util
import subprocess
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from .conftest import Build

HERE = Path(__file__).parent
SHIM = HERE.parents[2] / "tools" / "elf_shim"


@pytest.fixture(scope="module")
def dump(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("shim") / "dump"
    flags = ["-std=c99", "-D_POSIX_C_SOURCE=200809L", "-Wall", "-Wextra", "-Werror", f"-I{SHIM}"]
    sources = [str(HERE / "shim_dump.c"), str(SHIM / "elf_shim.c")]
    subprocess.run(["cc", *flags, *sources, "-o", str(target)], check=True)
    return target


def lines(dump: Path, elf: Path) -> list[str]:
    done = subprocess.run([str(dump), str(elf)], capture_output=True, text=True, check=True)
    return done.stdout.splitlines()


def by_pyelftools(path: Path) -> list[str]:
    found = []
    with path.open("rb") as file:
        elf = ELFFile(file)
        for segment in elf.iter_segments():
            head = segment.header
            kind = {"PT_LOAD": 1}.get(head.p_type, head.p_type)
            found.append(f"segment {kind} {head.p_paddr} {head.p_filesz}")
        for section in list(elf.iter_sections())[1:]:
            data = b"" if section["sh_type"] == "SHT_NOBITS" else section.data()
            found.append(f"section {section['sh_addr']} {section['sh_size']} {sum(data)}")
            if section["sh_type"] == "SHT_SYMTAB":
                found += [
                    f"symbol {s.name} {s['st_value']} {s['st_size']}"
                    for s in section.iter_symbols()
                ]
    # A section symbol has no name of its own; pyelftools gives it the section's.
    return found


def test_sections_segments_and_symbols_are_those_pyelftools_reads(dump: Path, image: Build) -> None:
    """Checked against an independent reader (pyelftools)."""
    elf = image("ignition")
    mine, other = lines(dump, elf), by_pyelftools(elf)
    assert len(mine) == len(other) > 50
    named = [(a, b) for a, b in zip(mine, other, strict=True) if not a.startswith("symbol  ")]
    assert all(a == b for a, b in named) and len(named) > 40


@pytest.mark.parametrize("cut", [0, 3, 51, 200, -1])
def test_a_damaged_image_is_refused(dump: Path, image: Build, tmp_path: Path, cut: int) -> None:
    whole = image("ignition").read_bytes()
    damaged = tmp_path / "damaged.elf"
    damaged.write_bytes(whole[:cut] if cut >= 0 else b"\x7fELX" + whole[4:])
    assert lines(dump, damaged) == ["no image"]


def test_the_installer_builds_a_library_that_clashes_with_no_other(tmp_path: Path) -> None:
    """Own symbol names, so that a real libelf in the same process is never mixed up with it."""
    spec = importlib.util.spec_from_file_location("installer", SHIM.parent / "install_yasimavr.py")
    assert spec is not None and spec.loader is not None
    installer = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(installer)
    installer.build_shim(tmp_path)
    done = subprocess.run(
        ["nm", "-g", "--defined-only", str(tmp_path / "libelf.a")],
        capture_output=True,
        text=True,
        check=True,
    )
    names = [line.split()[-1] for line in done.stdout.splitlines() if " T " in line]
    assert len(names) == 10 and all(name.startswith("sparktick_") for name in names)
    assert {path.name for path in tmp_path.glob("*.h")} == {"libelf.h", "gelf.h"}
