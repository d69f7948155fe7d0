"""The fault catalogue: what can go wrong in sensor, engine and chip.

Every fault has an onset, a duration, and two forms: transient (over after its duration) and
persistent (it stays).  Faults of the chip (``on_chip``) run on the emulated chip, all others on the
host bench.  fault_sweep.py puts each at every instant of a turn and judges.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.errors import FolderError, RunError

from .bench import Bench, Hardware
from .chip import ChipRun, Reset, ResetKind, Upset, UpsetSpace, run_chip
from .chip.backends import upsetting
from .chip.exchange import symbols
from .chip.folder import chip_job
from .library import load
from .manifest import Manifest
from .run import F64, Motion, Run, Train
from .train import DEG_S_PER_RPM, profile, steady

RELOCK_PULSES = 6  # with a quarter of the slowest interval: invariant D, DEVELOPERS.md
START_DEG = -400.0


@dataclass(frozen=True)
class Scene:
    """One engine at one steady speed, and when the fault is there: ``end_s`` inf: it stays."""

    manifest: Manifest
    rpm: float
    onset_s: float
    end_s: float

    @property
    def turn_s(self) -> float:
        """Time from one pulse to the next."""
        return self.manifest.geometry.spacing_deg / (DEG_S_PER_RPM * self.rpm)

    @property
    def within_s(self) -> float:
        """How soon after the fault everything has to be well (invariant D)."""
        config = (self.manifest.folder / "src" / "config.h").read_text(encoding="utf-8")
        found = re.search(r"ST_CFG_PERIOD_MAX_TICKS UINT32_C\((\d+)\)", config)
        if found is None:
            raise FolderError(f"{self.manifest.folder}/src/config.h: no ST_CFG_PERIOD_MAX_TICKS")
        return 0.25 * int(found.group(1)) / self.manifest.tick_hz + RELOCK_PULSES * self.turn_s


@dataclass(frozen=True)
class Fault:
    """One fault; the subclasses say what it does.  ``duration_s`` of its transient form.

    ``edges_true``: the pickup line stays true while the fault lasts, so that B holds throughout.
    """

    name: ClassVar[str]
    on_chip: ClassVar[bool] = False
    edges_true: ClassVar[bool] = False
    duration_s: float = 0.05

    @property
    def title(self) -> str:
        """The name, with what tells it from others of that name."""
        return self.name

    def motion(self, scene: Scene) -> Motion:
        """Return how the crank turns."""
        return steady(scene.rpm, angle_deg=START_DEG)

    def well_s(self, scene: Scene) -> float:
        """Return from when on speed and line are as before the fault."""
        return scene.end_s

    def line(self, scene: Scene, train: Train) -> Train:
        """Return what the pickup line does."""
        return train

    def run(self, scene: Scene, train: Train) -> Run:
        """Run the firmware with the fault."""
        return _bench(scene).run(train)

    def control(self, scene: Scene, train: Train) -> Run:
        """Run the firmware without the fault, where the fault would run."""
        return _chip(scene, train) if self.on_chip else _bench(scene).run(train)


def _bench(scene: Scene) -> Bench:
    return Bench(load(scene.manifest.folder), Hardware.of(scene.manifest))


def _chip(scene: Scene, train: Train, resets: tuple[Reset, ...] = ()) -> ChipRun:
    emulator = upsetting(str(scene.manifest.raw["mcu"]))
    return run_chip(chip_job(scene.manifest, train, resets=resets, serial=False), emulator)


def _in_parts(
    scene: Scene, train: Train, borders_s: list[float], act: Callable[[Bench, int], F64]
) -> Run:
    """Feed a train up to each border, let ``act`` do something there, and feed the rest."""
    bench = _bench(scene)
    parts, begin = [], 0
    borders = sorted(b for b in borders_s if b < train.end_s)
    for place, border_s in enumerate([*borders, train.end_s]):
        end = int(np.searchsorted(train.edge_s, border_s))
        parts.append(bench.feed(train.edge_s[begin:end], train.line[begin:end], border_s))
        begin = end
        if place < len(borders):
            extra = act(bench, place)
            none = np.zeros(len(extra), np.uint8)
            parts.append((extra, none, none))
    return bench.finish(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _line_of(train: Train, edge_s: F64, level: NDArray[Any]) -> Train:
    """Return a train of levels with repeated ones left out; none of its edges counts as true."""
    active = level.astype(np.uint8)
    kept = np.diff(active.astype(np.int8), prepend=np.int8(0)) != 0
    flag = np.zeros(int(kept.sum()), np.uint8)
    return replace(train, edge_s=edge_s[kept], active=active[kept], true_edge=flag)


@dataclass(frozen=True)
class LostSensor(Fault):
    """A broken wire: the line is idle."""

    name: ClassVar[str] = "lost sensor"

    def line(self, scene: Scene, train: Train) -> Train:
        """Return the line held idle."""
        return _held(scene, train, lambda level_then: 0)


@dataclass(frozen=True)
class FrozenSensor(Fault):
    """The sensor's output stays as it is at the onset."""

    name: ClassVar[str] = "frozen sensor"

    def line(self, scene: Scene, train: Train) -> Train:
        """Return the line held at its level."""
        return _held(scene, train, lambda level_then: level_then)


