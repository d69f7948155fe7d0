"""If this fails: the chip holds numbers with which it does not spark, or at the wrong place."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.board import load_board
from sparktick.gen.design import Design, design
from sparktick.gen.engine import read_engine
from sparktick.gen.errors import DescriptionError
from sparktick.gen.pipeline import Product, write_product
from sparktick.gen.plan import quantise
from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.train import pickup_train, steady

PLOVER = Path(__file__).parents[2] / "examples" / "plover.toml"


def designed(tmp_path: Path, *changes: tuple[str, str]) -> Design:
    text = PLOVER.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (tmp_path / "engine.toml").write_text(text, encoding="utf-8")
    engine = read_engine(tmp_path / "engine.toml")
    return design(engine, load_board(engine.board.name))


@pytest.mark.parametrize("dwell_ms", [0.15, 0.3])
def test_a_dwell_shorter_than_the_service_sparks_all_the_same(
    tmp_path: Path, dwell_ms: float
) -> None:
    """The least charge that is begun was as long as the dwell, so none was."""
    made = replace(designed(tmp_path), dwell_s=dwell_ms * 1e-3)
    engine = read_engine(tmp_path / "engine.toml")
    write_product(Product(engine, made, quantise(made)), tmp_path / "firmware")
    manifest = read_manifest(tmp_path / "firmware")
    for rpm in (500.0, 1500.0, 6000.0):
        train = pickup_train(steady(rpm, angle_deg=-250.0), manifest, 40 * 60.0 / rpm)
        run = run_train(load(manifest.folder), Hardware.of(manifest), train)
        off_s = run.coil_s[run.coil_on == 0]
        assert len(off_s) >= 36
        assert np.all(off_s - run.coil_s[run.coil_on == 1][: len(off_s)] < dwell_ms * 1e-3 + 0.3e-3)


def test_no_overspeed_is_taken_for_half_the_speed(tmp_path: Path) -> None:
    """From 1.25 times the limit every second pulse was not seen, and every third sparked."""
    made = designed(tmp_path)
    engine = read_engine(tmp_path / "engine.toml")
    write_product(Product(engine, made, quantise(made)), tmp_path / "firmware")
    manifest = read_manifest(tmp_path / "firmware")
    for part in (1.02, 1.26, 1.5, 1.9, 2.3):
        rpm = part * manifest.limit_rpm
        train = pickup_train(steady(rpm, angle_deg=-250.0), manifest, 100 * 60.0 / rpm)
        assert len(run_train(load(manifest.folder), Hardware.of(manifest), train).coil_s) == 0, part


def test_least_charge_fits_the_shortest_dwell_of_any_supply(tmp_path: Path) -> None:
    made = designed(tmp_path, ("internal_ohm = 0.08", "internal_ohm = 0.08\nmeasure = true"))
    assert made.supply_dwell is not None
    shorter = replace(made.supply_dwell, dwell_s=made.supply_dwell.dwell_s * 0.05)
    plan = quantise(replace(made, supply_dwell=shorter))
    assert plan.on_min_ticks < min(plan.dwell_table)


def test_an_arc_too_short_for_its_period_is_refused_where_it_counts(tmp_path: Path) -> None:
    """720 / 2 does not fit 8 bits; cut off it told a period a third too short."""
    plain = designed(tmp_path)
    layers = replace(plain.layers, arc_check=False, confirm_s=0.0, blank_on_s=0.0, blank_off_s=0.0)
    short = replace(plain, spacing_deg=720.0, arc_deg=2.0, layers=layers, floor_rpm=130.0)
    assert quantise(replace(short, predictor="trend")).arc_period_q8 == 0xFFFF
    with pytest.raises(DescriptionError, match="too short to tell the speed"):
        quantise(replace(short, predictor="same-stroke"))


@pytest.mark.parametrize("starter", ["hand", "cord"])
def test_running_timing_below_the_carrying_speed_is_refused(tmp_path: Path, starter: str) -> None:
    """With 1.6e-3 kg m2 13 of 1000 simulated cord starts kicked back from running timing."""
    hand = ('starter = "hand"', f'starter = "{starter}"')
    light = ("flywheel_inertia_kg_m2 = 2.5e-3", "flywheel_inertia_kg_m2 = 1.6e-3")
    with pytest.raises(DescriptionError, match=r"start_below_rpm.*does not carry.*at least 8\d\d"):
        designed(tmp_path, hand, light)
    higher = ("start_below_rpm = 700", "start_below_rpm = 850")
    assert designed(tmp_path, hand, light, higher).start.floor_rpm < 700.0
    driven = ('starter = "hand"', 'starter = "drill"')
    assert designed(tmp_path, driven, light).start.floor_rpm < 700.0


def test_described_friction_makes_start_sparks_later_and_the_floor_higher(tmp_path: Path) -> None:
    plain = designed(tmp_path)
    stiff = designed(tmp_path, ("strokes = 4\n", "strokes = 4\nfriction_nm = 0.2\n"))
    assert stiff.start.floor_rpm > 1.01 * plain.start.floor_rpm
    arc_s = plain.start.arc_s[:-1]
    arc_s = arc_s[arc_s <= stiff.start.arc_s[-1]]
    later = np.interp(arc_s, stiff.start.arc_s, stiff.start.delay_s)
    assert np.all(later >= np.interp(arc_s, plain.start.arc_s, plain.start.delay_s))
