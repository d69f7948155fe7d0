"""The page's tables and sentences that depend on the data, as plain rows."""

from __future__ import annotations

import re
from dataclasses import asdict
from typing import Any

import numpy as np

from sparktick.gen.errors import toml_value
from sparktick.gen.render import core_names

from ..emulate import EmulatedResult
from ..measure import Measurement
from ..simulate import ScenarioResult
from .data import ReportData, SpeedPoint

TABLE_SPEEDS = 12
# What an interrupt is for on the AVR port.
VECTORS = {
    "TIMER1_CAPT": "pickup edge captured",
    "TIMER1_COMPA": "coil switched by the compare unit",
    "TIMER1_COMPB": "alarm: what was planned for an instant",
    "TIMER1_OVF": "clock carried beyond 16 bits",
    "TIMER0_COMPA": "heartbeat",
}


def speed_dict(point: SpeedPoint) -> dict[str, Any]:
    """Return a point as JSON holds it."""
    return {
        key: round(value, 6) if isinstance(value, float) else value
        for key, value in asdict(point).items()
    }


def speed_rows(data: ReportData) -> list[SpeedPoint]:
    """Return some of the host's speeds, evenly chosen, first and last among them."""
    points = data.host
    if len(points) <= TABLE_SPEEDS:
        return list(points)
    chosen = np.linspace(0, len(points) - 1, TABLE_SPEEDS).round().astype(int)
    return [points[i] for i in chosen]


def settings(data: ReportData) -> list[tuple[str, str]]:
    """Return what was asked for, for the title block."""
    m = data.manifest
    geometry, points = m.geometry, ", ".join(f"{deg:g}° at {rpm:g}" for rpm, deg in m.curve)
    trail = geometry.lead_edge_deg_btdc - geometry.arc_deg
    compiler = m.raw.get("compiler")
    return [
        ("Engine", engine_words(data)),
        ("Board", f"{data.board.title} ({m.raw['mcu']} at {m.f_cpu_hz / 1e6:g} MHz)"),
        ("Timer tick", f"{1e6 / m.tick_hz:g} µs"),
        (
            "Pickup",
            f"magnet from {geometry.lead_edge_deg_btdc:.4g}° to {trail:.4g}° BTDC, "
            f"{geometry.pulses_per_turn} a turn of the {geometry.shaft}shaft",
        ),
        ("Advance", f"{points} rpm; start {m.start.deg_btdc:g}° below {m.start.below_rpm:g} rpm"),
        (
            "Trigger pulse" if m.spark_on_rise else "Charge",
            f"{m.dwell_us / 1e3:.3f} ms, hard limit {m.hard_limit_us / 1e3:.2f} ms",
        ),
        ("Speed limit", f"{m.limit_rpm:g} rpm; sparks again below {m.resume_rpm:g} rpm"),
        ("Predictor", m.predictor),
        ("Description", data.description.file if data.description else "not given"),
        ("Fingerprint", str(m.raw.get("description_digest", "none"))[:16]),
        ("Compiled by", str(compiler) if compiler else "not compiled"),
    ]


def engine_words(data: ReportData) -> str:
    """Tell what engine it is, or its name where only a folder is known."""
    if data.description is None:
        return data.manifest.name
    part = data.description.engine.engine
    count = "1 cylinder" if part.cylinders == 1 else f"{part.cylinders} cylinders"
    return (
        f"{part.strokes}-stroke, {count}, {part.displacement_cc:.1f} cc, {part.idle_rpm:g} to "
        f"{part.top_rpm:g} rpm, started by {part.starter}"
    )


def start_words(data: ReportData) -> list[str]:
    """Why the start is as it is."""
    start, raw = data.manifest.start, data.manifest.raw["start"]
    carry = float(raw.get("carry_rpm", 0.0))
    words = [
        f"Below {start.below_rpm:g} rpm (again below {start.leave_rpm:.0f} once running) a spark "
        "depends on the same magnet pulse only, never on an older turn: a crank turned by hand "
        "slows, stops or turns back against compression, and an old turn would foretell too much."
    ]
    if start.charge == "after-trail":
        words.append(
            "The time from lead to trail edge tells the speed, the coil is charged behind the "
            f"trail edge, and the delay allows for the slowing on the way to {start.deg_btdc:g}°."
        )
    else:
        words.append(
            "The starter turns the crank over by force, so its speed holds: the spark is set for "
            f"{start.deg_btdc:g}°, and charging may begin before the trail edge."
        )
    if start.charge == "after-trail" and abs(start.floor_rpm - carry) < 1.0:
        words.append(
            f"Slower than {start.floor_rpm:.0f} rpm over the magnet there is no spark: such a "
            "crank cannot carry over compression by its flywheel alone. It may stop and turn back, "
            "and a spark would then throw it backwards. The figure follows from bore, stroke, "
            "ratio, flywheel and the magnet's place; a heavier flywheel lowers it."
        )
    else:
        words.append(
            f"Slower than {start.floor_rpm:.0f} rpm there is no spark ([advance] floor_rpm)."
        )
    silent = all(run.sparks == 0 for run in data.below_floor)
    tried = ", ".join(f"{run.rpm:.0f}" for run in data.below_floor)
    words.append(f"Tried at {tried} rpm: {'no spark.' if silent else 'THERE WERE SPARKS.'}")
    return words


