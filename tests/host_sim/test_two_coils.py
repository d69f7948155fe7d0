"""If this fails, a twin sparks in the wrong cylinder, or charges by the wrong supply."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sparktick.gen.engine import parse_text
from sparktick.gen.errors import DescriptionError
from sparktick.gen.pipeline import generate, make_plan
from sparktick.gen.toolchain import build
from sparktick.host_sim import train as motions
from sparktick.host_sim.bench import Bench, Hardware, run_train
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.base import AnalogueInput, Peek
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.measure import Measurement, compare_runs, measure
from sparktick.host_sim.run import Train
from sparktick.host_sim.verdict import judge
from tests.templates_c.variants import AVOCET_ON_PILL, described

EXAMPLES = Path(__file__).parents[2] / "examples"
AVOCET = EXAMPLES / "avocet.toml"


NEEDS_ARM = (
    pytest.mark.needs_system("arm-none-eabi-gcc", "apt-get install gcc-arm-none-eabi"),
    pytest.mark.needs_system("unicorn", "pip install unicorn==2.1.4", module="unicorn"),
)


@pytest.fixture(scope="module")
def pill_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the same engine on an STM32F103."""
    made = tmp_path_factory.mktemp("twin") / "pill"
    description = made.with_suffix(".toml")
    description.write_text(described(AVOCET_ON_PILL, "avocet"))
    generate(description, made)
    build(made)
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("twin") / "avocet"
    generate(AVOCET, made)
    build(made)
    return made


@pytest.fixture(scope="module")
def manifest(folder: Path) -> Manifest:
    return read_manifest(folder)


def steady(manifest: Manifest, rpm: float, end_s: float) -> Train:
    return motions.pickup_train(motions.steady(rpm), manifest, end_s)


@pytest.mark.parametrize("rpm", [700.0, 2000.0, 8000.0])
def test_each_coil_sparks_for_its_own_cylinder(
    folder: Path, manifest: Manifest, rpm: float
) -> None:
    train = steady(manifest, rpm, 0.1 + 3000.0 / rpm)
    run = run_train(load(folder), Hardware.of(manifest), train)
    measured = measure(run, train, manifest)
    verdict = judge(measured, run, train, manifest)
    assert verdict.passed, verdict.failures
    assert verdict["wrong_coil"].count > 90
    assert abs(np.mean(run.coil_channel) - 0.5) < 0.05


@pytest.mark.parametrize(
    ("made", "emulator"),
    [
        ("folder", "simavr"),
        ("folder", "yasimavr"),
        pytest.param("pill_folder", "unicorn", marks=NEEDS_ARM),
    ],
)
def test_the_emulated_chip_selects_the_same_coils(
    request: pytest.FixtureRequest, made: str, emulator: str
) -> None:
    folder: Path = request.getfixturevalue(made)
    manifest = read_manifest(folder)
    train = steady(manifest, 6000.0, 0.3)
    run = run_chip(chip_job(manifest, train), emulator)
    chip = Hardware.of(manifest, timer_phase_s=run.timer_phase_s, start_s=run.facts["boot_s"])
    host = run_train(load(folder), chip, train)
    measured = measure(run, train, manifest)
    assert len(measured.spark_s) > 50
    assert not len(measured.wrong_coil)
    difference = compare_runs(host, run)
    assert difference.only_a == difference.only_b == 0
    assert np.abs(difference.ticks).max() <= 1.0 + 1e-6
    np.testing.assert_array_equal(host.coil_channel, run.coil_channel)


def test_a_lost_pulse_never_moves_a_spark_to_the_other_cylinder(
    folder: Path, manifest: Manifest
) -> None:
    """One pulse lost is bridged, two end the lock; the coils stay with their cylinders."""
    for lost in (1, 2, 3):
        train = steady(manifest, 3000.0, 1.0)
        keep = np.ones(len(train.edge_s), bool)
        keep[40 : 40 + 2 * lost] = False
        hurt = replace(
            train,
            edge_s=train.edge_s[keep],
            active=train.active[keep],
            true_edge=train.true_edge[keep],
        )
        run = run_train(load(folder), Hardware.of(manifest), hurt)
        measured = measure(run, hurt, manifest)
        assert len(measured.spark_s) > len(train.edge_s) / 2 - 15
        assert not len(measured.wrong_coil), lost


@pytest.mark.parametrize("stuck", [0, 1])
def test_a_dead_phase_sensor_makes_no_spark(folder: Path, manifest: Manifest, stuck: int) -> None:
    for rpm in (700.0, 3000.0):
        train = steady(manifest, rpm, 1.0)
        dead = replace(train, second_s=np.zeros(stuck))
        run = run_train(load(folder), Hardware.of(manifest), dead)
        assert not len(run.coil_s), rpm
        assert run.counters["arc"] > 5


def test_a_phase_sensor_that_dies_at_speed_ends_the_sparks(
    folder: Path, manifest: Manifest
) -> None:
    train = steady(manifest, 3000.0, 1.0)
    half = train.second_s[train.second_s < 0.5]
    run = run_train(load(folder), Hardware.of(manifest), replace(train, second_s=half))
    assert (run.coil_s < 0.5).any()
    assert run.coil_s.max() < 0.5 + 3 * 60.0 / 3000.0 / 2.0