def _level_at(train: Train, at_s: float) -> int:
    before = int(np.searchsorted(train.edge_s, at_s, side="right"))
    return int(train.active[before - 1]) if before else 0


def _held(scene: Scene, train: Train, rule: Callable[[int], int]) -> Train:
    end_s = min(scene.end_s, train.end_s)
    held = rule(_level_at(train, scene.onset_s))
    outside = (train.edge_s < scene.onset_s) | (train.edge_s >= end_s)
    marks_s = np.array([scene.onset_s, end_s])
    marks = np.array([held, _level_at(train, end_s)])
    at_s = np.concatenate((train.edge_s[outside], marks_s))
    level = np.concatenate((train.active[outside], marks))
    order = np.argsort(at_s, kind="stable")
    keep = at_s[order] < train.end_s
    return _line_of(train, at_s[order][keep], level[order][keep])


@dataclass(frozen=True)
class InvertedSensor(Fault):
    """Wired or magnetised the wrong way: the line says the opposite."""

    name: ClassVar[str] = "sensor wired inverted"

    def line(self, scene: Scene, train: Train) -> Train:
        """Return the line inverted."""
        end_s = min(scene.end_s, train.end_s)
        at_s = np.sort(np.concatenate((train.edge_s, [scene.onset_s, end_s])))
        at_s = at_s[at_s < train.end_s]
        place = np.searchsorted(train.edge_s, at_s, side="right")
        level = np.concatenate(([0], train.active))[place]
        inside = (at_s >= scene.onset_s) & (at_s < end_s)
        return _line_of(train, at_s, level ^ inside)


@dataclass(frozen=True)
class _Slowed(Fault):
    """The crank stops, or turns back at a part of its speed, then speeds up again."""

    back: ClassVar[float] = 0.0
    within_deg: float = 90.0
    rpm_per_s: float = 20000.0
    duration_s: float = 0.4

    def _times(self, scene: Scene) -> tuple[float, float]:
        return 2.0 * self.within_deg / (DEG_S_PER_RPM * scene.rpm), scene.rpm / self.rpm_per_s

    def motion(self, scene: Scene) -> Motion:
        """Return a motion that stops within ``within_deg`` of crank."""
        stop_s, again_s = self._times(scene)
        t = [0.0, scene.onset_s, scene.onset_s + stop_s * (1.0 + self.back)]
        rpm = [scene.rpm, scene.rpm, -self.back * scene.rpm]
        if np.isfinite(scene.end_s):
            t += [t[-1] + self.duration_s, t[-1] + self.duration_s + again_s * (1.0 + self.back)]
            rpm += [rpm[-1], scene.rpm]
        return profile(t, rpm, angle_deg=START_DEG)

    def well_s(self, scene: Scene) -> float:
        """Return when full speed is reached again."""
        stop_s, again_s = self._times(scene)
        return scene.end_s + (stop_s + again_s) * (1.0 + self.back)


@dataclass(frozen=True)
class SuddenStop(_Slowed):
    """A piston that seizes, a propeller that hits something."""

    name: ClassVar[str] = "sudden stop"


@dataclass(frozen=True)
class ReversedRotation(_Slowed):
    """A kick-back: the crank is thrown back against its direction."""

    name: ClassVar[str] = "reversed rotation"
    back: ClassVar[float] = 0.25


@dataclass(frozen=True)
class ClockError(Fault):
    """The chip's clock runs fast by a part (negative: slow)."""

    name: ClassVar[str] = "clock error"
    edges_true: ClassVar[bool] = True
    part: float = 0.03

    @property
    def title(self) -> str:
        """Fast or slow, and by how much."""
        return f"{self.name} {100.0 * self.part:+g} %"

    def _knots(self, scene: Scene, end_s: float) -> tuple[F64, F64]:
        span = np.clip([scene.onset_s, scene.end_s], 0.0, end_s)
        true_s = np.array([0.0, span[0], span[1], end_s])
        rate = np.array([1.0, 1.0 + self.part, 1.0])
        return true_s, np.concatenate(([0.0], np.cumsum(np.diff(true_s) * rate)))

    def run(self, scene: Scene, train: Train) -> Run:
        """Run in the chip's own time, and give the outcome in true time."""
        true_s, chip_s = self._knots(scene, train.end_s)
        edge_s, second_s = (np.interp(at, true_s, chip_s) for at in (train.edge_s, train.second_s))
        warped = replace(train, edge_s=edge_s, second_s=second_s, end_s=float(chip_s[-1]))
        run = _bench(scene).run(warped)
        return replace(run, coil_s=np.interp(run.coil_s, chip_s, true_s))


