"""Every bar that was set, in words: what, value, limit, where it was worst, kept or not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..verdict import Check
from .data import ChipPart, ReportData

# What each check of a run asks, as a reader of the page understands it.
WORDS = {
    "timing_steady": "spark angle off the wanted one, steady speed",
    "timing_changing": "spark angle off the wanted one, changing speed",
    "start_advance": "earliest start spark, degrees BTDC",
    "greatest_advance": "earliest spark, degrees BTDC",
    "dwell_steady": "charging time off the wanted one",
    "missed": "sparks missing after lock",
    "stray": "sparks without a pulse of their own",
    "above_limit_rpm": "charges begun above the speed limit",
    "first_spark_pulse": "pulse that made the first spark",
    "on_time": "longest time the coil was on",
    "invariants": "broken invariants of the core",
    "sparks_moved": "sparks that the noise moved",
    "moved_early": "most that noise moved a spark early",
    "sparks_far_off": "sparks that noise moved by more than 1 degree",
    "host_agrees": "chip's spark against this computer's",
    "host_same_sparks": "sparks only one of chip and computer made",
    "below_floor": "sparks below the start floor",
    "stack": "deepest use of the stack",
    "unforced_resets": "resets nobody forced",
}


@dataclass(frozen=True)
class Row:
    """One bar.  ``sense`` is "at most" or "at least"; ``remedy`` is empty where it was kept."""

    what: str
    value: float
    limit: float
    unit: str
    sense: str
    where: str
    passed: bool
    remedy: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return the row as JSON holds it, the unit in the keys."""
        unit = self.unit.replace(" ", "_")
        return {
            "what": self.what,
            f"value_{unit}": round(self.value, 6),
            f"limit_{unit}": round(self.limit, 6),
            "sense": self.sense,
            "where": self.where,
            "passed": self.passed,
            "remedy": self.remedy,
        }


@dataclass(frozen=True)
class Group:
    """Rows whose numbers have one source."""

    title: str
    source: str
    rows: tuple[Row, ...]

    @property
    def passed(self) -> bool:
        """Whether every bar of the group was kept."""
        return all(row.passed for row in self.rows)


def _nearness(check: Check) -> tuple[bool, float]:
    """Sort key: bars that failed first, then by how much of the limit was used."""
    return (not check.passed, (check.value - check.limit) / max(abs(check.limit), 1e-9))


def merge(found: Iterable[tuple[str, Check]]) -> tuple[Row, ...]:
    """One row a check: of all the places where it was looked at, the one nearest to its limit.

    Places where nothing was looked at, or where there is no bar, do not count.
    """
    by_name: dict[str, list[tuple[str, Check]]] = {}
    for where, check in found:
        if check.count > 0 and np.isfinite(check.limit):
            by_name.setdefault(check.name, []).append((where, check))
    order = [*WORDS, *sorted(set(by_name) - set(WORDS))]
    return tuple(_row(by_name[name]) for name in order if name in by_name)


def _row(found: list[tuple[str, Check]]) -> Row:
    where, check = max(found, key=lambda one: _nearness(one[1]))
    what = WORDS.get(check.name, check.name.replace("_", " "))
    if len(found) > 1 and all(other.value == check.value for _, other in found):
        where = "both runs" if len(found) == 2 else f"all {len(found)} runs"
    elif check.at_s is not None and not check.passed:
        where = f"{where}, {check.at_s:.4f} s"
    return Row(what, check.value, check.limit, check.unit, "at most", where, check.passed)


def _checks(results: Sequence[Any]) -> Iterable[tuple[str, Check]]:
    for result in results:
        for check in result.verdict.checks:
            yield result.scenario.title, check


def _host_groups(data: ReportData) -> list[Group]:
    quiet = [result for result in data.scenarios if not result.scenario.noise]
    slow = [
        (
            f"steady {run.rpm:.0f} rpm",
            Check("below_floor", run.sparks, 0, "sparks", run.sparks == 0, run.pulses),
        )
        for run in data.below_floor
    ]
    groups = [
        Group(
            "The firmware's C on this computer",
            "host simulator",
            merge([*_checks(quiet), *_checks(data.sweep), *slow]),
        )
    ]
    if data.noisy:
        groups.append(
            Group("The same with a disturbed line", "host simulator", merge(_checks(data.noisy)))
        )
    return groups


def _chip_group(part: ChipPart) -> Group:
    own = [("all runs", check) for check in part.facts.checks] if part.facts else []
    return Group(
        "The image on an emulated chip", part.source, merge([*_checks(part.results), *own])
    )


def _electrical_rows(data: ReportData) -> tuple[Row, ...]:
    if data.description is None:
        return ()
    return tuple(
        Row(
            f"{v.part}: {v.quantity}",
            v.value,
            v.limit,
            v.unit,
            v.sense,
            v.corner,
            v.passed,
            v.remedy,
        )
        for v in data.description.electrical.verdicts
    )


def verdict_groups(data: ReportData) -> tuple[Group, ...]:
    """Return all bars, by what produced the numbers."""
    groups = _host_groups(data)
    groups += [_chip_group(part) for part in data.chips if not part.not_run]
    electrical = _electrical_rows(data)
    if electrical:
        groups.append(Group("Coil, driver, plug and supply", "circuit equations", electrical))
    return tuple(groups)


def all_rows(groups: Sequence[Group]) -> list[Row]:
    """Return the rows of all groups."""
    return [row for group in groups for row in group.rows]
