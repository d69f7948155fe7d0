"""If this fails: an engine with another pickup than the examples' sparks wrongly or not at all."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sparktick.host_sim.bench import Hardware, HostRun, broken_invariants, run_train
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.measure import measure
from sparktick.host_sim.run import Train
from sparktick.host_sim.simulate import run_scenario, standard_scenarios
from sparktick.host_sim.train import from_standstill, pickup_train, steady

from .variants import LOGIC, make_firmware

SLOW = {"top_rpm = 8000": "top_rpm = 5000", "limit_rpm = 8500": "limit_rpm = 6200"}
MAGNETS = {
    **SLOW,
    **LOGIC,
    "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 60.0",
    "arc_deg = 34.0": "arc_deg = 30.0",
}


@dataclass(frozen=True)
class Pickup:
    changes: dict[str, str]
    designed: dict[str, Any] = field(default_factory=dict)
    starter: str = "hand"


def magnets(count: int) -> Pickup:
    return Pickup(MAGNETS, {"pulses_per_turn": count, "spacing_deg": 360.0 / count})


PICKUPS = {
    # One magnet switches the latching sensor on, another of the other pole switches it off, at the
    # start advance.
    "latching": Pickup(
        {
            'sensor = "hall" ': 'sensor = "hall-latching" ',
            "arc_deg = 34.0": "arc_deg = 44.0",
        }
    ),
    "points": Pickup(
        {
            'sensor = "hall" ': 'sensor = "points" ',
            "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 52.0",
            "arc_deg = 34.0": "arc_deg = 40.0",
            "filter_nf = 1.0": "filter_nf = 10.0",
            **SLOW,
        }
    ),
    "cam": Pickup(
        {
            'shaft = "crank" ': 'shaft = "cam" ',
            "start_deg_btdc = 4.0": "start_deg_btdc = 4.0\nfloor_rpm = 130",
        }
    ),
    "cam, two magnets": Pickup(
        {'shaft = "crank" ': 'shaft = "cam" ', "pulses_per_turn = 1": "pulses_per_turn = 2"}
    ),
    "one a turn": magnets(1),
    "two a turn": magnets(2),
    "three a turn": magnets(3),
    "four a turn": magnets(4),
}


@pytest.fixture(scope="module", params=list(PICKUPS))
def manifest(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    pickup = PICKUPS[request.param]
    folder = tmp_path_factory.mktemp("pickup") / "engine"
    return make_firmware(folder, pickup.changes, **pickup.designed)


def test_every_standard_run_keeps_its_limits(manifest: Manifest) -> None:
    """Steady speeds, ramps, starts, stops and the speed limit; noise is another matter."""
    scenarios = standard_scenarios(manifest, noise=())
    assert len(scenarios) > 15
    chip_is_up_s = 0.03
    for scenario in scenarios:
        # The crank rests while the chip starts, whatever the scenario is.
        motion = scenario.motion
        if motion.t_s[0] == 0.0 and motion.speed_deg_s[0] != 0.0:
            motion = replace(
                motion,
                t_s=np.concatenate([[0.0], motion.t_s + chip_is_up_s]),
                angle_deg=np.concatenate([motion.angle_deg[:1], motion.angle_deg]),
                speed_deg_s=np.concatenate([[0.0], motion.speed_deg_s]),
                accel_deg_s2=np.concatenate([[0.0], motion.accel_deg_s2]),
            )
            scenario = replace(scenario, motion=motion, end_s=scenario.end_s + chip_is_up_s)
        result = run_scenario(manifest.folder, manifest, scenario)
        assert result.verdict.passed, (scenario.name, result.verdict.failures)


def run(manifest: Manifest, train: Train) -> HostRun:
    return run_train(load(manifest.folder), Hardware.of(manifest), train)


def test_from_standstill_the_second_pulse_sparks(manifest: Manifest) -> None:
    """Fast enough for a spark, too slow for lock: by hand, so nothing is charged before an edge."""
    start = manifest.start
    rpm = 0.5 * (start.floor_rpm * 1.05 + start.below_rpm * 0.95)
    train = pickup_train(steady(rpm, angle_deg=-250.0), manifest, 12 * 60.0 / rpm)
    made = run(manifest, train)
    measured = measure(made, train, manifest)
    assert measured.first_spark_pulse == 2
    assert broken_invariants(made) == {}
    assert start.charge == "after-trail"
    trail_s = train.edge_s[train.active == 0]
    lead_s = train.edge_s[train.active == 1]
    on_s = made.coil_s[made.coil_on == 1]
    assert len(on_s) > 3
    for at_s in on_s:  # the last edge before each charge is a trail edge
        last_trail = trail_s[trail_s < at_s].max()
        assert lead_s[lead_s < at_s].max() < last_trail
    # Never before the start advance, and never sooner than a whole charge behind the trail edge.
    assert np.all(measured.angle_deg_btdc <= start.deg_btdc + 0.3)


def test_below_the_floor_nothing_is_charged(manifest: Manifest) -> None:
    rpm = manifest.start.floor_rpm * 0.93
    train = pickup_train(steady(rpm, angle_deg=-250.0), manifest, 10 * 60.0 / rpm)
    assert len(run(manifest, train).coil_s) == 0


def bouncing(train: Train, seed: int, longest_s: float) -> Train:
    """Return contacts that open and close again a few times after every true edge."""
    draw = np.random.default_rng(seed)
    edges, levels, true = [], [], []
    for at_s, active in zip(train.edge_s, train.active, strict=True):
        bounces = 2 * int(draw.integers(0, 5))
        at = np.sort(draw.uniform(5e-6, longest_s, bounces)) + at_s
        edges.append(np.concatenate([[at_s], at]))
        levels.append(np.array([active, *(active ^ ((k + 1) % 2) for k in range(bounces))]))
        true.append(np.array([1, *([0] * bounces)]))
    edge_s = np.concatenate(edges)
    assert np.all(np.diff(edge_s) > 0.0)
    return replace(
        train,
        edge_s=edge_s,
        active=np.concatenate(levels).astype(np.uint8),
        true_edge=np.concatenate(true).astype(np.uint8),
    )


@pytest.mark.parametrize("rpm", [900.0, 2000.0, 4500.0])
def test_contact_points_that_bounce(tmp_path: Path, rpm: float) -> None:
    """Contacts of small engines bounce for up to some tenths of a ms (common practice, no source).

    Sparks come late by the bounce at most, hardly early, none is lost, and the bounces are
    counted. With the default of 4 false edges capture would be masked for a while too often.
    """
    points = PICKUPS["points"]
    noise = "[noise]\nconfirm_us = 30\nmax_rejects_per_gate = 16\n\n[board]"
    made_of = {**points.changes, "[board]": noise}
    manifest = make_firmware(tmp_path / "points", made_of, **points.designed)
    longest_s = 150e-6
    clean = pickup_train(steady(rpm, angle_deg=-250.0), manifest, 200 * 60.0 / rpm)
    train = bouncing(clean, 3, longest_s)
    made = run(manifest, train)
    measured = measure(made, train, manifest)
    pulses = int(np.count_nonzero(clean.active))
    settled = measured.error_deg[5:]
    assert len(measured.spark_s) >= pulses - 6
    assert len(measured.stray) == 0
    bounce_deg = 6.0 * rpm * longest_s
    # Its own edge and the share of the interval before it.
    assert -1.3 * bounce_deg - 0.1 <= settled.min()
    assert settled.max() <= 0.3 * bounce_deg + 0.1
    assert made.counters["short"] + made.counters["trail_bounce"] + made.counters["blanked"] > 50
    assert made.counters["lost"] == 0
    assert broken_invariants(made) == {}


def test_a_drill_s_spark_is_the_trail_edge_at_the_start_advance(tmp_path: Path) -> None:
    """Two magnets and a latching sensor, a driven starter: charged before, fired by the edge."""
    changes = {**PICKUPS["latching"].changes, 'starter = "hand"': 'starter = "drill"'}
    manifest = make_firmware(tmp_path / "drill", changes)
    assert manifest.start.charge == "before-trail"
    trail = manifest.geometry.lead_edge_deg_btdc - manifest.geometry.arc_deg
    assert trail == pytest.approx(manifest.start.deg_btdc)
    for rpm in (250.0, 400.0, 600.0):
        train = pickup_train(steady(rpm, angle_deg=-250.0), manifest, 20 * 60.0 / rpm)
        measured = measure(run(manifest, train), train, manifest)
        late_deg = trail - measured.angle_deg_btdc[2:]
        # An edge must have held, and been served, before it may spark.
        assert np.all(late_deg >= -0.05)
        assert np.all(late_deg <= 6.0 * rpm * 300e-6)


def test_a_start_from_rest_by_hand(manifest: Manifest) -> None:
    """Speeding up from standstill into running: every spark in its place, none before the curve."""
    geometry = manifest.geometry
    gap_deg = geometry.spacing_deg - geometry.arc_deg
    at_deg = -geometry.lead_edge_deg_btdc - 0.5 * gap_deg  # no magnet at the sensor
    train = pickup_train(from_standstill(1500.0, 2500.0, angle_deg=at_deg), manifest, 1.5)
    made = run(manifest, train)
    measured = measure(made, train, manifest)
    # Two for an interval, two more to lock; the first turns below the floor, or too unlike.
    assert 2 <= int(measured.pulse[0]) + 1 <= 5
    assert len(measured.stray) == 0
    assert np.all(measured.angle_deg_btdc <= manifest.greatest_advance_deg + 1.0)
    assert broken_invariants(made) == {}
