"""After a reset at speed the image could spark early, late, or stay dark, and nobody would know."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.host_sim.chip import Reset, ResetKind, run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.train import pickup_train, steady

RPM = 6000.0
TURN_S = 60.0 / RPM
BEGUN_S = 0.15
INSTANTS = 20  # over one turn; benchmarks/core_bar.py takes a thousand


@pytest.mark.parametrize("part", range(INSTANTS))
def test_brown_out_at_speed_is_followed_by_true_sparks(plover_image: Manifest, part: int) -> None:
    reset_s = BEGUN_S + TURN_S * part / INSTANTS
    train = pickup_train(steady(RPM, angle_deg=-400.0), plover_image, 0.25)
    run = run_chip(
        chip_job(plover_image, train, resets=(Reset(reset_s, ResetKind.BROWN_OUT),), serial=False)
    )
    assert run.counters["resets_brown_out"] == 1
    assert run.facts["outputs_safe_s"] < 20e-6
    off_s = run.coil_s[run.coil_on == 0]
    after_s = off_s[off_s > reset_s + 50e-6]  # a charge that the reset cuts sparks there and then
    angle = train.motion.angle_at(after_s + plover_image.output_delay_us * 1e-6)
    btdc = -(((angle + 180.0) % 360.0) - 180.0)
    assert np.all(np.abs(btdc - 30.0) <= 1.0)
    lead_s = train.edge_s[(train.active == 1) & (train.edge_s > reset_s)]
    # The first pulse the chip sees whole gives lock, the next sparks; a pulse that the reset falls
    # into is not whole.
    assert np.searchsorted(lead_s, after_s[0]) <= 3


def test_power_on_begins_from_standstill(plover_image: Manifest) -> None:
    train = pickup_train(steady(RPM, angle_deg=-400.0), plover_image, 0.25)
    reset = Reset(BEGUN_S, ResetKind.POWER_ON)
    run = run_chip(chip_job(plover_image, train, resets=(reset,), serial=False))
    off_s = run.coil_s[run.coil_on == 0]
    lead_s = train.edge_s[(train.active == 1) & (train.edge_s > BEGUN_S)]
    assert np.searchsorted(lead_s, off_s[off_s > BEGUN_S + 50e-6][0]) == 3
