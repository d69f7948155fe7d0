"""The same trains through the host bench and an emulated chip, spark by spark.

Every port is held against the one model of its core: steady speeds, ramps, start and stop, a line
with glitches, and a pickup that fails.  Where the two part, the first spark that differs is shown
with what both outputs did around it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from . import train as motions
from .bench import Hardware, run_train
from .chip import run_chip
from .chip.folder import chip_job
from .emulate import AGREE_TICKS, agree_ticks
from .glitches import merge_toggles, random_glitches
from .library import load
from .manifest import Manifest
from .measure import RunDifference, compare_runs
from .run import F64, U8, Run, Train
from .simulate import standard_scenarios

# A glitch that ends within microseconds of the moment at which a handler looks at the line is seen
# by one and not by the other, whose instructions are not those of the bench: such a pulse moves up
# to three sparks.  Where the line is clean no spark may differ.
NOISY_SHARE = 0.05
GLITCH_HZ, GLITCH_S = 200.0, (0.2e-6, 12e-6)
# Where an interrupt takes the time stamp, it may hang on the microseconds of a handler whether the
# first spark after lock still fits into its turn: one spark of such a run.
STAMPED_SHARE = 0.04
# A spark whose pulse did not come is ordered when the handler that noticed is done: by software, so
# it comes with that handler's time, which the bench knows to about so many CPU clocks.
BRIDGED_CYCLES = 480.0
# Where the speed changes, a spark may be due already when the handler that orders it is done; then
# it comes with that handler's time as well.  The bench's times are the ATmega328P's, stretched for
# slower chips: twice the share there, and twice that of noise.
DUE_SHARE = 0.03
STREAM = 71  # of the seeded generator


@dataclass(frozen=True)
class Case:
    """One train, the ticks by which a spark may differ, and the share that may differ by more."""

    name: str
    title: str
    train: Train
    allowed_ticks: float = AGREE_TICKS
    allowed_share: float = 0.0
    allowed_sparks: int = 0  # however short the run


@dataclass(frozen=True)
class FirstDifference:
    """The first spark that differs: when, by how many ticks (nan: only one made it), the traces.

    ``lines`` are the changes of pickup and of both outputs around it, oldest first.
    """

    at_s: float
    ticks: float
    lines: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        ticks = round(self.ticks, 3) if np.isfinite(self.ticks) else None
        return {"at_s": round(self.at_s, 9), "ticks": ticks, "traces": list(self.lines)}


@dataclass(frozen=True)
class CaseResult:
    """One case on one emulator: sparks of both, greatest difference, how many differ, the first."""

    case: Case
    source: str
    host_sparks: int
    chip_sparks: int
    most_ticks: float
    differing: int
    first: FirstDifference | None

    @property
    def passed(self) -> bool:
        """Whether no more sparks differ than the case allows."""
        share = self.case.allowed_share * max(self.host_sparks, self.chip_sparks)
        return self.differing <= max(share, self.case.allowed_sparks)

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        return {
            "name": self.case.name,
            "title": self.case.title,
            "emulator": self.source,
            "host_sparks": self.host_sparks,
            "chip_sparks": self.chip_sparks,
            "most_ticks": round(self.most_ticks, 3),
            "differing": self.differing,
            "allowed_ticks": self.case.allowed_ticks,
            "allowed_share": self.case.allowed_share,
            "first_difference": self.first.as_dict() if self.first else None,
            "passed": self.passed,
        }


def cases(manifest: Manifest, *, seed: int = 1, pulses: int = 60) -> list[Case]:
    """Return the trains: steady, ramps, start, stop, limit, glitches, faults of the pickup."""
    low = max(300.0, 1.1 * manifest.start.floor_rpm)
    speeds = [float(n) for n in np.geomspace(low, 0.99 * manifest.resume_rpm, 4)]
    found = []
    for scenario in standard_scenarios(manifest, rpm=speeds, noise=(), pulses=pulses):
        train = motions.pickup_train(scenario.motion, manifest, scenario.end_s)
        found.append(Case(scenario.name, scenario.title, train))
    for scenario in standard_scenarios(manifest, noise=(), pulses=1):
        if not scenario.name.startswith("steady-"):
            train = motions.pickup_train(scenario.motion, manifest, scenario.end_s)
            found.append(Case(scenario.name, scenario.title, train, allowed_share=DUE_SHARE))
    running = motions.pickup_train(motions.steady(speeds[2]), manifest, 2.0)
    rng = np.random.default_rng([seed, STREAM])
    glitches = random_glitches(rng, 0.2, running.end_s, GLITCH_HZ, GLITCH_S)
    title = f"{speeds[2]:.0f} rpm with {GLITCH_HZ:.0f} glitches a second"
    found.append(Case("noise", title, merge_toggles(running, glitches), allowed_share=NOISY_SHARE))
    slower = manifest.handler_time_ratio
    bridged = slower * BRIDGED_CYCLES * manifest.tick_hz / manifest.f_cpu_hz
    late = agree_ticks(manifest)
    found += _faults(running, rng, bridged + late - AGREE_TICKS)
    if slower > 1.1:
        found = [replace(case, allowed_share=2.0 * case.allowed_share) for case in found]
    if manifest.late_ticks == 0.0:
        return found
    return [
        replace(
            case,
            allowed_ticks=max(case.allowed_ticks, late),
            allowed_share=max(case.allowed_share, STAMPED_SHARE),
            allowed_sparks=1,
        )
        for case in found
    ]


def _faults(train: Train, rng: np.random.Generator, ticks: float) -> Iterator[Case]:
    pulses = len(train.edge_s) // 2
    lost = rng.choice(np.arange(5, pulses - 1), pulses // 10, replace=False)
    yield Case("lost-pulses", "one pulse in ten is lost", _without(train, lost), ticks)
    gap = np.arange(pulses // 3, pulses // 2)
    yield Case("stuck-line", "the line stuck for a sixth of the run", _without(train, gap), ticks)
    at = np.sort(rng.choice(np.arange(5, pulses - 1), pulses // 10, replace=False))
    lead = train.edge_s[2 * at]
    width = train.edge_s[2 * at + 1] - lead
    # Far from every true edge, and long enough to be believed were it not for its place.
    false = np.sort(np.concatenate((lead + 3.0 * width, lead + 3.8 * width)))
    yield Case("false-pulses", "a false pulse in one turn of ten", merge_toggles(train, false))


def _without(train: Train, pulses: np.ndarray[Any, np.dtype[np.int64]]) -> Train:
    keep = np.ones(len(train.edge_s), dtype=bool)
    keep[2 * pulses] = keep[2 * pulses + 1] = False
    edge_s, active, true = train.edge_s[keep], train.active[keep], train.true_edge[keep]
    return Train(edge_s, active, true, train.end_s, train.motion)


def compare(
    manifest: Manifest, trains: Sequence[Case], emulators: Sequence[str]
) -> Iterator[CaseResult]:
    """Run every case on every emulator and on the host; one result after the other."""
    library = load(manifest.folder)
    for emulator in emulators:
        for case in trains:
            chip = run_chip(chip_job(manifest, case.train), emulator)
            start_s = chip.facts.get("boot_s", 0.0)
            hardware = Hardware.of(manifest, timer_phase_s=chip.timer_phase_s, start_s=start_s)
            yield judge(case, run_train(library, hardware, case.train), chip)


def judge(case: Case, host: Run, chip: Run) -> CaseResult:
    """Compare two runs of one case."""
    difference = compare_runs(host, chip)
    off = np.abs(difference.ticks) > case.allowed_ticks + 1e-6
    alone = difference.only_a + difference.only_b
    return CaseResult(
        case=case,
        source=chip.source,
        host_sparks=int(np.count_nonzero(host.coil_on == 0)),
        chip_sparks=int(np.count_nonzero(chip.coil_on == 0)),
        most_ticks=float(np.abs(difference.ticks).max(initial=0.0)),
        differing=int(np.count_nonzero(off)) + alone,
        first=_first(case, host, chip, difference, off),
    )


def _first(
    case: Case, host: Run, chip: Run, difference: RunDifference, off: np.ndarray[Any, Any]
) -> FirstDifference | None:
    moved = np.flatnonzero(off)
    alone = np.concatenate((difference.alone_a_s, difference.alone_b_s))
    at_s = float(difference.at_s[moved[0]]) if len(moved) else np.inf
    ticks = float(difference.ticks[moved[0]]) if len(moved) else np.nan
    if len(alone) and float(alone.min()) < at_s:
        at_s, ticks = float(alone.min()), np.nan
    if not np.isfinite(at_s):
        return None
    return FirstDifference(at_s, ticks, tuple(_traces(case.train, host, chip, at_s)))


def _traces(train: Train, host: Run, chip: Run, at_s: float) -> Iterator[str]:
    """Yield the changes of pickup and both outputs within about two pulses of an instant."""
    leads = train.edge_s[train.active == 1]
    near = int(np.searchsorted(leads, at_s))
    begin = float(leads[max(0, near - 2)]) if len(leads) else at_s - 0.05
    end = float(leads[near]) if near < len(leads) else at_s + 0.05
    lines: list[tuple[float, str, int]] = []
    columns: tuple[tuple[str, F64, U8], ...] = (
        ("pickup", train.edge_s, train.active),
        ("host", host.coil_s, host.coil_on),
        ("chip", chip.coil_s, chip.coil_on),
    )
    for name, times, levels in columns:
        inside = (times >= begin - 1e-3) & (times <= end + 1e-3)
        pairs = zip(times[inside], levels[inside], strict=True)
        lines += [(float(t), name, int(level)) for t, level in pairs]
    for t, name, level in sorted(lines)[:60]:
        mark = "  <-- differs" if abs(t - at_s) < 1e-9 else ""
        yield f"{1e3 * t:12.4f} ms  {name:6} {'on' if level else 'off'}{mark}"
