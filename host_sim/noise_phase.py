"""Noise on the phase sensor's line, of engines with a coil for each cylinder.

The chip reads that line only when it judges a pulse, so that noise matters only just then.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from sparktick.gen.errors import RunError

from .manifest import Manifest
from .noise import Background, Disturbed, Iec100k
from .noise_line import Events, SensorEdges, Shape, Wire
from .run import F64, U8, Train


def with_phase_changes(clean: Train, second_s: F64) -> Train:
    """Return the train with other changes of the phase sensor; the pickup's edges stay.

    Each change stands among the edges too, with the pickup's level as it was: so the bench
    learns of it at once.
    """
    before = np.searchsorted(clean.edge_s, second_s, side="right")
    levels = np.concatenate((np.zeros(1, np.uint8), clean.active))[before]
    return replace(
        clean,
        edge_s=np.insert(clean.edge_s, before, second_s),
        active=np.insert(clean.active, before, levels),
        true_edge=np.insert(clean.true_edge, before, np.uint8(0)),
        second_s=second_s,
    )


@dataclass(frozen=True)
class PhaseLine:
    """Random pulses and IEC 61000-4-4 bursts at 100 kHz on the phase sensor's wire alone.

    The wire, its coupling and the sensor are taken to be the pickup's; the classes Background
    and Iec100k say of what strength the noise is.
    """

    name: ClassVar[str] = "phase"
    title: ClassVar[str] = "noise on the phase sensor's line"
    spark_bar: ClassVar[float | None] = 0.999
    imitates: ClassVar[bool] = False

    def disturb(self, clean: Train, manifest: Manifest, level: float, seed: int) -> Disturbed:
        """See Family.  RunError for an engine that has no phase sensor."""
        if not manifest.two_coils:
            raise RunError(
                f'family "{self.name}": only an engine with two coils has a phase sensor'
            )
        wire = Wire.of(manifest)
        kept = clean.second_s[(clean.second_s > 0.0) & (clean.second_s < clean.end_s)]
        first = int(np.count_nonzero(clean.second_s <= 0.0)) & 1
        active = ((np.arange(len(kept)) + 1 + first) & 1).astype(np.uint8)
        if first:
            kept, active = np.insert(kept, 0, 0.0), np.insert(active, 0, np.uint8(1))
        line = replace(clean, edge_s=kept, active=active)
        noise = [
            Background().events(clean.end_s, level, seed + 1),
            Iec100k().events(clean.end_s, level, seed + 2),
        ]
        at_s: list[F64] = []
        shapes: list[Shape] = []
        which: list[U8] = []
        for one in noise:
            which.append(one.which + np.uint8(len(shapes)))
            shapes += list(one.shapes)
            at_s.append(one.at_s)
        order = np.argsort(np.concatenate(at_s), kind="stable")
        events = Events(tuple(shapes), np.concatenate(at_s)[order], np.concatenate(which)[order])
        second_s, level_after = wire.at_pin(SensorEdges.of(line, wire), events)
        changed = np.diff(level_after.astype(np.int8), prepend=0) != 0
        second_s = np.maximum.accumulate(second_s)[changed]
        second_s = second_s[second_s < clean.end_s]
        told = np.ones((len(clean.edge_s) + 1) // 2, dtype=bool)
        return Disturbed(with_phase_changes(clean, second_s), None, told, len(events.at_s))
