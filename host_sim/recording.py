"""Recordings of a logic analyser, CSV or VCD (IEEE 1364), read in blocks of bounded size.

The scanning is C (scan.c); what stays in memory are the level changes of two lines.
"""

from __future__ import annotations

import csv
import functools
import hashlib
import re
import subprocess
import tempfile
from collections.abc import Generator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

import cffi
import numpy as np

from sparktick.gen.errors import BuildError, FolderError

from .library import WARNINGS, cache_folder, compiler
from .run import F64, U8

T = TypeVar("T")
HERE = Path(__file__).resolve().parent
BLOCK = 1 << 22
ROOM = 1 << 20
HEAD_MAX = 1 << 24
UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
USUAL = {
    "pickup": r"pickup|hall|sensor|trigger",
    "coil": r"(?<!_)(coil|spark|ign)(?!.*select)",
    "select": r"select",
    "phase": r"phase",
}
LINES = tuple(USUAL)
FAULTS = {
    1: "the row is shorter than its heading (truncated, or another separator?)",
    2: "not a number",
    3: "time runs backwards",
    4: "the step of time has changed a thousandfold since some 64 rows: two units in one file?",
}
MOST_CHANGES = 10_000_000  # some hours of an engine; bounds the memory
# Analysers' sample rates are small whole multiples of these many times a power of ten.
RATE_STEPS = (1.0, 1.2, 1.25, 1.5, 1.6, 2.0, 2.4, 2.5, 3.0, 3.2, 4.0, 4.8, 5.0, 6.0, 6.4, 8.0, 9.6)


@dataclass(frozen=True)
class Recording:
    """Level changes of two lines; times in seconds from the recording's begin.

    ``level`` 1 is high at the pin.  ``first`` levels are those before the first change.
    ``sample_s`` is how finely the instants are resolved; ``rows`` what was read; ``truncated``:
    the file ends in the middle of a row, which was left out.  ``more`` holds the lines "select" and
    "phase" of two coils where they were recorded: instants, begin included, and levels from then.
    """

    path: Path
    pickup_s: F64
    pickup_level: U8
    coil_s: F64
    coil_level: U8
    pickup_first: int
    coil_first: int
    end_s: float
    sample_s: float
    rows: int
    unknown: int
    truncated: bool = False
    more: dict[str, tuple[F64, U8]] = field(default_factory=dict)


@functools.cache
def _library() -> tuple[Any, Any]:
    header = (HERE / "scan.h").read_text(encoding="utf-8")
    ffi = cffi.FFI()
    ffi.cdef(header.split("/* cdef begin */")[1].split("/* cdef end */")[0])
    command = [*compiler(), "-std=c99", "-O3", "-fPIC", "-shared", "-fvisibility=hidden", *WARNINGS]
    source = (HERE / "scan.c").read_text(encoding="utf-8")
    digest = hashlib.sha256("\0".join((*command, header, source)).encode()).hexdigest()[:24]
    cache = cache_folder() / "host"
    target = cache / f"scan-{digest}.so"
    if not target.exists():
        cache.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=cache) as scratch:
            made = Path(scratch, target.name)
            full = [*command, str(HERE / "scan.c"), "-lm", "-o", str(made)]
            done = subprocess.run(full, capture_output=True, text=True, check=False)
            if done.returncode != 0:
                raise BuildError(f"{command[0]} refused scan.c", done.stderr)
            made.replace(target)
    lib = ffi.dlopen(str(target))
    if lib.scan_size() != ffi.sizeof("scan_state"):
        raise BuildError(f"{target}: laid out otherwise than scan.h says\n    Delete the file.")
    return ffi, lib


