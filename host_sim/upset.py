"""Upsets in the running image: flipped bits and brown-outs at random instants, and what came of it.

The image runs at a steady speed on an emulated chip.  Upsets follow each other with a quiet window
between: a window begins with its upset and ends before the next one.  A run without upsets says
where the sparks belong; a spark within ``MOVED_DEG`` of its place is a good one.  A window is
one of (the first that fits, from the bottom up):

    none      every spark good, none besides
    one       one spark moved, lost or added
    several   more than one moved, lost or added, and no reset
    reset     the chip was reset (watchdog or brown-out) and sparks again as it should
    dead      no spark for longer than the watchdog's time and three turns (counted from the upset,
              from the end of a brown-out, from the last spark), or not every spark good again in
              the last turns of the window
    too-long  the coil was on for longer than the hard limit and one watchdog time

A window that does not end well is run again with more time behind it: a flipped check sum of the
tables, for one, ends in a reset some turns later.  After it the chip is started anew, so that each
window is judged by its own upset.  One seed gives the same upsets and the same outcome whatever
the number of jobs.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.errors import RunError

from .chip import ChipRun, Reset, ResetKind, Upset, UpsetSpace, run_chip
from .chip.backends import source_of
from .chip.folder import chip_job
from .manifest import Manifest
from .run import F64, Train
from .train import DEG_S_PER_RPM, pickup_train, steady
from .upset_cases import (
    DEAD,
    LAST_TURNS,
    LATE_S,
    LEAD_IN_TURNS,
    MOVED_DEG,
    NONE,
    ONE,
    OUTCOMES,
    RESET,
    SEVERAL,
    START_DEG,
    TOO_LONG,
    Campaign,
    Case,
    Outcome,
    draw_block,
)
from .upset_targets import DIP, PC, SPACES, Targets, find_targets

BOOL = NDArray[np.bool_]


@dataclass(frozen=True)
class Windows:
    """A run with upsets, cut into its windows: ``upset_s`` (n,) begins, ``end_s`` the end."""

    cases: tuple[Case, ...]
    upset_s: F64
    end_s: float
    train: Train
    run: ChipRun

    @cached_property
    def border_s(self) -> F64:
        """Begins of the windows and the end of the last."""
        return np.append(self.upset_s, self.end_s)


def _train_end_s(campaign: Campaign, rpm: float, windows: int, more_s: float) -> float:
    turns = LEAD_IN_TURNS + windows * campaign.window_turns(rpm)
    return (turns + int(np.ceil(more_s / campaign.interval_s(rpm)))) * campaign.interval_s(rpm)


def _train(campaign: Campaign, rpm: float, windows: int, more_s: float = 0.0) -> Train:
    end_s = _train_end_s(campaign, rpm, windows, more_s)
    return pickup_train(steady(rpm, angle_deg=START_DEG), campaign.manifest, end_s)


def run_windows(campaign: Campaign, cases: Sequence[Case], more_s: float = 0.0) -> Windows:
    """Start the chip and run upsets of one speed in turn; the last window lasts more_s longer."""
    rpm = cases[0].rpm
    train, interval_s = _train(campaign, rpm, len(cases), more_s), campaign.interval_s(rpm)
    place = LEAD_IN_TURNS + np.arange(len(cases)) * campaign.window_turns(rpm)
    at_s = (place + np.array([case.phase for case in cases])) * interval_s
    upsets, resets = [], []
    for case, when_s in zip(cases, at_s, strict=True):
        if case.space == DIP:
            resets.append(Reset(float(when_s), ResetKind.BROWN_OUT, case.lasts_s))
        else:
            space = UpsetSpace.PROGRAM_COUNTER if case.space == PC else UpsetSpace.DATA
            upsets.append(Upset(float(when_s), space, case.address, case.bit))
    job = chip_job(
        campaign.manifest,
        train,
        upsets=tuple(upsets),
        resets=tuple(resets),
        reset_hold_s=campaign.reset_hold_s,
        serial=False,
    )
    return Windows(tuple(cases), at_s, train.end_s, train, run_chip(job, campaign.emulator))


@dataclass(frozen=True)
class Reference:
    """Where the sparks of a speed belong: instants (n,) for each coil channel."""

    rpm: float
    spark_s: tuple[F64, ...]
    targets: Targets


def _spark_times(run: ChipRun, channel: int, manifest: Manifest) -> F64:
    edge = 1 if manifest.spark_on_rise else 0
    return np.asarray(run.coil_s[(run.coil_channel == channel) & (run.coil_on == edge)])


def reference(campaign: Campaign, rpm: float) -> Reference:
    """Run some turns without upsets and carry their sparks on evenly.

    RunError when the image does not spark evenly.
    """
    manifest, interval_s = campaign.manifest, campaign.interval_s(rpm)
    train = _train(campaign, rpm, 2)
    job = chip_job(manifest, train, serial=False)
    run = run_chip(job, campaign.emulator)
    until_s = _train_end_s(campaign, rpm, campaign.per_start, LATE_S)
    places = []
    for channel in range(len(manifest.raw["coil_pins"])):
        spark_s = _spark_times(run, channel, manifest)
        spark_s = spark_s[spark_s > (LEAD_IN_TURNS - 2) * interval_s]
        turns = np.rint(np.diff(spark_s) / interval_s)
        every_s = float(turns.max(initial=1.0)) * interval_s
        off_s = spark_s - every_s * np.arange(len(spark_s))
        most_s = MOVED_DEG / (DEG_S_PER_RPM * rpm)
        if len(spark_s) < 3 or np.ptp(off_s) > most_s:
            raise RunError(
                f"{manifest.folder}: the image does not spark evenly at {rpm:g} rpm without any "
                "upset: `sparktick emulate` tells more"
            )
        places.append(np.arange(float(off_s.mean()), until_s, every_s))
    return Reference(rpm, tuple(places), find_targets(job, run))


@dataclass(frozen=True)
class _Sparks:
    """Sparks of one run against their places, all channels together: all, lost, added."""

    all_s: F64
    lost_s: F64
    added_s: F64


def _compare(windows: Windows, known: Reference, manifest: Manifest) -> _Sparks:
    within_s = MOVED_DEG / (DEG_S_PER_RPM * known.rpm)
    every, lost, added = [], [], []
    for channel, all_places in enumerate(known.spark_s):
        place_s = all_places[all_places < windows.end_s - within_s]
        spark_s = _spark_times(windows.run, channel, manifest)
        near = np.clip(np.searchsorted(place_s, spark_s), 1, max(len(place_s) - 1, 1))
        near -= spark_s - place_s[near - 1] < place_s[near] - spark_s
        fits = np.abs(spark_s - place_s[near]) <= within_s
        fits[1:] &= ~(fits[:-1] & (near[1:] == near[:-1]))  # a second spark there is one too many
        met = np.zeros(len(place_s), dtype=bool)
        met[near[fits]] = True
        every.append(spark_s)
        lost.append(place_s[~met])
        added.append(spark_s[~fits & (spark_s < windows.end_s - within_s)])
    return _Sparks(*(np.sort(np.concatenate(part)) for part in (every, lost, added)))


def _longest_on(run: ChipRun, border_s: F64) -> F64:
    """Return the longest on-time (n,) that begins in, or goes on through, each window."""
    longest = np.zeros(len(border_s) - 1)
    for channel in np.unique(run.coil_channel):
        mine = run.coil_channel == channel
        at_s, on = run.coil_s[mine], run.coil_on[mine]
        begin_s = at_s[on == 1]
        end_s = np.append(at_s[on == 0], np.inf)
        for b, e in zip(begin_s, end_s[np.searchsorted(end_s, begin_s)], strict=True):
            k = int(np.searchsorted(border_s, b, side="right")) - 1
            if k >= 0:
                stop = min(e, border_s[-1])
                last = int(np.searchsorted(border_s, stop, side="left")) - 1
                part = slice(min(k, len(longest) - 1), max(last, k) + 1)
                longest[part] = np.maximum(longest[part], stop - b)
    return longest


def _too_early(added_s: F64, train: Train, manifest: Manifest) -> BOOL:
    spacing = manifest.geometry.spacing_deg
    turned = train.motion.angle_at(added_s + manifest.output_delay_us * 1e-6)
    btdc = -(((turned + 0.5 * spacing) % spacing) - 0.5 * spacing)
    return np.asarray(btdc > manifest.greatest_advance_deg + MOVED_DEG)


@dataclass(frozen=True)
class _Judge:
    """Everything a run's windows are judged from."""

    campaign: Campaign
    windows: Windows
    sparks: _Sparks
    early: BOOL
    on_s: F64

    def dark_s(self, k: int) -> float:
        """Return the longest time without a spark in a window."""
        case, spark_s = self.windows.cases[k], self.sparks.all_s
        begin_s, end_s = self.windows.border_s[k], self.windows.border_s[k + 1]
        part = slice(*np.searchsorted(spark_s, [begin_s, end_s]))
        from_s = begin_s + case.lasts_s
        marks = np.concatenate(([from_s], spark_s[part], [end_s]))
        return float(np.diff(np.maximum(marks, from_s)).max())

    def window(self, k: int, start: int) -> Outcome:
        """Judge one window."""
        case, border_s = self.windows.cases[k], self.windows.border_s
        begin_s, end_s = float(border_s[k]), float(border_s[k + 1])
        interval_s = self.campaign.interval_s(case.rpm)
        part = slice(*np.searchsorted(self.sparks.lost_s, [begin_s, end_s]))
        lost_s = self.sparks.lost_s[part]
        added = slice(*np.searchsorted(self.sparks.added_s, [begin_s, end_s]))
        added_s, early = self.sparks.added_s[added], int(self.early[added].sum())
        resets = int(
            np.sum(
                (self.windows.run.reset_s >= begin_s - 1e-7)
                & (self.windows.run.reset_s < end_s - 1e-7)
            )
        )
        wrong_s = np.concatenate((lost_s, added_s))
        dark_s = self.dark_s(k)
        well = not np.any(wrong_s > end_s - (LAST_TURNS + 1) * interval_s)
        back = float(wrong_s.max() - begin_s) / interval_s + 1.0 if len(wrong_s) else 0.0
        if self.on_s[k] > self.campaign.allowed_on_s:
            outcome = TOO_LONG
        elif dark_s > self.campaign.allowed_dark_s(case.rpm) or not well:
            outcome = DEAD
        elif resets:
            outcome = RESET
        else:
            outcome = (NONE, ONE, SEVERAL)[min(max(len(lost_s), len(added_s)), 2)]
        return Outcome(
            case=case,
            outcome=outcome,
            lost=len(lost_s),
            added=len(added_s),
            early=early,
            resets=resets,
            dark_s=dark_s,
            back_turns=back,
            on_us=float(self.on_s[k]) * 1e6,
            start=start,
        )


