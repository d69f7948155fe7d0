"""If this fails, a part named in a description fills in wrong numbers, or hides that it did."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from sparktick.gen.description_parts import PART_VALUES, part_values
from sparktick.gen.engine import Engine, InductiveCoil, LogicCoil, assumed_values, parse_engine
from sparktick.gen.errors import DescriptionError
from sparktick.gen.parts import Part, load_parts

EXAMPLES = Path(__file__).parents[2] / "examples"
OWN_COIL = """
[[coil]]
name = "from-the-drawer"
text = "Coil from the drawer"
size_mm = [40, 40, 60]
primary_ohm = { typical = 2.0, low = 1.9, high = 2.1 }
primary_mh = { typical = 5.0, low = 4.5, high = 6.0 }
saturation_a = { typical = 6.0, low = 5.0, high = 7.0 }
turns_ratio = { typical = 90, low = 80, high = 100 }
secondary_ohm = { typical = 9000, low = 8000, high = 10000 }
secondary_pf = { typical = 40, low = 30, high = 50 }
spark_current_a = 3.0
heat_limit_w = 12
heat_capacity_j_per_k = 100
winding_max_c = 120
leads = 1
source = "measured"
confidence = "run"
"""


def described(**tables: dict[str, Any]) -> dict[str, Any]:
    """Plover with whole tables replaced, or removed where None."""
    data = tomllib.loads((EXAMPLES / "plover.toml").read_text(encoding="utf-8"))
    return {**data, **tables}


def every_part() -> list[Part]:
    parts = load_parts()
    groups = (parts.coils, parts.logic_coils, parts.drivers, parts.sensors, parts.batteries)
    return [part for group in groups for part in group.values()]


def section_of(part: Part) -> str:
    return next(section for section in PART_VALUES if section in part_values(part))


def engine_with(part: Part) -> Engine:
    section = section_of(part)
    data = described()
    kept = {"lead_edge_deg_btdc": 48.0, "arc_deg": 34.0} if section == "pickup" else {}
    table = {**kept, "part": part.name}
    if section == "coil" and "kind" in part_values(part).get("driver", {}):
        data["driver"] = {}
    if section == "supply":
        data["coil"] = {**data["coil"], "spark_current_a": 0.5}
    return parse_engine({**data, section: table})


@pytest.mark.parametrize("part", every_part(), ids=lambda part: part.name)
def test_every_part_fills_a_valid_table_and_says_so(part: Part) -> None:
    if getattr(part, "gate_volts_min", 0.0) > 5.0:
        with pytest.raises(DescriptionError, match="half driven, the switch burns"):
            engine_with(part)
        return
    engine = engine_with(part)
    origin = {item.key: item.part for item in assumed_values(engine)}
    for section, values in part_values(part).items():
        given = getattr(engine, section)
        for key, value in values.items():
            assert getattr(given, key) == pytest.approx(value), key
            assert origin[f"{section}.{key}"] == part.name
    assert engine.taken.parts[section_of(part)] == part


def test_the_users_own_keys_win() -> None:
    engine = parse_engine(described(coil={"part": "moped", "primary_ohm": 2.2}))
    assert isinstance(engine.coil, InductiveCoil)
    assert engine.coil.primary_ohm == 2.2
    # a measured value takes the measured tolerance, not the spread of the class
    assert engine.coil.primary_ohm_tolerance_percent == 10.0
    assert engine.coil.primary_mh == load_parts().coils["moped"].primary_mh.typical
    assert engine.coil.primary_mh_tolerance_percent == pytest.approx(38.5)
    origin = {item.key: item.part for item in assumed_values(engine)}
    assert "coil.primary_ohm" not in origin
    assert origin["coil.primary_ohm_tolerance_percent"] == ""


def test_a_logic_coil_brings_its_switch() -> None:
    engine = parse_engine(described(coil={"part": "plug-top-logic"}, driver={}))
    assert isinstance(engine.coil, LogicCoil)
    assert engine.driver.kind == "logic"
    assert engine.driver.gate_volts_min == 3.0


@pytest.mark.parametrize(
    ("table", "name", "says"),
    [
        ("coil", "mopde", "Did you mean moped?"),
        ("driver", "ignition-ibgt", "Did you mean ignition-igbt?"),
        ("supply", "lead-12v", "Did you mean lead-12v-7ah?"),
        ("pickup", "xyz", "hall-unipolar"),
        ("driver", "moped", "darlington"),  # a coil is no driver
    ],
)
def test_unknown_parts_name_the_nearest(table: str, name: str, says: str) -> None:
    data = described()
    data[table] = {**data[table], "part": name}
    with pytest.raises(DescriptionError) as caught:
        parse_engine(data)
    (fault,) = caught.value.faults
    assert fault.key == f"{table}.part"
    assert says in fault.format()


def test_a_kind_that_contradicts_its_part_is_refused() -> None:
    for kind in ("logic", "capacitor-discharge"):
        with pytest.raises(DescriptionError, match=r"coil\] kind.*of another kind"):
            parse_engine(described(coil={"kind": kind, "part": "moped"}))


@pytest.mark.parametrize("value", [3, ["moped"], True, ""])
def test_a_part_that_is_no_name_is_a_fault(value: object) -> None:
    data = described()
    data["coil"] = {**data["coil"], "part": value}
    with pytest.raises(DescriptionError) as caught:
        parse_engine(data)
    assert caught.value.faults[0].key == "coil.part"


def test_own_parts_lie_beside_the_description(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(OWN_COIL)
    data = described(coil={"part": "from-the-drawer"}, parts=["mine.toml"])
    engine = parse_engine(data, str(tmp_path / "heron.toml"))
    assert isinstance(engine.coil, InductiveCoil)
    assert engine.coil.primary_ohm == 2.0
    with pytest.raises(DescriptionError, match=r"nowhere\.toml.*cannot be read"):
        parse_engine({**data, "parts": ["nowhere.toml"]}, str(tmp_path / "heron.toml"))


def test_without_a_part_nothing_is_taken() -> None:
    engine = parse_engine(described())
    assert not engine.taken.parts
    assert not any(item.part for item in assumed_values(engine))
