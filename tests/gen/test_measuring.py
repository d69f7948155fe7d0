"""If this fails, a coil measured as we tell people to is described wrongly."""

from __future__ import annotations

import json
import math
import re
import tomllib

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from sparktick.gen.cli import cli
from sparktick.gen.coil import PrimaryCircuit
from sparktick.gen.errors import SparktickError
from sparktick.gen.measuring import (
    Measured,
    from_ac,
    from_divider,
    from_meter,
    from_ramp,
    from_step,
    from_turns,
    resistance_at_20_c,
    toml_lines,
)
from sparktick.gen.measuring_how import HOW, how_text

OHMS = st.floats(0.3, 6.0)
HENRIES = st.floats(0.5e-3, 15e-3)


@given(OHMS, st.floats(0.0, 0.5), st.floats(-10.0, 60.0))
def test_meter_gives_the_winding_back(ohm: float, leads: float, winding_c: float) -> None:
    hot = float(PrimaryCircuit(ohm, 5e-3, 12.0, coil_c=winding_c).hot_coil_ohm)
    found = from_meter(hot + leads, leads, winding_c=winding_c)
    assert found.values["primary_ohm"] == pytest.approx(ohm)


def test_copper_against_the_printed_factor() -> None:
    # 20 to 80 C is a factor of 1.2358 (recomputed from 0.00393 /K, read in a meter's manual)
    assert resistance_at_20_c(1.2358, 80.0) == pytest.approx(1.0, rel=1e-4)


@given(OHMS, st.floats(3.0, 25.0), st.floats(0.0, 0.5), st.floats(4.0, 14.0))
def test_divider_needs_neither_supply_nor_contacts(
    ohm: float, known: float, contacts: float, volts: float
) -> None:
    current = volts / (ohm + known + contacts)
    found = from_divider(known, current * known, current * ohm)
    assert found.values["primary_ohm"] == pytest.approx(ohm)


@given(OHMS, HENRIES, st.floats(1.0, 20.0))
def test_step_gives_the_inductance_back(ohm: float, henry: float, known: float) -> None:
    circuit = PrimaryCircuit(ohm, henry, 12.0, ballast_ohm=known)
    time_s = float(circuit.dwell_for_current_s((1 - math.exp(-1)) * circuit.steady_a))
    found = from_step(ohm + known, time_s)
    assert found.values["primary_mh"] == pytest.approx(henry * 1e3)


@given(OHMS, HENRIES, st.floats(0.1, 0.8), st.integers(2, 6))
def test_ramp_gives_the_inductance_back(ohm: float, henry: float, part: float, count: int) -> None:
    circuit = PrimaryCircuit(ohm, henry, 12.0, driver_drop_v=1.2, wiring_ohm=0.1)
    time_s = np.linspace(0.05, part, count) * henry / ohm
    points = list(zip(time_s, circuit.current_a(time_s), strict=True))
    found = from_ramp(10.8, ohm + 0.1, points)
    assert found.values["primary_mh"] == pytest.approx(henry * 1e3)
    assert "saturation_a" not in found.values


def test_ramp_without_resistance_is_a_straight_line() -> None:
    found = from_ramp(12.0, 0.0, [(0.0, 0.0), (1e-3, 3.0)])
    assert found.values["primary_mh"] == pytest.approx(4.0)  # 12 V 1 ms / 3 A


def test_ramp_of_a_saturating_coil() -> None:
    circuit = PrimaryCircuit(0.7, 4.2e-3, 12.0, saturation_a=6.0)
    time_s = np.linspace(0.3e-3, 4e-3, 13)
    points = list(zip(time_s, circuit.current_a(time_s), strict=True))
    found = from_ramp(12.0, 0.7, points)
    assert found.values["primary_mh"] == pytest.approx(4.2, rel=0.01)
    assert found.values["saturation_a"] == pytest.approx(6.0, rel=0.02)
    early = from_ramp(12.0, 0.7, points[:4])
    assert "saturation_a" not in early.values
    assert not early.doubts
    later = from_ramp(12.0, 0.7, points[:7])
    assert any("saturate" in doubt for doubt in later.doubts)


@given(OHMS, HENRIES, st.floats(3.0, 25.0), st.sampled_from([50.0, 60.0]))
def test_three_voltmeters_give_the_inductance_back(
    ohm: float, henry: float, known: float, hertz: float
) -> None:
    coil = complex(ohm, 2 * math.pi * hertz * henry)
    current = 6.0 / abs(coil + known)
    found = from_ac(known, current * known, current * abs(coil), 6.0, hertz)
    assert found.values["primary_mh"] == pytest.approx(henry * 1e3, rel=1e-6)


def test_three_voltmeters_against_an_ode_solver() -> None:
    ohm, henry, known, hertz = 1.6, 4.2e-3, 10.0, 50.0
    omega = 2 * math.pi * hertz

    def slope(t: float, i: np.ndarray) -> np.ndarray:
        return (8.0 * np.sin(omega * t) - (ohm + known) * i) / henry

    t = np.linspace(0.2, 0.24, 4001)  # two periods, long after the beginning
    i = solve_ivp(slope, (0.0, 0.24), [0.0], t_eval=t, rtol=1e-9, atol=1e-12).y[0]
    rms = {
        "known": np.sqrt(np.mean((i[:-1] * known) ** 2)),
        "coil": np.sqrt(np.mean((8.0 * np.sin(omega * t) - i * known)[:-1] ** 2)),
        "both": 8.0 / math.sqrt(2.0),
    }
    found = from_ac(known, rms["known"], rms["coil"], rms["both"], hertz)
    assert found.values["primary_mh"] == pytest.approx(4.2, rel=1e-4)


def test_turns() -> None:
    assert from_turns(1.02, 88.0).values["turns_ratio"] == pytest.approx(86.27, abs=0.01)


