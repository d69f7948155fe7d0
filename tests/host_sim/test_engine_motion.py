"""If this fails, the crank does not move as its torque says: no closed loop is to be believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sparktick.gen.burn import HALF_BURNT_Y, wiebe
from sparktick.gen.errors import RunError, SparktickError
from sparktick.gen.slider_crank import (
    ATMOSPHERE_PA,
    COMPRESSION_N,
    Cylinder,
    compression_work_j,
    travel_per_radian_m,
    volume_m3,
)
from sparktick.host_sim.engine_model import EngineModel, Tables, model_of, speed_irregularity
from sparktick.host_sim.engine_motion import Crank, Phase, Pull

from .engines import described, frictionless, model

RPM = np.pi / 30.0


@pytest.mark.parametrize("rpm", [600.0, 1200.0, 8000.0])
def test_a_frictionless_unfired_crank_keeps_its_energy(rpm: float) -> None:
    crank = Crank(frictionless(), angle_deg=-360.0, rpm=rpm)
    before = crank.energies()
    motion = crank.run(60.0 / rpm * 200.0)
    whole = np.abs(motion.angle_deg % 720.0 - 360.0) < 1e-6  # open to the air: kinetic only
    speed = motion.speed_deg_s[whole]
    assert len(speed) > 80
    np.testing.assert_allclose(speed, rpm * 6.0, rtol=1e-9)
    assert before.kinetic_j == pytest.approx(0.5 * 2.5e-3 * (rpm * RPM) ** 2, rel=1e-6)


def test_a_crank_that_cannot_carry_over_swings_for_ever() -> None:
    crank = Crank(frictionless(), angle_deg=-250.0, rpm=300.0)
    motion = crank.run(20.0)
    assert crank.state.reversals > 10
    assert motion.angle_deg.max() < 0.0
    free = (motion.angle_deg > -400.0) & (motion.angle_deg < -320.0)  # open, far from both stops
    speed = np.abs(motion.speed_deg_s[free]) / 6.0
    assert np.any(motion.speed_deg_s[free] < 0.0)
    assert np.any(motion.speed_deg_s[free] > 0.0)
    np.testing.assert_allclose(speed, speed[0], rtol=2e-2)  # its pistons' own inertia varies
    at_top = np.abs(motion.angle_deg + 360.0) < 0.5
    np.testing.assert_allclose(np.abs(motion.speed_deg_s[at_top]) / 6.0, 300.0, rtol=1e-2)


@pytest.mark.parametrize("name", ["plover", "teal", "avocet"])
def test_energies_add_up(name: str) -> None:
    phases = [Phase(0.0, 900.0, (0.02, 1e-4, 1e-7))]
    pulls = [Pull(0.0, 3.0, 900.0, 400.0)]
    crank = Crank(model(name), phases, pulls, angle_deg=-300.0, spark_deg_btdc=8.0)
    for until_s in (0.2, 0.7, 2.0):
        crank.run(until_s)
        e = crank.energies()
        assert e.starter_j > 0.5
        given = e.gas_j + e.starter_j
        assert given - e.friction_j - e.load_j == pytest.approx(e.kinetic_j, abs=1e-5 * given)


def test_first_law_of_a_closed_cylinder() -> None:
    # work on the crank = heat - rise of internal energy (with the air's push), from closing on
    crank = Crank(frictionless(), angle_deg=-135.0, rpm=1500.0, spark_deg_btdc=15.0)
    before = crank.energies()
    crank.run(0.02)
    after = crank.energies()
    assert after.heat_j > 5.0
    inside = after.trapped_j - before.trapped_j
    assert after.gas_j == pytest.approx(after.heat_j - inside, rel=1e-9)


def halved(motion_of_cell: object, at_s: np.ndarray) -> float:
    coarse, fine = (motion_of_cell(cell).angle_at(at_s) for cell in (1.0, 0.5))  # type: ignore[operator]
    return float(np.abs(coarse - fine).max())


@pytest.mark.parametrize(
    ("name", "throttle_rpm", "rpm", "turns"),
    [
        ("plover", 342.0, 1100.0, 8),
        ("plover", np.inf, 8000.0, 8),
        ("teal", 900.0, 2200.0, 4),
        ("avocet", 1500.0, 2000.0, 6),
    ],
)
def test_halving_the_step_hardly_moves_the_crank(
    name: str, throttle_rpm: float, rpm: float, turns: int
) -> None:
    def motion(cell_deg: float) -> object:
        crank = Crank(
            model(name),
            [Phase(0.0, throttle_rpm)],
            angle_deg=-180.0,
            rpm=rpm,
            spark_deg_btdc=13.3,
            cell_deg=cell_deg,
        )
        return crank.run(60.0 / rpm * (turns + 1))

    assert halved(motion, np.linspace(0.0, 60.0 / rpm * turns, 200)) < 0.01


def by_ode(engine: EngineModel, rpm: float, spark_deg: float, at_s: np.ndarray) -> np.ndarray:
    """Crank angle from closing on, by SciPy's solver of the equations themselves."""
    cylinder, n = engine.cylinder, engine.n
    area = cylinder.piston_area_m2
    k0 = ATMOSPHERE_PA * float(volume_m3(cylinder, 135.0)) ** n

    def lever(t: float) -> float:
        return float(travel_per_radian_m(cylinder, np.degrees(t)))

    def inertia(t: float) -> float:
        return engine.inertia_kg_m2 + engine.reciprocating_kg * lever(t) ** 2

    def burnt(time_s: float, spark: tuple[float, float] | None) -> float:
        if spark is None:
            return 0.0
        return float(wiebe(min(max((time_s - spark[0]) / spark[1], 0.0), 1.0)))

    def slope(time_s: float, y: np.ndarray, spark: tuple[float, float] | None) -> list[float]:
        t, w, k = y
        v = float(volume_m3(cylinder, np.degrees(t)))
        torque = (k * v**-n - ATMOSPHERE_PA) * area * lever(t) - float(engine.friction_nm(w))
        rise = (burnt(time_s + 1e-8, spark) - burnt(time_s - 1e-8, spark)) / 2e-8
        d = 1e-5
        moving = 0.5 * (inertia(t + d) - inertia(t - d)) / (2 * d) * w * w
        heat = rise * engine.charge_j * (n - 1.0) * v ** (n - 1.0)
        return [w, (torque - moving) / inertia(t), heat]

    def reach(t: float, y: np.ndarray, *args: object) -> float:
        return float(y[0] + np.radians(spark_deg))

    reach.terminal = True  # type: ignore[attr-defined]
    options = {"rtol": 1e-9, "atol": 1e-11, "max_step": 2e-4}
    start = [np.radians(-135.0), rpm * RPM, k0]
    span = (0.0, float(at_s[-1]))
    first = solve_ivp(slope, span, start, args=(None,), events=reach, dense_output=True, **options)
    spark_s = float(first.t[-1])
    spark_rpm = float(first.y[1, -1]) / RPM
    half = float(engine.half_deg_at_1000[-1]) * np.cbrt(spark_rpm / 1000.0)
    spark = (spark_s, half / HALF_BURNT_Y / (6.0 * spark_rpm))
    second = solve_ivp(
        slope, (spark_s, span[1]), first.y[:, -1], args=(spark,), dense_output=True, **options
    )
    early = at_s < spark_s
    angle = np.where(early, first.sol(at_s)[0], second.sol(np.maximum(at_s, spark_s))[0])
    return np.asarray(np.degrees(angle))


