"""The steady timing bar up to the greatest speeds, on the emulated 16 MHz ATmega328P.

    python benchmarks/steady_bar.py

One pulse a turn up to 20 000 rpm, two up to 10 000 rpm, each with a logic-level coil whose dwell of
1.2 ms fits into the 3 ms between pulses, and with a capacitor-discharge unit.  Beyond, the speed
limit is raised until a check of the run fails: the greatest speed at which all hold is stated.
Every engine is the Plover with another pickup, coil and limit.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from _results import Figure, record

from sparktick.gen import toolchain
from sparktick.gen.board import load_board
from sparktick.gen.design import design
from sparktick.gen.engine import read_engine
from sparktick.gen.pipeline import Product, write_product
from sparktick.gen.plan import quantise
from sparktick.host_sim import train as motions
from sparktick.host_sim.emulate import EmulatedResult, emulate
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.simulate import Scenario

ROOT = Path(__file__).parent.parent
SPEEDS = 24
PULSES = 100
LEAST_S = 0.3
READY_S = 5e-3
CLEAR_DEG = 2.0
NOTE = (
    "Steady speeds on the emulated ATmega328P at 16 MHz, simavr. Lead edge 70 deg BTDC and arc 36 "
    "deg; the long magnet 110 and 60. Logic: coil-on-plug with 1.2 ms of dwell and 0.5 ms off at "
    "least; discharge: trigger of 100 us. `beyond` is what ends the search for the greatest speed."
)
SENSOR_V = 4.5  # what the example's sensor needs
STEPS = 5  # halvings of the search for the greatest speed
SEARCH_TO = 2.6  # times the speed that is asked for
COILS = {
    "logic": (
        'kind = "logic"\ndwell_ms = 1.2\nmax_on_ms = 8\nspark_current_a = 6\nmin_off_ms = 0.5\n'
    ),
    "discharge": 'kind = "capacitor-discharge"\ntrigger_us = 100\nrecharge_ms = 1.5\n',
}


@dataclass(frozen=True)
class Case:
    """One engine: coil, pulses a turn, magnet in crank degrees, and the speed asked for."""

    coil: str
    pulses_per_turn: int
    lead_deg: float
    arc_deg: float
    asked_rpm: float

    @property
    def name(self) -> str:
        """Name in the table of figures."""
        magnet = "" if self.arc_deg == SHORT[1] else "_long_magnet"
        return f"{self.coil}_{self.pulses_per_turn}_a_turn{magnet}"


SHORT, LONG = (70.0, 36.0), (110.0, 60.0)  # lead edge BTDC and arc, crank degrees
CASES = [
    Case("logic", 1, *SHORT, 20000.0),
    Case("discharge", 1, *SHORT, 20000.0),
    Case("logic", 1, *LONG, 20000.0),
    Case("logic", 2, *SHORT, 10000.0),
    Case("discharge", 2, *SHORT, 10000.0),
    Case("logic", 2, *LONG, 10000.0),
]


def firmware(case: Case, top_rpm: float, folder: Path, board: str = "nano-328p") -> Manifest:
    """Generate and build an engine whose speed limit lies just above ``top_rpm``.

    The description is accepted as far as its ranges go; pulses a turn and limit are set in the
    design, so that the plan's own checks still speak.
    """
    text = (ROOT / "examples" / "plover.toml").read_text(encoding="utf-8")
    coil, rest = text.index("[coil]"), text.index("[driver]")
    text = text[:coil] + "[coil]\n" + COILS[case.coil] + "\n" + text[rest:]
    for old, new in (
        ('kind = "igbt"', 'kind = "logic"'),
        ("lead_edge_deg_btdc = 48.0", f"lead_edge_deg_btdc = {case.lead_deg}"),
        ("arc_deg = 34.0", f"arc_deg = {case.arc_deg}"),
        ("bore_mm = 33.0", "bore_mm = 20.0"),
        ("stroke_mm = 29.0", "stroke_mm = 16.0"),
        ("rod_mm = 58.0", "rod_mm = 30.0"),
    ):
        text = text.replace(old, new)
    text = text.replace('name = "nano-328p"', f'name = "{board}"')
    if load_board(board).volts < SENSOR_V:
        text = text.replace('active = "low"', 'active = "low"\nsensor_supply = "battery"')
    description = folder.with_suffix(".toml")
    description.write_text(text, encoding="utf-8")
    engine = read_engine(description)
    spacing = 360.0 / case.pulses_per_turn
    designed = replace(
        design(engine, load_board(board)),
        limit_rpm=top_rpm * 1.02,
        resume_rpm=top_rpm * 1.01,
        top_rpm=top_rpm,
        spacing_deg=spacing,
        pulses_per_turn=case.pulses_per_turn,
    )
    write_product(Product(engine, designed, quantise(designed)), folder, force=True)
    toolchain.build(folder)
    return read_manifest(folder)


def scenario(manifest: Manifest, rpm: float) -> Scenario:
    """Return a run at one speed; the crank rests behind the magnet while the chip starts."""
    geometry = manifest.geometry
    turned = geometry.spacing_deg - geometry.arc_deg - CLEAR_DEG
    at_deg = -geometry.lead_edge_deg_btdc - turned
    motion = motions.profile([0.0, READY_S, READY_S + 1e-7], [0.0, 0.0, rpm], angle_deg=at_deg)
    end_s = READY_S + max(PULSES * geometry.spacing_deg / (6.0 * rpm), LEAST_S)
    return Scenario(f"steady-{rpm:.0f}", f"steady {rpm:.0f} rpm", motion, end_s)


def run(manifest: Manifest, rpm: list[float], emulator: str = "simavr") -> list[EmulatedResult]:
    """Run some speeds on one emulator."""
    scenarios = [scenario(manifest, speed) for speed in rpm]
    return list(emulate(manifest.folder, scenarios, (emulator,)))


def holds(results: list[EmulatedResult]) -> bool:
    """Whether every check of every run holds."""
    return all(check.passed for result in results for check in result.verdict.checks)


def greatest_rpm(case: Case, folder: Path) -> tuple[float, str]:
    """Search between the speed asked for and a multiple of it; say what fails first beyond."""
    good, bad, why = case.asked_rpm, case.asked_rpm * SEARCH_TO, "nothing tried failed"
    for _ in range(STEPS):
        rpm = 0.5 * (good + bad)
        try:
            results = run(firmware(case, rpm, folder), [rpm])
        except Exception as refused:  # the generator may refuse: that is a limit too
            bad, why = rpm, "refused: " + str(refused).split("\n")[0]
            continue
        if holds(results):
            good = rpm
        else:
            failed = [c.name for r in results for c in r.verdict.checks if not c.passed]
            bad, why = rpm, "fails: " + ", ".join(failed)
    return good, why


def figures(case: Case, folder: Path) -> dict[str, Figure]:
    """Return the figures of one engine."""
    manifest = firmware(case, case.asked_rpm, folder)
    low = manifest.start.below_rpm * 1.05
    rpm = [float(speed) for speed in np.geomspace(low, case.asked_rpm, SPEEDS)]
    results = run(manifest, rpm)
    dwells = [r.dwell_us for r in results]
    greatest, why = greatest_rpm(case, folder)
    name = case.name
    return {
        f"{name}_asked_rpm": case.asked_rpm,
        f"{name}_sparks": sum(len(r.measurement.spark_s) for r in results),
        f"{name}_missed": sum(len(r.measurement.missed) for r in results),
        f"{name}_stray": sum(len(r.measurement.stray) for r in results),
        f"{name}_worst_error_deg": max(abs(r.worst.deg) for r in results),
        f"{name}_worst_error_of_allowed": max(
            abs(r.worst.deg) / r.worst.allowed_deg for r in results if r.worst.allowed_deg
        ),
        f"{name}_dwell_us": manifest.dwell_us,
        f"{name}_worst_dwell_off_us": max(
            max(abs(value - wanted) for value in (low, high)) for low, high, wanted in dwells
        ),
        f"{name}_checks_failed": sum(not c.passed for r in results for c in r.verdict.checks),
        f"{name}_table_bound_deg": manifest.table_bound_deg,
        f"{name}_greatest_rpm_at_which_all_hold": greatest,
        f"{name}_beyond": why,
    }


def main() -> None:
    """Run all and keep the figures."""
    found: dict[str, Figure] = {"speeds": SPEEDS}
    with tempfile.TemporaryDirectory() as temporary:
        for case in CASES:
            found |= figures(case, Path(temporary) / case.name)
    record("steady_bar", found, NOTE)


if __name__ == "__main__":
    main()
