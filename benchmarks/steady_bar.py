"""The steady timing bar up to the greatest speeds, on the emulated chip of each board.

    python benchmarks/steady_bar.py [--board BOARD ...] [--emulator NAME]

One pulse a turn up to 20 000 rpm (AVR at 16 MHz) or 30 000 rpm (32-bit chips), or to the limit that
the board states; a logic-level coil whose dwell of 1.2 ms fits into the 3 ms between pulses, and a
capacitor-discharge unit.  On the ATmega328P at 16 MHz also two pulses a turn, a long magnet, and
the greatest speed at which all checks of the run hold: the speed limit is raised until one fails.
Every engine is the Plover with another pickup, coil and limit.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from _results import Figure, record

from sparktick.gen import toolchain
from sparktick.gen.board import Board, board_names, load_board
from sparktick.gen.design import design
from sparktick.gen.engine import read_engine
from sparktick.gen.errors import DescriptionError, SparktickError
from sparktick.gen.families import FAMILIES
from sparktick.gen.pipeline import Product, write_product
from sparktick.gen.plan import quantise
from sparktick.host_sim import train as motions
from sparktick.host_sim.chip.backends import installed_for
from sparktick.host_sim.emulate import EmulatedResult, chip_facts, emulate
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.simulate import Scenario

ROOT = Path(__file__).parent.parent
SPEEDS = {True: 24, False: 12}  # on the searched board, on the others
PULSES = 100
LEAST_S = 0.3
READY_S = 5e-3
CLEAR_DEG = 2.0
SEARCHED = "nano-328p"
SETTLED = 4  # sparks until charge and lock have settled
FASTEST_RPM = 20000.0
FASTEST_32_BIT_RPM, FAST_HZ = 30000.0, 48000000
NOTE = (
    "Steady speeds on the emulated {mcu} at {mhz:g} MHz, {source}. Lead edge {lead:g} deg BTDC and "
    "arc {arc:g} deg{more}. Logic: coil-on-plug with 1.2 ms of dwell and 0.5 ms off at least; "
    "discharge: trigger of 100 us. Differences to the host bench in ticks, sparks settled."
)
MORE = "; the long magnet 110 and 60; `beyond` is what ends the search for the greatest speed"
STEPS = 5  # halvings of the search for the greatest speed
SEARCH_TO = 2.6  # times the speed that is asked for
SENSOR = "sensor_volts_min = 2.7"  # a sensor that boards of 3.3 V can feed
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


LIMIT_ABOVE = 1.02  # speed limit over the speed that is run
SHORT, LONG = (70.0, 36.0), (110.0, 60.0)  # lead edge BTDC and arc, crank degrees


def cases_of(board: Board) -> list[Case]:
    """Return what a board is put through."""
    asked = asked_rpm(board)
    if board.name == SEARCHED:
        half = 0.5 * asked
        return [
            Case("logic", 1, *SHORT, asked),
            Case("discharge", 1, *SHORT, asked),
            Case("logic", 1, *LONG, asked),
            Case("logic", 2, *SHORT, half),
            Case("discharge", 2, *SHORT, half),
            Case("logic", 2, *LONG, half),
        ]
    magnet = SHORT if accepts(board, Case("logic", 1, *SHORT, asked)) else LONG
    pulses = (1, 2) if board.f_cpu_hz >= FAST_HZ else (1,)
    return [Case(coil, n, *magnet, asked / n) for n in pulses for coil in ("logic", "discharge")]


def asked_rpm(board: Board) -> float:
    """Return the speed that is asked of a board: what its class must reach, or its own limit."""
    wanted = FASTEST_32_BIT_RPM if board.f_cpu_hz >= FAST_HZ else FASTEST_RPM
    return min(wanted, board.most_rpm(1.0) / LIMIT_ABOVE)


def accepts(board: Board, case: Case) -> bool:
    """Whether the generator takes an engine for a board."""
    with tempfile.TemporaryDirectory() as temporary:
        try:
            product_of(case, case.asked_rpm, Path(temporary) / "engine.toml", board.name)
        except DescriptionError:
            return False
    return True


def product_of(case: Case, top_rpm: float, description: Path, board: str) -> Product:
    """Return an engine whose speed limit lies just above ``top_rpm``.

    The description is accepted as far as its ranges go; pulses a turn and limit are set in the
    design, so that the plan's own checks still speak.
    """
    text = (ROOT / "examples" / "plover.toml").read_text(encoding="utf-8")
    coil, rest = text.index("[coil]"), text.index("[driver]")
    text = text[:coil] + "[coil]\n" + COILS[case.coil] + "\n" + text[rest:]
    for old, new in (
        ('kind = "igbt"', 'kind = "logic"'),
        ("lead_edge_deg_btdc = 48.0", f"lead_edge_deg_btdc = {case.lead_deg}\n{SENSOR}"),
        ("arc_deg = 34.0", f"arc_deg = {case.arc_deg}"),
        ("bore_mm = 33.0", "bore_mm = 20.0"),
        ("stroke_mm = 29.0", "stroke_mm = 16.0"),
        ("rod_mm = 58.0", "rod_mm = 30.0"),
        ('name = "nano-328p"', f'name = "{board}"'),
    ):
        text = text.replace(old, new)
    description.write_text(text, encoding="utf-8")
    engine = read_engine(description)
    designed = replace(
        design(engine, load_board(board)),
        limit_rpm=top_rpm * LIMIT_ABOVE,
        resume_rpm=top_rpm * 1.01,
        top_rpm=top_rpm,
        spacing_deg=360.0 / case.pulses_per_turn,
        pulses_per_turn=case.pulses_per_turn,
    )
    return Product(engine, designed, quantise(designed))


def firmware(case: Case, top_rpm: float, folder: Path, board: str = SEARCHED) -> Manifest:
    """Generate and build an engine for a board."""
    product = product_of(case, top_rpm, folder.with_suffix(".toml"), board)
    write_product(product, folder, force=True)
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


def run(manifest: Manifest, rpm: list[float], emulator: str) -> list[EmulatedResult]:
    """Run some speeds on one emulator."""
    scenarios = [scenario(manifest, speed) for speed in rpm]
    return list(emulate(manifest.folder, scenarios, (emulator,)))


def holds(results: list[EmulatedResult]) -> bool:
    """Whether every check of every run holds."""
    return all(check.passed for result in results for check in result.verdict.checks)


def greatest_rpm(case: Case, folder: Path, emulator: str) -> tuple[float, str]:
    """Search between the speed asked for and a multiple of it; say what fails first beyond."""
    good, bad, why = case.asked_rpm, case.asked_rpm * SEARCH_TO, "nothing tried failed"
    for _ in range(STEPS):
        rpm = 0.5 * (good + bad)
        try:
            results = run(firmware(case, rpm, folder), [rpm], emulator)
        except SparktickError as refused:  # the generator may refuse: that is a limit too
            bad, why = rpm, "refused: " + str(refused).split("\n")[0]
            continue
        if holds(results):
            good = rpm
        else:
            failed = [c.name for r in results for c in r.verdict.checks if not c.passed]
            bad, why = rpm, "fails: " + ", ".join(failed)
    return good, why


def busy_percent(result: EmulatedResult) -> float:
    """Return the share of the processor that handlers take; nested ones count once."""
    facts = result.run.facts
    vectors = [name for name in facts if name.endswith("_cycles_mean")]
    counts = [result.run.counters[name.replace("_cycles_mean", "_count")] for name in vectors]
    total = sum(n * facts[name] for n, name in zip(counts, vectors, strict=True))
    return 100.0 * facts.get("busy_cycles", total) / facts["cycles"]


def figures(case: Case, board: Board, folder: Path, emulator: str) -> dict[str, Figure]:
    """Return the figures of one engine on one board."""
    manifest = firmware(case, case.asked_rpm, folder, board.name)
    low = manifest.start.below_rpm * 1.05
    searched = board.name == SEARCHED
    rpm = [float(n) for n in np.geomspace(low, case.asked_rpm, SPEEDS[searched])]
    results = run(manifest, rpm, emulator)
    dwells = [r.dwell_us for r in results]
    errors = [np.abs(r.measurement.error_ticks[SETTLED:]).max(initial=0.0) for r in results]
    facts = chip_facts(manifest, results)[0]
    found: dict[str, Figure] = {
        "asked_rpm": case.asked_rpm,
        "sparks": sum(len(r.measurement.spark_s) for r in results),
        "missed": sum(len(r.measurement.missed) for r in results),
        "stray": sum(len(r.measurement.stray) for r in results),
        "worst_error_deg": max(abs(r.worst.deg) for r in results),
        "worst_error_of_allowed": max(
            abs(r.worst.deg) / r.worst.allowed_deg for r in results if r.worst.allowed_deg
        ),
        "worst_error_us": float(max(errors)) * board.tick_us,
        "dwell_us": manifest.dwell_us,
        "worst_dwell_off_us": max(
            max(abs(value - wanted) for value in (low, high)) for low, high, wanted in dwells
        ),
        "checks_failed": ", ".join(
            f"{check.name} at {n:.0f} rpm"
            for n, r in zip(rpm, results, strict=True)
            for check in r.verdict.checks
            if not check.passed
        )
        or "none",
        "host_differs_ticks": max(r.verdict["host_agrees"].value for r in results),
        "busy_percent_at_the_highest": busy_percent(results[-1]),
        "table_bound_deg": manifest.table_bound_deg,
        "flash_bytes": manifest.raw["sizes"]["flash_bytes"],
        "deepest_stack_bytes": facts.stack_bytes,
        "outputs_safe_us": facts.outputs_safe_s * 1e6,
        **{f"{h.vector}_longest_cycles": h.most for h in facts.handlers},
    }
    if searched:
        greatest, why = greatest_rpm(case, folder, emulator)
        found |= {"greatest_rpm_at_which_all_hold": greatest, "beyond": why}
    return {f"{case.name}_{name}": value for name, value in found.items()}


def bar(board: Board, emulator: str) -> None:
    """Run one board and keep its figures."""
    searched = board.name == SEARCHED
    cases = cases_of(board)
    found: dict[str, Figure] = {
        "speeds": SPEEDS[searched],
        "stated_limit_rpm": board.most_rpm(1.0),
        "capture": FAMILIES[board.family].capture,
    }
    with tempfile.TemporaryDirectory() as temporary:
        for case in cases:
            found |= figures(case, board, Path(temporary) / case.name, emulator)
    note = NOTE.format(
        mcu=board.mcu,
        mhz=board.f_cpu_hz / 1e6,
        source=emulator,
        lead=cases[0].lead_deg,
        arc=cases[0].arc_deg,
        more=MORE if searched else "",
    )
    record(f"steady_bar {board.name}", found, note)
    print(board.name, found)


def main() -> None:
    """Run the boards asked for, or all that an installed emulator knows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--board", action="append", choices=board_names())
    parser.add_argument("--emulator", help="not the one that is preferred for the chip")
    options = parser.parse_args()
    for name in options.board or board_names():
        board = load_board(name)
        try:
            emulator = options.emulator or installed_for(board.mcu)
        except SparktickError as none:
            if options.board:
                raise
            print(name, "left out:", none)
            continue
        bar(board, emulator)


if __name__ == "__main__":
    main()
