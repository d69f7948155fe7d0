"""Compile and load the engine's C: alone, or in one loop with a firmware folder's core.

Both end up in the cache of ``library.py`` under a hash of all that goes into them.
"""

from __future__ import annotations

import functools
import hashlib
import subprocess
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import cffi

from sparktick.gen.errors import BuildError

from .library import (
    WARNINGS,
    BuildOptions,
    Library,
    build,
    cache_folder,
    compiler,
    core_names,
    source_folder,
)

HERE = Path(__file__).resolve().parent
ENGINE_SOURCES = ("engine_motion.c", "engine_gas.c")
ENGINE_HEADERS = ("engine_motion.h", "engine_internal.h")
LOOP_SOURCES = (*ENGINE_SOURCES, "engine_loop.c")
LOOP_HEADERS = (*ENGINE_HEADERS, "engine_loop.h")


def _declarations(name: str) -> str:
    text = (HERE / name).read_text(encoding="utf-8")
    begin, end = "/* cdef begin */", "/* cdef end */"
    return text[text.index(begin) + len(begin) : text.index(end)]


@functools.cache
def engine_ffi() -> Any:
    """Return cffi's view of the engine alone."""
    ffi = cffi.FFI()
    ffi.cdef(_declarations("engine_motion.h"))
    return ffi


@functools.cache
def _loop_ffi() -> Any:
    ffi = cffi.FFI()
    for header in ("bench.h", "engine_motion.h", "engine_loop.h"):
        ffi.cdef(_declarations(header))
    return ffi


def _digest(names: tuple[str, ...], *words: str) -> str:
    digest = hashlib.sha256()
    for word in words:
        digest.update(word.encode() + b"\0")
    for name in names:
        digest.update(name.encode() + b"\0" + (HERE / name).read_bytes() + b"\0")
    return digest.hexdigest()[:24]


@functools.cache
def load_engine() -> tuple[Any, Any]:
    """Return (ffi, lib) of the engine without firmware.  Raises BuildError, FolderError."""
    command = [*compiler(), "-std=c99", "-O3", "-fPIC", "-shared", "-fvisibility=hidden", *WARNINGS]
    name = f"engine-{_digest((*ENGINE_SOURCES, *ENGINE_HEADERS), *command)}.so"
    cache = cache_folder() / "host"
    target = cache / name
    if not target.exists():
        cache.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=cache) as scratch:
            made = Path(scratch, name)
            sources = [str(HERE / source) for source in ENGINE_SOURCES]
            full = [*command, *sources, "-lm", "-o", str(made)]
            done = subprocess.run(full, capture_output=True, text=True, check=False)
            if done.returncode != 0:
                raise BuildError(f"{command[0]} refused the engine's C", done.stderr)
            made.replace(target)
    ffi = engine_ffi()
    return ffi, _checked(ffi, ffi.dlopen(str(target)), target)


def _checked(ffi: Any, lib: Any, path: Path) -> Any:
    if lib.engine_size() != ffi.sizeof("engine_state"):
        raise BuildError(
            f"{path}: the compiled engine lays out its data otherwise than engine_motion.h says\n"
            "    Delete the file and run again."
        )
    return lib


@functools.cache
def _load_loop(path: Path, source: Path) -> Library:
    ffi = _loop_ffi()
    lib = _checked(ffi, ffi.dlopen(str(path)), path)
    counters, modes = core_names(source)
    return Library(ffi, lib, path, source, counters, modes)


def load_loop(folder: Path | str, options: BuildOptions | None = None) -> Library:
    """Build and load a folder's core together with bench and engine.

    The library serves ``Bench`` as well.  Raises FolderError and BuildError as ``library.load``.
    """
    options = options or BuildOptions()
    stamp = _digest((*LOOP_SOURCES, *LOOP_HEADERS))
    sources = [str(HERE / name) for name in LOOP_SOURCES]
    extra = (*options.extra, f"-DENGINE_STAMP={stamp}", *sources, "-lm")
    path = build(folder, replace(options, extra=extra))
    return _load_loop(path, source_folder(Path(folder)).resolve())
