"""If this fails: a description is read wrongly, or a mistake ends in anything but a fault."""

from __future__ import annotations

import copy
import datetime
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sparktick.gen.board import load_board
from sparktick.gen.engine import (
    CapacitorDischarge,
    Engine,
    InductiveCoil,
    LogicCoil,
    assumed_values,
    find_warnings,
    parse_engine,
    parse_text,
    read_engine,
)
from sparktick.gen.errors import BoardError, DescriptionError, FolderError

EXAMPLES = Path(__file__).parents[2] / "examples"
REMOVE = object()
LOGIC = {"kind": "logic", "dwell_ms": 3.0, "max_on_ms": 9.0}
DISCHARGE = {"kind": "capacitor-discharge"}


def example(name: str = "plover") -> dict[str, Any]:
    return tomllib.loads((EXAMPLES / f"{name}.toml").read_text(encoding="utf-8"))


def changed(changes: dict[str, object], base: str = "plover") -> dict[str, Any]:
    """Return an example with dotted keys set, or removed where the value is REMOVE."""
    data = example(base)
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


def faults(changes: dict[str, object], base: str = "plover") -> dict[str, str]:
    """Return what is wrong with a changed example: message by key."""
    with pytest.raises(DescriptionError) as caught:
        parse_engine(changed(changes, base))
    return {fault.key: fault.format() for fault in caught.value.faults}


def warnings(changes: dict[str, object], base: str = "plover") -> dict[str, str]:
    engine = parse_engine(changed(changes, base))
    found = find_warnings(engine, load_board(engine.board.name))
    return {fault.key: fault.format() for fault in found}


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_examples_are_sound_and_not_odd(name: str) -> None:
    engine = read_engine(EXAMPLES / f"{name}.toml")
    assert find_warnings(engine, load_board(engine.board.name)) == ()


def test_values_arrive_in_their_units() -> None:
    engine = read_engine(EXAMPLES / "plover.toml")
    assert engine.engine.bore_mm == 33.0
    assert engine.advance.curve == ((700.0, 6.0), (1500.0, 12.0), (3500.0, 24.0), (6000.0, 30.0))
    assert isinstance(engine.coil, InductiveCoil)
    assert engine.driver.kind == "igbt"


def test_an_engine_is_frozen() -> None:
    engine = read_engine(EXAMPLES / "plover.toml")
    with pytest.raises(ValueError, match="frozen"):
        engine.engine.bore_mm = 30.0  # type: ignore[misc]


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_round_trip(name: str) -> None:
    engine = parse_engine(example(name))
    left_out_kept = engine.model_dump(mode="json", by_alias=True, exclude_unset=True)
    again = parse_engine(left_out_kept)
    assert again == engine
    assert assumed_values(again) == assumed_values(engine)


# Closed forms: cylinder volume; solid disc m d^2 / 8; chord of a circle.
def test_derived_numbers_against_closed_forms() -> None:
    plover, teal = parse_engine(example("plover")), parse_engine(example("teal"))
    assert plover.engine.displacement_cc == pytest.approx(math.pi * 3.3**2 / 4 * 2.9, rel=1e-12)
    hub, propeller = 0.35 * 0.070**2 / 8, 0.1 * 0.380**2 / 12
    assert teal.engine.inertia_kg_m2 == pytest.approx(hub + propeller, rel=0.02)
    chord_mm = 2 * 15.0 * math.sin(math.radians(teal.pickup.nominal_arc_deg / 2))
    assert chord_mm == pytest.approx(10.0, rel=1e-12)
    assert plover.pickup.trail_edge_deg_btdc == 14.0


@pytest.mark.parametrize(
    ("rpm", "expected"),
    [(0, 6), (700, 6), (1100, 9), (1500, 12), (2500, 18), (6000, 30), (9000, 30)],
)
def test_curve_is_straight_between_points_and_flat_beyond(rpm: float, expected: float) -> None:
    assert parse_engine(example()).advance.at_rpm(rpm) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("shaft", "pulses", "spacing"),
    [("crank", 1, 360), ("cam", 1, 720), ("cam", 2, 360)],
)
def test_pulse_spacing_in_crank_degrees(shaft: str, pulses: int, spacing: float) -> None:
    engine = parse_engine(changed({"pickup.shaft": shaft, "pickup.pulses_per_turn": pulses}))
    assert engine.pickup.spacing_deg == spacing


@pytest.mark.parametrize(
    ("coil", "kind"),
    [({}, InductiveCoil), (LOGIC, LogicCoil), (DISCHARGE, CapacitorDischarge)],
)
def test_kinds_of_coil(coil: dict[str, object], kind: type) -> None:
    changes: dict[str, object] = {"coil": coil, "driver": REMOVE} if coil else {}
    engine = parse_engine(changed(changes))
    assert isinstance(engine.coil, kind)
    assert (engine.driver.kind == "logic") == bool(coil)


