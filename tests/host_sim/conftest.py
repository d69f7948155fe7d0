"""Shared by the host simulator's tests: generated firmware folders, a probe in the core's place."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import sparktick.examples
from sparktick.gen.pipeline import generate
from sparktick.host_sim.bench import Bench, CoilNoise, Hardware
from sparktick.host_sim.library import Library, load
from sparktick.host_sim.manifest import Manifest, read_manifest

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))
PROBE = Path(__file__).parent / "probe"
SCRIPT_LINES = 32
KINDS = ("init", "capture", "alarm", "coil", "forced", "poll")

NOTHING = 255
IDLE, ON_AT, OFF_AT = 0, 1, 2
MASKED, LEAD, TRAIL = 0, 1, 2

TICK_HZ = 2e6
F_CPU_HZ = 16e6


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SPARKTICK_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session", params=["plover", "teal"])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a firmware folder generated from one of the two example engines."""
    made = tmp_path_factory.mktemp("firmware") / request.param
    generate(EXAMPLES / f"{request.param}.toml", made)
    return made


@pytest.fixture(scope="session")
def plover(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the firmware folder of the four-stroke example."""
    made = tmp_path_factory.mktemp("firmware") / "plover"
    generate(EXAMPLES / "plover.toml", made)
    return made


@pytest.fixture(scope="session")
def manifest(folder: Path) -> Manifest:
    return read_manifest(folder)


@pytest.fixture(scope="session")
def library(folder: Path) -> Library:
    return load(folder)


@dataclass(frozen=True)
class Event:
    """One line of the probe's log; ticks are relative to the counter's start value."""

    kind: str
    at: int
    now: int
    level: int


class ProbeBench(Bench):
    """A bench whose core follows a script and keeps a log."""

    def script(self, *lines: tuple[int, int, int, int, int]) -> None:
        """Set what is ordered after start and after each event.

        A line is coil order, ticks ahead, capture order, alarm on, ticks ahead.
        """
        words = self.core_memory().view(np.uint32)
        idle = (NOTHING, 0, NOTHING, NOTHING, 0)
        padded = [*lines, *([idle] * (SCRIPT_LINES - len(lines)))]
        words[2 : 2 + 5 * SCRIPT_LINES] = np.array(padded, dtype=np.int64).ravel() % (1 << 32)

    def log(self) -> list[Event]:
        """Return the events since start."""
        words = self.core_memory().view(np.uint32)
        begin = 2 + 5 * SCRIPT_LINES
        rows = words[begin : begin + 4 * int(words[0])].reshape(-1, 4)
        first = self.chip.first_tick

        def ticks(value: np.uint32) -> int:
            return (int(value) - first) % (1 << 32)

        return [
            Event(KINDS[int(kind)], ticks(at), ticks(now), int(level))
            for kind, at, now, level in rows
        ]

    def log_of(self, kind: str) -> list[Event]:
        return [event for event in self.log() if event.kind == kind]


def ideal_chip(**changes: object) -> Hardware:
    """Return a chip without handler times or filter, 2 MHz ticks, no capture delay."""
    values: dict[str, object] = {
        "tick_hz": TICK_HZ,
        "f_cpu_hz": F_CPU_HZ,
        "capture_delay_cycles": 0.5,
        "filter_samples": 0,
        "near_ticks": 0,
        "latency_cycles": 0.0,
        "capture_cycles": 0.0,
        "coil_cycles": 0.0,
        "alarm_cycles": 0.0,
        "settle_cycles": 0.0,
        "order_cycles": 0.0,
        "poll_hold_cycles": 0.0,
        "start_s": 0.0,
        "ideal": True,
    }
    return Hardware(**{**values, **changes})  # type: ignore[arg-type]


def real_chip(**changes: object) -> Hardware:
    """Return a chip with round handler times: latency 2 us, capture, coil, alarm 10 us."""
    values: dict[str, object] = {
        "tick_hz": TICK_HZ,
        "f_cpu_hz": F_CPU_HZ,
        "capture_delay_cycles": 6.5,
        "filter_samples": 4,
        "near_ticks": 16,
        "latency_cycles": 32.0,
        "capture_cycles": 160.0,
        "coil_cycles": 160.0,
        "alarm_cycles": 160.0,
        "settle_cycles": 0.0,
        "order_cycles": 0.0,
        "poll_hold_cycles": 0.0,
        "start_s": 0.0,
    }
    return Hardware(**{**values, **changes})  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def probe() -> Library:
    return load(PROBE)


def probe_bench(probe: Library, chip: Hardware, noise: CoilNoise | None = None) -> ProbeBench:
    return ProbeBench(probe, chip, noise)


@pytest.fixture(scope="session")
def wait_until_open() -> Callable[[Path], None]:
    """Return what waits until another than the test's own end of a pseudo-terminal is open."""

    def wait(port: Path) -> None:
        near, deadline = port.resolve(), time.monotonic() + 20.0
        while time.monotonic() < deadline:
            links = []
            for link in Path("/proc/self/fd").iterdir():
                with contextlib.suppress(OSError):
                    links.append(link.readlink())
            if links.count(near) > 1:
                break
            time.sleep(0.02)
        time.sleep(0.1)  # opening a port drops what stands in it

    return wait
