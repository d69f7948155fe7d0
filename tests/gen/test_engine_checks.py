"""If this fails: an impossible or dangerous engine is accepted, or a sound one is refused."""

from __future__ import annotations

import copy
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from sparktick.gen.board import load_board
from sparktick.gen.engine import find_warnings, parse_engine
from sparktick.gen.engine_checks import edge_to_spark_us
from sparktick.gen.errors import DescriptionError

EXAMPLES = Path(__file__).parents[2] / "examples"
REMOVE = object()
LOGIC = {"kind": "logic", "dwell_ms": 3.0, "max_on_ms": 9.0}
DISCHARGE = {"kind": "capacitor-discharge"}
TWIN = {"engine.cylinders": 2, "engine.tdc_spacing_deg": 0, "coil.leads": 2}


def changed(changes: dict[str, object], base: str = "plover") -> dict[str, Any]:
    data = tomllib.loads((EXAMPLES / f"{base}.toml").read_text(encoding="utf-8"))
    for key, value in changes.items():
        *sections, name = key.split(".")
        table = data
        for section in sections:
            table = table.setdefault(section, {})
        if value is REMOVE:
            table.pop(name, None)
        else:
            table[name] = copy.deepcopy(value)
    return data


# Key that must be named, what is changed in examples/plover.toml, a part of the message.
REFUSED: list[tuple[str, dict[str, object], str]] = [
    ("engine.flywheel_inertia_kg_m2", {"engine.flywheel_inertia_kg_m2": REMOVE}, "missing"),
    ("engine.flywheel_inertia_kg_m2", {"engine.flywheel_mass_kg": 1.0}, "twice"),
    (
        "engine.flywheel_diameter_mm",
        {"engine.flywheel_inertia_kg_m2": REMOVE, "engine.flywheel_mass_kg": 1.0},
        "missing",
    ),
    ("engine.tdc_spacing_deg", {"engine.cylinders": 2, "coil.leads": 2}, "missing"),
    ("engine.tdc_spacing_deg", {"engine.tdc_spacing_deg": 180}, "only two cylinders"),
    (
        "engine.tdc_spacing_deg",
        {"engine.cylinders": 2, "engine.tdc_spacing_deg": 180, "coil.leads": 2},
        "a coil each",
    ),
    ("engine.top_rpm", {"engine.top_rpm": 1300}, "too close to idle_rpm"),
    ("engine.rod_mm", {"engine.rod_mm": 17.0}, "shorter than the crank needs"),
    ("advance.curve", {"advance.curve": [[700, 6.0], [700, 8.0]]}, "speeds must rise"),
    ("advance.curve", {"advance.curve": [[1500, 6.0], [700, 8.0]]}, "speeds must rise"),
    ("advance.curve", {"advance.curve": [[0, 6.0], [700, 8.0]]}, "above 0"),
    ("advance.curve", {"advance.curve": [[700, -1.0]]}, "0 to 60 deg"),
    ("advance.curve", {"advance.curve": [[700, 60.5]]}, "0 to 60 deg"),
    ("advance.start_deg_btdc", {"advance.start_deg_btdc": 12.1}, "breaks fingers"),
    ("advance.floor_rpm", {"advance.floor_rpm": 180.0}, "cranking speed"),
    (
        "advance.floor_rpm",
        {"advance.floor_rpm": 500, "advance.start_below_rpm": 400},
        "never start",
    ),
    ("advance.limit_rpm", {"advance.limit_rpm": 8000}, "not above top_rpm"),
    (
        "advance.limit_rpm",
        {"engine.top_rpm": 5000, "advance.limit_rpm": 5500},
        "not above the curve's last speed",
    ),
    ("pickup.lead_edge_deg_btdc", {"pickup.lead_edge_deg_btdc": 32.0}, "too late for 30 deg"),
    ("pickup.lead_edge_deg_btdc", {"pickup.filter_nf": 100.0}, "too late for 30 deg"),
    ("pickup.shaft", {"engine.strokes": 2, "pickup.shaft": "cam"}, "no camshaft"),
    ("pickup.pulses_per_turn", {"pickup.pulses_per_turn": 2}, "wrong place"),
    (
        "pickup.pulses_per_turn",
        {"pickup.shaft": "cam", "pickup.pulses_per_turn": 3},
        "allowed: 1 | 2",
    ),
    ("pickup.pulses_per_turn", {**TWIN, "pickup.shaft": "cam"}, "allowed: 2"),
    ("pickup.arc_deg", {"pickup.arc_deg": REMOVE}, "missing"),
    (
        "pickup.gap_mm",
        {
            "pickup.arc_deg": REMOVE,
            "pickup.magnet_diameter_mm": 5.0,
            "pickup.magnet_radius_mm": 20.0,
        },
        "missing",
    ),
    ("pickup.arc_deg", {"pickup.arc_deg": REMOVE, "pickup.sensor": "optical"}, "needs it"),
    (
        "pickup.magnet_radius_mm",
        {"pickup.magnet_diameter_mm": 5.0, "pickup.magnet_radius_mm": 4.0},
        "over the shaft's centre",
    ),
    ("pickup.release_mt", {"pickup.release_mt": 10.0}, "chatter"),
    ("pickup.arc_deg", {"pickup.arc_deg": 1.5}, "too short to be believed"),
    ("pickup.arc_deg", {"pickup.pulses_per_turn": 4, "pickup.arc_deg": 86}, "hardly leaves"),
    ("pickup.arc_deg", {"pickup.arc_deg": 58.5}, "too late to start"),
    ("pickup.sensor_volts_min", {"pickup.sensor_volts_min": 6.0}, "the board gives 5 V"),
    (
        "pickup.sensor_volts_min",
        {"pickup.sensor_volts_min": 10.0, "pickup.sensor_supply": "battery"},
        "the battery gives 9 V",
    ),
    ("supply.volts_min", {"supply.volts_min": 12.0}, "not below volts"),
    ("supply.volts_max", {"supply.volts_max": 11.0}, "below volts"),
    ("coil.leads", {**TWIN, "coil.leads": 1}, "no spark"),
    ("driver.kind", {"coil": LOGIC}, "own switch"),
    ("driver.kind", {"driver.kind": "logic"}, "bare coil"),
    (
        "coil.spark_current_a",
        {"coil.spark_current_a": 10.5, "coil.saturation_a": REMOVE},
        "more than the driver bears",
    ),
    ("coil.spark_current_a", {"coil.ballast_ohm": 1.0}, "cannot be reached"),
    ("coil.max_on_ms", {"coil": {**LOGIC, "max_on_ms": 3.0}, "driver": REMOVE}, "not above dwell"),
    ("safety.hard_limit_ms", {"coil.dwell_ms": 4.0, "safety.hard_limit_ms": 4.3}, "ordinary dwell"),
    (
        "safety.hard_limit_ms",
        {"coil": LOGIC, "driver": REMOVE, "safety.hard_limit_ms": 9.1},
        "longer than the coil bears",
    ),
    (
        "coil.recharge_ms",
        {"coil": {**DISCHARGE, "recharge_ms": 7.0}, "driver": REMOVE},
        "at limit_rpm",
    ),
    ("driver.gate_pull_down_ohm", {"driver.gate_pull_down_ohm": 0}, "in reset"),
    ("driver.gate_pull_down_ohm", {"driver.gate_pull_down_ohm": 800}, "takes the drive away"),
    ("driver.on_level", {"driver.on_level": "low"}, "on while the chip is in reset"),
    ("driver.gate_volts_min", {"driver.gate_volts_min": 10.0}, "half driven"),
    ("driver.gate_volts_min", {"board.name": "promini-328p-8mhz"}, "up to 3.3 V"),
    ("noise.bridge_above_rpm", {"noise.bridge_above_rpm": 600}, "older turn"),
    (
        "advance.limit_hysteresis_rpm",  # the sum once divided by zero
        {
            "engine.top_rpm": 1900,
            "advance.curve": [[700, 6.0]],
            "advance.limit_rpm": 2000,
            "advance.limit_hysteresis_rpm": 2000,
        },
        "up to 900 rpm",
    ),
    ("telling.baud", {"telling.baud": 115200, "board.name": "promini-328p-8mhz"}, "% off"),
    ("telling.lines_per_s", {"telling.baud": 9600, "telling.lines_per_s": 10}, "carries"),
]


