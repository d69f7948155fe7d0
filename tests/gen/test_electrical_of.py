"""If this fails, a description's keys reach the electrical sums wrongly, or a verdict is missed."""

from __future__ import annotations

import json
import tomllib
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sparktick.gen.board import load_board
from sparktick.gen.description_parts import part_values
from sparktick.gen.design import design
from sparktick.gen.electrical_buy import driver_need, shopping_list
from sparktick.gen.electrical_figures import electrical_section, svg_text
from sparktick.gen.electrical_input import Coil
from sparktick.gen.electrical_json import electrical_content
from sparktick.gen.electrical_of import Electrical, electrical_of
from sparktick.gen.electrical_text import electrical_lines, verdict_lines
from sparktick.gen.engine import parse_engine
from sparktick.gen.errors import DescriptionError
from sparktick.gen.parts import load_parts
from sparktick.gen.plan import quantise

EXAMPLES = Path(__file__).parents[2] / "examples"
LOGIC = {"kind": "logic", "dwell_ms": 3.0, "max_on_ms": 30.0}
DISCHARGE = {"kind": "capacitor-discharge"}


def described(name: str = "plover", **tables: dict[str, Any]) -> dict[str, Any]:
    """Return an example with keys changed; a table with "kind" or "part" replaces the old one."""
    data = tomllib.loads((EXAMPLES / f"{name}.toml").read_text(encoding="utf-8"))
    for section, table in tables.items():
        whole = "kind" in table or "part" in table
        data[section] = table if whole else {**data.get(section, {}), **table}
    return data


def worked_out(data: dict[str, Any]) -> Electrical:
    engine = parse_engine(data)
    made = design(engine, load_board(engine.board.name))
    return electrical_of(engine, made, quantise(made))


@cache
def example(name: str) -> Electrical:
    return worked_out(described(name))


def failed(electrical: Electrical) -> set[tuple[str, str]]:
    return {(v.part, v.quantity) for v in electrical.failures}


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_examples_pass(name: str) -> None:
    electrical = example(name)
    assert electrical.passed, failed(electrical)
    assert len(electrical.verdicts) >= 10


def test_keys_arrive_in_si() -> None:
    given = example("teal").given
    coil = given.source
    assert isinstance(coil, Coil)
    assert coil.circuit.inductance_h == pytest.approx(2.4e-3)
    assert coil.circuit.ballast_ohm == 0.8
    assert coil.ballast_rating_w == 25.0
    assert coil.clamp_energy_j == pytest.approx(0.15)
    assert coil.secondary_f == pytest.approx(30e-12)
    assert (given.plugs_in_series, given.both_compress) == (2, True)
    assert given.plug_gap_m == pytest.approx(0.4e-3)
    assert given.sparks_per_turn == 1.0
    assert coil.tolerances.coil_ohm == pytest.approx(0.1)


def test_longest_fault_is_hard_limit_and_longest_watchdog_period() -> None:
    engine = parse_engine(described())
    board = load_board(engine.board.name)
    made = design(engine, board)
    plan = quantise(made)
    electrical = electrical_of(engine, made, plan)
    watchdog_s = 1e-6 * board.watchdog.period_us * (1 + board.watchdog.tolerance_percent / 100)
    hard_s = plan.hard_limit_ticks / board.tick_hz
    assert electrical.on_limit_s == pytest.approx(hard_s + watchdog_s)
    assert electrical.given.source.on_limit_s == electrical.on_limit_s
    assert watchdog_s > board.watchdog.period_us * 1e-6


def test_dwell_is_what_the_chip_counts() -> None:
    electrical = example("plover")
    ticks = electrical.report.dwell_s * 2e6  # 0.5 us a tick at 16 MHz / 8
    assert ticks == pytest.approx(round(ticks), abs=1e-6)
    assert electrical.point("top").current_a == pytest.approx(4.5, rel=1e-3)


