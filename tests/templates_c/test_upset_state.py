"""A flipped bit of the core's or the port's state could silence the ignition for good."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.host_sim.chip import ChipJob
from sparktick.host_sim.chip.exchange import symbols
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.train import pickup_train, steady
from sparktick.host_sim.upset import Outcome, reference, run_block
from sparktick.host_sim.upset_cases import NONE, RESET, Campaign, Case
from sparktick.host_sim.upset_targets import IO, PC, RAM

RPM = 8000.0
WDTCSR, WDE = 0x60, 3
COUNTERS = 16  # the last of the core's struct, 16 bit each: told, never acted on
PORT_STATE = (
    *("st_coil_at", "st_alarm_at", "st_alarm_far", "st_coil_far", "st_high", "st_guard"),
    *("st_beats", "st_coil_pending", "st_edge_select", "st_action", "st_masks"),
)


def job(manifest: Manifest) -> ChipJob:
    return chip_job(manifest, pickup_train(steady(RPM), manifest, 0.1))


def flips(manifest: Manifest, places: list[tuple[str, int, int]], seed: int) -> list[Outcome]:
    """Flip each (space, address, bit) once, at an instant drawn from the seed."""
    phase = np.random.default_rng(seed).uniform(size=len(places))
    campaign = Campaign(manifest, upsets=len(places), per_start=len(places), speeds_rpm=(RPM,))
    cases = [
        Case(i, RPM, space, address, bit, float(phase[i]), 0.0)
        for i, (space, address, bit) in enumerate(places)
    ]
    known = reference(campaign, RPM)
    return [o for _, found in run_block(campaign, known, cases) for o in found]


def test_no_bit_of_the_core_that_times_sparks_silences_them(plover_image: Manifest) -> None:
    core = symbols(job(plover_image))["st_the_core"]
    size = load(plover_image.folder).lib.bench_core_size() - 2 * COUNTERS
    places = [(RAM, core + byte, (byte + n) % 8) for byte in range(size) for n in (0, 2, 5)]
    found = flips(plover_image, places, seed=1)
    assert [o.case for o in found if o.failed] == []
    assert any(o.outcome != NONE for o in found)


def test_no_bit_of_the_port_silences_them(plover_image: Manifest) -> None:
    names = symbols(job(plover_image))
    sizes = {"st_coil_at": 4, "st_alarm_at": 4, "st_high": 2}
    spots = [names[name] + k for name in PORT_STATE for k in range(sizes.get(name, 1))]
    found = flips(plover_image, [(RAM, a, bit) for a in spots for bit in range(8)], seed=2)
    assert [o.case for o in found if o.failed] == []


def test_no_bit_of_the_registers_it_lives_by_silences_them(plover_image: Manifest) -> None:
    """DS40002061A chapter 31: the stack pointer, ports, timers 0 and 1 and their masks."""
    spots = [0x24, 0x25, *range(0x44, 0x48), 0x5D, 0x5E, 0x5F, 0x6E, 0x6F, *range(0x80, 0x8C)]
    found = flips(plover_image, [(IO, a, bit) for a in spots for bit in range(8)], seed=5)
    assert [o.case for o in found if o.failed] == []


@pytest.mark.parametrize("seed", [3, 4])
def test_a_watchdog_that_was_switched_off_is_on_again(plover_image: Manifest, seed: int) -> None:
    """A flip clears WDE; after a quiet window the program hangs: the watchdog has to bite."""
    places = [(IO, WDTCSR, WDE), *((PC, 0, bit) for bit in range(14))]
    found = flips(plover_image, places, seed)
    assert found[0].outcome == NONE
    assert RESET in {o.outcome for o in found[1:]}
    assert [o.case for o in found if o.failed] == []