@pytest.mark.parametrize(
    ("key", "changes", "part"),
    REFUSED,
    ids=[f"{row[0]}-{number}" for number, row in enumerate(REFUSED)],
)
def test_refused_with_key_and_remedy(key: str, changes: dict[str, object], part: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        parse_engine(changed(changes))
    found = [fault for fault in caught.value.faults if fault.key == key]
    assert any(part in fault.format() for fault in found), str(caught.value)
    assert all(fault.remedy for fault in found)


ACCEPTED: dict[str, dict[str, object]] = {
    "start advance by name": {
        "advance.start_deg_btdc": 15.0,
        "safety.allow_start_advance_over_12_deg": True,
        "engine.starter": "belt",
    },
    "no pull-down by name": {
        "driver.gate_pull_down_ohm": 0,
        "safety.allow_no_gate_pull_down": True,
    },
    "inverting driver by name": {
        "driver.on_level": "low",
        "safety.allow_inverting_driver": True,
    },
    "hard limit by name": {
        "coil": LOGIC,
        "driver": REMOVE,
        "safety.hard_limit_ms": 12.0,
        "safety.allow_hard_limit_above_rating": True,
    },
    "start advance at the limit": {"advance.start_deg_btdc": 12.0},
    "one magnet on the camshaft": {"pickup.shaft": "cam"},
    "two magnets on the camshaft": {"pickup.shaft": "cam", "pickup.pulses_per_turn": 2},
    "parallel twin": TWIN,
    "latching sensor": {"pickup.sensor": "hall-latching", "pickup.arc_deg": 44.0},
    "trail edge at the start advance": {"pickup.arc_deg": 44.0},
    "one point": {"advance.curve": [[1000, 25.0]]},
    "no serial line": {"telling.serial": False, "telling.baud": 9600, "telling.lines_per_s": 10},
    "capacitor discharge": {"coil": DISCHARGE, "driver": REMOVE},
    "magnet by size": {
        "pickup.arc_deg": REMOVE,
        "pickup.magnet_diameter_mm": 6.0,
        "pickup.magnet_radius_mm": 25.0,
        "pickup.gap_mm": 2.0,
    },
}


@pytest.mark.parametrize("name", ACCEPTED)
def test_accepted(name: str) -> None:
    parse_engine(changed(ACCEPTED[name]))


ODD: list[tuple[str, dict[str, object]]] = [
    ("engine.starter_rpm", {"engine.starter_rpm": 1200.0}),
    (
        "engine.top_rpm",
        {
            "engine.stroke_mm": 80.0,
            "engine.rod_mm": 150.0,
            "engine.bore_mm": 20.0,
            "engine.top_rpm": 8300,
        },
    ),
    ("engine.bore_mm", {"engine.bore_mm": 80.0, "engine.stroke_mm": 40.0}),
    ("advance.curve", {"advance.curve": [[700, 6.0], [800, 12.0]]}),
    ("advance.curve", {"advance.start_deg_btdc": 8.0}),
    ("safety.allow_start_advance_over_12_deg", {"safety.allow_start_advance_over_12_deg": True}),
    ("advance.start_below_rpm", {"advance.start_below_rpm": 1200.0}),
    ("advance.start_below_rpm", {"advance.start_below_rpm": 1500.0}),
    ("advance.limit_hysteresis_rpm", {"advance.limit_hysteresis_rpm": 600}),
    ("advance.limit_rpm", {"advance.limit_rpm": 12100, "pickup.lead_edge_deg_btdc": 60}),
    ("pickup.lead_edge_deg_btdc", {"pickup.lead_edge_deg_btdc": 120, "pickup.arc_deg": 100}),
    ("pickup.arc_deg", {"pickup.arc_deg": 50.0}),
    ("coil.leads", {"coil.leads": 2}),
    ("coil.spark_current_a", {"coil.saturation_a": 4.0}),
    ("noise.gate", {"noise.gate": False}),
    ("noise.confirm_us", {"noise.confirm_us": 0}),
    ("noise.max_rejects_per_gate", {"pickup.sensor": "points"}),
    ("plug.resistor_ohm", {"plug.resistor_ohm": 0}),
]


@pytest.mark.parametrize(("key", "changes"), ODD, ids=[f"{r[0]}-{n}" for n, r in enumerate(ODD)])
def test_odd_but_accepted(key: str, changes: dict[str, object]) -> None:
    engine = parse_engine(changed(changes))
    found = {fault.key for fault in find_warnings(engine, load_board(engine.board.name))}
    assert key in found


def test_blanking_must_end_before_the_next_edge() -> None:
    # 8500 rpm is 51 deg/ms.  From the spark at 30 deg to the next lead edge at 48 deg BTDC the
    # crank turns 342 deg, 6706 us; with a lead edge at 170 deg only 220 deg, 4314 us.
    late = {"pickup.lead_edge_deg_btdc": 170.0, "pickup.arc_deg": 150.0}
    parse_engine(changed({"noise.blank_after_off_us": 5000.0}))
    with pytest.raises(DescriptionError, match="4314 us after the spark"):
        parse_engine(changed({**late, "noise.blank_after_off_us": 3500.0}))
    parse_engine(changed({**late, "noise.blank_after_off_us": 3400.0}))


def test_needed_lead_edge_against_a_sum_by_hand() -> None:
    engine = parse_engine(changed({}))
    board = load_board("nano-328p")
    # Sensor 2 us, 1.2 x 3200 ohm x 1 nF, confirmation 20 us, chip (3500 + 3.5 + 4) / 16 MHz,
    # output 4 us.
    by_hand = 2.0 + 3.84 + 20.0 + 3507.5 / 16.0 + 4.0
    assert edge_to_spark_us(engine, board) == pytest.approx(by_hand, rel=1e-12)
    need = 30.0 + 2.0 + by_hand * 8500 * 6e-6
    parse_engine(changed({"pickup.lead_edge_deg_btdc": math.ceil(need * 10) / 10}))
    with pytest.raises(DescriptionError, match=f"at least {need:.1f} deg BTDC"):
        parse_engine(changed({"pickup.lead_edge_deg_btdc": math.floor(need * 10) / 10}))


def test_reachable_current_against_ohms_law() -> None:
    # 12 V less 1.4 V; 1.6 ohm at 60 deg C is 1.6 x (1 + 0.00393 x 40), ballast, wires, switch.
    total = 1.6 * (1 + 0.00393 * 40) + 0.5 + 0.08 + 0.05 + 0.02
    most = 0.95 * 10.6 / total
    parse_engine(changed({"coil.ballast_ohm": 0.5, "coil.spark_current_a": most - 0.005}))
    with pytest.raises(DescriptionError, match="cannot be reached"):
        parse_engine(changed({"coil.ballast_ohm": 0.5, "coil.spark_current_a": most + 0.005}))


def test_baud_error_against_the_usual_table() -> None:
    # 8 MHz, double speed, 115200 baud: divisor 9 gives -3.5 % (ATmega328P data sheet, table of
    # baud rates; from memory).
    changes: dict[str, object] = {"telling.baud": 115200}
    with pytest.raises(DescriptionError, match=r"3\.5 % off"):
        parse_engine(changed(changes, "teal"))


def test_too_slow_a_board_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    slow = load_board("nano-328p").model_copy(update={"cycles_per_pulse": 100000})
    monkeypatch.setattr("sparktick.gen.engine.load_board", lambda name: slow)
    # 16 MHz / 100000 cycles, half of it: 80 pulses/s, 4800 rpm, less a fifth: 4000 rpm.
    with pytest.raises(DescriptionError, match="up to 4000 rpm"):
        parse_engine(changed({}))