@dataclass(frozen=True)
class LateInterrupt(Fault):
    """Interrupts answer late: something holds them off."""

    name: ClassVar[str] = "late interrupt"
    edges_true: ClassVar[bool] = True
    late_s: float = 60e-6

    def run(self, scene: Scene, train: Train) -> Run:
        """Run with the latency changed while the fault lasts."""
        usual_s = Hardware.of(scene.manifest).latency_cycles / scene.manifest.f_cpu_hz

        def act(bench: Bench, place: int) -> F64:
            bench.late(usual_s + (self.late_s if place == 0 else 0.0))
            return np.zeros(0)

        return _in_parts(scene, train, [scene.onset_s, scene.end_s], act)


@dataclass(frozen=True)
class StateFlip(Fault):
    """One bit of the core's state flips at the onset; persistent: again every 20 ms.

    Which bit follows from the onset, so that a sweep takes another one each time.
    """

    name: ClassVar[str] = "bit flip in state"
    duration_s: float = 0.0
    again_s: float = 0.02

    def run(self, scene: Scene, train: Train) -> Run:
        """Run on the host bench, the core's struct upset between two events."""
        rng = np.random.default_rng(round(scene.onset_s * 1e9))
        at_s = [scene.onset_s]
        if not np.isfinite(scene.end_s):
            at_s = list(np.arange(scene.onset_s, train.end_s, self.again_s))

        def act(bench: Bench, place: int) -> F64:
            memory = bench.core_memory()
            memory[int(rng.integers(len(memory)))] ^= np.uint8(1 << int(rng.integers(8)))
            return np.zeros(0)

        return _in_parts(scene, train, at_s, act)


@dataclass(frozen=True)
class ChipReset(Fault):
    """A reset of the emulated chip; persistent: again every 50 ms."""

    name: ClassVar[str] = "reset"
    on_chip: ClassVar[bool] = True
    edges_true: ClassVar[bool] = True
    duration_s: float = 0.0
    kind: ResetKind = ResetKind.EXTERNAL
    again_s: float = 0.05

    def run(self, scene: Scene, train: Train) -> Run:
        """Run on the emulated chip."""
        at_s = [scene.onset_s]
        if not np.isfinite(scene.end_s):
            at_s = list(np.arange(scene.onset_s, train.end_s, self.again_s))
        resets = tuple(Reset(float(t), self.kind, self.duration_s) for t in at_s)
        return _chip(scene, train, resets)


@dataclass(frozen=True)
class SupplyDip(ChipReset):
    """The supply falls below brown-out for a while."""

    name: ClassVar[str] = "supply dip"
    duration_s: float = 0.01
    kind: ResetKind = ResetKind.BROWN_OUT


@dataclass(frozen=True)
class ChipFlip(Fault):
    """One bit of the core's state flips in the emulated chip; persistent: again every 50 ms."""

    name: ClassVar[str] = "bit flip in the chip"
    on_chip: ClassVar[bool] = True
    duration_s: float = 0.0
    again_s: float = 0.05

    def run(self, scene: Scene, train: Train) -> Run:
        """Run on the emulated chip."""
        at_s = [scene.onset_s]
        if not np.isfinite(scene.end_s):
            at_s = list(np.arange(scene.onset_s, train.end_s, self.again_s))
        rng = np.random.default_rng(round(scene.onset_s * 1e9))
        job = chip_job(scene.manifest, train, serial=False)
        core = symbols(job).get("st_the_core")
        if core is None:
            raise RunError(f"{job.elf}: the image has no st_the_core to upset")
        size = load(scene.manifest.folder).lib.bench_core_size()
        upsets = tuple(
            Upset(float(t), UpsetSpace.DATA, core + int(rng.integers(size)), int(rng.integers(8)))
            for t in at_s
        )
        return run_chip(replace(job, upsets=upsets), upsetting(str(scene.manifest.raw["mcu"])))


CATALOGUE: tuple[Fault, ...] = (
    *(LostSensor(), FrozenSensor(), InvertedSensor(), SuddenStop(), ReversedRotation()),
    *(ClockError(), ClockError(part=-0.03), LateInterrupt(), StateFlip()),
    *(ChipReset(), SupplyDip(), ChipFlip()),
)
