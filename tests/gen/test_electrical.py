"""If this fails, the electrical verdicts pass what burns out or cannot spark."""

from __future__ import annotations

import time
from dataclasses import fields, is_dataclass, replace
from itertools import product

import numpy as np
import pytest

from sparktick.gen.battery import simple_battery
from sparktick.gen.coil import PrimaryCircuit
from sparktick.gen.coil_heat import Thermal, ThermalSet
from sparktick.gen.electrical import (
    CapacitorStore,
    Coil,
    ElectricalInput,
    ElectricalReport,
    LogicCoil,
    Tolerances,
    electrical_report,
)
from sparktick.gen.parts import BatteryPart, CoilPart, DriverPart, circuit, load_parts
from sparktick.gen.slider_crank import Cylinder

COIL = Coil(
    circuit=PrimaryCircuit(
        1.6,
        4.2e-3,
        12.0,
        driver_drop_v=1.4,
        driver_ohm=0.02,
        wiring_ohm=0.05,
        battery_ohm=0.08,
        saturation_a=7.0,
        coil_c=60.0,
    ),
    wanted_a=4.0,
    thermal=ThermalSet(coil=Thermal(3.0, 120.0, 120.0), driver=Thermal(15.0, 3.0, 150.0)),
    driver_max_a=10.0,
    clamp_v=400.0,
    clamp_energy_j=0.15,
    turns_ratio=85.0,
    secondary_ohm=8000.0,
    secondary_f=50e-12,
    on_limit_s=0.08,
)
SMALL_COIL = replace(COIL.thermal, coil=Thermal(30.0, 12.0, 120.0))
GIVEN = ElectricalInput(
    source=COIL,
    cylinder=Cylinder(0.033, 0.029, 0.058, 7.5),
    curve=((700.0, 6.0), (1500.0, 12.0), (3500.0, 24.0), (6000.0, 30.0)),
    start_rpm=250.0,
    top_rpm=8000.0,
    supply_v=12.0,
    supply_min_v=9.6,
    supply_max_v=14.4,
    plug_gap_m=0.5e-3,
    plug_ohm=5000.0,
    battery=simple_battery(12.0, 0.08, 7.0),
)


def failed(report: ElectricalReport) -> set[tuple[str, str]]:
    return {(v.part, v.quantity) for v in report.verdicts if not v.passed}


def with_coil(**change: object) -> ElectricalInput:
    return replace(GIVEN, source=replace(COIL, **change))  # type: ignore[arg-type]


def numbers(value: object) -> list[np.ndarray]:
    """Every number anywhere in a result."""
    if is_dataclass(value):
        return [n for f in fields(value) for n in numbers(getattr(value, f.name))]
    if isinstance(value, tuple):
        return [n for item in value for n in numbers(item)]
    if isinstance(value, (float, np.ndarray)):
        return [np.asarray(value, dtype=np.float64)]
    return []


def test_good_design_passes() -> None:
    report = electrical_report(GIVEN)
    assert report.passed, failed(report)
    assert report.nominal is not None
    np.testing.assert_allclose(report.nominal.current_a, 4.0)
    assert all(v.corner for v in report.verdicts)
    assert not any(v.remedy for v in report.verdicts)


def test_dwell_reaches_the_wanted_current() -> None:
    report = electrical_report(GIVEN)
    assert float(COIL.circuit.current_a(report.dwell_s)) == pytest.approx(4.0)
    low = COIL.circuit.with_supply(9.6)
    assert report.dwell_min_supply_s == pytest.approx(float(low.dwell_for_current_s(4.0)))
    assert report.dwell_min_supply_s > report.dwell_s


@pytest.mark.parametrize(
    ("change", "part", "quantity"),
    [
        ({"driver_max_a": 5.0}, "driver", "peak current"),
        ({"clamp_energy_j": 0.03}, "driver", "clamp energy with the plug lead off"),
        ({"wanted_a": 9.0}, "coil", "greatest current the circuit reaches"),
        ({"on_limit_s": 200.0}, "driver", "temperature after the longest fault"),
        ({"turns_ratio": 30.0}, "plug", "available over asked-for voltage"),
        ({"secondary_f": 2e-9}, "plug", "available over asked-for voltage"),
        ({"wanted_a": 1.0}, "plug", "energy at the gap"),
        (
            {"thermal": replace(COIL.thermal, coil=Thermal(30, 120, 120))},
            "coil",
            "steady temperature",
        ),
    ],
)
def test_each_fault_is_found_and_has_a_remedy(change: dict, part: str, quantity: str) -> None:
    report = electrical_report(with_coil(**change))
    assert (part, quantity) in failed(report)
    assert not report.passed
    verdict = next(v for v in report.verdicts if (v.part, v.quantity) == (part, quantity))
    assert verdict.remedy.endswith(".")


def test_ballast_rating() -> None:
    thermal = replace(COIL.thermal, ballast=Thermal(10.0, 20.0, 275.0))
    change = {
        "circuit": replace(COIL.circuit, ballast_ohm=0.5),
        "thermal": thermal,
        "wanted_a": 3.5,
    }
    assert electrical_report(with_coil(ballast_rating_w=10.0, **change)).passed
    weak = electrical_report(with_coil(ballast_rating_w=0.5, **change))
    assert failed(weak) == {("ballast", "mean power")}


