"""If this fails, the emulator wrappers do not compile cleanly, or are compiled again needlessly."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from sparktick.gen.errors import BuildError, ToolError
from sparktick.host_sim.chip import native, simavr, yasim

from .conftest import NEEDS

STRICT = ("-Wall", "-Wextra", "-Wshadow", "-Werror")


def compiles(sources: tuple[str, ...], command: list[str], folder: Path) -> str:
    files = [str(native.HERE / name) for name in sources]
    done = subprocess.run(
        [*command, *STRICT, "-O2", "-c", *files], cwd=folder, capture_output=True, text=True
    )
    return done.stderr


@NEEDS["simavr"]
def test_the_simavr_wrapper_has_no_warnings(tmp_path: Path) -> None:
    assert compiles(simavr.SOURCES, ["cc", "-std=gnu99"], tmp_path) == ""


@NEEDS["yasimavr"]
def test_the_yasimavr_wrapper_has_no_warnings(tmp_path: Path) -> None:
    include = yasim.package_folder() / "include"
    parts = ("core", "arch_avr", "arch_xt")
    folders = [word for part in parts for word in ("-isystem", str(include / part))]
    assert compiles(yasim.SOURCES, ["c++", "-std=c++20", "-fPIC", *folders], tmp_path) == ""


def test_a_program_is_compiled_once_and_again_when_a_flag_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SPARKTICK_CACHE", str(tmp_path))
    first = native.build("part.o", ("chip_record.c",), ("cc",), ("-c",))
    made = first.stat().st_mtime_ns
    assert native.build("part.o", ("chip_record.c",), ("cc",), ("-c",)) == first
    assert first.stat().st_mtime_ns == made
    assert native.build("part.o", ("chip_record.c",), ("cc",), ("-c", "-O1")) != first
    assert len(list(tmp_path.iterdir())) == 2


def test_a_source_that_does_not_compile_shows_what_the_compiler_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SPARKTICK_CACHE", str(tmp_path))
    with pytest.raises(BuildError, match="nonsense"):
        native.build("part.o", ("chip_record.c",), ("cc",), ("-c", "-std=nonsense"))
    assert list(tmp_path.iterdir()) == []


def test_an_absent_simavr_is_named_with_its_install_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SPARKTICK_CACHE", str(tmp_path))
    monkeypatch.setattr(simavr, "LIBRARIES", ("-lsimavr-not-there",))
    simavr.program.cache_clear()
    try:
        with pytest.raises(ToolError, match="apt-get install libsimavr-dev"):
            simavr.program()
    finally:
        simavr.program.cache_clear()


def test_an_absent_yasimavr_is_named_with_its_install_command(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def missing(name: str) -> str:
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(yasim.importlib.metadata, "version", missing)
    with pytest.raises(ToolError, match=r"tools/install_yasimavr\.py"):
        yasim.package_folder()