def judge_windows(campaign: Campaign, windows: Windows, known: Reference) -> list[Outcome]:
    """Judge a run's windows in order, up to the first that failed."""
    sparks = _compare(windows, known, campaign.manifest)
    judge = _Judge(
        campaign,
        windows,
        sparks,
        _too_early(sparks.added_s, windows.train, campaign.manifest),
        _longest_on(windows.run, windows.border_s),
    )
    found: list[Outcome] = []
    for k in range(len(windows.cases)):
        found.append(judge.window(k, windows.cases[0].index))
        if found[-1].failed:
            break
    return found


def run_block(
    campaign: Campaign, known: Reference, cases: Sequence[Case]
) -> Iterator[tuple[Windows, list[Outcome]]]:
    """Run one block; after a failed window the chip is started anew for the rest."""
    done = 0
    while done < len(cases):
        windows = run_windows(campaign, cases[done:])
        outcomes = judge_windows(campaign, windows, known)
        if outcomes[-1].outcome == DEAD:  # or a late effect that the window's end has cut
            windows = run_windows(campaign, cases[done : done + len(outcomes)], LATE_S)
            outcomes = judge_windows(campaign, windows, known)
        done += len(outcomes)
        yield windows, outcomes


@dataclass(frozen=True)
class UpsetResult:
    """All outcomes of a campaign, in the order of their numbers."""

    campaign: Campaign
    outcomes: tuple[Outcome, ...]
    counts: dict[str, dict[str, int]] = field(init=False)

    def __post_init__(self) -> None:
        counts = {space: dict.fromkeys(OUTCOMES, 0) for space in SPACES}
        for o in self.outcomes:
            counts[o.case.space][o.outcome] += 1
        object.__setattr__(self, "counts", counts)

    @property
    def total(self) -> dict[str, int]:
        """Number of each outcome over all spaces."""
        return {name: sum(c[name] for c in self.counts.values()) for name in OUTCOMES}

    @property
    def failures(self) -> tuple[Outcome, ...]:
        """Windows that must not be."""
        return tuple(o for o in self.outcomes if o.failed)

    @property
    def passed(self) -> bool:
        """True when no coil was on too long and no chip stayed dead."""
        return not self.failures

    def back_turns(self) -> F64:
        """Return the turns (n,) until every spark was good again, for each outcome ``reset``."""
        return np.array([o.back_turns for o in self.outcomes if o.outcome == RESET])

    def as_dict(self) -> dict[str, Any]:
        """Return the figures as JSON holds them; the failures without their commands."""
        back = self.back_turns()
        c = self.campaign
        return {
            "emulator": source_of(self.campaign.emulator),
            "seed": c.seed,
            "upsets": len(self.outcomes),
            "speeds_rpm": list(c.speeds_rpm),
            "per_start": c.per_start,
            "reset_hold_ms": 1e3 * c.reset_hold_s,
            "hard_limit_us": c.manifest.hard_limit_us,
            "watchdog_us": c.manifest.watchdog_us,
            "on_allowed_us": round(c.allowed_on_s * 1e6, 3),
            "on_max_us": round(max(o.on_us for o in self.outcomes), 3),
            "dark_allowed_ms": {
                f"{r:g}": round(1e3 * c.allowed_dark_s(r), 3) for r in c.speeds_rpm
            },
            "dark_max_ms": round(1e3 * max(o.dark_s for o in self.outcomes), 3),
            "right_again_turns_max": round(max(o.back_turns for o in self.outcomes), 3),
            "outcomes": self.total,
            "outcomes_by_space": self.counts,
            "recovered_turns_mean": round(float(back.mean()), 3) if len(back) else None,
            "recovered_turns_max": round(float(back.max()), 3) if len(back) else None,
            "upsets_with_early_spark": sum(o.early > 0 for o in self.outcomes),
            "passed": self.passed,
        }