def test_corners_hold_the_nominal_between_them() -> None:
    report = electrical_report(GIVEN)
    assert report.corners is not None
    assert report.nominal is not None
    energy = report.corners.curves.energy_j
    assert energy.shape == (24, len(report.nominal.rpm))
    assert np.all(energy.min(axis=0) < report.nominal.energy_j)
    assert np.all(energy.max(axis=0) > report.nominal.energy_j)
    assert len(set(report.corners.names)) == 24


def test_dwell_that_follows_the_supply_takes_the_supply_out() -> None:
    only_supply = Tolerances(coil_ohm=0.0, inductance=0.0, coldest_c=60.0, hottest_c=60.0)
    # The longer dwell of the low supply still fits, and it can still reach the current.
    slow = replace(GIVEN, top_rpm=6000.0, supply_min_v=11.0)
    fixed, follows = (
        electrical_report(
            replace(slow, source=replace(COIL, tolerances=only_supply, follows_supply=follow))
        ).corners
        for follow in (False, True)
    )
    assert fixed is not None
    assert follows is not None
    assert np.ptp(fixed.curves.energy_j) > 0.02
    np.testing.assert_allclose(follows.curves.energy_j, COIL.circuit.energy_j(4.0), rtol=1e-9)


def test_dwell_cut_is_told() -> None:
    report = electrical_report(replace(GIVEN, top_rpm=20_000.0))
    assert report.cut_above_rpm < 20_000.0
    assert any(f"{report.cut_above_rpm:.0f} rpm" in note for note in report.notes)


def test_battery_use() -> None:
    report = electrical_report(GIVEN)
    assert report.battery is not None
    period = 60.0 / 8000.0
    time_s = np.linspace(0.0, report.dwell_s, 5001)
    mean = np.trapezoid(COIL.circuit.current_a(time_s), time_s) / period
    assert report.battery.mean_a == pytest.approx(mean, rel=1e-6)
    assert report.battery.sagged_full_v == pytest.approx(12.0 - 4.0 * 0.08)


def test_twin_lead_halves_the_margin() -> None:
    one, two = (
        electrical_report(replace(GIVEN, plugs_in_series=n, both_compress=True)).nominal
        for n in (1, 2)
    )
    np.testing.assert_allclose(two.margin, one.margin / 2)


def test_capacitor_store() -> None:
    store = replace(GIVEN, source=CapacitorStore(1e-6, 300.0, 3e-3))
    report = electrical_report(store)
    assert report.passed
    assert report.kind == "capacitor-discharge"
    np.testing.assert_allclose(report.schemes[0].energy_j, 0.045)
    slow = electrical_report(replace(store, source=CapacitorStore(1e-6, 300.0, 20e-3)))
    assert failed(slow) == {("capacitor", "recharging time")}


def test_logic_coil() -> None:
    coil = LogicCoil(dwell_s=3e-3, max_on_s=9e-3, current_a=7.0, on_limit_s=8e-3)
    assert electrical_report(replace(GIVEN, source=coil)).passed
    fast = electrical_report(replace(GIVEN, source=coil, top_rpm=20_000.0))
    assert failed(fast) == {("coil", "dwell and least off time")}
    stuck = electrical_report(replace(GIVEN, source=replace(coil, on_limit_s=0.02)))
    assert failed(stuck) == {("coil", "longest on-time after a fault")}


def test_fast_enough() -> None:
    electrical_report(GIVEN)
    begin = time.perf_counter()
    electrical_report(GIVEN)
    assert time.perf_counter() - begin < 0.3


def _from_parts(coil: CoilPart, driver: DriverPart, battery: BatteryPart) -> ElectricalInput:
    cells = battery.battery()
    return replace(
        GIVEN,
        source=Coil(
            circuit=circuit(coil, driver, battery),
            wanted_a=coil.spark_current_a,
            thermal=ThermalSet(
                coil=Thermal(
                    (coil.winding_max_c - 40.0) / coil.heat_limit_w,
                    coil.heat_capacity_j_per_k,
                    coil.winding_max_c,
                ),
                driver=Thermal(
                    driver.thermal_k_per_w, driver.heat_capacity_j_per_k, driver.junction_max_c
                ),
            ),
            driver_max_a=driver.max_current_a,
            clamp_v=driver.clamp_v.low,
            clamp_energy_j=driver.clamp_energy_mj.low * 1e-3,
            turns_ratio=coil.turns_ratio.typical,
            secondary_ohm=coil.secondary_ohm.typical,
            secondary_f=coil.secondary_pf.typical * 1e-12,
            on_limit_s=0.1,
        ),
        supply_v=cells.full_v,
        supply_min_v=cells.flat_v,
        supply_max_v=1.1 * cells.full_v,
        plugs_in_series=coil.leads,
        battery=cells,
    )


def test_all_generic_parts_in_all_combinations() -> None:
    parts = load_parts()
    chosen = list(product(parts.coils.values(), parts.drivers.values(), parts.batteries.values()))
    assert len(chosen) > 100
    good = 0
    for coil, driver, battery in chosen:
        report = electrical_report(_from_parts(coil, driver, battery))
        everything = numbers(report)
        assert len(everything) > 50
        assert not any(np.isnan(n).any() for n in everything), (
            coil.name,
            driver.name,
            battery.name,
        )
        assert report.nominal is not None
        assert np.isfinite(report.nominal.energy_j).all()
        assert report.nominal.energy_j.min() > 0.0
        good += report.reach is not None and report.reach.ok
    assert 0 < good < len(chosen)  # some parts fit each other, some do not
