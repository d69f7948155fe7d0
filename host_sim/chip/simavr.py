"""simavr as a child process: job file in, result file out (simavr_run.c)."""

from __future__ import annotations

import re
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import numpy as np

from sparktick.gen.errors import BuildError, RunError, ToolError

from . import exchange, native
from .base import ChipJob, ChipRun

INSTALL = "apt-get install libsimavr-dev libelf-dev"
SOURCE = "simavr 1.6"
SOURCES = (
    *("chip_record.c", "simavr_run.c", "simavr_chip.c", "simavr_timer.c", "simavr_pin.c"),
    *("simavr_line.c", "simavr_upset.c", "simavr_live.c"),
)
LIBRARIES = ("-lsimavr", "-lelf", "-lm")


@cache
def program() -> Path:
    """Return the compiled child program; ToolError when simavr's library is not installed."""
    command = native.compiler("CC", ("cc", "gcc", "clang"))
    try:
        return native.build("simavr_run", SOURCES, command, ("-std=gnu99", "-O2"), LIBRARIES)
    except BuildError as error:
        if re.search(r"simavr/\S+ ?(file not found|No such file)|-lsimavr|-lelf", error.log):
            raise ToolError(f"simavr is not installed; install it with: {INSTALL}") from error
        raise


def require() -> None:
    """Raise ToolError when simavr's library is not installed."""
    program()


def run(job: ChipJob, *, live_end: int | None = None) -> ChipRun:
    """Run one job on simavr; at the clock's own pace where ``live_end`` gets the serial bytes.

    ``live_end`` is an open file descriptor, such as a pseudo-terminal's master.
    """
    events = exchange.events(job)
    packed = exchange.pack(job, len(events))
    ffi = exchange.ffi()
    with tempfile.TemporaryDirectory() as name:
        job_file, result_file = Path(name, "job"), Path(name, "result")
        noise = exchange.noise_bytes(job.noise)
        job_file.write_bytes(bytes(ffi.buffer(packed)) + events.tobytes() + noise)
        live = () if live_end is None else (live_end,)
        done = subprocess.run(
            [str(program()), str(job_file), str(result_file), *(str(end) for end in live)],
            capture_output=True,
            check=False,
            pass_fds=live,
        )
        if done.returncode != 0 or not result_file.exists():
            note = done.stderr.decode(errors="replace").strip()
            raise RunError(
                f"{job.elf}: {SOURCE} ended with code {done.returncode}\n{note}".rstrip()
            )
        data = result_file.read_bytes()
    size = ffi.sizeof("chip_result")
    result = ffi.new("chip_result *")
    ffi.buffer(result)[:] = data[:size]
    changes = np.frombuffer(data, exchange.CHANGE, result.change_count, size)
    return exchange.unpack(job, result, changes, data[size + changes.nbytes :], SOURCE)
