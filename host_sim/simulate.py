"""The standard set of scenarios, run on a firmware folder's own C, each with its verdict."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from . import train as motions
from .bench import CoilNoise, Hardware, HostRun, run_train
from .glitches import burst_patterns, merge_toggles, random_glitches
from .library import BuildOptions, load
from .manifest import Manifest, read_manifest
from .measure import Measurement, measure
from .run import Motion, Train
from .verdict import Limits, Verdict, judge

NOISE_KINDS = ("glitches", "bursts")


@dataclass(frozen=True)
class NoiseLevel:
    """What disturbs the pickup line in the standard scenarios.

    Glitches come at random, ``glitch_hz`` a second in the mean; bursts of ``burst_glitches``
    follow every switching of the coil within ``burst_s``.  Widths are spread evenly over the
    logarithm.  The figures are invented to be harsher than a line wired as the project advises
    sees (no source); each can be set.
    """

    glitch_hz: float = 500.0
    glitch_width_s: tuple[float, float] = (0.1e-6, 10e-6)
    burst_glitches: tuple[int, int] = (5, 30)
    burst_s: float = 60e-6
    burst_width_s: tuple[float, float] = (0.1e-6, 8e-6)


@dataclass(frozen=True)
class Scenario:
    """One motion with what disturbs it.  ``noise`` is a subset of NOISE_KINDS."""

    name: str
    title: str
    motion: Motion
    end_s: float
    noise: tuple[str, ...] = ()
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True)
class ScenarioResult:
    """What one scenario came to; ``seed`` repeats it."""

    scenario: Scenario
    seed: int
    run: HostRun
    train: Train
    measurement: Measurement
    verdict: Verdict

    def as_dict(self) -> dict[str, Any]:
        """Return the result as JSON holds it, without the arrays."""
        m = self.measurement
        error = np.abs(m.error_deg).max(initial=0.0)
        return {
            "name": self.scenario.name,
            "title": self.scenario.title,
            "noise": list(self.scenario.noise),
            "seed": self.seed,
            "duration_s": self.scenario.end_s,
            "pulses": len(m.pulses.at_s),
            "sparks": len(m.spark_s),
            "error_max_deg": round(float(error), 6),
            "error_rms_deg": round(float(np.sqrt(np.mean(m.error_deg**2))), 6)
            if len(m.error_deg)
            else None,
            "on_max_us": round(m.on_max_us, 3),
            "counters": {k: v for k, v in self.run.counters.items() if v},
            "facts": self.run.facts,
            **self.verdict.as_dict(),
        }


def steady_speeds(manifest: Manifest, count: int = 12) -> list[float]:
    """Return speeds from just above the floor to just below the limit, spread evenly in ratio."""
    low = max(300.0, manifest.start.floor_rpm * 1.1)
    return [float(rpm) for rpm in np.geomspace(low, manifest.resume_rpm * 0.995, count)]


def _turns(manifest: Manifest, rpm: float, pulses: float) -> float:
    """Seconds that a number of pulses takes at a speed."""
    return pulses * manifest.geometry.spacing_deg / 360.0 * 60.0 / rpm


def glitch_limits(level: NoiseLevel, manifest: Manifest) -> Limits:
    """Return what random glitches may do to a run at steady speed.

    A glitch over the edge itself may be taken for the edge, early by its width.  One that meets
    the look at the level (after the confirmation, 20 us, and the two handlers, about 1500
    clocks) makes its own end the edge: late by that time, and then up to half of it early in the
    next spark, whose interval seems shorter.  Each such edge moves up to three sparks, and their
    number follows from the rate.  Three in ten of the glitches that meet the look may each put a
    spark more than 1 deg off, or cost it: a pulse that a glitch makes doubtful has its spark taken
    back, and a turn without one is harmless (our own bar, no source).  At the default rate that is
    1.7 % of the sparks on a 16 MHz chip, 3.1 % on an 8 MHz one.
    """
    width_s = level.glitch_width_s[1]
    look_s = 20e-6 + 1500.0 / manifest.f_cpu_hz
    return Limits(
        moved_share=min(0.5, 0.01 + 4.0 * level.glitch_hz * (width_s + look_s)),
        missed_share=0.3 * level.glitch_hz * look_s,
        far_share=0.3 * level.glitch_hz * look_s,
        early_us=1.0 + 1e6 * (width_s + 0.5 * look_s),
        dwell_share=np.inf,
        first_spark_pulse=6,
    )


def steady_scenario(
    manifest: Manifest,
    rpm: float,
    *,
    pulses: int = 2000,
    noise: tuple[str, ...] = (),
    level: NoiseLevel | None = None,
) -> Scenario:
    """Return a run at one speed, the line disturbed or not."""
    suffix = "".join(f"+{kind}" for kind in noise)
    title = f"steady {rpm:.0f} rpm" + (f" with {' and '.join(noise)}" if noise else "")
    return Scenario(
        f"steady-{rpm:.0f}{suffix}",
        title,
        motions.steady(rpm),
        _turns(manifest, rpm, pulses),
        noise,
        glitch_limits(level or NoiseLevel(), manifest) if "glitches" in noise else Limits(),
    )


def _gentle(rpm: float) -> float:
    """Return rpm/s that change a speed by a fifth in one turn: about what an engine can do."""
    return 0.2 * rpm * rpm / 60.0


def _ramp_scenarios(manifest: Manifest) -> list[Scenario]:
    """Up and down as fast as the engine can, where a turn changes the speed by a fifth at most."""
    top = manifest.resume_rpm * 0.99
    accel = manifest.accel_rpm_per_s or _gentle(0.5 * top)
    low = min(max((300.0 * accel) ** 0.5, 1.3 * manifest.start.below_rpm), 0.8 * top)
    up = motions.ramp(low, top, accel)
    down = motions.ramp(top, low, accel)
    return [
        Scenario("ramp-up", f"{low:.0f} to {top:.0f} rpm at {accel:.0f} rpm/s", up, up.t_s[-1] + 1),
        Scenario(
            "ramp-down", f"{top:.0f} to {low:.0f} rpm at {accel:.0f} rpm/s", down, down.t_s[-1] + 1
        ),
    ]


def _start_and_stop(manifest: Manifest) -> list[Scenario]:
    start = manifest.start
    slow = min(1.3 * start.floor_rpm, 0.9 * start.below_rpm)
    fast = 1.5 * start.below_rpm
    rate = _gentle(start.below_rpm)
    turning = motions.from_standstill(slow, 20.0 * rate)
    starting = motions.from_standstill(fast, rate)
    stopping = motions.to_standstill(fast, rate)
    return [
        Scenario("start-slow", f"standstill to {slow:.0f} rpm, turned over", turning, 5.0),
        Scenario(
            "start-run", f"standstill to {fast:.0f} rpm", starting, float(starting.t_s[-1]) + 1.0
        ),
        Scenario("stop", f"{fast:.0f} rpm to standstill", stopping, float(stopping.t_s[-1]) + 2.0),
    ]


def _limit_scenario(manifest: Manifest) -> Scenario:
    fast, slow = 1.05 * manifest.limit_rpm, 0.95 * manifest.resume_rpm
    rate = min(manifest.accel_rpm_per_s or 1e9, _gentle(slow))
    change = (fast - slow) / rate
    t = np.cumsum([0.0, 0.5, change, 0.5, change])
    motion = motions.profile(t, [slow, slow, fast, fast, slow])
    return Scenario("speed-limit", f"to {fast:.0f} rpm and back", motion, float(t[-1]) + 0.5)


def standard_scenarios(
    manifest: Manifest,
    *,
    rpm: Iterable[float] | None = None,
    noise: Iterable[str] = NOISE_KINDS,
    pulses: int = 2000,
    level: NoiseLevel | None = None,
) -> list[Scenario]:
    """Return the standard set; with ``rpm`` only those steady speeds, with and without noise."""
    speeds = list(rpm) if rpm is not None else steady_speeds(manifest)
    kinds = tuple(noise)
    found = [steady_scenario(manifest, n, pulses=pulses) for n in speeds]
    if rpm is None:
        found += [*_ramp_scenarios(manifest), *_start_and_stop(manifest), _limit_scenario(manifest)]
        speeds = [manifest.start.below_rpm * 0.9, manifest.start.below_rpm * 1.5, manifest.top_rpm]
        speeds = [n for n in speeds if n > manifest.start.floor_rpm * 1.05]
    for kind in kinds:
        found += [
            steady_scenario(manifest, n, pulses=pulses, noise=(kind,), level=level) for n in speeds
        ]
    return found


def _noisy(
    scenario: Scenario, train: Train, level: NoiseLevel, seed: int
) -> tuple[Train, CoilNoise | None]:
    """Add what the scenario asks for; every kind of noise draws from a stream of its own."""
    coil = None
    if "glitches" in scenario.noise:
        rng = np.random.default_rng([seed, 1])
        toggles = random_glitches(rng, 0.0, train.end_s, level.glitch_hz, level.glitch_width_s)
        train = merge_toggles(train, toggles)
    if "bursts" in scenario.noise:
        rng = np.random.default_rng([seed, 2])
        patterns = burst_patterns(
            rng,
            patterns=64,
            glitches=level.burst_glitches,
            span_s=level.burst_s,
            width_s=level.burst_width_s,
        )
        coil = CoilNoise.either_level(off=patterns, on=patterns, jitter_s=1e-6, seed=seed)
    return train, coil


def run_scenario(
    folder: Path,
    manifest: Manifest,
    scenario: Scenario,
    *,
    seed: int = 1,
    level: NoiseLevel | None = None,
    chip: Hardware | None = None,
    options: BuildOptions | None = None,
) -> ScenarioResult:
    """Run one scenario on the folder's core and judge it.

    The scenario's own seed follows from ``seed`` and its name, so that one can be repeated
    without the others.
    """
    own_seed = zlib.crc32(f"{seed} {scenario.name}".encode())
    clean = motions.pickup_train(scenario.motion, manifest, scenario.end_s)
    train, coil = _noisy(scenario, clean, level or NoiseLevel(), own_seed)
    run = run_train(load(folder, options), chip or Hardware.of(manifest), train, coil)
    measured = measure(run, train, manifest)
    verdict = judge(measured, run, train, manifest, scenario.limits)
    return ScenarioResult(scenario, own_seed, run, train, measured, verdict)


def simulate(
    folder: Path,
    *,
    rpm: Iterable[float] | None = None,
    noise: Iterable[str] = NOISE_KINDS,
    seed: int = 1,
    level: NoiseLevel | None = None,
    ideal: bool = False,
) -> Iterator[ScenarioResult]:
    """Run the standard scenarios on a firmware folder, one result after the other."""
    manifest = read_manifest(folder)
    chip = Hardware.of(manifest, ideal=ideal)
    for scenario in standard_scenarios(manifest, rpm=rpm, noise=noise, level=level):
        yield run_scenario(folder, manifest, scenario, seed=seed, level=level, chip=chip)
