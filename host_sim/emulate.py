"""A firmware folder's image on an emulated chip: motions in, measured and judged runs out.

The image is driven with the same trains as the host bench, judged with the same rules, and each
of its sparks is held against the host's, which is run on the chip's own tick grid.  Every result
names the emulator that produced it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sparktick.gen.board import load_board
from sparktick.gen.errors import RunError

from . import train as motions
from .bench import Hardware, HostRun, run_train
from .chip import run_chip
from .chip.backends import Coverage, backends_of, coverage_of, installed_for
from .chip.folder import chip_job
from .library import load
from .manifest import Manifest, read_manifest
from .measure import Measurement, RunDifference, compare_runs, measure
from .run import Run, Train
from .simulate import Scenario, standard_scenarios, steady_scenario, steady_speeds
from .train import DEG_S_PER_RPM
from .verdict import Check, Verdict, judge

ALL = "all"
# Sparks come from compare units: on one tick grid host and chip have to agree to the tick.
AGREE_TICKS = 1.0
STEADY_SPEEDS = 8
PULSES = 60
LEAST_S = 0.25


@dataclass(frozen=True)
class WorstError:
    """Error of one spark, positive early, and what its bar allows, in degrees and in ticks."""

    deg: float
    ticks: float
    allowed_deg: float
    allowed_ticks: float


@dataclass(frozen=True)
class EmulatedResult:
    """One scenario on one emulator.

    ``host`` is the same train on the host bench, ``difference`` the chip's instants less the
    host's, in ticks.
    """

    emulator: str
    scenario: Scenario
    run: Run
    host: HostRun
    train: Train
    measurement: Measurement
    difference: RunDifference
    verdict: Verdict

    @property
    def worst(self) -> WorstError:
        """The spark nearest to its timing bar."""
        bars = [self.verdict[name] for name in ("timing_steady", "timing_changing")]
        bars = [bar for bar in bars if bar.count]
        if not bars:
            return WorstError(0.0, 0.0, 0.0, 0.0)
        bar = max(bars, key=lambda bar: bar.value / max(bar.limit, 1e-12))
        m = self.measurement
        at = int(np.searchsorted(m.spark_s, bar.at_s or 0.0))
        ticks_per_deg = self.run.tick_hz / max(abs(float(m.rpm[at])) * DEG_S_PER_RPM, 1e-12)
        error = float(m.error_deg[at])
        return WorstError(error, error * ticks_per_deg, bar.limit, bar.limit * ticks_per_deg)

    @property
    def dwell_us(self) -> tuple[float, float, float]:
        """Shortest, longest and wanted charge once lock is settled; nan without a spark."""
        m = self.measurement
        ordinal = m.pulses.ordinal[np.maximum(m.pulse, 0)] if len(m.pulses.at_s) else m.pulse
        settled = m.dwell_us[(ordinal >= 5) & (m.pulse >= 0)]
        if not len(settled):
            return (float("nan"),) * 3
        return float(settled.min()), float(settled.max()), float(m.dwell_wanted_us.max())

    def as_dict(self) -> dict[str, Any]:
        """Return the result as JSON holds it, without the arrays."""
        m, difference = self.measurement, self.difference
        worst = self.worst
        shortest, longest, wanted = self.dwell_us
        numbers = {
            "worst_error_deg": worst.deg,
            "worst_error_ticks": worst.ticks,
            "allowed_error_deg": worst.allowed_deg,
            "allowed_error_ticks": worst.allowed_ticks,
            "dwell_min_us": shortest,
            "dwell_max_us": longest,
            "dwell_wanted_us": wanted,
            "on_max_us": m.on_max_us,
            "host_spark_difference_ticks": _most(difference.ticks),
            "host_charge_difference_ticks": _most(difference.on_ticks),
        }
        return {
            "name": self.scenario.name,
            "title": self.scenario.title,
            "emulator": self.run.source,
            "duration_s": self.scenario.end_s,
            "pulses": len(m.pulses.at_s),
            "sparks": len(m.spark_s),
            "missed": len(m.missed),
            "stray": len(m.stray),
            "first_spark_pulse": m.first_spark_pulse,
            **{k: round(v, 6) if np.isfinite(v) else None for k, v in numbers.items()},
            **self.verdict.as_dict(),
        }


@dataclass(frozen=True)
class Handler:
    """An interrupt handler over all runs of one emulator, in CPU clocks.

    ``most`` and ``mean`` from the response to the end of RETI; ``waited`` the longest from flag
    and enable to the response.
    """

    vector: str
    count: int
    most: float
    mean: float
    waited: float


@dataclass(frozen=True)
class ChipFacts:
    """What one emulator showed of the chip over all its runs.

    ``stack_bytes`` deepest use; ``stack_free_bytes`` what the board has beyond static variables;
    ``boot_s`` from reset to main(); ``outputs_safe_s`` until every coil pin is driven to off.
    """

    source: str
    stack_bytes: int
    stack_free_bytes: int
    boot_s: float
    outputs_safe_s: float
    handlers: tuple[Handler, ...]
    resets: int
    coverage: Coverage

    @property
    def checks(self) -> tuple[Check, ...]:
        """Bars that hold for all runs together."""
        fits = self.stack_bytes <= self.stack_free_bytes
        return (
            Check("stack", self.stack_bytes, self.stack_free_bytes, "bytes", fits, 1),
            Check("unforced_resets", self.resets, 0, "resets", self.resets == 0, 1),
        )

    def as_dict(self, f_cpu_hz: float) -> dict[str, Any]:
        """Return the facts as JSON holds them."""
        per_us = f_cpu_hz * 1e-6
        return {
            "emulator": self.source,
            "stack_bytes": self.stack_bytes,
            "stack_free_bytes": self.stack_free_bytes,
            "boot_us": round(self.boot_s * 1e6, 3),
            "outputs_safe_us": round(self.outputs_safe_s * 1e6, 3),
            "handlers": [
                {
                    "vector": h.vector,
                    "count": h.count,
                    "max_cycles": h.most,
                    "max_us": round(h.most / per_us, 3),
                    "mean_cycles": round(h.mean, 2),
                    "wait_max_cycles": h.waited,
                }
                for h in self.handlers
            ],
            "exercised": list(self.coverage.exercised),
            "not_exercised": list(self.coverage.not_exercised),
            "checks": [check.as_dict() for check in self.checks],
        }


def _most(values: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    return float(np.abs(values).max(initial=0.0))


def emulators_named(name: str | None, mcu: str) -> tuple[str, ...]:
    """Return the emulators of a chip that a name stands for: None an installed one, "all" each.

    ToolError when none is installed, RunError when the chip is not known.
    """
    if name is None:
        return (installed_for(mcu),)
    if name == ALL:
        return backends_of(mcu) or (installed_for(mcu),)
    coverage_of(name, mcu)
    return (name,)


def chip_scenarios(
    manifest: Manifest,
    *,
    rpm: Sequence[float] = (),
    ramp: bool = False,
    pulses: int = PULSES,
) -> list[Scenario]:
    """Return what the chip is put through: steady speeds, with ``ramp`` changing ones as well.

    Without ``rpm`` the speeds go from just above the start floor to just below the speed limit.
    """
    speeds = list(rpm) or steady_speeds(manifest, STEADY_SPEEDS)
    per_s = [n / 60.0 * 360.0 / manifest.geometry.spacing_deg for n in speeds]
    found = [
        steady_scenario(manifest, n, pulses=max(pulses, round(LEAST_S * rate)))
        for n, rate in zip(speeds, per_s, strict=True)
    ]
    if ramp:
        rest = standard_scenarios(manifest, noise=(), pulses=1)
        found += [scenario for scenario in rest if not scenario.name.startswith("steady-")]
    return found


def agree_ticks(manifest: Manifest) -> float:
    """Return by how many ticks a spark of the chip may differ from the host's.

    Where an interrupt takes the time stamp, which the bench knows nothing of: three times its
    delay, for that moves the spark itself and, carried over, the next ones.
    """
    return AGREE_TICKS + 3.0 * manifest.late_ticks


def cut_first(host: Run, run: Run, manifest: Manifest) -> bool:
    """Tell whether only one of both made its first spark, from a charge below half the dwell.

    Whether the first pulses leave room for the shortest charge that is begun at all hangs, around
    one speed, on some ticks of handler time, which the host only models.
    """
    firsts = [one.coil_s[:2] for one in (host, run) if len(one.coil_s) >= 2]
    if len(firsts) < 2:
        return False
    on_s, off_s = min(firsts, key=lambda pair: float(pair[1]))
    apart_s = abs(float(firsts[0][1] - firsts[1][1]))
    dwell_s = manifest.dwell_us * 1e-6
    return float(off_s - on_s) < 0.5 * dwell_s and apart_s > dwell_s


def _agreement(
    difference: RunDifference, host: Run, run: Run, manifest: Manifest, measured: Measurement
) -> list[Check]:
    """Check that host and chip made the same sparks at the same ticks.

    Where an interrupt takes the stamp, a start spark may differ by what its timing bar allows: the
    pulse's own width, late at either end, is multiplied there.
    """
    worst = _most(difference.on_ticks if manifest.spark_on_rise else difference.ticks)
    alone = difference.only_a + difference.only_b
    alone -= int(alone == 1 and cut_first(host, run, manifest))
    sparks = len(run.coil_s)
    # Half a CPU clock of rounding on either side, and what float64 seconds leave.
    stated = agree_ticks(manifest)
    if manifest.late_ticks > 0.0:
        per_deg = manifest.tick_hz / np.maximum(np.abs(measured.rpm) * DEG_S_PER_RPM, 1e-12)
        stated = max(stated, float((measured.allowed_deg * per_deg).max(initial=0.0)))
    limit = stated + 1e-6
    return [
        Check("host_agrees", worst, stated, "ticks", worst <= limit, len(difference.ticks)),
        Check("host_same_sparks", float(alone), 0.0, "sparks", alone == 0, sparks),
    ]


def _below_floor(m: Measurement, manifest: Manifest) -> Check:
    """Check that a magnet that passes slower than the start floor makes no spark."""
    floor = manifest.start.floor_rpm
    slow = np.flatnonzero(m.rpm < floor * 0.98)
    at_s = float(m.spark_s[slow[0]]) if len(slow) else None
    return Check("below_floor", len(slow), 0, "sparks", not len(slow), len(m.spark_s), at_s)


def run_scenario(manifest: Manifest, scenario: Scenario, emulator: str) -> EmulatedResult:
    """Run one scenario on one emulator and on the host, and judge it."""
    train = motions.pickup_train(scenario.motion, manifest, scenario.end_s)
    run = run_chip(chip_job(manifest, train), emulator)
    if not np.isfinite(run.timer_phase_s):
        raise RunError(f"{manifest.folder}: the image never started its timer ({run.source})")
    chip = Hardware.of(
        manifest, timer_phase_s=run.timer_phase_s, start_s=run.facts.get("boot_s", 0.0)
    )
    host = run_train(load(manifest.folder), chip, train)
    measured = measure(run, train, manifest)
    difference = compare_runs(host, run)
    verdict = judge(measured, run, train, manifest, scenario.limits)
    agreement = _agreement(difference, host, run, manifest, measured)
    more = [*agreement, _below_floor(measured, manifest)]
    return EmulatedResult(
        emulator=emulator,
        scenario=scenario,
        run=run,
        host=host,
        train=train,
        measurement=measured,
        difference=difference,
        verdict=Verdict((*verdict.checks, *more)),
    )


def emulate(
    folder: Path, scenarios: Iterable[Scenario], emulators: Iterable[str]
) -> Iterator[EmulatedResult]:
    """Run scenarios on each emulator, one result after the other."""
    manifest = read_manifest(folder)
    kept = list(scenarios)
    for emulator in emulators:
        for scenario in kept:
            yield run_scenario(manifest, scenario, emulator)


def chip_facts(manifest: Manifest, results: Sequence[EmulatedResult]) -> list[ChipFacts]:
    """Return stack, boot and handler times by emulator, the worst over all results."""
    ram_bytes = load_board(manifest.raw["board"]).ram_bytes
    free = ram_bytes - int(manifest.raw["sizes"].get("ram_bytes", 0))
    found = []
    mcu = str(manifest.raw["mcu"])
    for source, emulator in dict.fromkeys((r.run.source, r.emulator) for r in results):
        runs = [result.run for result in results if result.run.source == source]
        found.append(
            ChipFacts(
                source=source,
                stack_bytes=int(max(run.facts["stack_bytes"] for run in runs)),
                stack_free_bytes=free,
                boot_s=max(run.facts["boot_s"] for run in runs),
                outputs_safe_s=max(run.facts["outputs_safe_s"] for run in runs),
                handlers=_handlers(runs),
                resets=sum(
                    n for run in runs for k, n in run.counters.items() if k.startswith("resets_")
                ),
                coverage=coverage_of(emulator, mcu),
            )
        )
    return found


def _handlers(runs: Sequence[Run]) -> tuple[Handler, ...]:
    suffix = "_cycles_mean"
    vectors = dict.fromkeys(
        key.removesuffix(suffix) for run in runs for key in run.facts if key.endswith(suffix)
    )
    found = []
    for vector in vectors:
        mine = [run for run in runs if f"{vector}{suffix}" in run.facts]
        counts = [run.counters[f"{vector}_count"] for run in mine]
        total = sum(n * run.facts[f"{vector}{suffix}"] for n, run in zip(counts, mine, strict=True))
        found.append(
            Handler(
                vector=vector,
                count=sum(counts),
                most=max(run.facts[f"{vector}_cycles_max"] for run in mine),
                mean=total / max(1, sum(counts)),
                waited=max(run.facts[f"{vector}_wait_cycles_max"] for run in mine),
            )
        )
    return tuple(sorted(found, key=lambda h: -h.most))