def early_late(m: Measurement) -> tuple[int, float, float]:
    """How many sparks left the quiet line's band, the earliest and the latest error in degrees."""
    moved = int((np.abs(m.error_deg) > m.allowed_deg).sum())
    if not len(m.error_deg):
        return moved, 0.0, 0.0
    return moved, float(m.error_deg.max()), float(m.error_deg.min())


COUNTER_MOST = 65535  # where the core's 16-bit counters stay


def _counted(values: list[int]) -> str:
    """Return a sum of counters; "or more" when one of them had to stay at its greatest."""
    return f"{sum(values)}{' or more' if max(values, default=0) >= COUNTER_MOST else ''}"


def refused(result: ScenarioResult) -> str:
    """Edges that the core captured and did not believe."""
    names = ("short", "blanked", "trail_bounce", "arc", "interval")
    return _counted([result.run.counters.get(name, 0) for name in names])


def counters(data: ReportData) -> list[tuple[str, str, list[str]]]:
    """Name, meaning and value in each noisy run of the core's counters that are not all zero."""
    rows = [
        (name, text, [result.run.counters.get(name, 0) for result in data.noisy])
        for _, name, text in core_names("st_counter", "ST_N_")
    ]
    return [(n, text, [_counted([v]) for v in values]) for n, text, values in rows if any(values)]


def sizes(data: ReportData) -> list[tuple[str, str, str]]:
    """Return what the image takes, of what there is, and who measured it."""
    sizes, board = data.manifest.raw.get("sizes") or {}, data.board
    compiler = str(data.manifest.raw.get("compiler"))
    rows = []
    if sizes:
        rows = [
            ("flash", f"{sizes['flash_bytes']} of {board.flash_free_bytes} bytes", compiler),
            ("variables", f"{sizes['ram_bytes']} of {board.ram_bytes} bytes", compiler),
        ]
    for part in data.chips:
        if part.facts is None:
            continue
        facts = part.facts
        rows += [
            (
                "deepest stack",
                f"{facts.stack_bytes} of {facts.stack_free_bytes} bytes",
                part.source,
            ),
            ("reset to main()", f"{facts.boot_s * 1e6:.1f} µs", part.source),
            ("reset to coil pin off", f"{facts.outputs_safe_s * 1e6:.2f} µs", part.source),
        ]
    rows.append(
        ("table of delays", f"{data.manifest.raw.get('table_bytes', 0)} bytes", "generator")
    )
    return rows


def assumed_rows(data: ReportData) -> list[tuple[str, str, str]]:
    """Key, value and meaning of what the description leaves out; absent parts are not told."""
    if data.description is None:
        return []
    rows = []
    for item in data.description.assumed:
        left_out = re.search(r"Left out: (.*?)\.(?: |$)", item.what)
        if item.value is None and left_out is None:
            continue
        value = toml_value(item.value) if item.value is not None else "computed"
        value += f" (part {item.part})" if item.part else ""
        meaning = item.what.partition(" Why this range:")[0]
        rows.append((item.key, value, meaning))
    return rows


def battery_words(data: ReportData) -> str:
    """Tell what the coil takes from the supply at top speed; empty when that is not known."""
    use = data.description.electrical.report.battery if data.description else None
    if use is None:
        return ""
    return (
        f"At top speed the coil takes {use.mean_a:.2f} A on average and {use.peak_a:.1f} A at the "
        f"peak; the supply then stands at {use.sagged_full_v:.1f} V full and "
        f"{use.sagged_flat_v:.1f} V nearly empty, and lasts about {use.life_h:.1f} h."
    )


def off_ticks(result: EmulatedResult) -> float:
    """Most that chip and host differ in a spark's instant, in timer ticks."""
    return float(np.abs(result.difference.ticks).max(initial=0.0))
