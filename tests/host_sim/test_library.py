"""If this fails, a firmware folder's C is not compiled, cached or loaded as it should be."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.errors import BuildError, FolderError
from sparktick.host_sim import library as lib
from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.library import BuildOptions, build, load
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.train import pickup_train, steady

from .conftest import PROBE


@pytest.fixture
def copy(plover: Path, tmp_path: Path) -> Path:
    made = tmp_path / "edited"
    shutil.copytree(plover, made)
    return made


def test_unchanged_folder_is_compiled_once(copy: Path) -> None:
    path = build(copy)
    stamp = path.stat().st_mtime_ns
    assert build(copy) == path
    assert path.stat().st_mtime_ns == stamp
    assert not list(path.parent.glob("tmp*"))  # nothing half-made is left


@pytest.mark.parametrize("file", ["st_sync.c", "config.h"])
def test_edit_makes_another_library(copy: Path, file: str) -> None:
    before = build(copy)
    edited = copy / "src" / file
    edited.write_text(edited.read_text() + "\n/* edited */\n")
    assert build(copy) != before


def test_edited_behaviour_is_what_runs(copy: Path) -> None:
    """A charge cut to half in config.h shows in the run."""
    manifest = read_manifest(copy)
    train = pickup_train(steady(1500.0), manifest, 2.0)
    config = copy / "src" / "config.h"
    full = run_train(load(copy), Hardware.of(manifest), train)
    dwell_ticks = round(manifest.dwell_us * 1e-6 * manifest.tick_hz)
    text = config.read_text()
    line = next(row for row in text.splitlines() if "ST_CFG_DWELL_TICKS" in row)
    config.write_text(text.replace(line, line.replace(str(dwell_ticks), str(dwell_ticks // 2))))
    half = run_train(load(copy), Hardware.of(manifest), train)

    def on_time(run: object) -> float:
        return float(np.diff(run.coil_s)[::2][-1])  # type: ignore[attr-defined]

    assert on_time(half) == pytest.approx(on_time(full) / 2, abs=2 / manifest.tick_hz)


def test_compile_error_shows_file_and_line(copy: Path) -> None:
    source = copy / "src" / "st_coil.c"
    lines = source.read_text().splitlines()
    lines.insert(10, "int broken = ;")
    source.write_text("\n".join(lines))
    with pytest.raises(BuildError) as caught:
        build(copy)
    assert f"{source}:11:" in str(caught.value)
    assert "error" in caught.value.log
    assert str(copy) in str(caught.value).splitlines()[0]


def test_undeclared_function_is_an_error_not_a_crash(copy: Path) -> None:
    source = copy / "src" / "st_coil.c"
    source.write_text(source.read_text() + "\nvoid f(void);\nvoid f(void) { no_such(); }\n")
    with pytest.raises(BuildError, match="no_such"):
        build(copy)


def test_missing_compiler_names_the_remedy(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(BuildError, match=r"no C compiler.*\n.*[Ii]nstall"):
        build(copy)


def test_compiler_named_in_the_environment(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CC", "no-such-compiler -O9")
    with pytest.raises(BuildError, match="CC = no-such-compiler -O9"):
        build(copy)
    monkeypatch.setenv("CC", "cc -DNOTHING")
    assert lib.compiler() == ["cc", "-DNOTHING"]


def test_a_compiler_that_cannot_optimise_all_as_one_serves(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    manifest = read_manifest(copy)
    train = pickup_train(steady(3000.0), manifest, 0.5)
    best = run_train(load(copy), Hardware.of(manifest), train)
    plain = tmp_path / "plain-cc"
    plain.write_text(
        '#!/bin/sh\ncase "$*" in *-flto*|*--param*) echo "no such flag" >&2; exit 1;; esac\n'
        'exec cc "$@"\n'
    )
    plain.chmod(0o755)
    monkeypatch.setenv("CC", str(plain))
    library = load(copy)
    assert np.array_equal(run_train(library, Hardware.of(manifest), train).coil_s, best.coil_s)


def test_folder_without_firmware(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="no firmware here"):
        build(tmp_path)
    (tmp_path / "config.h").write_text("")
    with pytest.raises(FolderError, match="no st_"):
        build(tmp_path)


def test_cache_that_cannot_be_written(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("SPARKTICK_CACHE", str(blocked))
    with pytest.raises(FolderError, match="SPARKTICK_CACHE"):
        build(copy)


def test_damaged_library_is_named(copy: Path) -> None:
    config = copy / "src" / "config.h"
    config.write_text(config.read_text() + "/* a library of its own, loaded by no other test */\n")
    path = build(copy)
    path.write_bytes(b"not a library")
    with pytest.raises(BuildError, match="cannot be loaded"):
        load(copy)
    path.unlink()


def test_names_come_from_the_header() -> None:
    loaded = load(PROBE)
    assert loaded.counters == ("pulse", "spark")
    assert loaded.modes == ("stopped", "warm", "first", "start", "locking", "run")


def test_what_is_compiled_leaves_the_chip_out(plover: Path) -> None:
    names = {path.name for path in lib.core_sources(plover / "src")}
    assert "st_coil.c" in names
    assert names.isdisjoint({"st_port.c", "st_main.c", "st_tell.c"})


def test_undefined_behaviour_sanitizer_finds_nothing_in_a_run(plover: Path) -> None:
    """Invariant E over starts, locks, runs and the wrap of the counter."""
    manifest = read_manifest(plover)
    checked = load(plover, BuildOptions(optimise="-O1", sanitize=("undefined",)))
    chip = Hardware.of(manifest, first_tick=2**32 - 2_000_000)
    for rpm in (450.0, 3000.0, 8000.0, 9500.0):
        run = run_train(checked, chip, pickup_train(steady(rpm), manifest, 3.0))
        assert run.facts["captured"] > 10


def test_coverage_build_leaves_notes(plover: Path) -> None:
    path = build(plover, BuildOptions(coverage=True))
    assert {p.name.split("-")[-1] for p in path.parent.glob("*.gcno")} >= {"st_coil.gcno"}
