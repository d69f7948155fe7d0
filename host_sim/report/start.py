"""Where start sparks come: by the plan, as measured, and for a crank that slows the most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sparktick.gen.design import hand_crank_of
from sparktick.gen.engine import Engine
from sparktick.gen.hand_start import carry_speed_rad_s, travel_time_s

from ..manifest import Manifest
from ..run import F64

SPEEDS = 28
PATH_END_DEG_BTDC = -40.0
PATH_POINTS = 220


@dataclass(frozen=True)
class Slowed:
    """A hand-turned crank that gets no push after the lead edge.

    ``arc_rpm`` (n,) its mean speed over the magnet's arc, which is all the chip can know;
    ``deg_btdc`` (n,) where its spark comes.
    """

    arc_rpm: F64
    deg_btdc: F64


def steady_deg(manifest: Manifest, rpm: F64) -> F64:
    """Where a start spark comes when the crank turns evenly, in degrees BTDC."""
    at, deg = zip(*manifest.start.steady, strict=True)
    return np.asarray(np.interp(rpm, at, deg))


def slowed_sparks(engine: Engine, manifest: Manifest) -> Slowed | None:
    """Sparks of the crank that compression slows the most.

    None where the trail edge is the spark and a starter drives.
    """
    if manifest.start.charge != "after-trail" or len(manifest.start.steady) < 2:
        return None
    geometry, crank = manifest.geometry, hand_crank_of(engine)
    lead = geometry.lead_edge_deg_btdc
    trail = lead - geometry.arc_deg
    slowest = carry_speed_rad_s(crank, lead) * 1.003
    fastest = max(np.radians(6.0 * manifest.start.below_rpm) + slowest, 2.0 * slowest)
    speed = np.geomspace(slowest, fastest, SPEEDS)
    arc_rpm = geometry.arc_deg / 6.0 / travel_time_s(crank, lead, speed, lead, trail)
    keep = (arc_rpm >= manifest.start.floor_rpm) & (arc_rpm <= manifest.start.below_rpm)
    speed, arc_rpm = speed[keep], arc_rpm[keep]
    delay_s = (trail - steady_deg(manifest, arc_rpm)) / (6.0 * arc_rpm)
    path = np.linspace(trail, PATH_END_DEG_BTDC, PATH_POINTS)
    at_s = np.array([travel_time_s(crank, lead, speed, trail, to) for to in path[1:]]).T
    spark = [
        float(np.interp(delay, np.concatenate(([0.0], times)), path))
        for delay, times in zip(delay_s, at_s, strict=True)
    ]
    return Slowed(arc_rpm, np.array(spark)) if len(spark) else None
