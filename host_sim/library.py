"""Compile a firmware folder's core together with the bench into a shared library, and load it.

The library is named after a hash of everything that goes into it, so an edited C file is compiled
anew and an unchanged one is loaded from the cache.  Loading is cffi's ABI mode: it needs neither
Python's headers nor setuptools on the user's machine.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import re
import shlex
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cffi

from sparktick.gen.errors import BuildError, FolderError

HERE = Path(__file__).resolve().parent
BENCH_SOURCES = ("bench.c", "bench_line.c", "bench_coil.c", "bench_noise.c", "bench_api.c")
BENCH_HEADERS = ("bench.h", "bench_internal.h", "bench_flash.h")
# What belongs to the chip, not to the core: ports, the main loop, serial telling.
NOT_CORE = re.compile(r"st_(port.*|main|tell)\.c")
# Core and bench optimised as one: a third faster.  A compiler that cannot does without.
TOGETHER = ("-flto", "--param=max-inline-insns-auto=300", "--param=inline-unit-growth=300")
# Vectors over a few fields just written wait for the writes to arrive: a twentieth slower.
SCALAR = "-fno-tree-vectorize"
WARNINGS = ("-Wall", "-Wextra", "-Werror=implicit-function-declaration")
CACHE_VARIABLE = "SPARKTICK_CACHE"
COMPILER_REMEDY = (
    "Install one (Debian: apt install gcc; Fedora: dnf install gcc; macOS: xcode-select "
    "--install), or name yours in the variable CC."
)


@dataclass(frozen=True)
class BuildOptions:
    """How the library is compiled.

    ``sanitize`` names compiler sanitizers ("undefined", "address"); with "address" Python
    itself has to be started with the library of ``sanitizer_preload()`` in LD_PRELOAD.
    ``coverage`` leaves gcov notes and data beside the library, in a folder of its own.
    """

    optimise: str = "-O3"
    sanitize: tuple[str, ...] = ()
    coverage: bool = False
    extra: tuple[str, ...] = ()

    def flags(self) -> list[str]:
        """Return the compiler flags that follow."""
        flags = ["-std=c99", "-O0" if self.coverage else self.optimise, "-fPIC", "-shared"]
        flags += ["-fvisibility=hidden", "-fno-strict-aliasing", *WARNINGS]
        if self.sanitize:
            flags += ["-g", f"-fsanitize={','.join(self.sanitize)}", "-fno-sanitize-recover=all"]
        if self.coverage:
            flags += ["-g", "--coverage"]
        if not self.sanitize and not self.coverage:
            flags += TOGETHER
        return [*flags, *self.extra]


@dataclass(frozen=True)
class Library:
    """A loaded library: cffi's view of it, and where it came from.

    ``counters`` are the names of the core's counters in order ("pulse", "spark", ...), ``modes``
    those of its modes ("stopped", ..., "run").
    """

    ffi: Any
    lib: Any
    path: Path
    folder: Path
    counters: tuple[str, ...]
    modes: tuple[str, ...]


def source_folder(folder: Path) -> Path:
    """Return where the C of a firmware folder lies: its ``src``, or the folder itself."""
    inner = folder / "src"
    source = inner if inner.is_dir() else folder
    if not (source / "config.h").is_file():
        raise FolderError(
            f"{folder}: no firmware here: {source / 'config.h'} is missing\n"
            "    `sparktick generate ENGINE.toml FOLDER` writes a firmware folder."
        )
    return source


def core_sources(source: Path) -> list[Path]:
    """Return the core's C files that the host compiles, in a fixed order."""
    found = sorted(p for p in source.glob("st_*.c") if not NOT_CORE.fullmatch(p.name))
    if not found:
        raise FolderError(
            f"{source}: no st_*.c here; the core's files are missing\n"
            "    Generate the folder again, or copy the missing files back."
        )
    return found