@pytest.mark.parametrize(
    ("tables", "part", "quantity"),
    [
        ({"driver": {"max_current_a": 6.0}}, "driver", "peak current"),
        ({"driver": {"max_current_a": 8.5}}, "driver", "current after the longest fault"),
        ({"driver": {"clamp_energy_mj": 50.0}}, "driver", "clamp energy with the plug lead off"),
        ({"driver": {"thermal_k_per_w": 60.0}}, "driver", "steady temperature"),
        ({"driver": {"heat_capacity_j_per_k": 0.05}}, "driver", "steady temperature"),
        ({"coil": {"heat_limit_w": 10.0}}, "coil", "steady temperature"),
        ({"coil": {"turns_ratio": 25}}, "plug", "available over asked-for voltage"),
        ({"plug": {"gap_mm": 1.5}}, "plug", "available over asked-for voltage"),
        ({"coil": {"spark_current_a": 1.0}}, "plug", "energy at the gap"),
        (
            {"coil": {"ballast_ohm": 0.2, "ballast_w": 0.5}},
            "ballast",
            "mean power",
        ),
    ],
)
def test_what_is_exceeded_is_named_with_its_remedy(
    tables: dict[str, Any], part: str, quantity: str
) -> None:
    changed = {**tables}
    if quantity == "available over asked-for voltage" and "plug" in tables:
        changed["coil"] = {"secondary_pf": 120.0}
    if "heat_capacity_j_per_k" in tables.get("driver", {}):
        changed["driver"] = {**tables["driver"], "thermal_k_per_w": 45.0}
    electrical = worked_out(described(**changed))
    assert (part, quantity) in failed(electrical)
    verdict = next(v for v in electrical.failures if (v.part, v.quantity) == (part, quantity))
    assert verdict.corner
    assert verdict.remedy.endswith(".")
    text = "\n".join(verdict_lines(electrical.verdicts))
    assert f"FAIL {part}: {quantity}" in text
    assert verdict.remedy in text


def test_a_current_out_of_reach_says_what_is_and_what_to_change() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse_engine(described(coil={"spark_current_a": 9.5}))
    (fault,) = (f for f in caught.value.faults if "reached" in f.problem)
    assert "up to 5.0" in fault.allowed
    assert "less ballast_ohm, or more volts" in fault.remedy


def test_worst_corner_is_beside_nominal() -> None:
    electrical = example("plover")
    for name in ("start", "idle", "top"):
        nominal, low, worst = (p for p in electrical.points if p.name == name)
        assert nominal.corner == "nominal"
        assert low.supply_v == electrical.given.supply_min_v
        assert "R +10%, L -15%" in worst.corner
        assert worst.available_v < low.available_v <= nominal.available_v
        assert worst.demanded_v == nominal.demanded_v
    margin = min(v.value for v in electrical.verdicts if "asked-for" in v.quantity)
    assert margin == pytest.approx(
        min(p.available_v / p.demanded_v for p in electrical.points), rel=1e-9
    )


def test_bench_gap_asks_for_the_cylinders_voltage_and_margin() -> None:
    # Kuffel & Zaengl's law and the AIEE needle table (read): 13.8 kV is 4 mm round, 12 mm points
    bench = example("plover").bench
    assert bench.asked_v == pytest.approx(11_481.0, rel=1e-3)
    assert bench.round_gap_m == pytest.approx(4.1e-3, abs=0.05e-3)
    assert bench.needle_gap_m == pytest.approx(11.9e-3, abs=0.1e-3)
    assert bench.plug_open_air_v < 0.3 * bench.asked_v


