"""Everything the page shows, gathered into one frozen value; nothing here draws or words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sparktick.gen.board import Board, load_board
from sparktick.gen.circuit import Circuit, circuit_of
from sparktick.gen.design import Design
from sparktick.gen.electrical_of import Electrical, electrical_of
from sparktick.gen.engine import AssumedValue, Engine, assumed_values
from sparktick.gen.errors import FolderError, SparktickError, ToolError
from sparktick.gen.pipeline import Product
from sparktick.gen.plan import Plan
from sparktick.gen.start_warnings import all_warnings

from ..chip import EMULATORS
from ..chip.backends import backends_of
from ..emulate import ChipFacts, EmulatedResult, chip_facts, chip_scenarios
from ..emulate import run_scenario as run_on_chip
from ..manifest import Manifest, read_manifest
from ..measure import RULE_START, Measurement
from ..simulate import (
    NoiseLevel,
    Scenario,
    ScenarioResult,
    run_scenario,
    standard_scenarios,
    steady_scenario,
    steady_speeds,
)
from .delays import Delay, delays_of
from .motion import MotionPart, motion_part
from .start import Slowed, slowed_sparks
from .turn import Turn, turn_of
from .watched import Watched

SWEEP_SPEEDS, SWEEP_PULSES = 48, 400
START_SPEEDS, START_PULSES = 14, 40
CHIP_SPEEDS, CHIP_PULSES = 10, 20
BELOW_FLOOR = (0.6, 0.8, 0.95)  # of the floor's speed
TURN_PULSES = 40
SETTLED = 5  # pulses after which lock is settled

Step = Callable[[str], None]


@dataclass(frozen=True)
class Description:
    """The engine description and what was computed from it."""

    file: str
    engine: Engine
    design: Design
    plan: Plan
    electrical: Electrical
    circuit: Circuit
    assumed: tuple[AssumedValue, ...]
    odd: tuple[str, ...]


@dataclass(frozen=True)
class SpeedPoint:
    """One steady speed, summed up; angles in degrees BTDC, errors positive early.

    ``settled``: figures from the fifth pulse on; dwell is nan where there is no such spark.
    """

    rpm: float
    starting: bool
    pulses: int
    sparks: int
    wanted_deg: float
    angle_deg: float
    error_min_deg: float
    error_max_deg: float
    allowed_deg: float
    dwell_min_us: float
    dwell_max_us: float
    dwell_wanted_us: float

    @property
    def worst_deg(self) -> float:
        """The error of greatest size."""
        return max(self.error_min_deg, self.error_max_deg, key=abs)


@dataclass(frozen=True)
class SlowRun:
    """A crank turned evenly below the start floor, where no spark may come."""

    rpm: float
    pulses: int
    sparks: int


@dataclass(frozen=True)
class ChipPart:
    """What one emulator did; ``not_run`` says why it did nothing, else it is empty."""

    emulator: str
    results: tuple[EmulatedResult, ...] = ()
    points: tuple[SpeedPoint, ...] = ()
    facts: ChipFacts | None = None
    not_run: str = ""

    @property
    def source(self) -> str:
        """Name and version of what produced the numbers."""
        return self.facts.source if self.facts else self.emulator


@dataclass(frozen=True)
class ReportData:
    """All of it.  ``description`` is None for a folder whose description was not given.

    ``motion``: the engine in motion, or why it was not turned.
    """

    manifest: Manifest
    board: Board
    description: Description | None
    seed: int
    level: NoiseLevel
    scenarios: tuple[ScenarioResult, ...]
    sweep: tuple[ScenarioResult, ...]
    host: tuple[SpeedPoint, ...]
    start: tuple[SpeedPoint, ...]
    below_floor: tuple[SlowRun, ...]
    slowed: Slowed | None
    chips: tuple[ChipPart, ...]
    turns: tuple[Turn, ...]
    delays: tuple[Delay, ...]
    watched: Watched | None = None
    motion: MotionPart | str = ""

    @property
    def noisy(self) -> tuple[ScenarioResult, ...]:
        """Results with a disturbed line."""
        return tuple(result for result in self.scenarios if result.scenario.noise)


def describe(product: Product, file: str) -> Description:
    """Compute the electrical side of a description and collect what was assumed or is odd."""
    engine, board = product.engine, product.design.board
    electrical = electrical_of(engine, product.design, product.plan)
    return Description(
        file=file,
        engine=engine,
        design=product.design,
        plan=product.plan,
        electrical=electrical,
        circuit=circuit_of(engine, board, product.plan, electrical),
        assumed=tuple(assumed_values(engine)),
        odd=tuple(fault.format() for fault in all_warnings(engine, product.design, file)),
    )


def speed_point(rpm: float, m: Measurement) -> SpeedPoint | None:
    """Sum up a steady run; None when it has no spark that belongs to a pulse."""
    own = m.pulse >= 0
    ordinal = m.pulses.ordinal[np.maximum(m.pulse, 0)] if len(m.pulses.at_s) else m.pulse
    settled = own & (ordinal >= SETTLED)
    if not settled.any():
        return None
    dwell = m.dwell_us[settled]
    return SpeedPoint(
        rpm=rpm,
        starting=bool(m.rule[settled][-1] == RULE_START),
        pulses=len(m.pulses.at_s),
        sparks=len(m.spark_s),
        wanted_deg=float(m.wanted_deg[settled][-1]),
        angle_deg=float(m.angle_deg_btdc[settled].mean()),
        error_min_deg=float(m.error_deg[settled].min()),
        error_max_deg=float(m.error_deg[settled].max()),
        allowed_deg=float(m.allowed_deg[settled].max()),
        dwell_min_us=float(dwell.min()),
        dwell_max_us=float(dwell.max()),
        dwell_wanted_us=float(m.dwell_wanted_us[settled].min()),
    )


def emulators_asked(name: str) -> tuple[str, ...]:
    """Return the emulators that "all", "none" or one name stands for."""
    return {"all": EMULATORS, "none": ()}.get(name, (name,))


class _Host:
    """The folder's C on this computer."""

    def __init__(self, folder: Path, manifest: Manifest, seed: int, level: NoiseLevel) -> None:
        self.folder, self.manifest = folder, manifest
        self.seed, self.level = seed, level

    def run(self, scenario: Scenario) -> ScenarioResult:
        return run_scenario(self.folder, self.manifest, scenario, seed=self.seed, level=self.level)

    def steady(self, rpm: float, pulses: int) -> ScenarioResult:
        return self.run(steady_scenario(self.manifest, rpm, pulses=pulses))

    def points(self, speeds: Sequence[float], pulses: int) -> Iterator[SpeedPoint]:
        for rpm in speeds:
            point = speed_point(rpm, self.steady(rpm, pulses).measurement)
            if point is not None:
                yield point

    def slow_run(self, rpm: float) -> SlowRun:
        m = self.steady(rpm, START_PULSES).measurement
        return SlowRun(rpm, len(m.pulses.at_s), len(m.spark_s))


