"""Checks across keys: what no single range can catch.  [engine] [pickup] [advance].

Each check is one small function that appends faults (the engine is refused) or warnings (it is
accepted, but odd).  The electric half is in engine_checks_electric.py.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import TYPE_CHECKING

from . import engine_checks_electric as electric
from .board import boards_that
from .check_report import Report, deg_of_us

if TYPE_CHECKING:
    from .board import Board
    from .engine import Engine

ADVANCE_MAX_DEG = 60.0
START_SAFE_DEG = 12.0
EDGE_MARGIN_DEG = 2.0
TRAIL_LATEST_DEG_BTDC = -10.0
ARC_FREE_DEG = 5.0
POINTS_REJECTS = 12  # contacts that bounce six times at an edge, twice over; common practice
# Above this a small engine's parts are in doubt; general practice, from memory.
PISTON_SPEED_M_PER_S = 22.0


def cross_check(
    engine: Engine, board: Board, file: str, line_of_key: Callable[[str], int | None]
) -> Report:
    """Run every check; ``line_of_key`` finds the line of ``file`` that a key stands in."""
    report = Report(file, line_of_key)
    described = [_flywheel(engine, report), _arc_described(engine, report)]
    _cylinders(engine, report)
    _speeds(engine, report)
    _mechanics(engine, report)
    curve_good = _curve(engine, report)
    _start(engine, report)
    _start_speed(engine, report)
    if curve_good:
        _limit(engine, report)
        _slope(engine, report)
        _lead_edge(engine, board, report)
    _shaft(engine, report)
    _magnet(engine, report)
    _points(engine, report)
    if all(described):
        _arc(engine, board, report)
        _trail_edge(engine, report)
    electric.check(engine, board, report, curve_good=curve_good)
    return report


def edge_to_spark_us(engine: Engine, board: Board) -> float:
    """Least time from the magnet's lead edge to the spark that edge can time, microseconds.

    Sensor, filter (1.2 time constants, an upper bound of any threshold), capture, confirmation,
    the firmware's own work and the output stage.
    """
    pickup = engine.pickup
    filter_us = 1.2e-3 * (pickup.source_ohm + pickup.filter_ohm) * pickup.filter_nf
    cycles = board.service_cycles + board.timer.sync_cycles_max + board.timer.filter_cycles
    chip_us = cycles / board.f_cpu_hz * 1e6
    fixed = pickup.sensor_delay_us + pickup.isolator_delay_us + filter_us + engine.noise.confirm_us
    return fixed + chip_us + engine.driver.output_delay_us


def _flywheel(engine: Engine, report: Report) -> bool:
    part = engine.engine
    pair = (part.flywheel_mass_kg, part.flywheel_diameter_mm)
    remedy = "Give flywheel_inertia_kg_m2, or flywheel_mass_kg and flywheel_diameter_mm."
    if part.flywheel_inertia_kg_m2 is not None:
        if pair != (None, None):
            report.fault("engine.flywheel_inertia_kg_m2", "the flywheel is described twice", remedy)
            return False
        return True
    if None in pair:
        missing = "flywheel_diameter_mm" if pair[0] is not None else "flywheel_mass_kg"
        key = "flywheel_inertia_kg_m2" if pair == (None, None) else missing
        report.fault(f"engine.{key}", "missing", remedy)
        return False
    return True


def _cylinders(engine: Engine, report: Report) -> None:
    part = engine.engine
    key = "engine.tdc_spacing_deg"
    given = "tdc_spacing_deg" in part.model_fields_set
    if part.cylinders == 2 and not given:
        remedy = "Write 0 if both pistons rise together, 180 if one rises while the other falls."
        report.fault(key, "missing", remedy, allowed="0 | 180")
    elif part.cylinders == 1 and part.tdc_spacing_deg != 0:
        remedy = "Leave it out, or write cylinders = 2."
        report.fault(key, "only two cylinders have a spacing", remedy, value=part.tdc_spacing_deg)
    elif part.tdc_spacing_deg == 180 and engine.coil.coils == 1:
        remedy = (
            "Write [coil] coils = 2. A twin-lead coil would spark into the other's fresh charge."
        )
        report.fault(key, "twins that fire in turn need a coil each", remedy, value=180)


def _speeds(engine: Engine, report: Report) -> None:
    part = engine.engine
    if part.top_rpm < 1.2 * part.idle_rpm:
        report.fault(
            "engine.top_rpm",
            "too close to idle_rpm",
            "The engine needs room between idle and top speed.",
            value=part.top_rpm,
            allowed=f"at least {1.2 * part.idle_rpm:g} rpm, 1.2 x idle_rpm",
        )
    if part.starter_rpm >= part.idle_rpm:
        report.warn(
            "engine.starter_rpm",
            "the starter turns it as fast as it idles",
            "Check both speeds.",
            value=part.starter_rpm,
        )


def _mechanics(engine: Engine, report: Report) -> None:
    part = engine.engine
    if part.rod_mm < 0.6 * part.stroke_mm:
        report.fault(
            "engine.rod_mm",
            "shorter than the crank needs",
            "Measure from the centre of the big end to the centre of the small end.",
            value=part.rod_mm,
            allowed=f"at least {0.6 * part.stroke_mm:g} mm, 0.6 x stroke_mm",
        )
    speed = 2.0 * part.stroke_mm / 1000.0 * part.top_rpm / 60.0
    if speed > PISTON_SPEED_M_PER_S:
        report.warn(
            "engine.top_rpm",
            f"mean piston speed would be {speed:.1f} m/s",
            f"Above {PISTON_SPEED_M_PER_S:g} m/s small engines seldom last; check both.",
            value=part.top_rpm,
        )
    if part.displacement_cc > 150.0:
        report.warn(
            "engine.bore_mm",
            f"displacement is {part.displacement_cc:.0f} cc",
            "This tool is made for a few cc to about 100 cc; check bore and stroke.",
            value=part.bore_mm,
        )


def _curve(engine: Engine, report: Report) -> bool:
    key, before, good = "advance.curve", 0.0, True
    remedy = "Write points as [rpm, degrees BTDC], slowest first."
    for rpm, advance in engine.advance.curve:
        if rpm <= before:
            what = "speeds must rise from point to point" if before else "a speed must be above 0"
            report.fault(key, what, remedy, value=[rpm, advance], allowed=f"above {before:g} rpm")
            good = False
        if not 0.0 <= advance <= ADVANCE_MAX_DEG:
            report.fault(
                key,
                "advance out of range",
                "No engine of this size wants a spark after dead centre or that early.",
                value=[rpm, advance],
                allowed=f"0 to {ADVANCE_MAX_DEG:g} deg BTDC",
            )
            good = False
        before = rpm
    return good


def _slope(engine: Engine, report: Report) -> None:
    curve = engine.advance.curve
    for (rpm, deg), (rpm2, deg2) in itertools.pairwise(curve):
        slope = (deg2 - deg) / (rpm2 - rpm) * 1000.0
        if abs(slope) > 25.0:
            report.warn(
                "advance.curve",
                f"changes by {slope:.0f} deg in 1000 rpm between {rpm:g} and {rpm2:g} rpm",
                "A steep step makes the engine hunt around that speed.",
                value=[[rpm, deg], [rpm2, deg2]],
            )
    if curve[0][1] < engine.advance.start_deg_btdc:
        report.warn(
            "advance.curve",
            "the curve begins with less advance than the start",
            "Usually the advance grows when the engine runs; check start_deg_btdc.",
            value=list(curve[0]),
        )


def _start(engine: Engine, report: Report) -> None:
    advance = engine.advance
    allowed = engine.safety.allow_start_advance_over_12_deg
    if advance.start_deg_btdc > START_SAFE_DEG and not allowed:
        report.fault(
            "advance.start_deg_btdc",
            "so early a spark kicks back and breaks fingers",
            "Take 0 to 8 for a hand start. With a starter that cannot be thrown back, write "
            "[safety] allow_start_advance_over_12_deg = true.",
            value=advance.start_deg_btdc,
            allowed=f"0 to {START_SAFE_DEG:g} deg BTDC",
        )
    elif allowed and engine.engine.starter in ("hand", "cord"):
        report.warn(
            "safety.allow_start_advance_over_12_deg",
            f'set with starter = "{engine.engine.starter}"',
            "An early spark throws the crank back at the hand that turns it.",
            value=True,
        )


def _start_speed(engine: Engine, report: Report) -> None:
    advance, part = engine.advance, engine.engine
    if advance.floor_rpm >= advance.start_below_rpm:
        report.fault(
            "advance.floor_rpm",
            "not below start_below_rpm, so it could never start",
            "Take about a third of the cranking speed.",
            value=advance.floor_rpm,
            allowed=f"below {advance.start_below_rpm:g} rpm",
        )
    elif advance.floor_rpm > 0.7 * part.starter_rpm:
        report.fault(
            "advance.floor_rpm",
            f"so near the cranking speed ({part.starter_rpm:g} rpm) that it would not spark",
            "Take about a third of the cranking speed, or correct [engine] starter_rpm.",
            value=advance.floor_rpm,
            allowed=f"up to {0.7 * part.starter_rpm:g} rpm, 0.7 x starter_rpm",
        )
    if advance.start_below_rpm > part.idle_rpm:
        report.warn(
            "advance.start_below_rpm",
            "above idle_rpm, so it idles at the start advance",
            "Usually the curve takes over below idle.",
            value=advance.start_below_rpm,
        )
    if len(advance.curve) > 1 and advance.curve[1][0] <= advance.start_below_rpm:
        report.warn(
            "advance.start_below_rpm",
            "hides the first points of the curve",
            "Below this speed start_deg_btdc holds and the curve is not used.",
            value=advance.start_below_rpm,
        )


def _limit(engine: Engine, report: Report) -> None:
    advance = engine.advance
    top, last = engine.engine.top_rpm, advance.curve[-1][0]
    least = max(top, last)
    if advance.limit_rpm <= least:
        which = "top_rpm" if top >= last else "the curve's last speed"
        report.fault(
            "advance.limit_rpm",
            f"not above {which}",
            "Set the limit a few percent above the fastest speed wanted.",
            value=advance.limit_rpm,
            allowed=f"above {least:g} rpm",
        )
    elif advance.limit_rpm - advance.limit_hysteresis_rpm < engine.engine.idle_rpm:
        report.fault(
            "advance.limit_hysteresis_rpm",
            "after the limit, sparks would return only below idle_rpm: the engine stops first",
            "Take 100 to 500.",
            value=advance.limit_hysteresis_rpm,
            allowed=f"up to {advance.limit_rpm - engine.engine.idle_rpm:g} rpm",
        )
    elif advance.limit_rpm - advance.limit_hysteresis_rpm < top:
        report.warn(
            "advance.limit_hysteresis_rpm",
            "after the limit, sparks return only below top_rpm",
            "Lower it or raise limit_rpm.",
            value=advance.limit_hysteresis_rpm,
        )
    if advance.limit_rpm > 1.5 * top:
        report.warn(
            "advance.limit_rpm",
            "far above top_rpm, so it hardly protects",
            "Set the limit a few percent above the fastest speed wanted.",
            value=advance.limit_rpm,
        )


def _lead_edge(engine: Engine, board: Board, report: Report) -> None:
    """Ask that the lead edge precedes the spark by all delays, at every speed of the curve."""
    lead = engine.pickup.lead_edge_deg_btdc
    least_us = edge_to_spark_us(engine, board)
    need, rpm = _lead_need(engine, board)
    if lead < need:
        report.fault(
            "pickup.lead_edge_deg_btdc",
            f"too late for {engine.advance.at_rpm(rpm):g} deg BTDC at {rpm:g} rpm: sensor, filter "
            f"and firmware take {least_us:.0f} us, {deg_of_us(least_us, rpm):.1f} deg",
            "Move the magnet or sensor so that the edge comes earlier, take advance away, or take "
            f"a board that is fast enough: {_in_time(engine, lead)}.",
            value=lead,
            allowed=f"at least {need:.1f} deg BTDC",
        )
    elif lead > need + 60.0:
        report.warn(
            "pickup.lead_edge_deg_btdc",
            "much earlier than needed",
            f"The longer the wait, the more a change of speed moves the spark; {need + 10.0:.0f} "
            "deg BTDC would do.",
            value=lead,
        )


def _lead_need(engine: Engine, board: Board) -> tuple[float, float]:
    """Return where the lead edge has to be, deg BTDC, and the speed that asks most."""
    limit = engine.advance.limit_rpm
    speeds = [rpm for rpm, _ in engine.advance.curve if rpm < limit] + [limit]
    least_us = edge_to_spark_us(engine, board)
    return max(
        (engine.advance.at_rpm(rpm) + deg_of_us(least_us, rpm) + EDGE_MARGIN_DEG, rpm)
        for rpm in speeds
    )


def _in_time(engine: Engine, lead_deg: float) -> str:
    return boards_that(lambda board: _lead_need(engine, board)[0] <= lead_deg)


def _shaft(engine: Engine, report: Report) -> None:
    part, pickup = engine.engine, engine.pickup
    if pickup.shaft == "cam" and part.strokes == 2:
        report.fault(
            "pickup.shaft",
            "a two-stroke has no camshaft",
            'Write shaft = "crank".',
            value=pickup.shaft,
        )
        return
    wanted = [float(part.sparks_per_turn)]
    if part.strokes == 4 and part.cylinders == 1:
        wanted.append(0.5)
    if pickup.pulses_per_crank_turn not in wanted:
        pulses = " | ".join(f"{n * (2 if pickup.shaft == 'cam' else 1):g}" for n in sorted(wanted))
        pulses = " | ".join(item for item in pulses.split(" | ") if float(item) >= 1.0)
        report.fault(
            "pickup.pulses_per_turn",
            "one pulse makes one spark, so some would come at the wrong place",
            f"Fit as many magnets on the {pickup.shaft}shaft as it has sparks a turn.",
            value=pickup.pulses_per_turn,
            allowed=pulses,
        )


def _arc_described(engine: Engine, report: Report) -> bool:
    pickup = engine.pickup
    magnet = {
        "magnet_diameter_mm": pickup.magnet_diameter_mm,
        "magnet_radius_mm": pickup.magnet_radius_mm,
        "gap_mm": pickup.gap_mm,
    }
    given = [name for name, value in magnet.items() if value is not None]
    if pickup.arc_deg is not None:
        return True
    remedy = "Give arc_deg, or magnet_diameter_mm, magnet_radius_mm and gap_mm."
    if pickup.sensor != "hall":
        report.fault("pickup.arc_deg", f'missing; sensor = "{pickup.sensor}" needs it', remedy)
        return False
    if len(given) < 3:
        missing = [name for name in magnet if name not in given]
        name = missing[0] if given else "arc_deg"
        report.fault(f"pickup.{name}", "missing", remedy)
        return False
    return True


def _magnet(engine: Engine, report: Report) -> None:
    pickup = engine.pickup
    if pickup.release_mt >= pickup.operate_mt:
        report.fault(
            "pickup.release_mt",
            "not below operate_mt, so the sensor would chatter",
            "Take both from the sensor's data sheet.",
            value=pickup.release_mt,
            allowed=f"below {pickup.operate_mt:g} mT",
        )
    radius, diameter = pickup.magnet_radius_mm, pickup.magnet_diameter_mm
    if radius is not None and diameter is not None and radius <= diameter:
        report.fault(
            "pickup.magnet_radius_mm",
            "so small that the magnet lies over the shaft's centre",
            "Measure from the shaft's centre to the magnet's centre.",
            value=radius,
            allowed=f"above {diameter:g} mm, the magnet's diameter",
        )


def _points(engine: Engine, report: Report) -> None:
    """Contact points bounce a few times at every edge; each bounce is a false edge."""
    most = engine.noise.max_rejects_per_gate
    if engine.pickup.sensor == "points" and most < POINTS_REJECTS:
        report.warn(
            "noise.max_rejects_per_gate",
            "contact points bounce, and after so many bounces the chip stops listening for a while",
            f"Write {POINTS_REJECTS} or more.",
            value=most,
            allowed=f"{POINTS_REJECTS} to 16",
        )


def _arc(engine: Engine, board: Board, report: Report) -> None:
    """Ask that pulse and pause are long enough to be confirmed at the speed limit."""
    pickup, limit = engine.pickup, engine.advance.limit_rpm
    arc, key = pickup.nominal_arc_deg, "pickup.arc_deg"
    filter_us = 3e-3 * (pickup.source_ohm + pickup.filter_ohm) * pickup.filter_nf
    chip_us = board.timer.filter_cycles / board.f_cpu_hz * 1e6
    least_us = 1.5 * engine.noise.confirm_us + filter_us + chip_us
    least_deg = max(deg_of_us(least_us, limit), 1.0)
    if arc < least_deg:
        report.fault(
            key,
            f"the pulse lasts {arc / limit / 6e-6:.0f} us at limit_rpm, too short to be believed",
            "Use a wider magnet, a smaller radius, or less filter_nf and [noise] confirm_us.",
            value=arc,
            allowed=f"at least {least_deg:.1f} deg",
        )
    most = pickup.spacing_deg - max(least_deg, ARC_FREE_DEG)
    if arc > most:
        report.fault(
            key,
            "the magnet hardly leaves before the next one comes",
            "Use a narrower magnet or vane, or fewer pulses.",
            value=arc,
            allowed=f"up to {most:g} deg",
        )


def _trail_edge(engine: Engine, report: Report) -> None:
    """Ask for a trail edge not long after TDC: a start spark is that edge or follows it."""
    trail, start = engine.pickup.trail_edge_deg_btdc, engine.advance.start_deg_btdc
    where = f"{trail:.1f} deg BTDC" if trail >= 0 else f"{-trail:.1f} deg after dead centre"
    remedy = (
        "While starting, the spark cannot come before the magnet has left. Make arc_deg "
        f"{engine.pickup.lead_edge_deg_btdc - start:g} or less, or move the edge earlier."
    )
    if trail < TRAIL_LATEST_DEG_BTDC:
        report.fault(
            "pickup.arc_deg",
            f"the magnet leaves {where}, too late to start",
            remedy,
            value=engine.pickup.nominal_arc_deg,
            allowed=f"up to {engine.pickup.lead_edge_deg_btdc - TRAIL_LATEST_DEG_BTDC:g} deg",
        )
    elif trail < start - 1.0:
        report.warn(
            "pickup.arc_deg",
            f"the magnet leaves {where}, later than the start advance of {start:g} deg",
            remedy,
            value=engine.pickup.nominal_arc_deg,
        )
