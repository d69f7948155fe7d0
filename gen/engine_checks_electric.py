"""Checks across keys for coil, driver, supply, noise, serial line and board."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .board import SPREAD_MOST_DEG, boards_that
from .check_report import Report, deg_of_us
from .eseries import nearest
from .sections_electric import CapacitorDischarge, InductiveCoil, LogicCoil

if TYPE_CHECKING:
    from .board import Board
    from .engine import Engine

COPPER_PER_K = 0.00393
BAUD_ERROR_MAX = 0.025
LINE_CHARACTERS = 80


def check(engine: Engine, board: Board, report: Report, *, curve_good: bool) -> None:
    """Run every electric check; those that need the curve only when it is good."""
    _supply(engine, report)
    _leads(engine, report)
    _measured_supply(engine, board, report)
    _board_can(engine, board, report)
    _coil_and_driver(engine, report)
    _current(engine, report)
    _dwell(engine, report)
    _capacitor(engine, report)
    _driver_safety(engine, report)
    _drive_voltage(engine, board, report)
    _sensor_supply(engine, board, report)
    _sensor_output(engine, report)
    _gate_coupling(engine, report)
    _layers(engine, report)
    _bridging(engine, report)
    if curve_good:
        _blanking(engine, report)
    _serial(engine, board, report)
    _pulse_rate(engine, board, report)


def _supply(engine: Engine, report: Report) -> None:
    supply = engine.supply
    if supply.volts_min >= supply.volts:
        report.fault(
            "supply.volts_min",
            "not below volts",
            "Give the lowest voltage at which the engine must still run.",
            value=supply.volts_min,
            allowed=f"below {supply.volts:g} V",
        )
    if supply.volts_max < supply.volts:
        report.fault(
            "supply.volts_max",
            "below volts",
            "Give the voltage of a full battery, or on charge.",
            value=supply.volts_max,
            allowed=f"at least {supply.volts:g} V",
        )


def _two_coils(engine: Engine, report: Report) -> None:
    part, coil = engine.engine, engine.coil
    if part.cylinders == 1:
        report.fault(
            "coil.coils", "one cylinder has one coil", "Write coils = 1.", value=2, allowed="1"
        )
    elif part.strokes == 2 and part.tdc_spacing_deg == 0:
        report.fault(
            "coil.coils",
            "both cylinders of this engine fire at the same time",
            "Use one twin-lead coil (leads = 2, coils = 1), which fires both plugs at once.",
            value=2,
            allowed="1",
        )
    if coil.leads == 2:
        report.fault(
            "coil.leads",
            "two coils with two leads each have four plugs to fire",
            "Take coils with one lead, or one coil with two.",
            value=2,
            allowed="1",
        )


def _measured_supply(engine: Engine, board: Board, report: Report) -> None:
    supply = engine.supply
    if not supply.measure:
        return
    if not isinstance(engine.coil, InductiveCoil):
        report.fault(
            "supply.measure",
            f'a coil of kind "{engine.coil.kind}" does not charge by the supply',
            "Leave it out.",
            value=True,
            allowed="false",
        )
        return
    bottom, top = supply.divider_bottom_ohm, supply.divider_top_ohm
    at_pin = supply.volts_max * bottom / (bottom + top)
    if not 0.4 * board.volts <= at_pin <= 0.98 * board.volts:
        wanted = nearest(bottom * (supply.volts_max / (0.85 * board.volts) - 1.0))
        report.fault(
            "supply.divider_top_ohm",
            f"the pin would see {at_pin:.2f} V at volts_max; its range ends at {board.volts:g} V",
            f"Take {wanted:g} ohm with a divider_bottom_ohm of {bottom:g}.",
            value=top,
            allowed=f"{0.4 * board.volts:.2f} to {0.98 * board.volts:.2f} V at the pin",
        )


def _board_can(engine: Engine, board: Board, report: Report) -> None:
    """Refuse what the board has no pins for, and name the boards that have."""
    asked = {
        "coil.coils": ("two coils", ("coil_select", "phase"), engine.coil.coils == 2),
        "supply.measure": ("a measured supply", ("supply",), engine.supply.measure),
    }
    for key, (what, pins, wanted) in asked.items():
        if wanted and not _has_pins(board, pins):
            can = boards_that(lambda other, pins=pins: _has_pins(other, pins))  # type: ignore[misc]
            report.fault(
                key,
                f"the board {board.name} has no pin for {what}",
                f"Leave it out, or take a board that has: {can}.",
                value=True if key == "supply.measure" else 2,
            )


def _has_pins(board: Board, pins: tuple[str, ...]) -> bool:
    return all(getattr(board.pins, pin) is not None for pin in pins)


def _leads(engine: Engine, report: Report) -> None:
    cylinders, leads = engine.engine.cylinders, engine.coil.leads
    if engine.coil.coils == 2:
        _two_coils(engine, report)
        return
    if cylinders == 2 and leads == 1 and engine.engine.tdc_spacing_deg == 0:
        report.fault(
            "coil.leads",
            "the second cylinder would have no spark",
            "Use a twin-lead coil (leads = 2), which fires both plugs at once, or coils = 2 where "
            "the cylinders fire in turn.",
            value=leads,
            allowed="2",
        )
    if cylinders == 1 and leads == 2:
        report.warn(
            "coil.leads",
            "twin-lead coil on one cylinder",
            "Ground the second lead at the engine; a loose one breaks the coil's insulation.",
            value=leads,
        )


def _coil_and_driver(engine: Engine, report: Report) -> None:
    own_driver = not isinstance(engine.coil, InductiveCoil)
    logic = engine.driver.kind == "logic"
    if own_driver != logic:
        remedy = (
            'This coil has its own switch: write kind = "logic" in [driver].'
            if own_driver
            else "A bare coil needs a transistor: igbt, bipolar or mosfet."
        )
        report.fault(
            "driver.kind",
            f'does not fit coil kind "{engine.coil.kind}"',
            remedy,
            value=engine.driver.kind,
            allowed='"logic"' if own_driver else '"igbt" | "bipolar" | "mosfet"',
        )


def _greatest_current_a(engine: Engine, coil: InductiveCoil, volts: float) -> float:
    """Return the current that ballast and hot winding let through in the end (Ohm's law)."""
    hot = coil.primary_ohm * (1.0 + COPPER_PER_K * (coil.temperature_c - 20.0))
    wires = engine.supply.internal_ohm + engine.supply.wiring_ohm
    total = hot + coil.ballast_ohm + wires + engine.driver.on_ohm
    return max(volts - engine.driver.drop_v, 0.0) / total


def _current(engine: Engine, report: Report) -> None:
    coil = engine.coil
    if not isinstance(coil, InductiveCoil):
        return
    key, wanted = "coil.spark_current_a", coil.spark_current_a
    if wanted > engine.driver.max_current_a:
        report.fault(
            key,
            "more than the driver bears",
            "Take less current or a stronger transistor ([driver] max_current_a).",
            value=wanted,
            allowed=f"up to {engine.driver.max_current_a:g} A",
        )
    reach = _greatest_current_a(engine, coil, engine.supply.volts)
    if wanted > 0.95 * reach and coil.dwell_ms is None:
        report.fault(
            key,
            f"cannot be reached: supply and resistances end at {reach:.2f} A",
            "Take less current, less ballast_ohm, or more volts.",
            value=wanted,
            allowed=f"up to {0.95 * reach:.2f} A",
        )
    if coil.saturation_a is not None and wanted > coil.saturation_a:
        report.warn(
            key,
            "above saturation_a: more heat, hardly more spark",
            "Take less current.",
            value=wanted,
            allowed=f"up to {coil.saturation_a:g} A",
        )


def _dwell(engine: Engine, report: Report) -> None:
    coil, hard = engine.coil, engine.safety.hard_limit_ms
    if isinstance(coil, LogicCoil) and coil.max_on_ms <= coil.dwell_ms:
        report.fault(
            "coil.max_on_ms",
            "not above dwell_ms",
            "Take both from the coil's data sheet.",
            value=coil.max_on_ms,
            allowed=f"above {coil.dwell_ms:g} ms",
        )
    dwell = None if isinstance(coil, CapacitorDischarge) else coil.dwell_ms
    if hard is not None and dwell is not None and hard < 1.1 * dwell:
        report.fault(
            "safety.hard_limit_ms",
            "would cut ordinary dwell",
            "Leave it out to have it computed.",
            value=hard,
            allowed=f"at least {1.1 * dwell:g} ms, 1.1 x dwell",
        )
    if not isinstance(coil, LogicCoil) or hard is None or hard <= coil.max_on_ms:
        return
    if not engine.safety.allow_hard_limit_above_rating:
        report.fault(
            "safety.hard_limit_ms",
            "longer than the coil bears",
            "Lower it; [safety] allow_hard_limit_above_rating = true accepts it.",
            value=hard,
            allowed=f"up to {coil.max_on_ms:g} ms, the coil's max_on_ms",
        )


def _capacitor(engine: Engine, report: Report) -> None:
    coil = engine.coil
    if not isinstance(coil, CapacitorDischarge):
        return
    pause_ms = engine.pickup.spacing_deg / (6e-3 * engine.advance.limit_rpm)
    need_ms = coil.recharge_ms + coil.trigger_us / 1000.0
    if need_ms > pause_ms:
        report.fault(
            "coil.recharge_ms",
            f"sparks follow each other in {pause_ms:.2f} ms at limit_rpm",
            "Use a faster unit or a lower limit.",
            value=coil.recharge_ms,
            allowed=f"up to {pause_ms - coil.trigger_us / 1000.0:.2f} ms",
        )


def _driver_safety(engine: Engine, report: Report) -> None:
    driver, safety = engine.driver, engine.safety
    pull_down = driver.gate_pull_down_ohm
    key = "driver.gate_pull_down_ohm"
    if pull_down == 0 and not safety.allow_no_gate_pull_down:
        report.fault(
            key,
            "without it the coil may charge while the chip is in reset",
            "Fit 10k from gate to ground at the transistor; [safety] allow_no_gate_pull_down = "
            "true accepts a driver that holds itself off.",
            value=pull_down,
            allowed="1000 to 100000 ohm",
        )
    elif 0 < pull_down < 4.0 * driver.gate_ohm or 0 < pull_down < 1000:
        report.fault(
            key,
            "so low that it takes the drive away",
            "10k is usual.",
            value=pull_down,
            allowed=f"at least {max(1000.0, 4.0 * driver.gate_ohm):g} ohm",
        )
    if driver.on_level == "low" and not safety.allow_inverting_driver:
        report.fault(
            "driver.on_level",
            "an inverting driver is on while the chip is in reset",
            "Use a driver that is on when its input is high; [safety] allow_inverting_driver = "
            "true accepts it.",
            value="low",
            allowed='"high"',
        )


def _drive_voltage(engine: Engine, board: Board, report: Report) -> None:
    need = engine.driver.gate_volts_min
    if need > board.volts:
        report.fault(
            "driver.gate_volts_min",
            f"more than the pins of {board.name} give; half driven, the switch burns",
            "Choose a switch specified for less, put a gate driver between, or use a 5 V board.",
            value=need,
            allowed=f"up to {board.volts:g} V",
        )


def _sensor_supply(engine: Engine, board: Board, report: Report) -> None:
    pickup = engine.pickup
    board_fed = pickup.sensor_supply == "board"
    volts = board.volts if board_fed else engine.supply.volts_min
    if pickup.sensor_volts_min <= volts:
        return
    remedy = (
        'Feed the sensor from the battery (sensor_supply = "battery"), with its pull-up still to '
        "the board's supply, or use a sensor made for less."
        if board_fed
        else "Use a sensor made for less, or a higher battery voltage."
    )
    report.fault(
        "pickup.sensor_volts_min",
        f"the {pickup.sensor_supply} gives {volts:g} V",
        remedy,
        value=pickup.sensor_volts_min,
        allowed=f"up to {volts:g} V",
    )


def _layers(engine: Engine, report: Report) -> None:
    noise = engine.noise
    off = {
        "capture_filter": not noise.capture_filter,
        "confirm_us": noise.confirm_us == 0,
        "gate": not noise.gate,
        "arc_check": not noise.arc_check,
        "blank_after_off_us": noise.blank_after_off_us == 0,
    }
    for key, is_off in off.items():
        if is_off:
            report.warn(
                f"noise.{key}",
                "this layer is off",
                "Interference may move the timing; prove it with `sparktick simulate`.",
                value=getattr(noise, key),
            )
    if engine.plug.resistor_ohm == 0:
        report.warn(
            "plug.resistor_ohm",
            "no resistor in plug, cap or lead",
            "It is the cheapest cure for interference.",
            value=0,
        )


def _bridging(engine: Engine, report: Report) -> None:
    noise = engine.noise
    if noise.bridge_missing and noise.bridge_above_rpm < engine.advance.start_below_rpm:
        report.fault(
            "noise.bridge_above_rpm",
            "below start_below_rpm: while starting no spark may come from an older turn",
            "Take at least idle speed.",
            value=noise.bridge_above_rpm,
            allowed=f"at least {engine.advance.start_below_rpm:g} rpm",
        )


def _blanking(engine: Engine, report: Report) -> None:
    """Ask that blanking after a spark ends before the next true edge, at the limit."""
    limit = engine.advance.limit_rpm
    after_spark_deg = (
        engine.pickup.spacing_deg - engine.pickup.lead_edge_deg_btdc + engine.advance.at_rpm(limit)
    )
    pause_us = max(after_spark_deg, 0.0) / (6e-6 * limit)
    if engine.noise.blank_after_off_us > 0.8 * pause_us:
        report.fault(
            "noise.blank_after_off_us",
            f"the next true edge comes {pause_us:.0f} us after the spark at limit_rpm",
            "Shorten it.",
            value=engine.noise.blank_after_off_us,
            allowed=f"up to {0.8 * pause_us:.0f} us",
        )


def _serial(engine: Engine, board: Board, report: Report) -> None:
    telling = engine.telling
    if not telling.serial:
        return
    if not board.has_serial:
        if "serial" in telling.model_fields_set:
            can = boards_that(lambda other: other.has_serial)
            report.fault(
                "telling.serial",
                f"{board.name} has no serial port",
                f"Leave it out, or take a board that has one: {can}.",
                value=True,
                allowed="false",
            )
        return
    if board.family.startswith("avr"):
        # Double-speed mode divides the clock by 8 (ATmega328P data sheet, USART chapter).
        real = board.f_cpu_hz / 8.0 / max(round(board.f_cpu_hz / 8.0 / telling.baud), 1)
        error = abs(real / telling.baud - 1.0)
        if error > BAUD_ERROR_MAX:
            report.fault(
                "telling.baud",
                f"{board.name} would be {100 * error:.1f} % off",
                "Choose a slower one.",
                value=telling.baud,
                allowed=f"within {100 * BAUD_ERROR_MAX:g} %",
            )
    if 10 * LINE_CHARACTERS * telling.lines_per_s > 0.8 * telling.baud:
        report.fault(
            "telling.lines_per_s",
            "more than the serial line carries",
            "Send fewer lines or raise baud.",
            value=telling.lines_per_s,
            allowed=f"up to {int(0.8 * telling.baud / (10 * LINE_CHARACTERS))} per second",
        )


def _pulse_rate(engine: Engine, board: Board, report: Report) -> None:
    pulses, limit = engine.pickup.pulses_per_crank_turn, engine.advance.limit_rpm
    most_rpm = board.most_rpm(pulses)
    if limit <= most_rpm:
        return
    why = f"faster than {board.name} can serve"
    if most_rpm == board.timed_rpm:
        spread_us = board.timer.spread_us
        why = (
            f"faster than {board.name} can time: its chip has no capture unit, an interrupt reads "
            f"the clock, and sparks spread by up to {spread_us:g} us, "
            f"{deg_of_us(spread_us, limit):.2f} deg at that speed (most {SPREAD_MOST_DEG:g})"
        )
    can = boards_that(lambda other: other.most_rpm(pulses) >= limit)
    report.fault(
        "advance.limit_rpm",
        why,
        f"Lower it, or take a board that can: {can}.",
        value=limit,
        allowed=f"up to {most_rpm:.0f} rpm",
    )


def _sensor_output(engine: Engine, report: Report) -> None:
    """Ask for an output that the pin bears, and for an isolator that isolates."""
    pickup = engine.pickup
    battery = pickup.sensor_supply == "battery"
    if pickup.output == "push-pull" and pickup.sensor == "points":
        report.fault(
            "pickup.output",
            "contact points only pull low",
            "Leave it out.",
            value=pickup.output,
            allowed='"open-collector"',
        )
    if pickup.output == "push-pull" and battery and not pickup.isolated:
        report.fault(
            "pickup.output",
            "it would drive the battery's voltage into the chip's pin",
            'Feed the sensor from the board (sensor_supply = "board"), or put an isolator between.',
            value=pickup.output,
            allowed='"open-collector"',
        )
    if pickup.isolated and not battery:
        report.fault(
            "pickup.isolator_delay_us",
            "an isolator whose sensor is fed by the board isolates nothing",
            'Feed sensor and diode from the battery (sensor_supply = "battery").',
            value=pickup.isolator_delay_us,
            allowed="0 us",
        )


def _gate_coupling(engine: Engine, report: Report) -> None:
    driver = engine.driver
    if driver.gate_coupling == "capacitor" and driver.kind not in ("igbt", "mosfet"):
        report.fault(
            "driver.gate_coupling",
            "a capacitor cannot hold a base or a logic input on through the dwell",
            "Leave it out, or take a switch with an insulated gate.",
            value=driver.gate_coupling,
            allowed='"direct"',
        )
    elif driver.gate_coupling == "capacitor" and driver.gate_pull_down_ohm == 0:
        report.fault(
            "driver.gate_coupling",
            "without a pull-down the gate keeps its charge",
            "Fit one: gate_pull_down_ohm = 10000.",
            value=driver.gate_coupling,
        )
