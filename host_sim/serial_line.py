"""The firmware's serial lines, from bytes to numbers, and what a series of them tells.

A line is framed and checked as in NMEA 0183: ``$``, fields, ``*``, the exclusive-or of what is
between in two hex digits (templates_c/core/st_tell.c).
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from typing import Any

import numpy as np

from sparktick.gen.errors import RunError
from sparktick.gen.telling import HEADING

from .manifest import Manifest
from .train import DEG_S_PER_RPM

LINE = re.compile(rb"\$([^$*\r\n]{1,250})\*([0-9A-F]{2})\r?\n")
FIELDS_BEFORE_COUNTS = 5
LONGEST = 256
MODES = ("stopped", "warm restart", "first pulse", "start", "locking", "running")
RUNNING, STARTING = 5, 3
RETRY_S = 0.5
ODD_ARC, ODD_LINES = 0.2, 8  # part of the arc, and lines in a row, that tell of another folder


def checksum(body: bytes) -> int:
    """Return the exclusive-or of all bytes (NMEA 0183).

    >>> f"{checksum(b'GPGLL,5300.97914,N,00259.98174,E,125926,A'):02X}"
    '28'
    """
    return reduce(xor, body, 0)


@dataclass(frozen=True)
class Line:
    """One line: ``mode`` indexes MODES, period and width are in timer ticks."""

    mode: int
    period_ticks: int
    width_ticks: int
    counts: tuple[int, ...]


def parse_body(body: bytes) -> Line | None:
    """Return what stands between ``$`` and ``*``, or None where it is no line of ours."""
    head, *words = body.split(b",")
    if head != HEADING.encode() or len(words) <= FIELDS_BEFORE_COUNTS:
        return None
    if not all(re.fullmatch(rb"[0-9A-F]{4}", word) for word in words):
        return None
    n = [int(word, 16) for word in words]
    if n[0] >= len(MODES):
        return None
    return Line(n[0], n[1] << 16 | n[2], n[3] << 16 | n[4], tuple(n[5:]))


@dataclass
class LineReader:
    """Bytes in, whole and true lines out; whatever else arrives is counted and dropped."""

    good: int = 0
    garbled: int = 0
    bytes_read: int = 0
    _rest: bytes = b""

    def feed(self, received: bytes) -> list[Line]:
        """Return the lines that end in these bytes."""
        self.bytes_read += len(received)
        text = self._rest + received
        end = text.rfind(b"\n") + 1
        whole, self._rest = text[:end], text[end:][-LONGEST:]
        found = []
        for part in whole.splitlines(keepends=True):
            begin = part.rfind(b"$")
            match = LINE.fullmatch(part[begin:]) if begin >= 0 else None
            line = (
                parse_body(match[1]) if match and checksum(match[1]) == int(match[2], 16) else None
            )
            if line is None:
                self.garbled += bool(part.strip())
                continue
            self.garbled += begin > 0
            self.good += 1
            found.append(line)
        return found


@dataclass(frozen=True)
class Reading:
    """One line in the user's units; ``reset`` when the chip began anew since the line before.

    ``advance_deg`` and ``dwell_us`` are the plan's at that speed, None where no spark is due;
    ``counters`` by their names.
    """

    at_s: float
    mode: str
    rpm: float
    advance_deg: float | None
    dwell_us: float | None
    width_deg: float | None
    counters: dict[str, int]
    reset: bool


@dataclass
class Interpreter:
    """Lines to readings; remembers the line before to see a reset chip.

    ``foreign`` says why the firmware in the chip seems not to be the folder's, once that is so.
    """

    manifest: Manifest
    names: tuple[str, ...]
    resets: int = 0
    foreign: str = ""
    _odd_arcs: int = 0
    _before: Line | None = None

    def read(self, line: Line, at_s: float) -> Reading:
        """Return one line in the user's units.  Raises RunError when its counters are others."""
        if len(line.counts) != len(self.names):
            raise RunError(
                f"the chip tells {len(line.counts)} counters, the folder {len(self.names)}\n"
                "    The firmware in the chip is not the one of this folder: flash it again."
            )
        m, geometry = self.manifest, self.manifest.geometry
        reset = self._before is not None and self._began_anew(self._before, line)
        self.resets += reset
        self._before = line
        known = line.mode >= STARTING and line.period_ticks > 0
        rpm = geometry.spacing_deg / DEG_S_PER_RPM * m.tick_hz / line.period_ticks if known else 0.0
        points = m.curve if line.mode == RUNNING else m.start.steady
        xs, ys = zip(*points, strict=True)
        period_us = line.period_ticks / m.tick_hz * 1e6
        dwell_us = max(0.0, min(m.dwell_us, period_us - m.off_min_us))
        width_deg = geometry.spacing_deg * line.width_ticks / line.period_ticks if known else None
        if width_deg is not None and line.mode == RUNNING:
            self._compare_arc(width_deg)
        return Reading(
            at_s=at_s,
            mode=MODES[line.mode],
            rpm=rpm,
            advance_deg=float(np.interp(rpm, xs, ys)) if known else None,
            dwell_us=dwell_us if known else None,
            width_deg=width_deg,
            counters=dict(zip(self.names, line.counts, strict=True)),
            reset=reset,
        )

    def _compare_arc(self, width_deg: float) -> None:
        """Name a magnet's arc that is not the folder's; it does not depend on the chip's clock."""
        arc_deg = self.manifest.geometry.arc_deg
        odd = abs(width_deg - arc_deg) > ODD_ARC * arc_deg
        self._odd_arcs = self._odd_arcs + 1 if odd else 0
        if self._odd_arcs == ODD_LINES:
            self.foreign = (
                f"the chip sees a magnet of {width_deg:.1f} deg, the folder's is {arc_deg:.1f}: "
                "another folder's firmware, another engine, or another magnet"
            )

    def _began_anew(self, before: Line, line: Line) -> bool:
        """Counters only grow: one that fell, or a reset counted, tells of a new begin."""
        pairs = list(zip(self.names, before.counts, line.counts, strict=True))
        return any(new < old or (name == "reset" and new > old) for name, old, new in pairs)


