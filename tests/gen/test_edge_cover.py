"""If this fails: gate or blanking hide true edges of an engine that the generator accepts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.board import load_board
from sparktick.gen.design import Design, design
from sparktick.gen.edge_cover import OPEN_CYCLES
from sparktick.gen.engine import read_engine
from sparktick.gen.errors import DescriptionError
from sparktick.gen.pipeline import Product, make_plan, write_product
from sparktick.gen.plan import quantise
from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.train import pickup_train, profile

ROOT = Path(__file__).parents[2]
ACCEL = 8000.0


def designed(tmp_path: Path, edit: Callable[[str], str] = str, **changes: object) -> Design:
    text = (ROOT / "examples" / "plover.toml").read_text(encoding="utf-8")
    (tmp_path / "engine.toml").write_text(edit(text), encoding="utf-8")
    engine = read_engine(tmp_path / "engine.toml")
    return replace(design(engine, load_board(engine.board.name)), **changes)  # type: ignore[arg-type]


def made(tmp_path: Path, made_of: Design) -> Manifest:
    engine = read_engine(tmp_path / "engine.toml")
    write_product(Product(engine, made_of, quantise(made_of)), tmp_path / "firmware")
    return read_manifest(tmp_path / "firmware")


def wild(manifest: Manifest, low: float, high: float, seed: int) -> dict[str, int]:
    """Turn at another acceleration in range every other interval; return the run's counters.

    Changes fall on the lead edges, where they do most. No interval differs from the one before by
    more than 19 percent.
    """
    draw = np.random.default_rng(seed)
    spacing = manifest.geometry.spacing_deg
    start_rpm = float(np.sqrt(low * high))
    t, speeds = [0.0, 30.0 * spacing / (6.0 * start_rpm)], [start_rpm, start_rpm]
    interval = spacing / (6.0 * start_rpm)
    chosen = 0.0
    for turn in range(400):
        speed = 6.0 * speeds[-1]

        def rate(part: float, speed: float = speed, before: float = interval) -> float:
            return 2.0 * (spacing - speed * part * before) / (part * before) ** 2 / 6.0

        least, most = max(-ACCEL, rate(1.19)), min(ACCEL, rate(0.81))
        if least > most:  # between them no turn is possible: the nearer end
            least = most = min(max(0.0, most), least)
        if turn % 2 == 0:
            chosen = float(draw.choice([least, most, draw.uniform(least, most)]))
        chosen = min(max(chosen, least), most)
        if turn % 2:
            pass
        elif speeds[-1] < low:
            chosen = most
        elif speeds[-1] > high:
            chosen = least
        accel = chosen * 6.0
        root = np.sqrt(speed**2 + 2.0 * accel * spacing)
        interval = float(2.0 * spacing / (speed + root))
        t.append(t[-1] + interval)
        speeds.append(float(root) / 6.0)
    motion = profile(t, speeds, angle_deg=-manifest.geometry.lead_edge_deg_btdc)
    train = pickup_train(motion, manifest, t[-1])
    run = run_train(load(manifest.folder), Hardware.of(manifest), train)
    assert run.counters["spark"] > 400
    return {name: run.counters[name] for name in ("missing", "lost")}


# The factor once had pulses a turn upside down: with three, true edges were missed on a ramp.
@pytest.mark.parametrize("predictor", ["last", "trend"])
@pytest.mark.parametrize("pulses", [0.5, 1.0, 3.0])
def test_no_edge_is_missed_within_the_described_acceleration(
    tmp_path: Path, predictor: str, pulses: float
) -> None:
    spacing = 360.0 / pulses
    shaft = "cam" if pulses < 1.0 else "crank"
    count = 1 if pulses < 1.0 else int(pulses)
    fast = {"top_rpm": 5000.0, "limit_rpm": 6200.0, "resume_rpm": 6000.0}
    of = designed(
        tmp_path,
        predictor=predictor,
        spacing_deg=spacing,
        pulses_per_turn=count,
        shaft=shaft,
        floor_rpm=160.0,
        arc_deg=30.0,
        dwell_s=1e-3,
        **fast,
    )
    # Turns as wild as these are doubted by their width: that is another layer.
    manifest = made(tmp_path, replace(of, layers=replace(of.layers, arc_check=False)))
    for low, high in ((1400.0, 3000.0), (2500.0, 5800.0)):
        for seed in range(4):
            assert wild(manifest, low, high, seed) == {"missing": 0, "lost": 0}, (low, seed)


def test_the_gate_is_no_wider_than_it_must_be() -> None:
    """At the fast end: what acceleration and scatter ask for, within a table's step."""
    plan = make_plan(ROOT / "examples" / "plover.toml").plan
    for line, after in zip(plan.run_table[1:-1], plan.run_table[2:], strict=True):
        turn_s = after.from_ticks / plan.tick_hz
        first_order = ACCEL / 60.0 * turn_s**2  # part of the interval, see st_foresee
        if first_order < 0.1:
            assert line.gate_q16 / 65536.0 <= 0.0206 + 1.45 * first_order


REFUSED = [
    (
        'name = "nano-328p"',
        'name = "nano-328p"\n[noise]\nblank_after_on_us = 800',
        {},
        "noise.blank_after_on_us",
        r"up to \d+ us",
    ),
    (
        'name = "nano-328p"',
        'name = "nano-328p"\n[noise]\nblank_after_off_us = 5000',
        {"spacing_deg": 120.0, "pulses_per_turn": 3, "arc_deg": 20.0, "dwell_s": 5e-4},
        "noise.blank_after_off_us",
        "a spark",
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "changes", "key", "said"), REFUSED, ids=[case[3] for case in REFUSED]
)
def test_what_could_hide_a_true_edge_is_refused(
    tmp_path: Path, old: str, new: str, changes: dict[str, object], key: str, said: str
) -> None:
    wrong = designed(tmp_path, lambda text: text.replace(old, new), **changes)
    with pytest.raises(DescriptionError, match=said) as refused:
        quantise(wrong)
    (fault,) = refused.value.faults
    assert fault.key == key
    assert "can hide a true edge: at " in fault.problem  # and says at which speed
    assert fault.remedy


def test_the_description_s_line_is_told(tmp_path: Path) -> None:
    text = (ROOT / "examples" / "plover.toml").read_text(encoding="utf-8")
    board = 'name = "nano-328p"\n'
    (tmp_path / "e.toml").write_text(text + "[noise]\nblank_after_on_us = 900\n", encoding="utf-8")
    assert board in text
    with pytest.raises(DescriptionError, match=r"e\.toml:\d+: \[noise\] blank_after_on_us = 900"):
        make_plan(tmp_path / "e.toml")


def test_the_gate_is_open_in_time_on_a_slow_chip(tmp_path: Path) -> None:
    """Little acceleration, no margin: what the chip takes to open the gate is still in it."""
    of = designed(
        tmp_path,
        lambda text: text.replace("lead_edge_deg_btdc = 48.0", "lead_edge_deg_btdc = 80.0"),
        gate_margin_deg=0.0,
        limit_rpm=19000.0,
        arc_deg=50.0,
        accel_rpm_per_s=500.0,
    )
    half_s = quantise(of).run_table[0].gate_q16 / 65536.0 * 60.0 / 19000.0
    assert half_s >= OPEN_CYCLES / of.board.f_cpu_hz
