"""If this fails, the bench's short cuts change what a chip does: a slow loop in Python differs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sparktick.gen.pipeline import generate
from sparktick.host_sim.bench import Bench, CoilNoise, Hardware, HostRun, NoisePatterns
from sparktick.host_sim.glitches import merge_toggles, random_glitches
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.run import Train
from sparktick.host_sim.train import pickup_train, profile

from ..templates_c import core_library
from .conftest import EXAMPLES
from .plain_bench import PlainBench

SEEDS = 16
END_S = 0.4
CLEAR_S = 2e-6  # no cut so near to an edge: its cycle may lie on the other side


@dataclass(frozen=True)
class Chip:
    """A firmware folder, its core by name."""

    folder: Path
    manifest: Manifest
    core: core_library.Core


@pytest.fixture(scope="module", params=["plover", "avocet"])
def chip(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Chip:
    made = tmp_path_factory.mktemp("firmware") / request.param
    generate(EXAMPLES / f"{request.param}.toml", made)
    core = core_library.load(made / "src", tmp_path_factory.mktemp("core"))
    return Chip(made, read_manifest(made), core)


def _train(rng: np.random.Generator, manifest: Manifest) -> Train:
    """Return any speeds, often from standstill, with anything from no glitch to a storm of them."""
    rpm = rng.uniform(300.0, 9000.0, 3) * [rng.integers(2), 1.0, 1.0]
    train = pickup_train(profile([0.0, 0.4 * END_S, END_S], rpm), manifest, END_S)
    rate_hz = 10.0 ** rng.uniform(1.0, 4.0) * rng.integers(2)
    widths_s = (1e-7, 10.0 ** rng.uniform(-5.0, -3.5))
    return merge_toggles(train, random_glitches(rng, 0.0, END_S, rate_hz, widths_s))


def _noise(rng: np.random.Generator) -> CoilNoise:
    def patterns() -> NoisePatterns:
        some = [rng.uniform(0.0, 2e-4, 2 * rng.integers(4)) for _ in range(rng.integers(4))]
        return NoisePatterns(tuple(np.sort(one) for one in some))

    kinds = [patterns() for _ in range(4)]
    return CoilNoise(*kinds, jitter_s=rng.choice([0.0, 1e-3]), seed=int(rng.integers(1 << 40)))


def _hardware(rng: np.random.Generator, manifest: Manifest) -> Hardware:
    """Return the board's chip, an ideal one, or one that takes its time; the counter soon wraps."""
    changes: dict[str, Any] = {
        "first_tick": int(rng.integers((1 << 32) - 600_000, 1 << 32)),
        "poll_every_s": 10.0 ** rng.uniform(-4.5, -2.0),
    }
    kind = rng.integers(4)
    if kind == 0:
        return Hardware.of(manifest, ideal=True, **changes)
    if kind == 1:
        changes |= {"timer_phase_s": rng.uniform(0.0, 1e-6), "filter_samples": 40}
        for name in ("latency", "capture", "coil", "alarm", "order", "settle", "poll_hold"):
            changes[f"{name}_cycles"] = rng.choice([0.0, rng.uniform(0.0, 6000.0)])
    return Hardware.of(manifest, **changes)


def _ask(rng: np.random.Generator, bench: Bench, plain: PlainBench, at_s: float) -> list[Any]:
    """Reset both, make both late, or flip a bit in both cores; return what the bench put out."""
    what = rng.integers(4)
    if what == 0:
        down_s, power_on = float(rng.uniform(1e-5, 5e-3)), bool(rng.integers(2))
        plain.reset(at_s, down_s, power_on)
        return [bench.reset(down_s, power_on=power_on)]
    if what == 1:
        late_s = float(rng.uniform(0.0, 2e-4))
        cycles_hz = bench.chip.tick_hz * bench.chip.cycles_per_tick
        plain.latency = round(late_s * cycles_hz)
        bench.late(late_s)
    elif what == 2:
        memory = bench.core_memory()
        place, bit = int(rng.integers(len(memory))), 1 << int(rng.integers(8))
        memory[place] ^= bit
        plain.core.ffi.buffer(plain.state)[place : place + 1] = bytes([int(memory[place])])
    return []


def _both(chip: Chip, seed: int) -> tuple[HostRun, bytes, PlainBench]:
    rng = np.random.default_rng(seed)
    train, noise = _train(rng, chip.manifest), _noise(rng)
    bench = Bench(load(chip.folder), _hardware(rng, chip.manifest), noise)
    groups = (noise.off_inactive, noise.off_active, noise.on_inactive, noise.on_active)
    plain = PlainBench(chip.core, bench._settings.struct, [one.patterns for one in groups])
    keep = int(np.searchsorted(train.edge_s, END_S - CLEAR_S))
    edge_s, line = train.edge_s[:keep], train.line[:keep]
    pieces, done = [], 0
    for cut_s in (*np.sort(rng.uniform(0.0, END_S, rng.integers(6))), END_S):
        stop = int(np.searchsorted(edge_s, cut_s))
        if cut_s < END_S and np.any(np.abs(edge_s - cut_s) < CLEAR_S):
            continue
        pieces.append(bench.feed(edge_s[done:stop], line[done:stop], cut_s))
        plain.feed(edge_s[done:stop], line[done:stop], cut_s)
        done = stop
        pieces += _ask(rng, bench, plain, cut_s)
    columns = (np.concatenate(column) for column in zip(*pieces, strict=True))
    return bench.finish(*columns), bench.core_memory().tobytes(), plain


@pytest.fixture(scope="module")
def scenes(chip: Chip) -> list[tuple[HostRun, bytes, PlainBench]]:
    return [_both(chip, seed) for seed in range(SEEDS)]


@pytest.mark.parametrize("seed", range(SEEDS))
def test_bench_agrees_with_one_event_after_another(
    chip: Chip, scenes: list[tuple[HostRun, bytes, PlainBench]], seed: int
) -> None:
    run, memory, plain = scenes[seed]
    mode = run.coil_mode | run.coil_channel << 7
    assert plain.coil == list(zip(run.coil_s, run.coil_on, mode, strict=True))
    assert plain.modes == list(zip(run.mode_s, run.mode, strict=True))
    assert bytes(chip.core.ffi.buffer(plain.state)) == memory
    cycle_s = 1.0 / plain.set.cycles_hz
    facts = {**plain.facts, "on_max_s": plain.on_most * cycle_s, "busy_s": plain.busy * cycle_s}
    others = {"first_lock_s", "end_s"}
    assert {name: facts.get(name, 0) for name in run.facts.keys() - others} == {
        name: run.facts[name] for name in run.facts.keys() - others
    }


def test_scenes_reach_what_the_short_cuts_are_about(
    scenes: list[tuple[HostRun, bytes, PlainBench]],
) -> None:
    """Sparks, noise, edges overwritten while a handler ran, and orders that came too late."""
    runs = [run for run, _, _ in scenes]
    for fact in ("noise_bursts", "overwritten", "late_orders", "filtered_out", "while_masked"):
        assert sum(run.facts[fact] for run in runs) > 0, fact
    assert sum(len(run.coil_s) for run in runs) > 100