def gather(
    folder: Path,
    description: Description | None = None,
    *,
    emulators: Sequence[str] = EMULATORS,
    not_built: str = "",
    seed: int = 1,
    level: NoiseLevel | None = None,
    step: Step = lambda what: None,
) -> ReportData:
    """Run a firmware folder everywhere and collect the outcome; about 10 s, most on the chips.

    ``not_built`` says why the folder has no image, if so: then no emulator is run.  An emulator
    that is not installed is noted, not an error.  ``step`` is told what comes next, once a
    run on a chip.
    """
    manifest = read_manifest(folder)
    noise = level or NoiseLevel()
    host = _Host(folder, manifest, seed, noise)
    step("this computer")
    standard = standard_scenarios(manifest, level=noise)
    scenarios = tuple(host.run(scenario) for scenario in standard)
    speeds = steady_speeds(manifest, SWEEP_SPEEDS)
    sweep = tuple(host.steady(rpm, SWEEP_PULSES) for rpm in speeds)
    points = (speed_point(r, s.measurement) for r, s in zip(speeds, sweep, strict=True))
    start, floor = manifest.start, manifest.start.floor_rpm
    starting = np.geomspace(floor * 1.02, start.below_rpm * 0.995, START_SPEEDS)
    return ReportData(
        manifest=manifest,
        board=load_board(str(manifest.raw["board"])),
        description=description,
        seed=seed,
        level=noise,
        scenarios=scenarios,
        sweep=sweep,
        host=tuple(point for point in points if point is not None),
        start=tuple(host.points(starting.tolist(), START_PULSES)),
        below_floor=tuple(host.slow_run(share * floor) for share in BELOW_FLOOR),
        slowed=slowed_sparks(description.engine, manifest) if description else None,
        chips=tuple(
            _on_chip(folder, manifest, name, not_built, step)
            for name in _of_chip(emulators, str(manifest.raw["mcu"]))
        ),
        turns=tuple(_turns(host, description)),
        delays=delays_of(manifest, description.design if description else None),
        motion=_motion(description, folder, seed, step),
    )