def test_sensor_line_delay_is_what_the_plan_takes_back() -> None:
    engine = parse_engine(described())
    made = design(engine, load_board(engine.board.name))
    use = electrical_of(engine, made, quantise(made)).line
    # RC by hand: 1 kohm into 1.01 nF from 5 to 2.1 V, low level 0.2 V
    fall = 1000.0 * 1.01e-9 * np.log((5.0 - 0.2) / (2.1 - 0.2))
    assert use.lead_s == pytest.approx(2e-6 + fall)
    assert use.lead_s == made.lead_delay_s
    assert use.lead_deg == pytest.approx(6.0 * 8000.0 * use.lead_s)
    assert use.shortest_noise_s == pytest.approx(fall)
    assert use.greatest_rpm > made.limit_rpm


def test_sensor_that_drives_high_swaps_the_edges() -> None:
    low = example("plover").line
    high = worked_out(described(pickup={"active": "high"})).line
    assert (high.lead_s, high.trail_s) == pytest.approx((low.trail_s, low.lead_s))
    assert not high.idle_high


def test_field_is_judged_at_the_least_sensitive_of_its_class() -> None:
    own = example("teal")
    field = own.field
    assert field is not None
    assert field.operate_worst_t == field.operate_t == pytest.approx(21.3e-3)
    assert field.arc_deg == pytest.approx(46.0, abs=0.1)
    pickup = described("teal")["pickup"]
    for key in ("operate_mt", "release_mt"):
        pickup.pop(key)
    part = worked_out({**described("teal"), "pickup": {**pickup, "part": "hall-unipolar"}})
    assert part.field is not None
    assert part.field.operate_worst_t == pytest.approx(34e-3)  # HAL114 data sheet p. 5 (read)
    far = described("teal", noise={"arc_check": False})
    far = worked_out({**far, "pickup": {**pickup, "part": "hall-unipolar", "gap_mm": 10.0}})
    assert ("magnet", "field at the sensor") in failed(far)
    assert "Bring the sensor to" in far.failures[-1].remedy


def test_a_named_sensor_limits_pull_up_and_supply() -> None:
    pickup = {**described()["pickup"], "part": "hall-latching", "pull_up_ohm": 470}
    good = worked_out({**described(), "pickup": {**pickup, "sensor": "hall"}})
    assert not failed(good) & {("sensor", "current from the pull-up")}
    battery = {**pickup, "sensor": "hall", "sensor_supply": "battery"}
    hot = worked_out({**described(), "pickup": battery})
    assert ("sensor", "supply voltage") not in failed(hot)
    tall = described(supply={"volts": 24.0, "volts_min": 20.0, "volts_max": 29.0})
    tall = {**tall, "pickup": battery}
    tall["coil"]["spark_current_a"] = 4.0
    assert ("sensor", "supply voltage") in failed(worked_out(tall))


def test_battery_of_a_part_keeps_its_own_capacity() -> None:
    engine = described(supply={"part": "lead-12v-7ah"}, coil={"spark_current_a": 4.0})
    electrical = worked_out(engine)
    cells = load_parts().batteries["lead-12v-7ah"].battery()
    assert electrical.given.battery == cells
    top = electrical.point("top")
    assert top.life_h is not None
    assert top.mean_a is not None
    assert top.life_h * top.mean_a <= 7.0


def test_shopping_list_knows_what_is_too_weak() -> None:
    library = load_parts()
    good = {p.what: p for p in shopping_list(example("plover"), library)}
    assert good["switch"].state == "have"
    assert "ignition-igbt" in good["switch"].classes
    weak = worked_out(described(driver={"max_current_a": 6.0, "thermal_k_per_w": 60.0}))
    listed = {p.what: p for p in shopping_list(weak, library)}
    assert listed["switch"].state == listed["heat sink"].state == "buy"
    amps, joules, clamp_v = driver_need(weak, weak.given.source)
    for name in listed["switch"].classes:
        part = library.drivers[name]
        assert part.max_current_a >= amps
        assert part.clamp_energy_mj.low * 1e-3 >= joules
        assert part.clamp_v.low >= clamp_v
        assert part.gate_volts_min <= 5.0