def wanted_dwell_us(manifest: Manifest, volts: float) -> float:
    points = manifest.raw["supply_pin"]["dwell_us"]
    return float(np.interp(volts, [v for v, _ in points], [us for _, us in points]))


def test_the_dwell_table_reaches_the_same_current_at_every_supply() -> None:
    """Against the RL closed form of the coil (handbook formula), at every supply in range."""
    product = make_plan(AVOCET)
    design, plan = product.design, product.plan
    assert design.supply_dwell is not None
    assert design.circuit is not None
    aimed = float(design.circuit.current_a(plan.dwell_ticks / plan.tick_hz))
    volts = np.linspace(12.0, 14.4, 50)  # below, the coil cannot reach it
    table = np.array(plan.dwell_table) / plan.tick_hz
    dwell_s = np.interp(volts, design.supply_dwell.volts, table)
    current = design.circuit.with_supply(volts).current_a(dwell_s)
    np.testing.assert_allclose(current, aimed, rtol=0.03)  # straight lines between the points
    assert plan.hard_limit_ticks > 1.3 * max(plan.dwell_table)


def run_supplied(folder: Path, manifest: Manifest, counts: int) -> Measurement:
    """Run with a core that has heard of the supply since it started."""
    bench = Bench(load(folder), Hardware.of(manifest, start_s=1e-3))
    nothing = np.zeros(0)
    bench.feed(nothing, nothing.astype(np.uint8), 2e-3)
    bench.supply(counts, times=200)
    train = steady(manifest, 2000.0, 1.0)
    later = train.edge_s > 2e-3
    train = replace(
        train,
        edge_s=train.edge_s[later],
        active=train.active[later],
        true_edge=train.true_edge[later],
    )
    return measure(bench.run(train), train, manifest)


@pytest.mark.parametrize("volts", [10.0, 10.5, 12.0, 13.3, 14.4, 15.5])
def test_the_core_charges_as_the_supply_asks(
    folder: Path, manifest: Manifest, volts: float
) -> None:
    pin = manifest.raw["supply_pin"]
    measured = run_supplied(folder, manifest, round(volts * pin["pin_part"] / 5.0 * 1023.0))
    expected = wanted_dwell_us(manifest, volts)
    np.testing.assert_allclose(measured.dwell_us[5:], expected, rtol=0.01)


@pytest.mark.parametrize("volts", [10.8, 14.0])
@pytest.mark.parametrize(
    ("made", "emulator", "channel", "reference_v"),
    [
        ("folder", "simavr", 0, 5.0),
        pytest.param("pill_folder", "unicorn", 1, 3.3, marks=NEEDS_ARM),
    ],
)
def test_the_emulated_chip_measures_its_supply(
    request: pytest.FixtureRequest,
    made: str,
    emulator: str,
    channel: int,
    reference_v: float,
    volts: float,
) -> None:
    """Channels: PC0 is ADC0, PA1 is ADC12_IN1 (data sheets)."""
    folder: Path = request.getfixturevalue(made)
    manifest = read_manifest(folder)
    train = steady(manifest, 2000.0, 0.6)
    pin = manifest.raw["supply_pin"]
    given = AnalogueInput(channel, volts * pin["pin_part"], reference_v)
    job = chip_job(manifest, train, analogue=given, peeks=(Peek("core", "st_the_core", 1),))
    run = run_chip(job, emulator)
    measured = measure(run, train, manifest)
    late = measured.dwell_us[measured.spark_s > 0.3]
    assert len(late) > 10
    np.testing.assert_allclose(late, wanted_dwell_us(manifest, volts), rtol=0.01)


@pytest.mark.parametrize("emulator", ["yasimavr", "simavr"])
def test_an_emulated_chip_without_a_supply_charges_as_the_host_does(
    folder: Path, manifest: Manifest, emulator: str
) -> None:
    """An input that nothing drives would read what the emulator likes."""
    run = run_chip(chip_job(manifest, steady(manifest, 2000.0, 0.5)), emulator)
    measured = measure(run, steady(manifest, 2000.0, 0.5), manifest)
    np.testing.assert_allclose(measured.dwell_us[5:], manifest.dwell_us, rtol=0.01)


def test_an_unmeasurable_supply_gets_the_nominal_dwell(folder: Path, manifest: Manifest) -> None:
    """A broken divider wire reads 0: charging for a flat battery would burn the coil."""
    measured = run_supplied(folder, manifest, 0)
    np.testing.assert_allclose(measured.dwell_us[5:], manifest.dwell_us, rtol=0.01)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (("tdc_spacing_deg = 180", "tdc_spacing_deg = 0"), "coil.coils"),
        (("coils = 2 ", "coils = 2\nleads = 2 "), "coil.leads"),
        (("pulses_per_turn = 2", "pulses_per_turn = 1"), "pickup.pulses_per_turn"),
        (("coils = 2 ", "coils = 1 "), "engine.tdc_spacing_deg"),
        (("divider_top_ohm = 27000", "divider_top_ohm = 10000"), "supply.divider_top_ohm"),
    ],
)
def test_what_two_coils_and_the_divider_cannot_be(change: tuple[str, str], key: str) -> None:
    text = AVOCET.read_text()
    assert change[0] in text
    with pytest.raises(DescriptionError) as caught:
        parse_text(text.replace(*change), "avocet.toml")
    assert key in {fault.key for fault in caught.value.faults}