def _motion(
    description: Description | None, folder: Path, seed: int, step: Step
) -> MotionPart | str:
    if description is None:
        return "its description was not given"
    step("the engine in motion")
    try:
        return motion_part(description.engine, description.design, folder, seed=seed)
    except SparktickError as error:
        return str(error).splitlines()[0]


def _of_chip(emulators: Sequence[str], mcu: str) -> Sequence[str]:
    """Of all emulators those that know the chip; of some named ones every one."""
    return backends_of(mcu) if tuple(emulators) == EMULATORS else list(dict.fromkeys(emulators))


def chip_runs(manifest: Manifest) -> list[Scenario]:
    """Return what each emulated chip is put through: few speeds, short trains."""
    speeds = steady_speeds(manifest, CHIP_SPEEDS)
    return chip_scenarios(manifest, rpm=speeds, pulses=CHIP_PULSES)


def _on_chip(
    folder: Path, manifest: Manifest, emulator: str, not_built: str, step: Step
) -> ChipPart:
    if not_built:
        return ChipPart(emulator, not_run=not_built)
    results = []
    try:
        for scenario in chip_runs(manifest):
            step(f"{emulator}: {scenario.title}")
            results.append(run_on_chip(manifest, scenario, emulator))
    except ToolError as error:
        return ChipPart(emulator, not_run=str(error))
    points = (speed_point(_rpm(result), result.measurement) for result in results)
    return ChipPart(
        emulator=emulator,
        results=tuple(results),
        points=tuple(point for point in points if point is not None),
        facts=chip_facts(manifest, results)[0],
    )


def _rpm(result: EmulatedResult) -> float:
    return float(result.scenario.motion.speed_deg_s[0]) / 6.0


def _turns(host: _Host, description: Description | None) -> Iterator[Turn]:
    manifest = host.manifest
    plan = description.plan if description else None
    circuit = description.design.circuit if description else None
    idle = description.engine.engine.idle_rpm if description else 1.3 * manifest.start.below_rpm
    for name, rpm in (("idle", idle), ("top speed", manifest.top_rpm)):
        result = host.steady(rpm, TURN_PULSES)
        burn_s = _burn_s(description, rpm)
        turn = turn_of(
            name,
            result.run,
            result.train,
            manifest,
            plan=plan,
            circuit=circuit,
            burn_s=burn_s,
        )
        if turn is not None:
            yield turn


def _burn_s(description: Description | None, rpm: float) -> float:
    nominal = description.electrical.report.nominal if description else None
    if nominal is None:
        return 0.0
    duration_s = np.broadcast_to(nominal.burn.duration_s, nominal.rpm.shape)
    return float(np.interp(rpm, nominal.rpm, duration_s))


def check_match(description: Description, folder: Path) -> None:
    """Refuse a description that a folder was not made from.  Raises FolderError."""
    made_from = read_manifest(folder).raw.get("description_digest")
    if made_from != description.plan.digest:
        file = description.file
        raise FolderError(
            f"{folder}: was not made from {file}, or that was changed since\n"
            f"    `sparktick generate {file} {folder} --force` makes it again; or leave "
            "--engine out."
        )
