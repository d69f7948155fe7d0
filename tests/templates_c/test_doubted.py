"""If this fails: a pulse that the core itself has found to be false moves a spark far forward."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.run import F64
from sparktick.host_sim.train import pickup_train, steady

from .variants import make_firmware

TURN = 40


@pytest.fixture(scope="module")
def manifest(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    return make_firmware(tmp_path_factory.mktemp("doubted") / "plover", {})


def sparks_deg(manifest: Manifest, rpm: float, before_deg: float, width_s: float) -> F64:
    """Sparks (deg BTDC) of the turn in which a false pulse comes that long before the lead edge."""
    train = pickup_train(steady(rpm, angle_deg=-250.0), manifest, (TURN + 6) * 60.0 / rpm)
    lead_s = train.edge_s[train.active == 1][TURN]
    at_s = lead_s - before_deg / (6.0 * rpm)
    i = int(np.searchsorted(train.edge_s, at_s))
    train = replace(
        train,
        edge_s=np.insert(train.edge_s, i, [at_s, at_s + width_s]),
        active=np.insert(train.active, i, [1, 0]),
        true_edge=np.insert(train.true_edge, i, [0, 0]),
    )
    run = run_train(load(manifest.folder), Hardware.of(manifest), train)
    assert run.counters["arc"] == 1
    off_s = run.coil_s[run.coil_on == 0]
    off_s = off_s[off_s > lead_s - 0.9 * 60.0 / rpm]
    deg = -train.motion.angle_at(off_s)
    return np.asarray((deg + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize("width_us", [80.0, 300.0])
@pytest.mark.parametrize(("rpm", "furthest_deg"), [(800.0, 70), (1100.0, 90), (2000.0, 50)])
def test_its_spark_does_not_come(
    manifest: Manifest, rpm: float, furthest_deg: int, width_us: float
) -> None:
    """At idle the gate is wide: once such pulses brought sparks up to 80 deg too early.

    From further still the interval is so short that the spark comes before the arc has been judged.
    """
    for before_deg in range(30, furthest_deg + 1, 10):
        found = sparks_deg(manifest, rpm, float(before_deg), width_us * 1e-6)
        assert found.max() < manifest.greatest_advance_deg + 1.0, before_deg
        assert len(found) >= 4, before_deg
