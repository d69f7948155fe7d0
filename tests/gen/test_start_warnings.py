"""If this fails, a starter too slow for the flywheel, or a risky start spark, goes unmentioned."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

import sparktick.examples
from sparktick.gen.cli import cli
from sparktick.gen.pipeline import make_plan
from sparktick.gen.start_warnings import all_warnings, start_warnings

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))


def warned(tmp_path: Path, name: str, *changes: tuple[str, str]) -> list[str]:
    text = (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "engine.toml"
    path.write_text(text, encoding="utf-8")
    product = make_plan(path)
    return [f.format() for f in start_warnings(product.engine, product.design, "engine.toml")]


@pytest.mark.parametrize("name", ["plover", "teal", "avocet"])
def test_examples_start_without_a_warning(name: str) -> None:
    product = make_plan(EXAMPLES / f"{name}.toml")
    assert all_warnings(product.engine, product.design, name) == ()


def test_a_slow_drill_is_named_with_floor_and_flywheel(tmp_path: Path) -> None:
    slow = ('starter = "drill" ', 'starter_rpm = 600\nstarter = "drill" ')
    (found,) = warned(tmp_path, "teal", slow)
    assert "[engine] starter_rpm = 600: there is no spark below" in found
    # what it asks for is enough: with that flywheel it says no more
    match = re.search(r"from about ([0-9.e+-]+) kg m2", found)
    assert match is not None
    inertia = 1.02 * float(match.group(1))
    heavier = ("flywheel_inertia_kg_m2 = 1.4e-3", f"flywheel_inertia_kg_m2 = {inertia:.6f}")
    assert warned(tmp_path, "teal", slow, heavier) == []


def test_a_hand_is_judged_by_a_flick_or_by_the_speed_it_is_given(tmp_path: Path) -> None:
    given = ('starter = "hand"', 'starter = "hand"\nstarter_rpm = 300')
    assert "at least" in warned(tmp_path, "plover", given)[0]


def test_a_charge_before_the_trail_edge_is_said(tmp_path: Path) -> None:
    edge = ("magnet_diameter_mm = 10.0", "arc_deg = 64.0\nmagnet_diameter_mm = 10.0")
    (found,) = warned(tmp_path, "teal", edge)
    assert "stops with the magnet at the sensor" in found


def test_check_shows_it(tmp_path: Path) -> None:
    warned(tmp_path, "teal", ('starter = "drill" ', 'starter_rpm = 600\nstarter = "drill" '))
    result = CliRunner().invoke(cli, ["check", str(tmp_path / "engine.toml"), "--quiet"])
    assert "starter_rpm = 600" in result.output
    assert "fit more flywheel" in result.output


@pytest.mark.parametrize("command", ["check", "generate", "motion"])
def test_a_flywheel_that_never_carries_over_is_refused(tmp_path: Path, command: str) -> None:
    text = (EXAMPLES / "teal.toml").read_text(encoding="utf-8")
    path = tmp_path / "light.toml"
    path.write_text(text.replace("= 1.4e-3", "= 1.4e-4"), encoding="utf-8")
    more = [str(tmp_path / "fw")] if command == "generate" else []
    result = CliRunner().invoke(cli, [command, str(path), *more])
    assert result.exit_code == 2
    assert "no start spark would ever come: slower than" in result.output
    assert not (tmp_path / "fw").exists()