def test_left_out_kind_is_inductive() -> None:
    assert isinstance(parse_engine(changed({"coil.kind": REMOVE})).coil, InductiveCoil)


def test_assumed_values_are_those_left_out() -> None:
    assumed = {item.key: item.value for item in assumed_values(parse_engine(example()))}
    assert assumed["supply.wiring_ohm"] == 0.05
    assert assumed["noise.gate"] is True
    assert "engine.bore_mm" not in assumed
    data = example()
    for table, keys in data.items():
        for key in keys if isinstance(keys, dict) else []:
            assert f"{table}.{key}" not in assumed


def test_left_out_section_is_all_assumed() -> None:
    whole = parse_engine(changed({"plug": REMOVE, "supply": REMOVE}))
    keys = {item.key for item in assumed_values(whole)}
    assert {"plug.gap_mm", "supply.volts", "supply.volts_min"} <= keys
    assert whole.supply.volts_min == pytest.approx(0.8 * whole.supply.volts)


WRONG_KEYS = [
    ("pickup.lead_edge_deg", 48.0, "did you mean [pickup].lead_edge_deg_btdc?"),
    ("pickup.arc", 14.0, "did you mean [pickup].arc_deg?"),
    ("engine.bore", 33.0, "did you mean [engine].bore_mm?"),
    ("engine.bore_cm", 3.3, "did you mean [engine].bore_mm?"),
    ("advance.limit_rmp", 9000, "did you mean [advance].limit_rpm?"),
    ("coil.primry_ohm", 1.0, "did you mean [coil].primary_ohm?"),
    ("plug.bore_mm", 1.0, "It belongs in [engine]."),
    ("plug.xyzzy", 1.0, "Known here: gap_mm, resistor_ohm."),
    ("pickups", {}, "did you mean pickup?"),
]


@pytest.mark.parametrize(("key", "value", "hint"), WRONG_KEYS, ids=[row[0] for row in WRONG_KEYS])
def test_unknown_key_names_the_nearest(key: str, value: object, hint: str) -> None:
    assert hint in faults({key: value})[key]


def test_misspelt_required_key_is_one_fault() -> None:
    found = faults({"pickup.lead_edge_deg": 48.0, "pickup.lead_edge_deg_btdc": REMOVE})
    assert list(found) == ["pickup.lead_edge_deg"]


WRONG_VALUES = [
    ("engine.bore_mm", "33", "without quotes", "5 to 80 mm"),
    ("engine.bore_mm", True, "must be a number", "5 to 80 mm"),
    ("engine.bore_mm", math.inf, "finite", "5 to 80 mm"),
    ("engine.bore_mm", math.nan, "finite", "5 to 80 mm"),
    ("engine.bore_mm", [33.0], "must be a number", "5 to 80 mm"),
    ("engine.bore_mm", 4.999, "out of range", "5 to 80 mm"),
    ("engine.bore_mm", 80.001, "out of range", "5 to 80 mm"),
    ("engine.bore_mm", datetime.date(2020, 1, 1), "must be a number", "5 to 80 mm"),
    ("engine.strokes", 3, "not one of the choices", "2 | 4"),
    ("engine.strokes", True, "not one of the choices", "2 | 4"),
    ("engine.starter", "foot", "not one of the choices", '"hand" | "cord"'),
    ("pickup.pulses_per_turn", 1.0, "whole number", "1 to 4"),
    ("noise.gate", 1, "must be true or false", "true | false"),
    ("coil.kind", "magic", "not one of the choices", '"inductive" | "logic"'),
    ("coil.kind", ["logic"], "not one of the choices", '"inductive" | "logic"'),
    ("advance.curve", [[700, 6, 1]], "right items", "rpm, degrees BTDC"),
    ("advance.curve", [], "right items", "1 to 16 points"),
    ("advance.curve", 5, "must be", "rpm, degrees BTDC"),
    ("engine", [], "must be a table", ""),
    ("coil", 3, "must be a table", ""),
    ("name", "a/b", "not allowed", "letters"),
    ("name", 'x"\n', "not allowed", "letters"),
    ("name", "", "not allowed", "letters"),
    ("schema", 2, "not one of the choices", "1"),
    ("schema", REMOVE, "missing", "1"),
    ("engine", REMOVE, "missing", ""),
    ("coil.primary_mh", REMOVE, "missing", "0.1 to 50 mH"),
]


@pytest.mark.parametrize(("key", "value", "problem", "allowed"), WRONG_VALUES)
def test_wrong_value_names_range(key: str, value: object, problem: str, allowed: str) -> None:
    message = faults({key: value})[key]
    assert problem in message
    assert allowed in message


@pytest.mark.parametrize("value", [5, 5.0, 80, 80.0])
def test_ends_of_a_range_are_allowed(value: float) -> None:
    engine = parse_engine(changed({"engine.bore_mm": value}))
    assert engine.engine.bore_mm == value