def cores(jobs: int | None) -> int:
    """Return how many runs go at once: all cores this process may use, or fewer."""
    have = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if jobs is not None and jobs < 1:
        raise RunError(f"jobs = {jobs}: at least 1 is wanted")
    return have if jobs is None else jobs


def run_campaign(
    campaign: Campaign, *, jobs: int | None = None, told: Callable[[int], None] | None = None
) -> UpsetResult:
    """Run all upsets on ``jobs`` cores; ``told`` hears how many more are done.

    RunError, ToolError as run_chip and find_targets.
    """
    known = {rpm: reference(campaign, rpm) for rpm in dict.fromkeys(campaign.speeds_rpm)}

    def one(block: int) -> list[Outcome]:
        rpm = campaign.speeds_rpm[block % len(campaign.speeds_rpm)]
        cases = draw_block(campaign, known[rpm].targets, block)
        return [o for _, found in run_block(campaign, known[rpm], cases) for o in found]

    outcomes: list[Outcome] = []
    with ThreadPoolExecutor(cores(jobs)) as pool:
        try:
            for found in _in_order(pool.map(one, range(campaign.blocks)), told):
                outcomes += found
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return UpsetResult(campaign, tuple(outcomes))


def _in_order(
    blocks: Iterable[list[Outcome]], told: Callable[[int], None] | None
) -> Iterator[list[Outcome]]:
    for found in blocks:
        if told is not None:
            told(len(found))
        yield found


