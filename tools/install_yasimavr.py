#!/usr/bin/env python3
"""Install the yasimavr emulator with pip and a compiler alone.

yasimavr comes as source and wants libelf's headers and library, which a machine with
only Python, a C++ compiler and pip lacks.  This builds tools/elf_shim (the ten libelf
calls its firmware loader makes) as a static library, shows it to the compiler through
CPATH and LDFLAGS, and runs pip; the result needs no libelf at run time, whether or not
the machine has one.  pip keeps the wheel in its cache, so the minute of compiling is
spent once per user.

    python tools/install_yasimavr.py [--no-cache] [--target-python PYTHON]

Exit code 0 when the emulator imports afterwards, 1 when the build failed, 2 when the
machine lacks something it needs.
"""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

VERSION = "0.1.6"
SHIM = Path(__file__).resolve().parent / "elf_shim"
CFLAGS = "-std=c99 -D_POSIX_C_SOURCE=200809L -O2 -Wall -Wextra -Werror -fPIC -fvisibility=hidden"
LOOK = "import sysconfig, os; print(os.path.join(sysconfig.get_paths()['include'], 'Python.h'))"
IMPORT = "from yasimavr.device_library import load_device; load_device('atmega328p')"


def _fail(message: str) -> int:
    print(f"install_yasimavr: {message}", file=sys.stderr)
    return 2


def _works(python: str) -> bool:
    probe = f"import importlib.metadata as m; assert m.version('yasimavr') == '{VERSION}'; {IMPORT}"
    return subprocess.run([python, "-c", probe], capture_output=True, check=False).returncode == 0


def build_shim(folder: Path) -> None:
    """Compile the shim to ``folder``/libelf.a, headers beside it; raises CalledProcessError."""
    compiler = shlex.split(os.environ.get("CC", "cc"))
    thing = folder / "elf_shim.o"
    subprocess.run(
        [*compiler, *CFLAGS.split(), "-c", str(SHIM / "elf_shim.c"), "-o", str(thing)], check=True
    )
    subprocess.run(["ar", "rcs", str(folder / "libelf.a"), str(thing)], check=True)
    for header in ("libelf.h", "gelf.h"):
        shutil.copy(SHIM / header, folder)


def _pip(python: str, folder: Path, *options: str) -> int:
    headers = filter(None, [str(folder), os.environ.get("CPATH", "")])
    environment = os.environ | {
        "CPATH": os.pathsep.join(headers),
        # -L, because the compiler looks in its own folders before those in LIBRARY_PATH.
        "LDFLAGS": f"-L{folder} {os.environ.get('LDFLAGS', '')}".strip(),
    }
    command = [python, "-m", "pip", "install", *options, f"yasimavr=={VERSION}"]
    return subprocess.run(command, env=environment, check=False).returncode


def _install(python: str, no_cache: bool) -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        build_shim(folder)
        fresh = ("--no-cache-dir", "--force-reinstall")
        code = _pip(python, folder, *(fresh if no_cache else ()))
        if code == 0 and not _works(python) and not no_cache:
            # A wheel cached earlier may be linked with a libelf that has since gone.
            code = _pip(python, folder, *fresh)
    if code != 0 or not _works(python):
        print(f"install_yasimavr: yasimavr {VERSION} did not build or import", file=sys.stderr)
        return 1
    print(f"yasimavr {VERSION} is installed")
    return 0


def main() -> int:
    """Install unless the wanted version already imports; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--no-cache", action="store_true", help="build again from source")
    parser.add_argument("--target-python", default=sys.executable, help="default: this Python")
    options = parser.parse_args()
    if not options.no_cache and _works(options.target_python):
        print(f"yasimavr {VERSION} is already installed")
        return 0
    for tool in (shlex.split(os.environ.get("CC", "cc"))[0], "c++", "ar"):
        if shutil.which(tool) is None:
            return _fail(f"no {tool} on PATH; install a C/C++ compiler with binutils")
    look = [options.target_python, "-c", LOOK]
    header = subprocess.run(look, capture_output=True, text=True, check=True).stdout.strip()
    if not Path(header).exists():
        return _fail(f"{header} is missing; install this Python's development headers")
    return _install(options.target_python, options.no_cache)


if __name__ == "__main__":
    sys.exit(main())
