"""Design -> Plan: every number the chip will hold, as integers, with the proof of their error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .board import boards_that
from .delay_table import (
    ALONG_BELOW,
    BYTES_PER_LINE,
    Geometry,
    Line,
    check_range,
    crc16,
    evaluate_q8,
    prove,
    run_lines,
    start_lines,
)
from .design import GUARD_S, LEAST_GATE_PART, START_LEAVE, Design
from .edge_cover import MOST_GATE_PART, check_blanking, check_gate, gate_need, turns_of
from .errors import DescriptionError, Fault, SparktickError

TABLE_BYTES_MOST = 256
SMALL_TABLE_BYTES, SMALL_FLASH_BYTES = 160, 8192  # where the code needs all the rest
# Of an interval, by which an edge may come sooner than the last turns explain: what counting,
# sensor and crank scatter by.  0.9 deg with one pulse a turn.
EARLY_PART = 160.0 / 65536.0
BOUND_DEG = 0.02
FASTEST_RPM = 20000.0
PREDICTORS = {"last": 0, "trend": 1, "same-stroke": 2}
COMPARE_TICKS = 1.0  # a compare output changes one tick after the count it is compared with
CAPTURE_TICKS = 0.5  # a captured count is the floor of the instant: half a tick early on average
HEARTBEAT_S = 1e-3
STORM_S = 120e-6  # edges of the standard's 5 kHz bursts, 200 us apart, are no storm: each is judged
OVERDUE_S = 2e-3
LEAST_ON_S = 50e-6
# Of the speed limit.  Deaf to every second pulse the core would lock at half the speed, and spark.
NO_PULSE = 2.5
END_ARMED = 1.3  # shortest charge, in services of an edge: its begin and its end are served in turn
LEAST_CHARGE_PART = 0.75  # but a whole charge, however short, is always begun
HARD_LIMIT_LEAST = 1.75  # a start pulse whose end is lost must not be ended early
TRIGGER_SLACK = 3.0  # a trigger pulse may last this many services longer: it charges nothing


@dataclass(frozen=True)
class Plan:
    """What the chip holds.  Ticks, counts, 1/256 (q8) and 1/65536 (q16) in the names.

    Field names are those of ``config.h``, where ST_CFG_ stands before them in capitals.
    """

    name: str
    digest: str
    tick_hz: float
    run_table: tuple[Line, ...]
    start_table: tuple[Line, ...]
    table_crc: int
    table_bound_deg: float
    predictor: str
    period_min_ticks: int
    period_max_ticks: int
    start_period_ticks: int
    start_leave_ticks: int
    start_width_max_ticks: int
    start_interval_max_ticks: int
    start_charge_early: bool
    lock_intervals: int
    lock_tolerance_q16: int
    gate: bool
    arc_check: bool
    arc_q16: int
    arc_slack_eighths: int
    early_q16: int
    predictor_reason: str
    arc_timing: bool
    arc_period_q8: int
    width_longer_ticks: int
    confirm_ticks: int
    blank_on_ticks: int
    blank_off_ticks: int
    false_edges_most: int
    storm_ticks: int
    bridge_most: int
    bridge_period_ticks: int
    spark_on_rise: bool
    dwell_ticks: int
    off_min_ticks: int
    on_min_ticks: int
    hard_limit_ticks: int
    guard_ticks: int
    guard_beats: int
    limit_ticks: int
    resume_ticks: int
    warm_restart: bool
    overdue_ticks: int
    tell: bool
    tell_heartbeats: int
    baud: int
    capture_filter: bool
    active_low: bool
    pickup_pull_up: bool
    coil_on_high: bool
    rpm_ticks: float
    two_coils: bool = False
    dwell_table: tuple[int, ...] = ()
    supply_q4: int = 0

    @property
    def predictor_code(self) -> int:
        """Number of the predictor in st_core.h."""
        return PREDICTORS[self.predictor]

    @property
    def table_bytes(self) -> int:
        """Flash the tables take."""
        return BYTES_PER_LINE * (len(self.run_table) + len(self.start_table))

    def ms(self, ticks: int) -> float:
        """Milliseconds of a number of ticks."""
        return ticks / self.tick_hz * 1e3

    def rpm(self, period_ticks: float) -> float:
        """Crank speed of a period."""
        return self.rpm_ticks / period_ticks


def geometry_of(design: Design) -> Geometry:
    """Return what turns an advance into a delay between two instants of the chip's timer."""
    tick_hz = design.board.tick_hz
    delays_s = design.capture_delay_s + design.lead_delay_s + design.output_delay_s
    return Geometry(
        lead_deg_btdc=design.lead_deg_btdc,
        spacing_deg=design.spacing_deg,
        rpm_ticks=design.spacing_deg / 6.0 * tick_hz,
        fixed_ticks=delays_s * tick_hz + COMPARE_TICKS - CAPTURE_TICKS,
    )


