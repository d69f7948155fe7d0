"""Compile the wrappers' C and C++ once per machine and keep the result.

The cache is the one of the host libraries; a file's name holds a digest of its sources,
flags, the compiler's version and what it is linked with.
"""

from __future__ import annotations

import hashlib
import os
import platform
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from sparktick.gen.errors import BuildError, ToolError

from ..library import cache_folder

HERE = Path(__file__).resolve().parent
SHARED = ("chip_io.h", "chip_record.h", "chip_record.c")


@cache
def compiler(variable: str, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the command of a compiler: the environment ``variable`` or the first on PATH."""
    if os.environ.get(variable):
        return tuple(shlex.split(os.environ[variable]))
    for name in names:
        if shutil.which(name):
            return (name,)
    raise ToolError(f"no {' or '.join(names)} on PATH; install a C and C++ compiler")


@cache
def _version(command: tuple[str, ...]) -> str:
    done = subprocess.run([*command, "--version"], capture_output=True, text=True, check=False)
    return done.stdout + platform.machine()


def _digest(sources: Sequence[str], command: Sequence[str], extra: str) -> str:
    digest = hashlib.sha256(f"{list(command)} {extra}".encode())
    for name in sorted({*sources, *SHARED, *(p.name for p in HERE.glob("*.h"))}):
        digest.update(name.encode() + (HERE / name).read_bytes())
    return digest.hexdigest()[:16]


def build(
    name: str,
    sources: Sequence[str],
    command: tuple[str, ...],
    flags: Sequence[str],
    libraries: Sequence[str] = (),
    *,
    extra: str = "",
) -> Path:
    """Return the program or library ``name`` compiled from ``sources`` of this folder.

    ``extra`` is anything else the result depends on (a library's version).  BuildError
    with the compiler's output when it does not compile.
    """
    key = _digest(sources, [*command, *flags, *libraries], extra + _version(command))
    target = cache_folder() / f"{key}-{name}"
    if target.exists():
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as folder:
        made = Path(folder, name)
        full = [*command, *flags, *(str(HERE / s) for s in sources), "-o", str(made), *libraries]
        done = subprocess.run(full, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise BuildError(f"{name} does not compile: {shlex.join(full)}", done.stderr)
        made.replace(target)
    return target