def test_every_fault_is_told_at_once() -> None:
    found = faults({"engine.bore_mm": 1, "pickup.arc": 3, "coil.primary_mh": REMOVE})
    assert {"engine.bore_mm", "pickup.arc", "coil.primary_mh"} <= set(found)


def test_faults_carry_file_and_line() -> None:
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    line = text.splitlines().index("bore_mm = 33.0") + 1
    with pytest.raises(DescriptionError) as caught:
        parse_text(text.replace("bore_mm = 33.0", "bore_mm = 1"), "some.toml")
    assert str(caught.value).startswith(f"some.toml:{line}: [engine] bore_mm = 1: out of range")


def test_cross_faults_carry_the_line_too() -> None:
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"some.toml:\d+: \[advance\] limit_rpm = 7000"):
        parse_text(text.replace("limit_rpm = 8500", "limit_rpm = 7000"), "some.toml")


BAD_FILES = {
    "syntax": (b"schema = 1\nname = Plover\n", DescriptionError, "line 2"),
    "twice": (b"schema = 1\nschema = 1\n", DescriptionError, "line 2"),
    "empty": (b"", DescriptionError, "missing"),
    "not text": (b"schema = 1\n\xff\xfe\n", DescriptionError, "line 2 is not UTF-8"),
    "nested": (b"a = " + b"[" * 5000 + b"]" * 5000, DescriptionError, "not TOML"),
    "huge": (b"# " + b"x" * 1_000_001, FolderError, "larger than"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_files_that_are_no_description(tmp_path: Path, name: str) -> None:
    content, kind, part = BAD_FILES[name]
    file = tmp_path / "bad.toml"
    file.write_bytes(content)
    with pytest.raises(kind) as caught:
        read_engine(file)
    assert part in str(caught.value)
    assert "bad.toml" in str(caught.value)


def test_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="No such file"):
        read_engine(tmp_path / "missing.toml")
    with pytest.raises(FolderError, match="directory"):
        read_engine(tmp_path)


def test_byte_order_mark_is_accepted(tmp_path: Path) -> None:
    file = tmp_path / "bom.toml"
    file.write_bytes(b"\xef\xbb\xbf" + (EXAMPLES / "plover.toml").read_bytes())
    assert read_engine(file) == read_engine(EXAMPLES / "plover.toml")


def test_unknown_board_names_the_nearest() -> None:
    with pytest.raises(BoardError) as caught:
        parse_engine(changed({"board.name": "nano-328"}))
    message = str(caught.value)
    assert "did you mean nano-328p" in message.lower()
    assert '[board] name = "nano-328"' in message


@pytest.mark.parametrize("name", ["../boards/nano-328p", "", "/etc/passwd", "nano-328p.toml"])
def test_a_board_name_is_no_path(name: str) -> None:
    with pytest.raises(BoardError, match="no such board"):
        parse_engine(changed({"board.name": name}))


def _keys(data: dict[str, Any]) -> list[str]:
    tables = {key: value for key, value in data.items() if isinstance(value, dict)}
    return [*data, *(f"{table}.{key}" for table, keys in tables.items() for key in keys)]


ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.text(max_size=8),
    st.binary(max_size=4),
    st.datetimes(),
    st.lists(st.one_of(st.integers(-9, 9), st.lists(st.floats(), max_size=3)), max_size=4),
    st.dictionaries(st.text(max_size=6), st.integers(), max_size=3),
)
KEY = st.sampled_from(sorted({*_keys(example("plover")), *_keys(example("teal"))}))


def outcome(data: object) -> None:
    """Read a description; only an Engine or a DescriptionError with a text may come of it."""
    try:
        engine = parse_engine(data)
    except DescriptionError as error:
        assert error.faults
        assert str(error)
        return
    assert isinstance(engine, Engine)
    find_warnings(engine, load_board(engine.board.name))
    assert parse_engine(engine.model_dump(mode="json", by_alias=True, exclude_unset=True)) == engine


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(KEY, st.one_of(ODD, st.just(REMOVE)), max_size=5), st.booleans())
def test_any_change_of_a_description_is_read_or_refused(
    changes: dict[str, object], twin: bool
) -> None:
    data = example("teal" if twin else "plover")
    for key, value in changes.items():
        section, _, name = key.rpartition(".")
        table = data.get(section, {}) if section else data
        if not isinstance(table, dict):
            continue
        if value is REMOVE:
            table.pop(name, None)
        else:
            table[name] = value
    outcome(data)


@settings(max_examples=200, deadline=None)
@given(st.recursive(ODD, lambda inner: st.dictionaries(st.text(max_size=9), inner, max_size=4)))
def test_any_data_is_read_or_refused(data: object) -> None:
    outcome(data)


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(KEY.filter(lambda key: "." in key), st.floats(0.0, 20000.0), max_size=3))
def test_any_numbers_are_read_or_refused(changes: dict[str, float]) -> None:
    outcome(changed(dict(changes)))


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    with pytest.raises(DescriptionError):
        parse_text(text, "some.toml")
