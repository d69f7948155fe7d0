"""What a pulse that cannot be told from the magnet's can do at most, reckoned for one engine.

Locked, an edge that comes sooner than the last turns explain brings no spark forward by itself: its
pulse must first be as wide as the magnet's at the speed that it claims.  A disturbance that holds
the line active so long *is* a pulse to any firmware.  It is heard only inside the gate around the
expected edge, and brings the spark forward by no more than the gate's half width, which grows with
each missing pulse that is bridged.  What is shorter than the confirmation time is never believed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from sparktick.gen.errors import FolderError

from .campaign import Source
from .manifest import Manifest
from .train import DEG_S_PER_RPM


@dataclass(frozen=True)
class Bound:
    """At one speed: the gate's half width, and the furthest sparks that false pulses in it make.

    ``edge_us``: how long one must last to be taken for an edge, ``edge_deg_btdc``: furthest spark
    of such an edge alone, of a crank that turns evenly.  ``pulse_us``: how long for a whole pulse;
    ``furthest_deg_btdc``: that one's furthest spark.
    """

    rpm: float
    gate_deg: float
    edge_us: float
    edge_deg_btdc: float
    pulse_us: float
    furthest_deg_btdc: float

    def as_dict(self) -> dict[str, Any]:
        """Return the bound as JSON holds it."""
        return {
            "rpm": self.rpm,
            "gate_half_width_deg": round(self.gate_deg, 3),
            "edge_us": round(self.edge_us, 3),
            "edge_alone_deg_btdc": round(self.edge_deg_btdc, 3),
            "pulse_us": round(self.pulse_us, 3),
            "furthest_deg_btdc": round(self.furthest_deg_btdc, 3),
        }


def _macro(config: str, name: str) -> int:
    found = re.search(rf"#define ST_CFG_{name}\s+(?:UINT32_C\()?(\d+)", config)
    if found is None:
        raise FolderError(f"src/config.h: ST_CFG_{name} is missing; generate the folder again")
    return int(found[1])


def _gate_lines(config: str) -> list[tuple[int, int]]:
    """Return (from ticks, half width in 1/65536 of the period) of the delay table's lines."""
    table = config.partition("#define ST_CFG_RUN_TABLE")[2].partition("#define")[0]
    rows = re.findall(r"\{UINT32_C\((\d+)\),[^}]*?(\d+)U\}", table)
    if not rows:
        raise FolderError("src/config.h: ST_CFG_RUN_TABLE is missing; generate the folder again")
    return [(int(first), int(gate)) for first, gate in rows]


def _furthest_deg(manifest: Manifest, rpm: float, share: float, missing: int) -> float:
    """Return the spark of an edge that comes ``share`` of each interval since the last too soon.

    The mean interval seems shorter by ``share``, so the delay does too: by the curve, and with a
    trend that is carried on to the middle of the delay.
    """
    spacing, lead = manifest.geometry.spacing_deg, manifest.geometry.lead_edge_deg_btdc
    xs, ys = zip(*manifest.curve, strict=True)
    delay = (lead - float(np.interp(rpm, xs, ys))) / spacing
    weight = 0.0 if manifest.predictor == "last" else 0.5 + delay / 2.0
    seen = 1.0 - share - min(share, 0.25 * (1.0 - share)) * weight
    delay = seen * (lead - float(np.interp(rpm / seen, xs, ys))) / spacing
    return lead + spacing * (share * (1 + missing) - delay)


def bounds_of(source: Source, manifest: Manifest, speeds_rpm: Iterable[float]) -> list[Bound]:
    """Return the bounds at speeds at which the firmware is locked; none below the start speed."""
    config = dict(source.files)["src/config.h"]
    tick_us = 1e6 / manifest.tick_hz
    spacing = manifest.geometry.spacing_deg
    early = _macro(config, "EARLY_Q16") / 65536.0
    gated, eighths = _macro(config, "GATE"), _macro(config, "ARC_SLACK_EIGHTHS")
    starts, gates = np.array(_gate_lines(config)).T
    found = []
    for rpm in speeds_rpm:
        if rpm < manifest.start.below_rpm:
            continue
        period = spacing / (DEG_S_PER_RPM * rpm) * manifest.tick_hz
        share = float(gates[np.searchsorted(starts, period, side="right") - 1]) / 65536.0
        share = share if gated else 0.75  # without a gate the first quarter turn is closed
        bridged = _macro(config, "BRIDGE_MOST")
        missing = bridged if period <= _macro(config, "BRIDGE_PERIOD_TICKS") else 0
        xs, ys = zip(*manifest.curve, strict=True)
        # As wide as the claimed speed makes it, less the slack, and half as wide as the last.
        least = max(0.5, (1.0 - eighths / 8.0) * (1.0 - min(share, 0.5)))
        arc_us = manifest.geometry.arc_deg / (DEG_S_PER_RPM * rpm) * 1e6
        found.append(
            Bound(
                rpm=rpm,
                gate_deg=min(share * (1 + missing), 0.5) * spacing,
                edge_us=_macro(config, "CONFIRM_TICKS") * tick_us,
                edge_deg_btdc=float(np.interp(rpm, xs, ys)) + early * spacing,
                pulse_us=arc_us * least,
                furthest_deg_btdc=min(_furthest_deg(manifest, rpm, share, missing), 180.0),
            )
        )
    return found