def test_recommended_ballast_makes_a_stuck_switch_harmless() -> None:
    advised = example("plover").report.ballast
    assert advised is not None
    fitted = worked_out(
        described(
            coil={
                "ballast_ohm": advised.ohm,
                "ballast_w": advised.rating_w,
                "spark_current_a": 1.2,
            }
        )
    )
    assert fitted.report.stuck is not None
    assert fitted.report.stuck.first is None
    assert fitted.report.ballast is None
    state = {p.what: p.state for p in shopping_list(fitted, load_parts())}
    assert state["ballast"] == "have"


@pytest.mark.parametrize("coil", [LOGIC, DISCHARGE], ids=["logic", "capacitor"])
def test_other_kinds_tell_what_can_be_known(coil: dict[str, Any]) -> None:
    data = described(coil=coil)
    data["driver"] = {"kind": "logic"}
    electrical = worked_out(data)
    assert electrical.passed
    lines = "\n".join(electrical_lines(electrical, shopping_list(electrical, load_parts())))
    assert ("maker allows" in lines) == (coil is LOGIC)
    assert ("one pulse of set width" in lines) == (coil is DISCHARGE)
    titles = [title for title, _, _ in electrical_section(electrical)]
    assert titles == ["Voltage asked for", "Sensor line"]
    json.dumps(electrical_content(electrical, ()), allow_nan=False)


def test_dwell_of_a_coil_with_its_own_switch_has_a_window() -> None:
    def judged(**keys: object) -> set[tuple[str, str]]:
        data = described(coil={"part": "plug-top-logic", **keys})
        data["driver"] = {}
        return failed(worked_out(data))

    assert not judged()
    for dwell_ms in (1.5, 4.8):
        assert ("coil", "dwell against its window") in judged(dwell_ms=dwell_ms)


def test_document_names_units_and_holds_everything() -> None:
    content = electrical_content(example("teal"), shopping_list(example("teal"), load_parts()))
    assert json.loads(json.dumps(content, allow_nan=False)) == content
    assert len(content["corners"]) == 24
    assert len(content["schemes"]) == 5
    assert content["magnet"]["field_mt"] == pytest.approx(238.1, abs=0.1)
    assert {p["name"] for p in content["operating_points"]} == {"start", "idle", "top"}
    nominal = content["curves"]["nominal"]
    assert len(nominal["speed_rpm"]) == len(nominal["energy_at_gap_mj"]) > 100


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_pictures_are_whole_and_the_same_each_time(name: str) -> None:
    once, again = (
        {title: svg_text(figure) for title, _, figure in electrical_section(example(name))}
        for _ in range(2)
    )
    assert once == again
    assert len(once) == (7 if name == "teal" else 6)
    for title, svg in once.items():
        assert svg.startswith("<?xml")
        assert "<dc:date>" not in svg, title
        assert "[" in svg  # axes carry their units
    assert all(len(caption) > 40 for _, caption, _ in electrical_section(example(name)))


def test_every_set_of_parts_is_judged_or_refused_with_a_reason() -> None:
    library = load_parts()
    chosen = product(
        (*library.coils.values(), *library.logic_coils.values()),
        library.drivers,
        library.batteries,
    )
    judged = refused = 0
    for coil, driver, battery in chosen:
        data = described(coil={"part": coil.name}, supply={"part": battery})
        data["driver"] = {} if "driver" in part_values(coil) else {"part": driver}
        try:
            electrical = worked_out(data)
        except DescriptionError as error:
            refused += 1
            assert all(fault.remedy for fault in error.faults), str(error)
            continue
        judged += 1
        json.dumps(electrical_content(electrical, shopping_list(electrical, library)))
        values = [(v.value, v.limit) for v in electrical.verdicts]
        assert np.isfinite(values).all(), (coil.name, driver, battery)
        assert electrical_lines(electrical, shopping_list(electrical, library))
    assert judged > 40
    assert refused > 20