@dataclass(frozen=True)
class Notice:
    """Something that is not a line: the port came or went, or what arrives is not ours."""

    at_s: float
    text: str


@dataclass
class PortFollower:
    """Follow a serial port through pulled cables.

    ``open_port`` returns an object with ``read(n)`` that waits shortly, and ``close()``; it
    raises OSError when the port is not there (pyserial's errors are).  ``clock`` counts seconds.
    """

    open_port: Callable[[], Any]
    reader: LineReader = field(default_factory=LineReader)
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep

    def follow(self, seconds: float) -> Iterator[tuple[float, Line] | Notice | None]:
        """Yield lines with their instants and notices; None when nothing came for a moment.

        The first opening has to succeed (OSError otherwise).
        """
        begin = self.clock()
        port: Any = self.open_port()
        told_foreign = False
        try:
            while (now := self.clock() - begin) < seconds:
                if port is None:
                    port = self._again(now)
                    yield Notice(now, "the port is back") if port else None
                    continue
                try:
                    received = port.read(4096)
                except OSError:
                    _close(port)
                    port = None
                    yield Notice(now, "the port is gone (cable pulled?): waiting for it")
                    continue
                for line in self.reader.feed(received):
                    yield now, line
                foreign = self.reader.good == 0 and self.reader.bytes_read > 4 * LONGEST
                if foreign and not told_foreign:
                    told_foreign = True
                    yield Notice(
                        now, "bytes arrive, but no line of this firmware: wrong board, port or baud"
                    )
                if not received:
                    yield None
        finally:
            if port is not None:
                _close(port)

    def _again(self, now: float) -> Any:
        try:
            return self.open_port()
        except OSError:
            self.sleep(RETRY_S)
            return None


def _close(port: Any) -> None:
    try:
        port.close()
    except OSError:
        return
