"""An event beside a wrap of the counter, or beside another event, would be mistimed or lost."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest
from sparktick.host_sim.run import F64, Train
from sparktick.host_sim.train import pickup_train, steady

TICK_S = 0.5e-6
CYCLE_S = TICK_S / 8.0
WRAP16_S = 65536 * TICK_S
# Two turns in one span of the 16-bit counter: the same edge meets the overflow every other turn.
WRAP_RPM = 2.0 * 60.0 / WRAP16_S
RUN_S = 0.25


def train_with_edge_at(manifest: Manifest, rpm: float, at_s: float, edge: int = 0) -> Train:
    """Return an even train with an edge (0 lead, 1 trail) of one turn at ``at_s``."""
    first = pickup_train(steady(rpm, angle_deg=-200.0), manifest, RUN_S)
    now_s = first.edge_s[first.active == 1 - edge][0]
    shift_deg = 6.0 * rpm * (now_s - at_s)
    train = pickup_train(steady(rpm, angle_deg=-200.0 + shift_deg % 360.0), manifest, RUN_S)
    edges = train.edge_s[train.active == 1 - edge]
    assert np.min(np.abs(edges - at_s)) < 0.01 * CYCLE_S
    return train


def settled(coil_s: F64, coil_on: np.ndarray) -> tuple[F64, F64]:
    """Begin and end of the charges, the first three left out."""
    off_s = coil_s[coil_on == 0]
    on_s = coil_s[coil_on == 1][: len(off_s)]
    return on_s[3:], off_s[3:]


def judge(manifest: Manifest, train: Train, rpm: float) -> None:
    run = run_chip(chip_job(manifest, train, serial=False), "simavr")
    on_s, off_s = settled(run.coil_s, run.coil_on)
    pulses = int(np.count_nonzero(train.active))
    assert len(off_s) >= pulses - 7
    turn_s = 60.0 / rpm
    assert np.all(np.abs(np.diff(off_s) - turn_s) <= 2.5 * TICK_S)  # even turns, even sparks
    delay_deg = manifest.output_delay_us * 1e-6
    btdc = -(((train.motion.angle_at(off_s + delay_deg) + 180.0) % 360.0) - 180.0)
    wanted = np.interp(rpm, *zip(*manifest.curve, strict=True))
    assert np.all(np.abs(btdc - wanted) <= 2.0 * 6.0 * rpm * TICK_S + 0.01)
    dwell_us = (off_s - on_s) * 1e6
    assert np.all(np.abs(dwell_us - manifest.dwell_us) <= 0.5 + 0.01 * manifest.dwell_us)


@pytest.fixture(scope="module")
def overflow_s(plover_image: Manifest) -> float:
    """Return an instant at which the chip's 16-bit counter overflows."""
    train = pickup_train(steady(3000.0), plover_image, 0.05)
    run = run_chip(chip_job(plover_image, train), "simavr")
    return run.timer_phase_s + 4 * WRAP16_S


# Around the overflow cycle by cycle: the capture unit, its synchroniser and canceller (16.3, 16.6),
# then the handlers' reads of count and flag, some microseconds later.
CYCLES = [*range(-20, 21), *range(-400, -20, 95), *range(21, 1200, 95)]


@pytest.mark.parametrize("edge", [0, 1], ids=["lead", "trail"])
def test_an_edge_at_every_cycle_around_the_overflow(
    plover_image: Manifest, overflow_s: float, edge: int
) -> None:
    for cycles in CYCLES:
        at_s = overflow_s + cycles * CYCLE_S
        judge(plover_image, train_with_edge_at(plover_image, WRAP_RPM, at_s, edge), WRAP_RPM)


@pytest.mark.parametrize("what", ["charge", "spark"])
def test_a_compare_at_every_tick_around_the_overflow(
    plover_image: Manifest, overflow_s: float, what: str
) -> None:
    train = train_with_edge_at(plover_image, WRAP_RPM, overflow_s)
    run = run_chip(chip_job(plover_image, train, serial=False), "simavr")
    on_s, off_s = settled(run.coil_s, run.coil_on)
    at_s = on_s if what == "charge" else off_s
    lead_s = train.edge_s[train.active == 1]
    after_s = (at_s[0] - lead_s[0]) % (60.0 / WRAP_RPM)
    for ticks in range(-18, 19):
        edge_at_s = overflow_s - after_s + ticks * TICK_S
        judge(plover_image, train_with_edge_at(plover_image, WRAP_RPM, edge_at_s), WRAP_RPM)


# The charge begins beside the lead edge at some speeds, the spark comes beside the trail edge at
# others: the curve's advance is then the trail edge's place.
@pytest.mark.parametrize(("low", "high"), [(1440.0, 1560.0), (1740.0, 1900.0)])
def test_a_compare_beside_an_edge(plover_image: Manifest, low: float, high: float) -> None:
    for rpm in np.linspace(low, high, 25):
        train = pickup_train(steady(float(rpm), angle_deg=-400.0), plover_image, 0.4)
        judge(plover_image, train, float(rpm))


RPM = 3000.0


def test_every_event_at_every_tick_around_the_32_bit_wrap(plover_image: Manifest) -> None:
    """On the host: where the counter wraps changes no spark, whichever event is beside it."""
    train = pickup_train(steady(RPM, angle_deg=-100.0), plover_image, 0.25)
    library = load(plover_image.folder)
    chip = Hardware.of(plover_image)
    whole = run_train(library, chip, train)
    turn = slice(5 * 2, 6 * 2)
    beside = np.concatenate([whole.coil_s[turn], train.edge_s[turn]])
    for at_s in beside:
        for ticks in range(-16, 17):
            first = -(round(at_s / TICK_S) + ticks)
            moved = run_train(library, Hardware.of(plover_image, first_tick=first), train)
            assert np.array_equal(moved.coil_s, whole.coil_s)
            assert moved.counters == whole.counters