def replay(campaign: Campaign, index: int) -> tuple[Windows, Outcome]:
    """Run one upset again as the campaign ran it; return the run it is in and what came of it."""
    if not 0 <= index < campaign.upsets:
        raise RunError(f"upset {index}: 0 to {campaign.upsets - 1} is allowed")
    block = index // campaign.per_start
    known = reference(campaign, campaign.speeds_rpm[block % len(campaign.speeds_rpm)])
    cases = draw_block(campaign, known.targets, block)
    for windows, outcomes in run_block(campaign, known, cases):
        for outcome in outcomes:
            if outcome.case.index == index:
                return windows, outcome
    raise AssertionError("every case of a block has an outcome")


TRACE_TURNS = 4


def window_trace(campaign: Campaign, windows: Windows, index: int) -> tuple[Train, ChipRun, float]:
    """Return pickup and coil around one window, from a quiet instant about TRACE_TURNS before it.

    Times begin anew there; the third value is how long after it the upset comes, in seconds.
    """
    k = index - windows.cases[0].index
    begin_s, end_s = (float(t) for t in windows.border_s[k : k + 2])
    train, run = windows.train, windows.run
    trail_s = train.edge_s[train.active == 0]
    before_s = begin_s - TRACE_TURNS * campaign.interval_s(windows.cases[k].rpm)
    from_s = float(trail_s[max(np.searchsorted(trail_s, before_s) - 1, 0)]) + 1e-6
    edges = (train.edge_s >= from_s) & (train.edge_s < end_s)
    coil = (run.coil_s >= from_s) & (run.coil_s < end_s)
    part = Train(
        edge_s=train.edge_s[edges] - from_s,
        active=train.active[edges],
        true_edge=train.true_edge[edges],
        end_s=end_s - from_s,
        motion=train.motion,
    )
    seen = replace(
        run,
        coil_s=run.coil_s[coil] - from_s,
        coil_on=run.coil_on[coil],
        coil_channel=run.coil_channel[coil],
    )
    return part, seen, begin_s - from_s