@pytest.mark.parametrize(("rpm", "spark_deg"), [(1100.0, 9.0), (1100.0, 25.4), (5000.0, 28.0)])
def test_motion_agrees_with_an_ode_solver(rpm: float, spark_deg: float) -> None:
    engine = model()
    at_s = np.linspace(0.0, 240.0 / 6.0 / rpm, 60)
    crank = Crank(engine, angle_deg=-135.0, rpm=rpm, spark_deg_btdc=spark_deg)
    motion = crank.run(float(at_s[-1]))
    np.testing.assert_allclose(
        motion.angle_at(at_s), by_ode(engine, rpm, spark_deg, at_s), atol=5e-3
    )


def test_a_motored_turn_gives_the_closed_form_work() -> None:
    # slowing from closing to dead centre against slider_crank's integral of (p - p_air) dV
    engine = frictionless(reciprocating_kg=0.0)
    crank = Crank(engine, angle_deg=-135.0, rpm=900.0)
    motion = crank.run(0.05)
    top = float(motion.speed_at(motion.time_at(np.array([0.0])))[0]) / 6.0
    lost = 0.5 * engine.inertia_kg_m2 * ((900.0 * RPM) ** 2 - (top * RPM) ** 2)
    work = float(compression_work_j(engine.cylinder, -135.0, 0.0, n=COMPRESSION_N))
    assert lost == pytest.approx(work, rel=1e-6)


