"""After a reset at speed the image could spark early, late, or stay dark, and nobody would know."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.host_sim.chip import Reset, ResetKind, run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.restart import Restart, brown_out, watchdog
from sparktick.host_sim.train import pickup_train, steady

RPM = 6000.0
BEGUN_S = 0.15


def judge(found: Restart) -> None:
    assert found.safe_s < 20e-6
    assert len(found.error_deg) >= 3
    assert np.all(np.abs(found.error_deg) <= 1.0)
    assert found.missed == 0
    # Lock comes with the first pulse seen whole, and the next sparks; a pulse that the reset or the
    # check of the tables after it falls into is not whole.
    assert found.first_spark_pulse in (2, 3)


# Instants over one turn; benchmarks/resets.py takes a thousand of each.
@pytest.mark.parametrize("part", np.arange(16) / 16)
def test_brown_out_at_speed_is_followed_by_true_sparks(plover_image: Manifest, part: float) -> None:
    found = brown_out(plover_image, RPM, part)
    judge(found)
    assert found.on_max_s <= plover_image.hard_limit_us * 1e-6


@pytest.mark.parametrize("part", np.arange(10) / 10)
def test_watchdog_reset_is_followed_by_true_sparks(plover_image: Manifest, part: float) -> None:
    found = watchdog(plover_image, RPM, part)
    judge(found)
    assert found.on_max_s <= (plover_image.hard_limit_us + plover_image.watchdog_us) * 1e-6


def test_power_on_begins_from_standstill(plover_image: Manifest) -> None:
    train = pickup_train(steady(RPM, angle_deg=-400.0), plover_image, 0.25)
    reset = Reset(BEGUN_S, ResetKind.POWER_ON)
    run = run_chip(chip_job(plover_image, train, resets=(reset,), serial=False))
    off_s = run.coil_s[run.coil_on == 0]
    lead_s = train.edge_s[(train.active == 1) & (train.edge_s > BEGUN_S)]
    assert np.searchsorted(lead_s, off_s[off_s > BEGUN_S + 50e-6][0]) == 3
