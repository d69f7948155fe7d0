"""If this fails: the delay the chip computes is not the curve's, at some period in range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from sparktick.host_sim.manifest import Manifest

from .core_library import Core, load
from .variants import LOGIC, make_firmware

BOUND_DEG = 0.02
TABLE_BYTES = 256
FASTEST_RPM = 20000.0
PLOVER_CURVE = "curve = [[700, 6.0], [1500, 12.0], [3500, 24.0], [6000, 30.0]]"
FAST = {
    "lead_edge_deg_btdc = 48.0": "lead_edge_deg_btdc = 75.0",
    "arc_deg = 34.0": "arc_deg = 36.0",
    "top_rpm = 8000": "top_rpm = 19500",
    "limit_rpm = 8500": "limit_rpm = 20500",
    "bore_mm = 33.0": "bore_mm = 20.0",
    "stroke_mm = 29.0": "stroke_mm = 16.0",
    "rod_mm = 58.0": "rod_mm = 30.0",
}


def random_curve(seed: int) -> str:
    """Up to nine points between 700 and 19 000 rpm, up and down between 2 and 34 deg."""
    draw = np.random.default_rng(seed)
    count = int(draw.integers(1, 10))
    rpm = np.unique(np.round(np.exp(draw.uniform(np.log(750), np.log(19000), count)), 0))
    rpm[0] = 700.0
    deg = np.round(draw.uniform(2.0, 34.0, len(rpm)), 2)
    points = ", ".join(f"[{n:g}, {d:g}]" for n, d in zip(rpm, deg, strict=True))
    return f"curve = [{points}]"


@dataclass(frozen=True)
class Case:
    manifest: Manifest
    core: Core


@pytest.fixture(scope="module", params=["plover", "teal", *range(8)], ids=lambda p: f"{p}".rjust(1))
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    folder = tmp_path_factory.mktemp("table")
    if isinstance(request.param, str):
        manifest = make_firmware(folder / "engine", {}, request.param)
    else:
        changes = {**FAST, **LOGIC, PLOVER_CURVE: random_curve(request.param)}
        manifest = make_firmware(folder / "engine", changes)
    (folder / "library").mkdir()
    return Case(manifest, load(manifest.folder / "src", folder / "library"))


def test_every_period_is_within_the_bound(case: Case) -> None:
    """From 20 000 rpm down to where start mode takes over; the formula is written out here."""
    manifest, core = case.manifest, case.core
    geometry, tick_hz = manifest.geometry, manifest.tick_hz
    rpm_ticks = geometry.spacing_deg / 6.0 * tick_hz
    first = int(rpm_ticks / FASTEST_RPM)
    last = core.cfg["START_LEAVE_TICKS"]
    found = np.empty(last - first + 1, np.int32)
    pointer = core.ffi.cast("int32_t *", core.ffi.from_buffer(found))
    core.lib.delays_q8(first, len(found), pointer)

    period = np.arange(first, last + 1, dtype=np.float64)
    speeds, advance = zip(*manifest.curve, strict=True)
    wanted_deg = np.interp(rpm_ticks / period, speeds, advance)
    # The line is late by sensor and filter, the count by the capture unit; a count is half a tick
    # early on average, a compare output one tick late.
    taken_back = (manifest.sensor_delay_us + manifest.output_delay_us) * 1e-6 * tick_hz
    taken_back += manifest.capture_delay_cycles / manifest.f_cpu_hz * tick_hz + 1.0 - 0.5
    lead = geometry.lead_edge_deg_btdc
    exact = period * (lead - wanted_deg) / geometry.spacing_deg - taken_back
    error_deg = np.abs(found / 256.0 - exact) / period * geometry.spacing_deg
    assert error_deg.max() <= BOUND_DEG
    assert error_deg.max() == pytest.approx(manifest.table_bound_deg, abs=1e-4)


def test_the_table_is_small(case: Case) -> None:
    lines = case.core.cfg["RUN_LINES"] + case.core.cfg["START_LINES"]
    assert lines * 16 == case.manifest.raw["table_bytes"] <= TABLE_BYTES


def test_the_check_of_the_tables_holds_and_finds_a_flipped_bit(case: Case) -> None:
    """The generator's CRC-16 against the core's own pass over the tables, byte by byte."""
    core = case.core
    state = core.ffi.new("st_table_state *")
    count = case.manifest.raw["table_bytes"]
    assert [core.lib.st_table_check(state) for _ in range(2 * count)] == [True] * (2 * count)
    for place in (0, 1, count // 2, count - 1):
        state.place, state.crc = 0, 0
        good = [core.lib.st_table_check(state) for _ in range(place + 1)]
        if place == count - 1:
            continue
        state.crc ^= 0x0100  # as if that byte had been another
        rest = [core.lib.st_table_check(state) for _ in range(count - place - 1)]
        assert good == [True] * (place + 1)
        assert rest == [True] * (count - place - 2) + [False]