@pytest.mark.parametrize(
    ("found", "says"),
    [
        (from_meter(0.25, 0.2), "shorted turns"),
        (from_meter(8000.0, 0.2), "is a secondary"),
        (from_meter(9.0, 0.2), "24 V coil"),
        (from_meter(0.5, 0.3), "the leads are half"),
        (from_meter(0.7, 0.2), "one digit of the meter is 20 %"),
        (from_divider(10.0, 10.0, 0.01), "mV across the coil"),
        (from_divider(1.0, 8.0, 9.0), "warms coil"),
        (from_step(10.0, 0.01e-3), "hard to read"),
        (from_step(10.0, 0.03e-3), "capacitor discharge"),
        (from_step(10.0, 5e-3), "was it the secondary"),
        (from_ramp(12.0, 0.0, [(0.0, 0.0), (1e-3, 3.0), (3e-3, 5.0)]), "which no coil does"),
        (from_ac(10.0, 5.0, 1.0, 5.98, 50.0), "nearly all resistance"),
        (from_ac(10.0, 5.0, 3.0, 4.5, 50.0), "give power back"),
        (from_ac(10.0, 5.0, 3.0, 7.0, 400.0), "eddy currents"),
        (from_turns(1.0, 20.0), "unusual"),
    ],
)
def test_odd_readings_are_doubted_with_a_reason(found: Measured, says: str) -> None:
    assert any(says in doubt for doubt in found.doubts), found.doubts


@pytest.mark.parametrize(
    ("ways", "found"),
    [
        ("meter", from_meter(1.9, 0.2)),
        ("divider", from_divider(10.0, 9.7, 1.6)),
        ("step", from_step(11.7, 0.36e-3)),
        ("ac", from_ac(10.0, 5.0, 1.1, 5.6, 50.0)),
        ("turns", from_turns(1.0, 85.0)),
    ],
)
def test_ordinary_readings_are_not_doubted(ways: str, found: Measured) -> None:
    assert not found.doubts, ways


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_readings_that_cannot_be_are_refused(bad: float) -> None:
    for call in (
        lambda: from_meter(bad, 0.1),
        lambda: from_meter(1.0, -0.1 if bad == 0.0 else bad),
        lambda: from_meter(2.0, 0.1, digit_ohm=bad),
        lambda: from_divider(bad, 1.0, 1.0),
        lambda: from_divider(1.0, bad, 1.0),
        lambda: from_divider(1.0, 1.0, bad),
        lambda: from_step(bad, 1e-3),
        lambda: from_step(10.0, bad),
        lambda: from_ramp(bad, 1.0, [(0.0, 0.0), (1e-3, 1.0)]),
        lambda: from_ramp(12.0, 1.0, [(0.0, 0.0), (bad, bad)]),
        lambda: from_ac(10.0, 1.0, 1.0, 1.0, bad),
        lambda: from_ac(10.0, 1.0, 1.0, bad, 50.0),
        lambda: from_turns(bad, 80.0),
        lambda: from_turns(1.0, bad),
    ):
        with pytest.raises(SparktickError):
            call()


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([(0.0, 0.0)], "two points"),
        ([(0.0, 0.0), (1e-3, 0.0)], "must both rise"),
        ([(1e-3, 1.0), (0.5e-3, 2.0)], "must both rise"),
        ([(0.0, 0.0), (1e-3, 9.0)], "no more than 8 A"),
    ],
)
def test_impossible_ramps(points: list[tuple[float, float]], says: str) -> None:
    with pytest.raises(SparktickError, match=says):
        from_ramp(12.0, 1.5, points)


def test_lines_can_be_pasted() -> None:
    data = tomllib.loads("\n".join(toml_lines(from_meter(1.9, 0.2, winding_c=25.0))))
    assert data["coil"]["primary_ohm"] == pytest.approx(1.667)


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, ["measure", *args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.parametrize("way", list(HOW))
def test_every_way_tells_how_and_names_its_options(way: str) -> None:
    code, out, _ = run(way, "--how")
    assert code == 0
    assert out == how_text(way)
    known = run(way, "--help")[1]
    named = set(re.findall(r"--[a-z0-9-]+", HOW[way]))
    assert named
    assert all(option in known for option in named), named
    assert all(len(line) <= 100 for line in out.splitlines())
    assert ("Caution" in out) == (way in ("divider", "step", "ramp"))


def test_command_prints_lines_and_doubts() -> None:
    code, out, err = run("ohm", "--reading-ohm", "0.5", "--leads-ohm", "0.3")
    assert code == 0
    assert tomllib.loads(out)["coil"]["primary_ohm"] == pytest.approx(0.2)
    assert err.startswith("Doubtful: the leads are half")


def test_command_document() -> None:
    readings = ("--point", "0.3", "0.71", "--point", "0.6", "1.3")
    code, out, _ = run("ramp", "--volts", "11", "--ohm", "1.9", *readings, "--json")
    document = json.loads(out)
    assert code == 0
    assert document["way"] == "ramp"
    assert document["coil"]["primary_mh"] == pytest.approx(4.616, abs=0.01)


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("ohm", "--reading-ohm", "1", "--leads-ohm", "2"), "not below the reading"),
        (("ohm", "--reading-ohm", "x", "--leads-ohm", "2"), "not a valid float"),
        (("ohm", "--leads-ohm", "2"), "Missing option"),
        (
            ("ac", "--known-ohm", "10", "--known-v", "1", "--coil-v", "1", "--both-v", "3"),
            "triangle",
        ),
    ],
)
def test_bad_readings_end_with_2(args: tuple[str, ...], says: str) -> None:
    code, out, err = run(*args)
    assert (code, out) == (2, "")
    assert says in err