def compiler() -> list[str]:
    """Return the host's C compiler as a command: $CC, cc, gcc or clang."""
    named = os.environ.get("CC", "").strip()
    if named:
        command = shlex.split(named)
        if shutil.which(command[0]) is None:
            raise BuildError(f"CC = {named}: no such compiler on PATH\n    {COMPILER_REMEDY}")
        return command
    for name in ("cc", "gcc", "clang"):
        if shutil.which(name):
            return [name]
    raise BuildError(
        f"no C compiler for this computer (looked for $CC, cc, gcc, clang)\n    {COMPILER_REMEDY}"
    )


@functools.cache
def _compiler_version(command: tuple[str, ...]) -> str:
    done = subprocess.run([*command, "--version"], capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def cache_folder() -> Path:
    """Return the folder of compiled libraries: $SPARKTICK_CACHE, else the user's cache."""
    named = os.environ.get(CACHE_VARIABLE)
    if named:
        return Path(named)
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "sparktick"


def _digest(source: Path, command: list[str], flags: list[str]) -> str:
    """Hash of all that decides the library: sources, headers, flags, compiler, platform."""
    digest = hashlib.sha256()
    parts = [sysconfig.get_platform(), sys.byteorder, *command, _compiler_version(tuple(command))]
    for text in (*parts, *flags):
        digest.update(text.encode() + b"\0")
    files = [HERE / name for name in (*BENCH_SOURCES, *BENCH_HEADERS)]
    for path in (*files, *sorted(source.glob("*.c")), *sorted(source.glob("*.h"))):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:24]


def build(folder: Path | str, options: BuildOptions | None = None) -> Path:
    """Compile the folder's core with the bench, or find it compiled; return the library's path.

    Raises FolderError when the folder holds no firmware or the cache cannot be written, and
    BuildError, with the compiler's own words, when there is no compiler or it refuses.
    """
    options = options or BuildOptions()
    source = source_folder(Path(folder)).resolve()
    sources = [*core_sources(source), *(HERE / name for name in BENCH_SOURCES)]
    command, flags = compiler(), [*options.flags(), SCALAR]
    digest = _digest(source, command, [*flags, str(source) if options.coverage else ""])
    cache = cache_folder() / (f"coverage-{digest}" if options.coverage else "host")
    target = cache / f"bench-{digest}.so"
    if target.exists():
        return target
    _make_folder(cache)
    includes = ["-include", str(HERE / "bench_flash.h"), f"-I{source}", f"-I{HERE}"]
    full = [*command, *flags, *includes, *map(str, sources)]
    if options.coverage:  # gcov writes its data where the notes were written: no moving afterwards
        _compile(folder, [*full, "-o", str(target)])
        return target
    with tempfile.TemporaryDirectory(dir=cache) as scratch:
        made = Path(scratch, target.name)
        _compile_together(folder, [*full, "-o", str(made)])
        made.replace(target)
    return target


def _make_folder(cache: Path) -> None:
    try:
        cache.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FolderError(
            f"{cache}: cannot make the folder for compiled libraries: {error.strerror}\n"
            f"    Name a folder that can be written in the variable {CACHE_VARIABLE}."
        ) from error


def _compile_together(folder: Path | str, command: list[str]) -> None:
    apart = [word for word in command if word not in TOGETHER]
    if apart != command:
        with contextlib.suppress(BuildError):
            _compile(folder, command)
            return
    _compile(folder, apart)


def _compile(folder: Path | str, command: list[str]) -> None:
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        raise BuildError(f"{command[0]}: cannot be run: {error.strerror}") from error
    if done.returncode != 0:
        raise BuildError(
            f"{folder}: the C compiler ({command[0]}) refused the firmware's core", done.stderr
        )


def sanitizer_preload(name: str = "address") -> Path:
    """Return the run-time library to put into LD_PRELOAD for a sanitizer that wants to be first."""
    file = {"address": "libasan.so", "undefined": "libubsan.so"}[name]
    done = subprocess.run(
        [*compiler(), f"-print-file-name={file}"], capture_output=True, text=True, check=False
    )
    return Path(done.stdout.strip())


