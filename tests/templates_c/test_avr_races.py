"""A coil order that is re-armed while it comes about would lose a spark, or fire it late."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.train import pickup_train, steady


# At these speeds the charge begins while the handler of the lead edge orders it anew: a match that
# fell between taking the old order back and looking at its flag lost two sparks in sixty.
@pytest.mark.parametrize("rpm", [1511.0, 1514.0, 1515.0])
def test_no_spark_is_lost_where_the_charge_begins_beside_the_edge(
    plover_image: Manifest, rpm: float
) -> None:
    plover = plover_image
    train = pickup_train(steady(rpm, angle_deg=-400.0), plover, 60 * 60.0 / rpm)
    run = run_chip(chip_job(plover, train))
    pulses = int(np.count_nonzero(train.active))
    on_s, off_s = run.coil_s[run.coil_on == 1], run.coil_s[run.coil_on == 0]
    assert len(off_s) >= pulses - 4  # two pulses to lock, one cut off at either end
    assert np.ptp(np.diff(off_s)) < 4e-6  # even turns, even sparks
    on_us = (off_s - on_s[: len(off_s)])[1:] * 1e6  # the first charge begins as it locks
    assert np.all(np.abs(on_us - plover.dwell_us) <= 0.5 + 0.005 * plover.dwell_us)