def test_irregularity_is_the_energy_swing_over_the_flywheel() -> None:
    engine = frictionless(inertia_kg_m2=0.05, reciprocating_kg=0.0)
    crank = Crank(engine, angle_deg=-360.0, rpm=1500.0)
    motion = crank.run(0.4)
    speed = motion.speed_deg_s[-2000:] / 6.0
    found = float((speed.max() - speed.min()) / speed.mean())
    work = float(compression_work_j(engine.cylinder, -135.0, 0.0, n=COMPRESSION_N))
    assert found == pytest.approx(speed_irregularity(work, 0.05, 1500.0 * RPM), rel=0.01)


@pytest.mark.needs_system("cantera", "pip install cantera==3.2.0", module="cantera")
def test_gas_and_burn_agree_with_cantera() -> None:
    # argon has a constant heat capacity (5/3), so Cantera's reactor and p V^n are the same physics
    import cantera

    n, rpm, spark_deg = 5.0 / 3.0, 3000.0, 20.0
    engine = frictionless(n=n, inertia_kg_m2=50.0, charge_j=20.0)
    gas = cantera.Solution("air.yaml")
    gas.TPX = 300.0, ATMOSPHERE_PA, "AR:1"
    w = rpm * RPM
    burn_s = float(engine.half_deg_at_1000[-1]) * np.cbrt(rpm / 1000.0) / HALF_BURNT_Y / 6 / rpm
    spark_s = (135.0 - spark_deg) / 6.0 / rpm
    reactor = cantera.IdealGasReactor(gas, clone=False)
    reactor.volume = float(volume_m3(engine.cylinder, -135.0))
    outside = cantera.Reservoir(gas, clone=False)

    def piston(t: float) -> float:
        deg = -135.0 + np.degrees(w * t)
        return engine.cylinder.piston_area_m2 * w * float(travel_per_radian_m(engine.cylinder, deg))

    def heat(t: float) -> float:
        at = (t - spark_s) / burn_s
        return (
            -20.0 * float(wiebe(min(at + 1e-6, 1.0)) - wiebe(min(at - 1e-6, 1.0))) / 2e-6 / burn_s
        )

    cantera.Wall(reactor, outside, A=1.0, velocity=piston, Q=heat)
    net = cantera.ReactorNet([reactor])
    net.rtol, net.max_time_step = 1e-10, 2e-5
    net.advance(180.0 / 6.0 / rpm)  # 45 deg after dead centre

    crank = Crank(engine, angle_deg=-135.0, rpm=rpm, spark_deg_btdc=spark_deg)
    crank.run(180.0 / 6.0 / rpm)
    v = float(volume_m3(engine.cylinder, float(crank._lib.engine_angle_deg(crank.state))))
    pressure = crank.state.cyl[0].k * v**-n
    assert pressure == pytest.approx(reactor.phase.P, rel=2e-3)