def _pick(path: Path, names: list[str], wanted: str | None, what: str) -> int:
    """Return the column of a line: by its name, by its number from 1, or by a usual name."""
    plain = [name.strip() for name in names]
    if wanted is not None:
        if wanted in plain:
            return plain.index(wanted)
        if wanted.isdecimal() and 1 <= int(wanted) <= len(plain):
            return int(wanted) - 1
    else:
        found = [i for i, name in enumerate(plain) if re.search(USUAL[what], name, re.IGNORECASE)]
        if len(found) == 1:
            return found[0]
    problem = f"no line {wanted!r}" if wanted else f"which line is the {what}?"
    shown = ", ".join(plain[:40]) or "none"
    raise FolderError(f"{path}: {problem}\n    Name it with --{what}; there are: {shown}")


def _lines(path: Path, names: list[str], wanted: dict[str, str | None]) -> dict[str, int]:
    """Return the column of each line: pickup and coil, and those of two coils that are there."""
    found = {what: _pick(path, names, wanted[what], what) for what in ("pickup", "coil")}
    for what in ("select", "phase"):
        usual = [name for name in names if re.search(USUAL[what], name, re.IGNORECASE)]
        if wanted[what] is not None or len(usual) == 1:
            found[what] = _pick(path, names, wanted[what], what)
    return found


def _unit(path: Path, heading: str, given: str | None) -> float:
    if given is not None:
        return UNITS_S[given]
    found = re.findall(r"(?:^|[\s\[(_/])(s|ms|us|µs|ns|ps)(?=[\])\s]|$)", heading.strip())
    if len(set(found)) > 1:
        raise FolderError(
            f"{path}: {heading!r} names more than one unit of time\n    Say which: --time-unit."
        )
    return UNITS_S[found[0]] if found else 1.0


def _is_row(cells: list[str], decimal: str) -> bool:
    try:
        return all(np.isfinite(float(cell.replace(decimal, "."))) for cell in cells)
    except ValueError:
        return False