def _hard_limit(design: Design, latest_s: float, dwell_s: float) -> float:
    """Longest on-time in s: as given, or what the latest charge before an edge can need."""
    needed = max(latest_s * 1.02, HARD_LIMIT_LEAST * dwell_s)
    if design.spark_on_rise:  # the pulse's end is armed after its begin has been served
        needed = max(needed, dwell_s + TRIGGER_SLACK * design.service_s)
    if design.hard_limit_s is None:
        return needed
    if design.hard_limit_s < latest_s:
        raise DescriptionError(
            Fault(
                design.name,
                "safety.hard_limit_ms",
                "shorter than a charge that has to wait for a late pulse",
                value=design.hard_limit_s * 1e3,
                allowed=f"at least {latest_s * 1e3:.2f} ms",
                remedy="Leave it out, raise it, or lower max_accel_rpm_per_s or the dwell.",
            )
        )
    return design.hard_limit_s


def longest_charge_s(
    design: Design, run_table: tuple[Line, ...], dwell_ticks: int, guard_ticks: int, slowest: int
) -> float:
    """Return the longest charge begun before its edge, when that comes as late as the gate lets it.

    Walks the periods from the limit to the slowest at which dwell does not fit behind the edge.
    """
    geometry = geometry_of(design)
    fastest = geometry.rpm_ticks / design.limit_rpm
    period = np.geomspace(fastest, slowest, 4000).astype(np.int64)
    delay = evaluate_q8(run_table, period) / 256.0
    start = np.array([line.from_ticks for line in run_table])
    gate = np.array([line.gate_q16 for line in run_table])
    line = np.clip(np.searchsorted(start, period, side="right") - 1, 0, len(run_table) - 1)
    latest = period * gate[line] / 65536.0 + guard_ticks
    before = delay < dwell_ticks + guard_ticks
    if design.spark_on_rise or not np.any(before):
        return dwell_ticks / design.board.tick_hz
    wait = np.maximum(latest - delay, 0.0)[before]
    return float(dwell_ticks + np.max(wait)) / design.board.tick_hz


def _arc_period_q8(design: Design) -> int:
    """Period that a width stands for; refused where it is used and 16 bits cannot hold it."""
    wanted = round(design.spacing_deg / design.arc_deg * 256.0)
    counts = design.arc_timing or design.predictor == "same-stroke"
    if wanted > 0xFFFF and counts:
        raise DescriptionError(
            Fault(
                design.name,
                "prediction.predictor",
                "the magnet is too short to tell the speed by",
                value=design.predictor,
                allowed=f"for an arc of at least {design.spacing_deg / 255.9:.1f} deg",
                remedy='Take "trend", or a longer magnet.',
            )
        )
    return min(wanted, 0xFFFF)


def _check_start_charge(design: Design, delay_ticks: float, dwell_ticks: int, guard: int) -> None:
    if design.spark_on_rise or delay_ticks >= dwell_ticks + guard:
        return
    rpm = design.start.below_rpm
    raise DescriptionError(
        Fault(
            design.name,
            "advance.start_below_rpm",
            f"dwell ({dwell_ticks / design.board.tick_hz * 1e3:.2f} ms) does not fit between the "
            "lead edge and the spark there, so charging would begin before the pulse",
            value=rpm,
            allowed=f"up to {rpm * delay_ticks / (dwell_ticks + guard):.0f} rpm",
            remedy="Lower it, move the lead edge earlier, or take less dwell.",
        )
    )


def _serving(within_s: float) -> str:
    """Name the boards that serve an edge within a time."""
    return boards_that(lambda board: board.service_cycles / board.f_cpu_hz <= within_s)