@pytest.mark.needs_system("CoolProp", "pip install coolprop==8.0.0", module="CoolProp")
def test_compression_work_brackets_real_air() -> None:
    # isentropic work of real air, ratio 7.5 from 300 K (CoolProp); a polytrope with heat loss asks
    # for less, the worst case of the slowing allowance (1.40) for more
    from CoolProp.CoolProp import PropsSI

    cylinder = Cylinder(0.033, 0.029, 0.058, 7.5)
    v0 = float(volume_m3(cylinder, 180.0))
    density = PropsSI("D", "T", 300.0, "P", ATMOSPHERE_PA, "Air")
    entropy = PropsSI("S", "T", 300.0, "P", ATMOSPHERE_PA, "Air")
    before = PropsSI("U", "T", 300.0, "P", ATMOSPHERE_PA, "Air")
    after = PropsSI("U", "D", density * 7.5, "S", entropy, "Air")
    real = density * v0 * (after - before) - ATMOSPHERE_PA * cylinder.swept_m3
    low, high = (float(compression_work_j(cylinder, -180.0, 0.0, n=n)) for n in (1.32, 1.40))
    assert low < real < high
    assert high == pytest.approx(real, rel=0.05)


def test_sparks_turn_it_forwards_and_early_sparks_backwards() -> None:
    pull = [Pull(0.0, 6.0, 400.0, 330.0)]
    late = Crank(model(), pulls=pull, angle_deg=-330.0, spark_deg_btdc=2.0)
    late.run(1.5)
    assert late.state.kick_backs == 0
    assert late.state.w > 700.0 * RPM
    early = Crank(model(), pulls=pull, angle_deg=-330.0, spark_deg_btdc=40.0)
    early.run(1.5)
    assert early.state.kick_backs > 0


def test_no_spark_no_fire_and_it_comes_to_rest() -> None:
    crank = Crank(model(), angle_deg=-330.0, rpm=900.0)
    motion = crank.run(10.0)
    assert crank.energies().heat_j == 0.0
    assert motion.speed_deg_s[-1] == 0.0
    assert crank.state.reversals >= 1


def test_where_the_count_of_turns_begins_does_not_matter() -> None:
    def angles(first_deg: float) -> np.ndarray:
        crank = Crank(model(), angle_deg=first_deg - 180.0, rpm=1100.0, spark_deg_btdc=9.0)
        return crank.run(0.5).angle_at(np.linspace(0.0, 0.5, 100)) - first_deg

    np.testing.assert_allclose(angles(0.0), angles(720.0 * 50_000), atol=1e-5)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"inertia_kg_m2": 0.0}, "flywheel_inertia_kg_m2"),
        ({"cylinder": Cylinder(0.033, 0.029, 0.014, 7.5)}, "rod_mm"),
        ({"cylinder": Cylinder(0.033, 0.029, 0.058, 1.0)}, "compression_ratio"),
        ({"exhaust_opens_deg_atdc": 60.0}, "compression_begins_deg_btdc"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_impossible_engines_are_refused(change: dict[str, object], key: str) -> None:
    with pytest.raises(SparktickError, match=key):
        replace(model(), **change)  # type: ignore[arg-type]


def test_a_solution_that_is_no_number_says_where() -> None:
    crank = Crank(model(), [Phase(0.0, np.inf, (0.0, 0.0, np.nan))], rpm=1000.0)
    with pytest.raises(RunError, match=r"no solution from turn .* on: angle .* kinetic energy"):
        crank.run(0.1)


def test_cells_divide_a_degree() -> None:
    with pytest.raises(SparktickError, match="cell_deg"):
        Tables(model(), 0.7)


def test_description_decides_the_model() -> None:
    found = model_of(described("teal"))
    assert found.strokes == 2
    assert found.phases_deg == (0.0, 0.0)
    assert found.exhaust_opens_deg_atdc == 105.0
    assert found.inertia_kg_m2 == pytest.approx(1.4e-3)
