"""If this fails, the on-time guard ends sound charges with off-times between two beats."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.measure import measure
from sparktick.host_sim.train import pickup_train, steady

PLOVER = Path(__file__).parents[2] / "examples" / "plover.toml"


@pytest.mark.avr
@pytest.mark.emulator
@pytest.mark.needs_system(
    "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
)
def test_short_off_times_are_no_long_charge(tmp_path: Path) -> None:
    """0.3 ms off in every turn, beats 1 ms apart: most turns no beat falls into it."""
    text = PLOVER.read_text()
    for old, new in (
        ("spark_current_a = 4.5 ", "spark_current_a = 4.5\ndwell_ms = 7.0\nmin_off_ms = 0.3 "),
        ("[board]", "[noise]\nblank_after_off_us = 100\n\n[board]"),
        ("start_below_rpm = 700", "start_below_rpm = 660"),
        ("curve = [[700, 6.0]", "curve = [[660, 6.0]"),
    ):
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "engine.toml").write_text(text)
    folder = tmp_path / "fw"
    generate(tmp_path / "engine.toml", folder)
    build(folder)
    manifest = read_manifest(folder)
    rpm = 60.0 / 7.29e-3  # 7 ms of charge, 0.29 ms off
    train = pickup_train(steady(rpm), manifest, 3.0)
    run = run_chip(chip_job(manifest, train), "simavr")
    measured = measure(run, train, manifest)
    late = measured.spark_s > 0.1
    assert measured.dwell_us[late].min() > 6500.0
    assert measured.dwell_us[late].max() < 7100.0
    assert not len(measured.stray)
    assert measured.error_deg[late].max() < 0.1