def _csv_heading(path: Path, head: bytes) -> tuple[list[str], str, str, int]:
    """Return column names, separator, decimal sign, and where the rows begin."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise FolderError(f"{path}: is UTF-16 text\n    Save or export it as UTF-8 (plain text).")
    at = 3 if head.startswith(b"\xef\xbb\xbf") else 0
    names: list[str] = []
    lines = head[at:].splitlines(keepends=True)
    for line in lines[:200]:
        text = line.decode("utf-8", "replace").strip()
        if text and text[0] not in "#;":
            separator = max(",;\t", key=text.count)
            cells = next(csv.reader([text], delimiter=separator))
            decimal = "," if separator != "," and "," in text else "."
            if len(cells) > 1 and _is_row(cells, decimal):
                names = (
                    names if len(names) == len(cells) else [f"{i + 1}" for i in range(len(cells))]
                )
                return names, separator, decimal, at
            names = cells
        at += len(line)
    raise FolderError(
        f"{path}: no rows of numbers (empty, or no CSV)\n"
        "    A table with a heading and a column for time, pickup and coil is wanted."
    )


def _vcd_heading(path: Path, stream: BinaryIO) -> tuple[dict[str, str], float, int]:
    """Return codes by name, seconds a unit, and where the values begin."""
    head = stream.read(HEAD_MAX)
    body = head.find(b"$enddefinitions")
    end = head.find(b"$end", body + 8)
    if body < 0 or end < 0:
        raise FolderError(f"{path}: the VCD's definitions do not end (truncated?)")
    text = head[:body].decode("utf-8", "replace")
    scale = re.search(r"\$timescale\s+(\d+)\s*(s|ms|us|ns|ps|fs)\s+\$end", text)
    if scale is None:
        raise FolderError(f"{path}: the VCD has no $timescale")
    codes: dict[str, str] = {}
    for code, name in re.findall(
        r"\$var\s+\w+\s+\d+\s+(\S+)\s+(\S+)(?:\s+\[[^\]]*\])?\s+\$end", text
    ):
        codes[name] = code
    return codes, int(scale[1]) * UNITS_S[scale[2]], end + 4


def _blocks(
    path: Path, stream: BinaryIO, state: Any, scan: Any, ffi: Any
) -> Generator[tuple[F64, U8, U8], None, bool]:
    """Scan a file in blocks; yields (seconds, line, level) copies, returns whether it is cut."""
    at_s, line, level = np.empty(ROOM), np.empty(ROOM, np.uint8), np.empty(ROOM, np.uint8)
    pointers = (
        ffi.cast("double *", ffi.from_buffer(at_s)),
        ffi.cast("uint8_t *", ffi.from_buffer(line)),
        ffi.cast("uint8_t *", ffi.from_buffer(level)),
    )
    used = ffi.new("size_t *")
    rest, ended, changes, last = b"", False, 0, b"\n"
    while not ended:
        block = stream.read(BLOCK)
        ended = not block
        last = block[-1:] or last
        text = rest + (block or b"\n")
        begin = 0
        while True:
            view = ffi.from_buffer(text) + begin
            count = scan(state, view, len(text) - begin, used, *pointers, ROOM)
            begin += used[0]
            changes += count
            if changes > MOST_CHANGES:
                raise FolderError(
                    f"{path}: more than {MOST_CHANGES} level changes in {state.time_s:.3g} s\n"
                    "    Right lines, right --threshold? Else cut the file into shorter ones."
                )
            if count:
                yield at_s[:count].copy(), line[:count].copy(), level[:count].copy()
            if state.error or count + len(LINES) <= ROOM:
                break
        if state.error and ended and last not in b"\r\n":
            return True  # the last row is cut
        if state.error:
            shown = text[begin : begin + 60].split(b"\n")[0].decode("utf-8", "replace").strip()
            raise FolderError(
                f"{path}: after {state.rows} rows: {FAULTS[state.error]}: {shown!r}\n"
                "    Export the recording again, or cut the file before this place."
            )
        rest = text[begin:]
        if len(rest) > BLOCK:
            raise FolderError(f"{path}: a line of more than {BLOCK} bytes: no recording")
    return False


def sample_period_s(at_s: F64, quantum_s: float) -> float:
    """Return the slowest usual sample period whose grid holds all instants; else ``quantum_s``."""
    if len(at_s) < 8:
        return quantum_s
    some = at_s[np.linspace(0, len(at_s) - 1, min(len(at_s), 20000)).astype(int)]
    some = some - some[0]
    rates = [10.0**power * step for power in range(2, 10) for step in RATE_STEPS]
    for rate in sorted(rates):
        off = np.abs(some * rate - np.rint(some * rate))
        if rate * quantum_s <= 1.0 and off.max() <= max(1e-4, 0.51 * rate * quantum_s):
            if 0.51 * rate * quantum_s > 0.2:
                break
            return float(1.0 / rate)
    return quantum_s


def _state(ffi: Any, **values: Any) -> Any:
    state = ffi.new("scan_state *")
    for k in range(len(LINES)):
        state.level[k] = -1
    state.step_min_s = np.inf
    for name, value in values.items():
        setattr(state, name, value)
    return state


def read_recording(
    path: Path,
    *,
    pickup: str | None = None,
    coil: str | None = None,
    select: str | None = None,
    phase: str | None = None,
    time_unit: str | None = None,
    sample_hz: float | None = None,
    threshold: float = 0.5,
) -> Recording:
    """Read a recording; a VCD is known by its first ``$``.

    ``pickup``, ``coil`` and, of two coils, ``select`` and ``phase`` name the lines, or number the
    CSV's columns from 1; ``sample_hz``
    says how fast was sampled (and serves a CSV without time); ``threshold`` divides low from
    high in a CSV of volts.  Raises FolderError with the place of what cannot be read.
    """
    ffi, lib = _library()
    wanted = {"pickup": pickup, "coil": coil, "select": select, "phase": phase}
    with path.open("rb") as stream:
        head = stream.read(1 << 16)
        if not head.strip():
            raise FolderError(f"{path}: the file is empty")
        if head.lstrip()[:1] == b"$":
            stream.seek(0)
            codes, scale, begin = _vcd_heading(path, stream)
            names = list(codes)
            lines = _lines(path, names, wanted)
            state = _state(ffi, time_scale=scale, time_col=0, lines=len(lines))
            for k, column in enumerate(lines.values()):
                state.id[k] = codes[names[column]].encode()[:15]
            scan, quantum = lib.scan_vcd, scale
        else:
            names, separator, decimal, begin = _csv_heading(path, head)
            lines = _lines(path, names, wanted)
            state, quantum = _csv_state(path, ffi, names, lines, time_unit, sample_hz)
            state.separator, state.decimal = ord(separator), ord(decimal)
            state.threshold = threshold
            scan = lib.scan_csv
        stream.seek(begin)
        parts: list[tuple[F64, U8, U8]] = []
        cut = _collect(_blocks(path, stream, state, scan, ffi), parts)
    sample_s = 1.0 / sample_hz if sample_hz else 0.0
    found = _recording(path, parts, tuple(lines), state, sample_s, quantum)
    return replace(found, truncated=cut)


def _collect(blocks: Generator[T, None, bool], into: list[T]) -> bool:
    """Collect what a generator yields; return what it returns."""
    while True:
        try:
            into.append(next(blocks))
        except StopIteration as ended:
            return bool(ended.value)


def _csv_state(
    path: Path,
    ffi: Any,
    names: list[str],
    lines: dict[str, int],
    time_unit: str | None,
    sample_hz: float | None,
) -> tuple[Any, float]:
    times = [i for i, n in enumerate(names) if re.match(r"\W*(time|t)(\W|_|$)", n, re.IGNORECASE)]
    column = times[0] if times else (0 if 0 not in lines.values() else -1)
    scale = _unit(path, names[column], time_unit) if column >= 0 else 0.0
    if column < 0 or (not times and len(names) == 2):
        if sample_hz is None:
            raise FolderError(
                f"{path}: no column of time\n    Say how fast was sampled: --sample-hz."
            )
        column, scale = -1, 1.0 / sample_hz
    state = _state(ffi, time_col=column, time_scale=scale, lines=len(lines))
    for k, place in enumerate(lines.values()):
        state.line_col[k] = place
    return state, 0.0


def _recording(
    path: Path,
    parts: list[tuple[F64, U8, U8]],
    names: tuple[str, ...],
    state: Any,
    sample_s: float,
    quantum_s: float,
) -> Recording:
    if not parts or state.rows < 2:
        raise FolderError(f"{path}: fewer than two rows: nothing to judge")
    at_s = np.concatenate([part[0] for part in parts]) - state.first_s
    line = np.concatenate([part[1] for part in parts])
    level = np.concatenate([part[2] for part in parts])
    lines = {name: (at_s[line == k], level[line == k]) for k, name in enumerate(names)}
    if not sample_s:
        even = state.step_max_s - state.step_min_s < 0.01 * state.step_min_s
        changes = np.unique(at_s)
        sample_s = state.step_min_s if even else sample_period_s(changes, quantum_s or 1e-10)
    (pickup_s, pickup_level), (coil_s, coil_level) = lines.pop("pickup"), lines.pop("coil")
    return Recording(
        path=path,
        pickup_s=pickup_s[1:],
        pickup_level=pickup_level[1:],
        coil_s=coil_s[1:],
        coil_level=coil_level[1:],
        pickup_first=int(pickup_level[0]) if len(pickup_level) else 0,
        coil_first=int(coil_level[0]) if len(coil_level) else 0,
        end_s=float(state.time_s - state.first_s),
        sample_s=float(sample_s),
        rows=int(state.rows),
        unknown=int(state.unknown),
        more=lines,
    )
