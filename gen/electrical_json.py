"""The electrical side as plain values for ``--json``; every key names its unit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from .coil_heat import BallastChoice, StuckOn, Temperatures
from .electrical import BatteryUse
from .electrical_buy import Purchase
from .electrical_input import Corners, SparkCurves
from .electrical_of import Electrical
from .electrical_verdicts import PartVerdict
from .schemes import SchemeCurve


def electrical_content(electrical: Electrical, purchases: Sequence[Purchase]) -> dict[str, Any]:
    """Return everything that was worked out; what does not apply or is endless is null."""
    report = electrical.report
    return {
        "passed": electrical.passed,
        "kind": report.kind,
        "dwell_ms": number(report.dwell_s * 1e3),
        "dwell_for_wanted_current_at_lowest_supply_ms": number(report.dwell_min_supply_s * 1e3),
        "dwell_cut_above_rpm": number(report.cut_above_rpm),
        "hard_limit_ms": number(electrical.hard_limit_s * 1e3),
        "longest_fault_ms": number(electrical.on_limit_s * 1e3),
        "operating_points": [_point(electrical, i) for i in range(len(electrical.points))],
        "curves": {
            "nominal": None if report.nominal is None else _curves(report.nominal),
            "worst": None if report.corners is None else _envelope(report.corners),
        },
        "corners": [] if report.corners is None else _corners(report.corners),
        "heat": None if report.heat is None else _heat(report.heat),
        "stuck_on": None if report.stuck is None else _stuck(report.stuck),
        "ballast": None if report.ballast is None else _ballast(report.ballast),
        "battery": None if report.battery is None else _battery(report.battery),
        "schemes": [_scheme(curve) for curve in report.schemes],
        "bench": _bench(electrical),
        "sensor_line": _line(electrical),
        "magnet": _magnet(electrical),
        "buy": [
            {
                "what": item.what,
                "state": item.state,
                "size": item.size,
                "classes": list(item.classes),
                "why": item.why,
            }
            for item in purchases
        ],
        "verdicts": [_verdict(verdict) for verdict in electrical.verdicts],
        "notes": list(report.notes),
    }


def number(value: float | None) -> float | None:
    """Return a number as JSON holds it: seven digits, null for none and for the infinite."""
    if value is None or not np.isfinite(value):
        return None
    return float(f"{value:.7g}")


def numbers(values: ArrayLike, scale: float = 1.0) -> list[float | None]:
    """Return an array as JSON holds it."""
    return [number(float(value) * scale) for value in np.ravel(np.asarray(values))]


def _point(electrical: Electrical, index: int) -> dict[str, Any]:
    p = electrical.points[index]

    def scaled(value: float | None, scale: float) -> float | None:
        return None if value is None else number(value * scale)

    return {
        "name": p.name,
        "speed_rpm": number(p.rpm),
        "corner": p.corner,
        "supply_v": number(p.supply_v),
        "dwell_ms": scaled(p.dwell_s, 1e3),
        "current_a": number(p.current_a),
        "energy_mj": scaled(p.energy_j, 1e3),
        "energy_at_gap_mj": scaled(p.gap_j, 1e3),
        "available_kv": scaled(p.available_v, 1e-3),
        "demanded_kv": scaled(p.demanded_v, 1e-3),
        "mean_current_a": number(p.mean_a),
        "battery_life_h": number(p.life_h),
    }


def _curves(curves: SparkCurves) -> dict[str, Any]:
    return {
        "speed_rpm": numbers(curves.rpm),
        "dwell_ms": numbers(curves.dwell_s, 1e3),
        "current_a": numbers(curves.current_a),
        "energy_mj": numbers(curves.energy_j, 1e3),
        "energy_at_gap_mj": numbers(curves.burn.gap_j, 1e3),
        "spark_ms": numbers(curves.burn.duration_s, 1e3),
        "available_kv": numbers(curves.available_v, 1e-3),
        "demanded_kv": numbers(curves.demanded_v, 1e-3),
    }


def _envelope(corners: Corners) -> dict[str, Any]:
    """Return the least and the most over all corners, speed by speed."""
    curves = corners.curves
    kinds = {
        "current_a": (curves.current_a, 1.0),
        "energy_mj": (curves.energy_j, 1e3),
        "energy_at_gap_mj": (curves.burn.gap_j, 1e3),
        "margin": (curves.margin, 1.0),
    }
    found: dict[str, Any] = {"speed_rpm": numbers(curves.rpm)}
    for name, (values, scale) in kinds.items():
        found[f"least_{name}"] = numbers(values.min(axis=0), scale)
        found[f"most_{name}"] = numbers(values.max(axis=0), scale)
    return found


def _corners(corners: Corners) -> list[dict[str, Any]]:
    """Return every corner with its least margin and energy and its greatest current."""
    curves = corners.curves
    return [
        {
            "corner": name,
            "supply_v": number(float(corners.supply_v[i])),
            "greatest_current_a": number(float(curves.current_a[i].max())),
            "greatest_energy_mj": number(float(curves.energy_j[i].max()) * 1e3),
            "least_energy_at_gap_mj": number(float(curves.burn.gap_j[i].min()) * 1e3),
            "least_margin": number(float(curves.margin[i].min())),
        }
        for i, name in enumerate(corners.names)
    ]


def _heat(heat: Temperatures) -> dict[str, Any]:
    return {
        "speed_rpm": numbers(heat.rpm),
        "coil_w": numbers(heat.powers.coil_w),
        "driver_w": numbers(heat.powers.driver_w),
        "ballast_w": numbers(heat.powers.ballast_w),
        "supply_w": numbers(heat.powers.supply_w),
        "coil_c": numbers(heat.coil_c),
        "driver_c": numbers(heat.driver_c),
        "ballast_c": numbers(heat.ballast_c),
    }


def _stuck(stuck: StuckOn) -> dict[str, Any]:
    return {
        "current_a": number(stuck.current_a),
        "fails_first": None if stuck.first is None else stuck.first.name,
        "parts": [
            {
                "part": part.name,
                "power_w": number(part.power_w),
                "steady_c": number(part.steady_c),
                "limit_c": part.limit_c,
                "fails_after_s": number(part.limit_s),
            }
            for part in stuck.parts
        ],
    }


def _ballast(choice: BallastChoice) -> dict[str, Any]:
    return {
        "needed_ohm": number(choice.needed_ohm),
        "preferred_ohm": choice.ohm,
        "worst_w": number(choice.worst_w),
        "rating_w": choice.rating_w,
        "stuck_on_current_a": number(choice.steady_a),
        "wanted_current_in_reach": choice.reach.ok,
        "reachable_current_a": number(choice.reach.reachable_a),
    }


def _battery(use: BatteryUse) -> dict[str, Any]:
    return {
        "mean_current_at_top_a": number(use.mean_a),
        "peak_current_a": number(use.peak_a),
        "full_under_peak_v": number(use.sagged_full_v),
        "flat_under_peak_v": number(use.sagged_flat_v),
        "life_at_top_h": number(use.life_h),
    }


def _scheme(curve: SchemeCurve) -> dict[str, Any]:
    return {
        "name": curve.name,
        "speed_rpm": numbers(curve.rpm),
        "stored_energy_per_wanted_spark_mj": numbers(curve.energy_j, 1e3),
    }


def _bench(electrical: Electrical) -> dict[str, Any]:
    bench = electrical.bench
    return {
        "demanded_kv": number(bench.asked_v / 1e3),
        "demanded_at_rpm": number(bench.asked_at_rpm),
        "wanted_margin": bench.margin,
        "plug_in_open_air_kv": number(bench.plug_open_air_v / 1e3),
        "gap_between_round_ends_mm": number(bench.round_gap_m * 1e3),
        "gap_between_points_mm": number(bench.needle_gap_m * 1e3),
    }


def _line(electrical: Electrical) -> dict[str, Any]:
    use = electrical.line
    return {
        "lead_delay_us": number(use.lead_s * 1e6),
        "trail_delay_us": number(use.trail_s * 1e6),
        "at_rpm": use.at_rpm,
        "lead_delay_deg": number(use.lead_deg),
        "trail_delay_deg": number(use.trail_deg),
        "shortest_noise_us": number(use.shortest_noise_s * 1e6),
        "confirm_us": number(use.confirm_s * 1e6),
        "shortest_pulse_us": number(use.needs_s * 1e6),
        "pulse_long_enough_up_to_rpm": number(use.greatest_rpm),
    }


def _magnet(electrical: Electrical) -> dict[str, Any] | None:
    field = electrical.field
    if field is None:
        return None
    widest = field.widest_gap_m
    return {
        "gap_mm": number(field.gap_m * 1e3),
        "field_mt": number(field.peak_t * 1e3),
        "operate_mt": number(field.operate_t * 1e3),
        "operate_worst_mt": number(field.operate_worst_t * 1e3),
        "release_mt": number(field.release_t * 1e3),
        "widest_gap_mm": None if widest is None else number(widest * 1e3),
        "arc_deg": number(field.arc_deg),
    }


def _verdict(verdict: PartVerdict) -> dict[str, Any]:
    return {
        "part": verdict.part,
        "quantity": verdict.quantity,
        "value": number(verdict.value),
        "sense": verdict.sense,
        "limit": number(verdict.limit),
        "unit": verdict.unit,
        "corner": verdict.corner,
        "passed": verdict.passed,
        "remedy": verdict.remedy,
    }