@functools.cache
def _ffi() -> Any:
    """Take the declarations from bench.h itself, so that nothing is typed twice."""
    text = (HERE / "bench.h").read_text(encoding="utf-8")
    begin, end = "/* cdef begin */", "/* cdef end */"
    ffi = cffi.FFI()
    ffi.cdef(text[text.index(begin) + len(begin) : text.index(end)])
    return ffi


@functools.cache
def load_alone(name: str) -> tuple[Any, Any]:
    """Return (ffi, lib) of one C file of this folder that needs no firmware: NAME.c with NAME.h."""
    header = (HERE / f"{name}.h").read_text(encoding="utf-8")
    ffi = cffi.FFI()
    ffi.cdef(header.split("/* cdef begin */")[1].split("/* cdef end */")[0])
    command = [*compiler(), *BuildOptions().flags()]
    source = HERE / f"{name}.c"
    content = "\0".join((*command, _compiler_version(tuple(compiler())), header))
    digest = hashlib.sha256(content.encode() + source.read_bytes()).hexdigest()[:24]
    cache = cache_folder() / "host"
    target = cache / f"{name}-{digest}.so"
    if not target.exists():
        _make_folder(cache)
        with tempfile.TemporaryDirectory(dir=cache) as scratch:
            made = Path(scratch, target.name)
            _compile_together(source, [*command, str(source), "-lm", "-o", str(made)])
            made.replace(target)
    try:
        return ffi, ffi.dlopen(str(target))
    except OSError as error:
        raise BuildError(
            f"{target}: cannot be loaded: {error}\n    Delete it and run again."
        ) from None


def _enum_names(header: str, enum: str) -> tuple[str, ...]:
    """Names of one enum of st_core.h, ordered by value, without prefix, in lower case."""
    body = re.search(r"typedef enum \{([^}]*)\}\s*" + enum + ";", header)
    found = re.findall(r"\bST_(?:N_)?(\w+)\s*=\s*(\d+)", body[1]) if body else []
    ordered = sorted((int(number), name.lower()) for name, number in found)
    return tuple(name for _, name in ordered)


def core_names(source: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the names of the core's counters and of its modes, from the folder's st_core.h."""
    header = (source / "st_core.h").read_text(encoding="utf-8")
    counters = tuple(name for name in _enum_names(header, "st_counter") if name != "count")
    return counters, _enum_names(header, "st_mode")


def _check_layout(ffi: Any, lib: Any, path: Path, counters: int) -> None:
    def offset(struct: str, field: str) -> int:
        return int(ffi.offsetof(struct, field))

    expected = [
        ffi.sizeof("bench_noise"),
        ffi.sizeof("bench_settings"),
        offset("bench_settings", "first_tick"),
        offset("bench_settings", "noise_jitter_s"),
        offset("bench_settings", "noise"),
        ffi.sizeof("bench_facts"),
        offset("bench_facts", "on_max_s"),
        ffi.sizeof("bench_out"),
        offset("bench_out", "coil_count"),
        offset("bench_out", "mode_count"),
        offset("bench_out", "line_from_s"),
        counters,
    ]
    numbers = ffi.new("uint64_t[]", len(expected) + 1)
    count = lib.bench_layout(numbers, len(numbers))
    found = list(numbers)[: len(expected)]
    if count != len(numbers) or found != expected:
        raise BuildError(
            f"{path}: the compiled bench lays out its data otherwise than bench.h says "
            f"({found} for {expected})\n    Delete the file and run again."
        )


@functools.cache
def _load(path: Path, source: Path) -> Library:
    ffi = _ffi()
    try:
        lib = ffi.dlopen(str(path))
    except OSError as error:
        raise BuildError(
            f"{path}: cannot be loaded: {error}\n    Delete it and run again."
        ) from None
    counters, modes = core_names(source)
    _check_layout(ffi, lib, path, len(counters))
    return Library(ffi, lib, path, source, counters, modes)


def load(folder: Path | str, options: BuildOptions | None = None) -> Library:
    """Build the folder's library if need be, load it, and check that both sides agree.

    Raises as ``build`` does.  A library already loaded is returned again.
    """
    return _load(build(folder, options), source_folder(Path(folder)).resolve())
