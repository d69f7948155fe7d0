"""A storm of edges could eat the processor: the watchdog would bite, or the coil stay on."""

from __future__ import annotations

import dataclasses

import numpy as np

from sparktick.gen.board import load_board
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.run import Train
from sparktick.host_sim.train import pickup_train, steady

RPM = 6000.0
BEGINS_S, ENDS_S = 0.3, 0.6
STORM_HZ = 1e6


def storm(manifest: Manifest) -> Train:
    """Return true pulses, a square wave of 1 MHz for a while, true pulses again."""
    train = pickup_train(steady(RPM, angle_deg=-400.0), manifest, 0.9)
    count = int((ENDS_S - BEGINS_S) * STORM_HZ * 2)
    storm_s = BEGINS_S + np.arange(count) / (2 * STORM_HZ)
    level = (np.arange(count) % 2 == 0).astype(np.uint8)
    keep = (train.edge_s < BEGINS_S) | (train.edge_s > ENDS_S)
    edge_s = np.concatenate([train.edge_s[keep], storm_s])
    order = np.argsort(edge_s, kind="stable")
    active = np.concatenate([train.active[keep], level])[order]
    true = np.concatenate([train.true_edge[keep], np.zeros(count, np.uint8)])[order]
    return dataclasses.replace(train, edge_s=edge_s[order], active=active, true_edge=true)


def test_the_chip_outlives_a_storm_on_the_pickup(plover_image: Manifest) -> None:
    train = storm(plover_image)
    run = run_chip(chip_job(plover_image, train))
    assert run.counters["resets_watchdog"] == 0  # fed honestly: the main loop went round
    on_s, off_s = run.coil_s[run.coil_on == 1], run.coil_s[run.coil_on == 0]
    assert np.max(off_s - on_s[: len(off_s)]) * 1e6 <= plover_image.hard_limit_us
    lead_s = train.edge_s[(train.active == 1) & (train.edge_s > ENDS_S)]
    after_s = off_s[off_s > ENDS_S]
    assert np.searchsorted(lead_s, after_s[0]) <= 3  # locked again by the third true pulse
    angle = train.motion.angle_at(after_s + plover_image.output_delay_us * 1e-6)
    btdc = -(((angle + 180.0) % 360.0) - 180.0)
    assert np.all(np.abs(btdc[1:] - 30.0) < 0.1)


def test_no_handler_runs_longer_than_the_board_file_says(plover_image: Manifest) -> None:
    """Invariant F: the storm, lock lost and found again, and sparks, on the emulated chip."""
    run = run_chip(chip_job(plover_image, storm(plover_image)))
    board = load_board(str(plover_image.raw["board"]))
    assert set(board.handler_cycles) >= {"TIMER1_CAPT", "TIMER1_COMPA", "TIMER1_COMPB"}
    for vector, most in board.handler_cycles.items():
        # A tenth: the file is measured without storms, and before the core's latest change.
        assert 0 < run.facts[f"{vector}_cycles_max"] <= 1.1 * most, vector
