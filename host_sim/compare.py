"""Two firmware folders: what changed in their contracts, and in where their sparks come."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .bench import Hardware, run_train
from .library import load
from .manifest import Manifest, read_manifest
from .measure import Measurement, measure
from .simulate import steady_speeds
from .train import pickup_train, steady

PULSES = 60
SETTLED = 20
# What says nothing about timing, or follows from what is listed anyway.
QUIET = ("description_digest", "tool_version", "sizes", "files", "kind", "table_bound_deg")
CHANGED_DEG = 0.02
CHANGED_US = 2.0


@dataclass(frozen=True)
class Change:
    """One value of the manifests that differs."""

    key: str
    old: Any
    new: Any


@dataclass(frozen=True)
class SpeedChange:
    """Spark and charge at one steady speed, as the two folders' C run on this computer.

    Mean angles in degrees BTDC and dwell in microseconds; None where no spark comes.
    """

    rpm: float
    old_deg: float | None
    new_deg: float | None
    old_dwell_us: float | None
    new_dwell_us: float | None

    @property
    def changed(self) -> bool:
        """Whether a bench could tell: by more than tick rounding costs."""
        pairs = (
            (self.old_deg, self.new_deg, CHANGED_DEG),
            (self.old_dwell_us, self.new_dwell_us, CHANGED_US),
        )
        return any(
            (a is None) != (b is None) or (a is not None and b is not None and abs(a - b) > limit)
            for a, b, limit in pairs
        )


def _leaves(value: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _leaves(inner, f"{key}.{name}" if key else name)
    else:
        yield key, value


def manifest_changes(old: Manifest, new: Manifest) -> list[Change]:
    """Return the values that differ, in the manifest's order; None where one has none."""
    a, b = dict(_leaves(old.raw)), dict(_leaves(new.raw))
    keys = [key for key in dict.fromkeys((*a, *b)) if key.split(".")[0] not in QUIET]
    return [Change(k, a.get(k), b.get(k)) for k in keys if a.get(k) != b.get(k)]


def _at(folder: Path, manifest: Manifest, rpm: float) -> tuple[float | None, float | None]:
    end_s = PULSES * manifest.geometry.spacing_deg / (6.0 * rpm)
    train = pickup_train(steady(rpm), manifest, end_s)
    run = run_train(load(folder), Hardware.of(manifest), train)
    m: Measurement = measure(run, train, manifest)
    settled = m.pulse >= SETTLED
    if not settled.any():
        return None, None
    return float(m.angle_deg_btdc[settled].mean()), float(m.dwell_us[settled].mean())


def compared_speeds(old: Manifest, new: Manifest) -> list[float]:
    """Return the speeds that tell: both curves' points, and some between floor and limits."""
    found = {round(rpm) for manifest in (old, new) for rpm, _ in manifest.curve}
    found |= {round(rpm) for manifest in (old, new) for rpm in steady_speeds(manifest, 8)}
    found |= {round(1.01 * manifest.limit_rpm) for manifest in (old, new)}
    return sorted(float(rpm) for rpm in found)


def compare_folders(old: Path, new: Path) -> tuple[list[Change], list[SpeedChange]]:
    """Run both folders' C at the same steady speeds; return what differs and every speed."""
    a, b = read_manifest(old), read_manifest(new)
    rows = []
    for rpm in compared_speeds(a, b):
        old_deg, old_us = _at(old, a, rpm)
        new_deg, new_us = _at(new, b, rpm)
        rows.append(SpeedChange(rpm, old_deg, new_deg, old_us, new_us))
    return manifest_changes(a, b), rows


def biggest_deg(rows: list[SpeedChange]) -> float:
    """Return the greatest difference of angle where both spark."""
    both = [r.new_deg - r.old_deg for r in rows if r.old_deg is not None and r.new_deg is not None]
    return float(np.abs(both).max(initial=0.0)) if both else 0.0