def _check_service(design: Design, run_table: tuple[Line, ...], geometry: Geometry) -> None:
    """Refuse a spark due before the edge has been confirmed and served, at any speed."""
    tick_hz = design.board.tick_hz
    fastest = int(geometry.rpm_ticks / design.limit_rpm)
    delay_s = float(evaluate_q8(run_table, [fastest])[0]) / 256.0 / tick_hz
    needed_s = design.layers.confirm_s + design.service_s
    if delay_s < needed_s:
        raise DescriptionError(
            Fault(
                design.name,
                "pickup.lead_edge_deg_btdc",
                f"at {design.limit_rpm:g} rpm the spark is due {delay_s * 1e6:.0f} us after the "
                f"edge, and the chip needs {needed_s * 1e6:.0f} us to believe and serve it",
                value=design.lead_deg_btdc,
                remedy="Move the magnet earlier, lower the speed limit or confirm_us, or take a "
                f"board that is fast enough: {_serving(delay_s - design.layers.confirm_s)}.",
            )
        )


def _check_arc(design: Design) -> None:
    """Refuse a trail edge that comes before the chip can watch for it, at any speed."""
    layers = design.layers
    rpm = design.limit_rpm
    shortest_s = design.arc_deg / (6.0 * rpm) * (1.0 - layers.arc_tolerance)
    needed_s = layers.confirm_s + design.service_s
    arc_s = design.arc_deg / (6.0 * rpm)
    if layers.arc_check and arc_s < needed_s:
        raise DescriptionError(
            Fault(
                design.name,
                "pickup.arc_deg",
                f"at {rpm:g} rpm the magnet passes in {arc_s * 1e6:.0f} us, and the chip needs "
                f"{needed_s * 1e6:.0f} us before it can watch for the magnet's end",
                value=round(design.arc_deg, 2),
                allowed=f"at least {design.arc_deg * needed_s / arc_s:.1f} deg",
                remedy="Take a longer magnet or a smaller radius, lower the speed limit, write "
                "[noise] arc_check = false, or take a board that is fast enough: "
                f"{_serving(arc_s - layers.confirm_s)}.",
            )
        )
    if shortest_s < layers.confirm_s:
        raise DescriptionError(
            Fault(
                design.name,
                "noise.confirm_us",
                f"at {rpm:g} rpm a believable pulse may last {shortest_s * 1e6:.0f} us",
                value=layers.confirm_s * 1e6,
                allowed=f"up to {shortest_s * 1e6:.0f} us",
                remedy="Lower it, take a longer magnet, or lower the speed limit.",
            )
        )


def _start_table(design: Design, width_max: int) -> tuple[Line, ...]:
    tick_hz = design.board.tick_hz
    start = design.start
    delays_s = design.capture_delay_s + design.trail_delay_s + design.output_delay_s
    fixed = delays_s * tick_hz + COMPARE_TICKS - CAPTURE_TICKS
    width = start.arc_s * tick_hz
    delay = start.delay_s * tick_hz
    lines = start_lines(width, delay, fixed)
    check_range(lines, width_max, "advance.floor_rpm")
    return lines


