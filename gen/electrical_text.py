"""The electrical side in words, for `sparktick check`."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from .electrical_buy import Purchase
from .electrical_input import CapacitorStore, Coil, Corners, LogicCoil
from .electrical_of import NOMINAL, Electrical, OperatingPoint
from .electrical_verdicts import PartVerdict

INDENT = "  "
WIDTH = 100
FOREVER_H = 1000.0


def electrical_lines(electrical: Electrical, purchases: Sequence[Purchase]) -> list[str]:
    """Return the whole section, without its verdicts."""
    given, source = electrical.given, electrical.given.source
    lines = [_heading(electrical)]
    lines += _block("spark", _spark(electrical))
    lines += _table(electrical.points)
    if isinstance(source, Coil):
        lines += _block("heat", _heat(electrical))
        lines += _block("stuck on", _stuck(electrical))
    elif isinstance(source, LogicCoil):
        lines += _block("pin", _logic(electrical, source))
    else:
        lines += _block("trigger", _store(given.start_rpm, source))
    lines += _block("battery", _battery(electrical))
    lines += _block("bench", _bench(electrical))
    lines += _block("line", _line(electrical))
    lines += _block("magnet", _magnet(electrical))
    if purchases:
        lines += ["", "What to buy:"]
    for purchase in purchases:
        lines += _block(purchase.what, _buy(purchase))
    return lines


def verdict_lines(verdicts: Sequence[PartVerdict]) -> list[str]:
    """Return one line a verdict, and below each that failed where it is and what to do."""
    width = max(len(f"{v.part}: {v.quantity}") for v in verdicts)
    lines = []
    for v in verdicts:
        lines.append(
            f"{INDENT}{'ok  ' if v.passed else 'FAIL'} {f'{v.part}: {v.quantity}':{width}}  "
            f"{_number(v.value):>5} {v.unit}, {v.sense} {_number(v.limit)}"
        )
        if not v.passed:
            lines.append(f"{INDENT}     worst at {v.corner}")
            lines.append(f"{INDENT}     {v.remedy}")
    return lines


def failure_sentence(verdict: PartVerdict) -> str:
    """Return one failed verdict as a plain sentence."""
    return (
        f"{verdict.part}: {verdict.quantity} is {_number(verdict.value)} {verdict.unit}, allowed "
        f"is {verdict.sense} {_number(verdict.limit)} {verdict.unit} ({verdict.corner}). "
        f"{verdict.remedy}"
    )


def _number(value: float) -> str:
    """Three digits, never a power of ten for what a workshop meets."""
    if value == 0.0 or not np.isfinite(value):
        return f"{value:g}"
    digits = max(2 - int(np.floor(np.log10(abs(value)))), 0)
    return f"{value:.{digits}f}"


def _block(title: str, sentences: Sequence[str]) -> list[str]:
    """Return a titled paragraph, each sentence on a line of its own, wrapped."""
    lines: list[str] = []
    for sentence in sentences:
        first = f"{INDENT}{'' if lines else title:<9} "
        lines += textwrap.wrap(
            sentence, WIDTH, initial_indent=first, subsequent_indent=" " * len(first) + "  "
        )
    return lines


def _heading(electrical: Electrical) -> str:
    given = electrical.given
    corners = f"{given.supply_min_v:g} to {given.supply_max_v:g} V"
    if isinstance(given.source, Coil):
        tol = given.source.tolerances
        corners += (
            f", R within {tol.coil_ohm:.0%}, L within {tol.inductance:.0%}, winding "
            f"{tol.coldest_c:g} to {tol.hottest_c:g} C"
        )
    return f"Electrical side at {given.supply_v:g} V (worst corners: {corners})"


def weak_speeds(corners: Corners, least_margin: float) -> tuple[float, float] | None:
    """Return lowest and highest speed at which some corner has less than the margin wanted."""
    weak = np.flatnonzero(corners.curves.margin.min(axis=0) < least_margin)
    if len(weak) == 0:
        return None
    return float(corners.curves.rpm[weak[0]]), float(corners.curves.rpm[weak[-1]])


def _spark(electrical: Electrical) -> list[str]:
    given, report = electrical.given, electrical.report
    if report.corners is None:
        asked = electrical.bench.asked_v / 1e3
        return [f"the plug asks for up to {asked:.3g} kV; ask the maker whether it gives that"]
    curves = report.corners.curves
    margin, gap_mj = float(curves.margin.min()), float(curves.burn.gap_j.min()) * 1e3
    weak = weak_speeds(report.corners, given.least_margin)
    least_mj = given.least_gap_j * 1e3
    if weak is None and gap_mj >= least_mj:
        first = f"strong enough at every speed from {given.start_rpm:.0f} to {given.top_rpm:g} rpm"
    elif weak is None:
        first = f"too little energy: {gap_mj:.3g} mJ at the gap, {least_mj:.3g} are wanted"
    else:
        first = f"TOO WEAK from {weak[0]:.0f} to {weak[1]:.0f} rpm in the worst corner"
    return [
        first,
        f"worst corner: {margin:.3g} times the voltage the plug asks for, {gap_mj:.3g} mJ at the "
        "gap",
        *report.notes[: 1 if report.cut_above_rpm < given.top_rpm else 0],
    ]


def _table(points: Sequence[OperatingPoint]) -> list[str]:
    head = ("", "rpm", "supply", "dwell", "current", "energy", "coil gives", "plug asks")
    rows = [head]
    for p in points:
        rows.append(
            (
                p.name,
                f"{p.rpm:.0f}",
                f"{p.supply_v:.3g} V" if p.corner.startswith(NOMINAL) else "worst",
                f"{p.dwell_s * 1e3:.3g} ms" if p.dwell_s else "-",
                _unit(p.current_a, 1.0, "A"),
                _unit(p.energy_j, 1e3, "mJ"),
                _unit(p.available_v, 1e-3, "kV"),
                _unit(p.demanded_v, 1e-3, "kV"),
            )
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    return [
        f"{INDENT}  {row[0]:<{widths[0]}}  "
        + "  ".join(f"{cell:>{w}}" for cell, w in zip(row[1:], widths[1:], strict=True))
        for row in rows
    ]


def _unit(value: float | None, scale: float, unit: str) -> str:
    return "-" if value is None else f"{_number(value * scale)} {unit}"


def _heat(electrical: Electrical) -> list[str]:
    heat, coil = electrical.report.heat, electrical.given.source
    assert heat is not None
    assert isinstance(coil, Coil)
    powers = {"coil": heat.powers.coil_w, "driver": heat.powers.driver_w}
    reached = {"coil": heat.coil_c, "driver": heat.driver_c}
    if coil.thermal.ballast is not None:
        powers["ballast"] = heat.powers.ballast_w
        reached["ballast"] = heat.ballast_c
    limits = coil.thermal.named()
    parts = [
        f"{name} {_number(float(np.max(powers[name])))} W, {float(np.max(reached[name])):.0f} C of "
        f"{limits[name].limit_c:.0f} C"
        for name in powers
    ]
    return [f"{'; '.join(parts)} (worst corner, long running)"]


def _stuck(electrical: Electrical) -> list[str]:
    stuck = electrical.report.stuck
    assert stuck is not None
    first = (
        "nothing fails, however long"
        if stuck.first is None
        else f"the {stuck.first.name} fails first, after {_number(stuck.first.limit_s)} s"
    )
    return [
        f"engine stopped, switch held on: {stuck.current_a:.3g} A; {first} (worst corner)",
        f"the firmware ends any charge within {electrical.on_limit_s * 1e3:.3g} ms: hard limit "
        f"{electrical.hard_limit_s * 1e3:.3g} ms and, if the chip hangs, one watchdog period",
    ]


def _logic(electrical: Electrical, coil: LogicCoil) -> list[str]:
    return [
        f"on for {coil.dwell_s * 1e3:.3g} ms; its maker allows {coil.max_on_s * 1e3:.3g} ms, a "
        f"fault is ended within {electrical.on_limit_s * 1e3:.3g} ms",
        f'the pin gives {electrical.line.line.logic_v:g} V for "charge"',
    ]


def _store(start_rpm: float, store: CapacitorStore) -> list[str]:
    stored_mj = 0.5e3 * store.capacitor_f * store.volts**2
    return [
        f"stored {stored_mj:.3g} mJ ({store.capacitor_f * 1e6:g} uF at {store.volts:g} V), full "
        f"again after {store.recharge_s * 1e3:g} ms",
        "the firmware gives one pulse of set width at the spark and nothing else: never through "
        "reset, never two",
        "within one recharge; charging is the unit's own business",
    ]


def _hours(hours: float) -> str:
    if hours > FOREVER_H:
        return f"over {FOREVER_H:.0f} h"
    return f"{_number(hours)} h" if hours >= 1.0 else f"{hours * 60.0:.0f} min"


def _battery(electrical: Electrical) -> list[str]:
    idle, top = electrical.point("idle"), electrical.point("top")
    if top.mean_a is None or idle.mean_a is None:
        return []
    if top.life_h is None or idle.life_h is None:
        return [f"{top.mean_a:.2g} A in the mean at top speed; no capacity_ah is described"]
    lines = [
        f"lasts {_hours(idle.life_h)} at idle, {_hours(top.life_h)} at {top.rpm:.0f} rpm "
        f"({top.mean_a:.2g} A in the mean)"
    ]
    use = electrical.report.battery
    if use is not None:
        lines.append(
            f"{use.sagged_full_v:.3g} V under the peak current when full, {use.sagged_flat_v:.3g} "
            "V when flat"
        )
    return lines


def _bench(electrical: Electrical) -> list[str]:
    bench = electrical.bench
    series = " (both together)" if electrical.given.plugs_in_series == 2 else ""
    return [
        f"a good coil jumps {bench.needle_gap_m * 1e3:.0f} mm between points, "
        f"{bench.round_gap_m * 1e3:.1f} mm between round ends, in open air",
        f"(in the cylinder the plug{series} asks for {bench.asked_v / 1e3:.3g} kV at "
        f"{bench.asked_at_rpm:.0f} rpm, in open air for {bench.plug_open_air_v / 1e3:.2g} kV; "
        f"{bench.margin:g} times that is wanted)",
    ]


def _line(electrical: Electrical) -> list[str]:
    use = electrical.line
    side = "low" if use.idle_high else "high"
    return [
        f"edges reach the pin {use.lead_s * 1e6:.3g} us (arriving) and {use.trail_s * 1e6:.3g} us "
        f"(leaving) late: {use.lead_deg:.2g} and {use.trail_deg:.2g} deg at {use.at_rpm:g} rpm; "
        "the firmware takes them back",
        f"noise that pulls the line {side} for less than {use.shortest_noise_s * 1e6:.2g} us does "
        f"not reach the pin; longer, it must hold for {use.confirm_s * 1e6:g} us to be believed",
        f"the magnet's pulse is long enough up to {use.greatest_rpm:.0f} rpm",
    ]


def _magnet(electrical: Electrical) -> list[str]:
    field = electrical.field
    if field is None:
        return []
    worst = (
        f" ({field.operate_worst_t * 1e3:.3g} mT at worst)"
        if field.operate_worst_t > field.operate_t
        else ""
    )
    lines = [
        f"{field.peak_t * 1e3:.3g} mT at the sensor, {field.gap_m * 1e3:g} mm away; it operates at "
        f"{field.operate_t * 1e3:.3g} mT{worst}, releases at {field.release_t * 1e3:.3g} mT"
    ]
    if field.widest_gap_m is not None:
        lines.append(f"felt up to {field.widest_gap_m * 1e3:.2g} mm away")
    if field.arc_deg is not None:
        lines.append(f"on for {field.arc_deg:.3g} crank degrees")
    return lines


def _buy(purchase: Purchase) -> list[str]:
    unwise = "not advised: " if purchase.size != "none" else ""
    word = {"buy": "BUY ", "have": "have ", "no": unwise}
    lines = [f"{word[purchase.state]}{purchase.size}: {purchase.why}"]
    if purchase.classes:
        lines.append(f"classes that fit: {', '.join(purchase.classes)}")
    return lines
