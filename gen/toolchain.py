"""Firmware folder -> image: finds a compiler, compiles, checks that the image fits its board."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .board import Board, load_board
from .elf_image import image_sizes
from .errors import BuildError, FolderError, ToolError
from .families import FAMILIES, Family, Tools
from .files import write_file
from .render import IMAGE, MANIFEST, SOURCE, manifest_text, read_manifest, swap_folder
from .uf2 import write_uf2

FIRST_FAMILY, FIRST_MCU = "avr_timer1", "atmega328p"
WRITERS: dict[str, Callable[[Path, Path, str], None]] = {"uf2": write_uf2}
"""Writers of image formats that objcopy does not know: (ELF file, file to write, chip)."""


@dataclass(frozen=True)
class Compiler:
    """A compiler that works: name, program, version, and where it was found."""

    name: str
    path: Path
    version: str
    how: str

    @property
    def label(self) -> str:
        """Name and version."""
        return f"{self.name} {self.version}"

    def tool(self, name: str) -> Path:
        """Return a program that came with the compiler, as "objcopy"."""
        return self.path.with_name(self.path.name.replace("gcc", name))


@dataclass(frozen=True)
class BuildResult:
    """An image and its sizes.

    ``flash_bytes`` is code, constants and the initial values of variables; ``ram_bytes`` is all
    variables, the stack left out; ``..._free_bytes`` are what the board has for them.
    """

    elf: Path
    hex: Path
    map: Path
    flash_bytes: int
    flash_free_bytes: int
    ram_bytes: int
    ram_free_bytes: int
    compiler: Compiler
    seconds: float
    warnings: tuple[str, ...]


def _candidates(tools: Tools) -> Iterator[tuple[Path, str]]:
    """Compilers in the order of preference, whether they work or not."""
    spec = importlib.util.find_spec(tools.wheel) if tools.wheel else None
    for place in spec.submodule_search_locations or () if spec else ():
        found = shutil.which(tools.gcc, path=str(Path(place) / "bin"))
        if found:
            yield Path(found).absolute(), tools.wheel_how
    found = shutil.which(tools.gcc)
    if found:
        yield Path(found).absolute(), "PATH"
    core = Path(os.environ.get("PLATFORMIO_CORE_DIR") or Path.home() / ".platformio")
    packages = Path(os.environ.get("PLATFORMIO_PACKAGES_DIR") or core / "packages")
    found = shutil.which(tools.gcc, path=str(packages / tools.platformio_package / "bin"))
    if found:
        yield Path(found), f"PlatformIO platform {tools.platformio_platform}"


def _version(path: Path, how: str, family: Family, mcu: str) -> tuple[str, str]:
    """Version of a compiler, and why it cannot be used ("" when it can)."""
    tools = family.tools
    try:
        told = _run([str(path), "-dumpversion"])
    except BuildError as error:
        return "", str(error)
    version = told.stdout.strip()
    if told.returncode != 0:
        return version, _last_line(told.stderr)
    if how == tools.wheel_how and not f"{version}.".startswith(f"{tools.wheel_version}."):
        return version, f"version {version}; {tools.wheel_version} is the tried one"
    chip = [flag.replace("{mcu}", mcu) for flag in family.chip_flags]
    probe = _run([str(path), *chip, "-E", "-x", "c", "-"], given=tools.probe)
    if probe.returncode != 0:
        library = f" ({tools.library})" if tools.library_sign in probe.stderr else ""
        return version, f"cannot compile for the {mcu}{library}"
    return version, ""


def _last_line(text: str) -> str:
    lines = [line for line in text.splitlines() if line.strip()]
    return lines[-1] if lines else "does not run"


def find_compiler(family: str = FIRST_FAMILY, mcu: str = FIRST_MCU) -> Compiler:
    """Return the first compiler that works for a chip: Python package, PATH, PlatformIO.

    Raises ToolError, with the command that installs one and what is wrong with each one found.
    """
    kind = FAMILIES[family]
    refused = []
    for path, how in _candidates(kind.tools):
        version, why_not = _version(path, how, kind, mcu)
        if not why_not:
            return Compiler(kind.tools.gcc, path, version, how)
        refused.append(f"\n    not used: {path}: {why_not}")
    raise ToolError(
        f"no {kind.tools.name} compiler (looked for {kind.tools.looked_for})\n"
        f"    Install one: {kind.tools.remedy}{''.join(refused)}"
    )


def _run(
    command: list[str], *, given: str | None = None, folder: Path | None = None, scratch: str = ""
) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "LC_ALL": "C"}  # messages in one language
    if scratch:
        environment["TMPDIR"] = scratch  # nothing is left behind, whatever ends the compiler
    try:
        return subprocess.run(
            command,
            input=given,
            stdin=None if given is not None else subprocess.DEVNULL,
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    except OSError as error:
        raise BuildError(f"{command[0]}: cannot be run: {error.strerror}") from error


def build(folder: Path, compiler: Compiler | None = None) -> BuildResult:
    """Compile a firmware folder; replace its ``build`` and note the sizes in its manifest.

    The same sources and the same compiler give the same bytes, wherever the folder lies.  Raises
    FolderError when it is no firmware folder or cannot be written, BuildError, with the compiler's
    words, when the C does not compile or the image does not fit; the old image then stays.
    """
    manifest = read_manifest(folder)
    board = load_board(str(manifest.get("board")))
    used = compiler or find_compiler(board.family, board.mcu)
    sources = sorted(f"{SOURCE}/{path.name}" for path in (folder / SOURCE).glob("*.[cS]"))
    if not sources:
        raise FolderError(f"{folder / SOURCE}: no C files; generate the folder again")
    began = time.monotonic()
    try:
        with tempfile.TemporaryDirectory(prefix=".build.", dir=folder) as temporary:
            scratch = Path(temporary)
            fresh = scratch / Path(IMAGE).parent
            fresh.mkdir()
            image = scratch / IMAGE
            warnings = _compile(used, board, folder, sources, image)
            flash_bytes, ram_bytes = image_sizes(image.with_suffix(".elf"))
            _check_fit(board, flash_bytes, ram_bytes)
            swap_folder(fresh, folder / fresh.name, scratch / "old")
    except OSError as error:
        raise FolderError(f"{folder}: cannot be written: {error.strerror or error}") from error
    _note(folder, manifest, used, flash_bytes, ram_bytes)
    image = folder / IMAGE
    return BuildResult(
        elf=image.with_suffix(".elf"),
        hex=image.with_suffix(".hex"),
        map=image.with_suffix(".map"),
        flash_bytes=flash_bytes,
        flash_free_bytes=board.flash_free_bytes,
        ram_bytes=ram_bytes,
        ram_free_bytes=board.ram_bytes - board.stack_bytes,
        compiler=used,
        seconds=time.monotonic() - began,
        warnings=warnings,
    )


def _compile(
    compiler: Compiler, board: Board, folder: Path, sources: list[str], image: Path
) -> tuple[str, ...]:
    """Compile and link in one go, as the folder's Makefile does; return the compiler's warnings.

    Every path is relative to the folder, so that none gets into messages or files.
    """
    family = FAMILIES[board.family]
    flags = family.flags
    place = image.relative_to(folder)
    map_file = image.with_suffix(".map")
    command = [str(compiler.path), *family.chip(board.mcu), *flags.compile, *flags.link]
    command += [f"-Wl,-Map={place}.map", "-o", f"{place}.elf", *sources]
    done = _run(command, folder=folder, scratch=place.parts[0])
    if done.returncode != 0:
        raise BuildError(f"{folder}: {compiler.label} refused the C source", _plain(done.stderr))
    text = map_file.read_text(encoding="utf-8")
    map_file.write_text(_plain(text), encoding="utf-8")
    objcopy = [str(compiler.tool("objcopy")), "-O", "ihex", *family.hex_flags]
    copied = _run([*objcopy, f"{place}.elf", f"{place}.hex"], folder=folder)
    if copied.returncode != 0:
        raise BuildError(f"{folder}: the image cannot be written as Intel HEX", copied.stderr)
    for kind in family.formats:
        if kind in WRITERS:
            WRITERS[kind](image.with_suffix(".elf"), image.with_suffix(f".{kind}"), board.mcu)
    return tuple(line for line in done.stderr.splitlines() if "warning:" in line)


def _plain(text: str) -> str:
    """Leave out temporary names, which differ from run to run."""
    text = re.sub(r"\.build\.\w+/cc\w{6}\.", "temporary.", text)
    return re.sub(r"\.build\.\w+/", "", text).strip() + "\n"


def _check_fit(board: Board, flash_bytes: int, ram_bytes: int) -> None:
    if flash_bytes > board.flash_free_bytes:
        raise BuildError(
            f"the image takes {flash_bytes} bytes of flash; {board.name} has "
            f"{board.flash_free_bytes} (boot loader taken off)\n    Shorten what was added to src/."
        )
    limit = board.ram_bytes - board.stack_bytes
    if ram_bytes > limit:
        raise BuildError(
            f"the variables take {ram_bytes} bytes of RAM; {board.name} has {limit} for them "
            f"({board.stack_bytes} are kept for the stack)\n    Shorten what was added to src/."
        )


def _note(
    folder: Path, manifest: dict[str, Any], compiler: Compiler, flash_bytes: int, ram_bytes: int
) -> None:
    """Write the sizes and the compiler into the manifest."""
    sizes = {"flash_bytes": flash_bytes, "ram_bytes": ram_bytes}
    noted = {**manifest, "compiler": compiler.label, "sizes": sizes}
    write_file(folder / MANIFEST, manifest_text(noted))