def quantise(design: Design) -> Plan:
    """Turn a design into the chip's integers and prove the delay table.

    Raises DescriptionError (or SparktickError) when the chip cannot hold or serve it: delay too
    short at the speed limit, table too long, period range too wide, bound above 0.02 deg.
    """
    tick_hz = design.board.tick_hz
    geometry = geometry_of(design)
    layers = design.layers

    def ticks(seconds: float) -> int:
        return round(seconds * tick_hz)

    def period(rpm: float) -> int:
        return int(geometry.rpm_ticks / rpm)

    slowest = period(design.start.below_rpm * START_LEAVE)
    fastest = period(max(FASTEST_RPM, design.limit_rpm * 1.25))
    period_max = period(design.floor_rpm)
    if period_max >= ALONG_BELOW:
        raise DescriptionError(
            Fault(
                design.name,
                "advance.floor_rpm",
                "the chip's tick counter cannot span a turn that slow",
                value=design.floor_rpm,
                allowed=f"at least {geometry.rpm_ticks / ALONG_BELOW * 1.001:.0f} rpm",
                remedy="Raise it: a hand turns faster than that.",
            )
        )
    width_max = int(period(design.start.arc_floor_rpm) * design.arc_deg / design.spacing_deg)
    start_table = _start_table(design, width_max)
    small = design.board.flash_free_bytes <= SMALL_FLASH_BYTES
    table_bytes = SMALL_TABLE_BYTES if small else TABLE_BYTES_MOST
    most_lines = max(table_bytes // BYTES_PER_LINE - len(start_table), len(design.curve) + 1)
    turns = turns_of(design, design.start.below_rpm * START_LEAVE)
    scatter = LEAST_GATE_PART + design.gate_margin_deg / design.spacing_deg
    need = gate_need(design, turns, scatter, MOST_GATE_PART)
    run_table = run_lines(geometry, design.curve, slowest, fastest, need, most_lines)
    check_range(run_table, slowest, "advance.start_below_rpm")
    bound = prove(run_table, geometry, design.curve, fastest, slowest)
    if bound > BOUND_DEG:
        raise SparktickError(
            f"advance.curve: the delay table is off by up to {bound:.4f} deg (allowed: "
            f"{BOUND_DEG}). Leave out points that lie close together."
        )
    guard = ticks(layers.confirm_s + design.service_s + GUARD_S)
    dwell = ticks(design.dwell_s)
    supply = design.supply_dwell
    longest_dwell = dwell if supply is None else ticks(supply.longest_s)
    shortest_dwell = dwell if supply is None else ticks(float(supply.dwell_s.min()))
    _check_service(design, run_table, geometry)
    _check_arc(design)
    check_gate(design, run_table, turns)
    slowest_rpm = design.start.below_rpm * START_LEAVE
    check_blanking(design, run_table, longest_dwell / tick_hz, guard / tick_hz, slowest_rpm)
    slow_delay = float(evaluate_q8(run_table, [slowest])[0]) / 256.0
    _check_start_charge(design, slow_delay, longest_dwell, guard)
    longest_s = longest_charge_s(design, run_table, longest_dwell, guard, slowest)
    hard_s = _hard_limit(design, longest_s, longest_dwell / tick_hz)
    return Plan(
        name=design.name,
        digest=design.digest,
        tick_hz=tick_hz,
        run_table=run_table,
        start_table=start_table,
        table_crc=crc16([*run_table, *start_table]),
        table_bound_deg=bound,
        predictor=design.predictor,
        period_min_ticks=period(design.limit_rpm * NO_PULSE),
        period_max_ticks=period_max,
        start_period_ticks=period(design.start.below_rpm),
        start_leave_ticks=slowest,
        start_width_max_ticks=width_max,
        start_interval_max_ticks=period(design.start.floor_rpm),
        start_charge_early=design.start.charge_early,
        lock_intervals=max(layers.lock_pulses - 1, 1),
        lock_tolerance_q16=round(layers.lock_tolerance * 65536.0),
        gate=layers.gate,
        arc_check=layers.arc_check,
        arc_q16=round(design.arc_deg / design.spacing_deg * 65536.0),
        arc_slack_eighths=max(1, round(layers.arc_tolerance * 8.0)),
        early_q16=round(EARLY_PART * 65536.0),
        predictor_reason=design.predictor_reason,
        arc_timing=design.arc_timing,
        arc_period_q8=_arc_period_q8(design),
        width_longer_ticks=ticks(design.trail_delay_s - design.lead_delay_s),
        confirm_ticks=ticks(layers.confirm_s),
        blank_on_ticks=ticks(layers.blank_on_s),
        blank_off_ticks=ticks(layers.blank_off_s),
        false_edges_most=layers.most_false_edges,
        storm_ticks=ticks(STORM_S),
        bridge_most=layers.bridge_missing,
        bridge_period_ticks=period(layers.bridge_above_rpm),
        spark_on_rise=design.spark_on_rise,
        dwell_ticks=dwell,
        off_min_ticks=ticks(design.off_min_s),
        # A charge begun at once must not end before its end can be armed: two events' service.
        on_min_ticks=min(
            max(ticks(LEAST_ON_S), round(END_ARMED * guard)),
            int(LEAST_CHARGE_PART * shortest_dwell),
        ),
        hard_limit_ticks=int(hard_s * tick_hz),
        guard_ticks=guard,
        guard_beats=int(np.ceil(hard_s / HEARTBEAT_S)) + 1,
        limit_ticks=period(design.limit_rpm),
        resume_ticks=period(design.resume_rpm),
        warm_restart=True,
        overdue_ticks=ticks(OVERDUE_S),
        tell=design.serial,
        tell_heartbeats=round(1.0 / HEARTBEAT_S / design.lines_per_s),
        baud=design.baud,
        capture_filter=layers.capture_filter,
        active_low=design.active_low,
        pickup_pull_up=True,
        coil_on_high=design.coil_on_high,
        rpm_ticks=geometry.rpm_ticks,
        two_coils=design.two_coils,
        dwell_table=() if supply is None else tuple(ticks(s) for s in supply.dwell_s),
        supply_q4=0 if supply is None else round(16.0 * supply.counts(design.supply_volts)),
    )
