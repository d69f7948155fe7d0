"""Noise families x levels x speeds x seeds over a firmware folder's own C, block by block.

A block is one family at one level, one speed and one seed; it is a pure function of the folder's
files and those four, so it gives the same on any core or machine, and a campaign may stop after any
block.  What a block does is scored against the crank's true motion.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from sparktick.gen.errors import FolderError, RunError

from . import noise, noise_phase, noise_sensor
from . import train as motions
from .bench import INVARIANT_FACTS, Bench, Hardware
from .library import cache_folder, load, source_folder
from .manifest import Manifest, read_manifest
from .measure import measure
from .memory import keep_freed_memory
from .noise import Disturbed, Family
from .run import Run, Train
from .train import DEG_S_PER_RPM

FAMILIES: dict[str, Family] = {
    family.name: family
    for family in (
        noise.Ringing(),
        noise.Iec5k(),
        noise.Iec100k(),
        noise.Iso1(),
        noise.Iso2a(),
        noise.Iso3a(),
        noise.Iso3b(),
        noise.Background(),
        noise.MainsHum(),
        noise_sensor.Stuck(),
        noise_sensor.Chatter(),
        noise_sensor.Storm(),
        noise_sensor.Missing(),
        noise_sensor.Double(),
        noise_sensor.Bounce(),
        noise_phase.PhaseLine(),
    )
}
COUNTS = ("pulses", "told", "sparks", "within", "lost", "added", "early")
FAR_DEG = 1.0  # what counts as a spark that has moved
IMITATED_SHARE = 2e-4  # of the pulses, whose sparks may where the noise is the magnet's own picture
EARLY_DEG = 1.0  # and how far beyond the greatest advance none may come
LEVEL_JUDGED = 1.0  # up to which angles are judged: the severe default
LOST_SHARE = 0.01  # of the pulses, where sparks have a bar at all
ON_MARGIN_TICKS = 20.0
SPEEDS = 6
LEVEL_MOST = 100.0
TURNS_MOST = 1_000_000
BLOCK_S_MOST = 10_000.0  # a block's noise lies in memory whole: up to 0.7 GB at level 1
BLOCKS_MOST = 1_000_000


@dataclass(frozen=True)
class Layer:
    """A layer of believing an edge, and how a folder's config.h says that it is off."""

    name: str
    title: str
    off: tuple[tuple[str, str], ...]


LAYERS: dict[str, Layer] = {
    layer.name: layer
    for layer in (
        Layer("capture-filter", "hardware filter of the capture input", (("CAPTURE_FILTER", "0"),)),
        Layer("confirm", "level must hold for a time", (("CONFIRM_TICKS", "UINT32_C(0)"),)),
        Layer(
            "blank-on", "longer look after charging begins", (("BLANK_ON_TICKS", "UINT32_C(0)"),)
        ),
        Layer("blank-off", "longer look after a spark", (("BLANK_OFF_TICKS", "UINT32_C(0)"),)),
        Layer("gate", "listen only around the expected edge", (("GATE", "0"),)),
        Layer("early", "early edges wait for their width", (("EARLY_Q16", "65535U"),)),
        Layer("arc", "pulse width against the magnet's arc", (("ARC_CHECK", "0"),)),
        Layer("lock", "consistent intervals before timing", (("LOCK_INTERVALS", "1U"),)),
        Layer("bridge", "missing pulses bridged", (("BRIDGE_MOST", "0U"),)),
        Layer("false-edges", "bound of doubtful edges", (("FALSE_EDGES_MOST", "255U"),)),
    )
}


@dataclass(frozen=True)
class Block:
    """One run: ``turns`` of the crank at ``rpm``, one family at one level, one seed."""

    family: str
    level: float
    rpm: float
    seed: int
    turns: int

    @property
    def key(self) -> str:
        """Name of the block, unique in a campaign."""
        return f"{self.family} {self.level!r} {self.rpm!r} {self.seed} {self.turns}"


@dataclass(frozen=True)
class Score:
    """What a block came to; counts unless a unit is named.

    ``pulses`` true pulses, ``told`` those of them that reached the line; ``sparks`` of them
    ``within`` 1 deg of where they are wanted, in the right cylinder; ``lost`` told pulses whose
    spark did not come; ``added`` sparks without a pulse of their own; ``early`` ones beyond the
    greatest advance + 1 deg that belong to a told pulse.  ``furthest_deg_btdc`` earliest spark that
    belongs to a told pulse, at ``furthest_at_s``; ``first_far_s`` first spark more than 1 deg off.
    ``busy_share`` of the processor's time in handlers.
    """

    pulses: int
    told: int
    sparks: int
    within: int
    lost: int
    added: int
    early: int
    furthest_deg_btdc: float
    furthest_at_s: float
    first_far_s: float
    on_max_us: float
    invariants: int
    events: int
    busy_share: float

    @property
    def share(self) -> float:
        """Share of the sparks within 1 deg."""
        return self.within / self.sparks if self.sparks else 1.0

    @property
    def lost_share(self) -> float:
        """Share of the told pulses without a spark."""
        return self.lost / self.told if self.told else 0.0


def total(scores: Iterable[Score]) -> Score:
    """Return several blocks as one: counts added, extremes kept; its instants are the worst's."""
    kept = list(scores)
    worst = max(kept, key=lambda score: score.furthest_deg_btdc)
    sums = {
        name: sum(getattr(score, name) for score in kept)
        for name in (*COUNTS, "invariants", "events")
    }
    return replace(
        worst,
        **sums,
        on_max_us=max(score.on_max_us for score in kept),
        busy_share=max(score.busy_share for score in kept),
    )


@dataclass(frozen=True)
class Source:
    """The files of a firmware folder that decide a run, so that a run cannot see a later edit.

    ``files`` maps names in the folder (manifest.json, src/...) to their text.
    """

    files: tuple[tuple[str, str], ...]

    @property
    def digest(self) -> str:
        """Hash of all the files."""
        return hashlib.sha256(repr(self.files).encode()).hexdigest()[:24]

    def folder(self) -> Path:
        """Return a folder that holds the files, in the cache; written when it is not there."""
        target = cache_folder() / "campaign" / self.digest
        if target.is_dir():
            return target
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(dir=target.parent) as scratch:
                fresh = Path(scratch) / "fresh"
                for name, text in self.files:
                    place = fresh / name
                    place.parent.mkdir(parents=True, exist_ok=True)
                    place.write_text(text, encoding="utf-8")
                try:
                    fresh.rename(target)
                except OSError:
                    if not target.is_dir():  # else another process was first
                        raise
        except OSError as error:
            raise FolderError(f"{target}: cannot be written: {error.strerror or error}") from error
        return target


def read_source(folder: Path) -> Source:
    """Return the files of a firmware folder.  FolderError when it is none."""
    read_manifest(folder)
    place = source_folder(folder)
    paths = [folder / "manifest.json", *sorted(place.glob("*.[ch]"))]
    if place == folder:
        raise FolderError(f"{folder}: the firmware's C lies in no folder src here")
    files = {str(p.relative_to(folder)): p.read_text(encoding="utf-8") for p in paths}
    files["manifest.json"] = _unbuilt(files["manifest.json"])
    return Source(tuple(files.items()))


def _unbuilt(manifest: str) -> str:
    """Return a manifest without what building adds to it, which no run here depends on."""
    return json.dumps({**json.loads(manifest), "compiler": None, "sizes": {}}, indent=1) + "\n"


def without(source: Source, layers: Iterable[str]) -> Source:
    """Return the same firmware with layers switched off, as its description could."""
    files = dict(source.files)
    config = files["src/config.h"]
    for name in layers:
        for macro, value in LAYERS[name].off:
            config, found = re.subn(rf"(#define ST_CFG_{macro}) \S+", rf"\g<1> {value}", config)
            if found != 1:
                raise FolderError(
                    f"src/config.h: ST_CFG_{macro} stands there {found} times, once is wanted; "
                    f"the layer {name} cannot be switched off"
                )
        if name == "capture-filter":
            files["manifest.json"] = re.sub(
                r'("capture_filter_cycles"): \d+', r"\1: 0", files["manifest.json"]
            )
    files["src/config.h"] = config
    return Source(tuple(files.items()))


HANDLERS_KEY = "campaign_handler_share"
HANDLER_TIMES = (
    "latency_cycles",
    "capture_cycles",
    "coil_cycles",
    "alarm_cycles",
    "order_cycles",
    "bridge_cycles",
    "settle_cycles",
    "poll_hold_cycles",
)


def with_handlers(source: Source, share: float) -> Source:
    """Return the same firmware on a chip whose handlers take a share of their time."""
    if not 0.0 < share <= 10.0:
        raise RunError(f"handlers {share:g}: more than 0 and at most 10 is allowed")
    if share == 1.0:
        return source
    files = dict(source.files)
    manifest = {**json.loads(files["manifest.json"]), HANDLERS_KEY: share}
    files["manifest.json"] = json.dumps(manifest, indent=1) + "\n"
    return Source(tuple(files.items()))


def _chip_of(manifest: Manifest, first_tick: int) -> Hardware:
    chip = Hardware.of(manifest, first_tick=first_tick)
    share = float(manifest.raw.get(HANDLERS_KEY, 1.0))
    times = {name: share * getattr(chip, name) for name in HANDLER_TIMES}
    near = max(1, round(share * chip.near_ticks))
    return replace(chip, near_ticks=near, **times) if share != 1.0 else chip


def _meeting_speeds(manifest: Manifest) -> list[float]:
    """Return speeds at which the coil's own switching falls on an edge of the pulse.

    There its ringing hurts most: the charge begins on the lead edge, the spark comes on the trail
    edge.
    """
    rpm = np.arange(manifest.start.below_rpm, manifest.resume_rpm, 1.0)
    xs, ys = zip(*manifest.curve, strict=True)
    spark = np.interp(rpm, xs, ys)
    geometry = manifest.geometry
    charge = spark + manifest.dwell_us * 1e-6 * DEG_S_PER_RPM * rpm
    found = []
    for off in (
        charge - geometry.lead_edge_deg_btdc,
        spark - geometry.lead_edge_deg_btdc + geometry.arc_deg,
    ):
        met = np.flatnonzero(np.diff(np.sign(off)) != 0)
        found += [float(rpm[met[0]])] if len(met) else []
    return found


def default_speeds(manifest: Manifest) -> tuple[float, ...]:
    """Return speeds from just above the start floor to just below the limit, evenly in ratio.

    Those at which the coil switches on an edge of the pulse are among them.
    """
    low = max(300.0, manifest.start.floor_rpm * 1.15)
    even = np.geomspace(low, manifest.resume_rpm * 0.98, SPEEDS)
    return tuple(sorted({float(round(n)) for n in (*even, *_meeting_speeds(manifest))}))


def families_of(manifest: Manifest) -> tuple[str, ...]:
    """Return the families that an engine can meet: of a phase sensor's line if it has one."""
    two = manifest.two_coils
    return tuple(name for name in FAMILIES if two or name != noise_phase.PhaseLine.name)


def plan_blocks(
    families: Sequence[str],
    levels: Sequence[float],
    speeds_rpm: Sequence[float],
    seeds: Sequence[int],
    turns: int,
) -> tuple[Block, ...]:
    """Return the blocks of a campaign in their order, what is named twice once.

    RunError for what makes no sense.
    """
    for name in families:
        if name not in FAMILIES:
            raise RunError(f'family "{name}": no such family (allowed: {" | ".join(FAMILIES)})')
    for level in levels:
        if not 0.0 <= level <= LEVEL_MOST:
            raise RunError(f"level {level:g}: 0 to {LEVEL_MOST:g} is allowed; 1 is severe")
    for rpm in speeds_rpm:
        if not 10.0 <= rpm <= 60_000.0:
            raise RunError(f"speed {rpm:g} rpm: 10 to 60000 is allowed")
    families, levels = tuple(dict.fromkeys(families)), tuple(dict.fromkeys(levels))
    speeds_rpm = tuple(dict.fromkeys(speeds_rpm))
    count = len(families) * len(levels) * len(speeds_rpm) * len(seeds)
    if count > BLOCKS_MOST:
        raise RunError(
            f"seeds {len(seeds)}: {count} blocks in all, at most {BLOCKS_MOST} are allowed\n"
            "    Take fewer seeds of more turns each, or fewer families, levels or speeds."
        )
    if not seeds or min(seeds) < 0:
        raise RunError("seeds: one or more whole numbers >= 0 are wanted")
    if not 10 <= turns <= TURNS_MOST:
        raise RunError(f"turns {turns}: 10 to {TURNS_MOST} a block are allowed; take more seeds")
    slowest_rpm = min(speeds_rpm, default=np.inf)
    if turns * 60.0 / slowest_rpm > BLOCK_S_MOST:
        raise RunError(
            f"turns {turns} at {slowest_rpm:g} rpm: a block of {turns * 60.0 / slowest_rpm:.0f} s, "
            f"at most {BLOCK_S_MOST:.0f} s are allowed\n"
            f"    Take up to {int(BLOCK_S_MOST * slowest_rpm / 60.0)} turns, and more seeds."
        )
    return tuple(
        Block(family, float(level), float(rpm), int(seed), int(turns))
        for family in families
        for level in levels
        for rpm in speeds_rpm
        for seed in dict.fromkeys(seeds)
    )


@dataclass(frozen=True)
class Scene:
    """A block's inputs: the clean train, what reaches the pin, the chip."""

    manifest: Manifest
    clean: Train
    disturbed: Disturbed
    chip: Hardware


def scene_of(manifest: Manifest, block: Block) -> Scene:
    """Return a block's train, clean and disturbed; the counter starts where the seed says."""
    rng = np.random.default_rng([block.seed, 77])
    motion = motions.steady(block.rpm, angle_deg=float(rng.uniform(-400.0, -200.0)))
    clean = motions.pickup_train(motion, manifest, block.turns * 60.0 / block.rpm)
    family = FAMILIES[block.family]
    disturbed = family.disturb(clean, manifest, block.level, block.seed)
    chip = _chip_of(manifest, int(rng.integers(0, 1 << 32)))
    return Scene(manifest, clean, disturbed, chip)


def score(run: Run, clean: Train, disturbed: Disturbed, manifest: Manifest) -> Score:
    """Score any run, of the host or of an emulated chip, against the crank's motion."""
    m = measure(run, clean, manifest)
    told = disturbed.told
    own = np.maximum(m.pulse, 0)
    matched = m.pulse >= 0
    alone = np.ones(len(m.spark_s), dtype=bool)
    alone[m.stray] = False
    alone[m.wrong_coil] = False
    near = np.abs(m.error_deg) <= FAR_DEG
    exists = ~matched | (told[own] if len(told) else True)
    angle = np.where(exists, m.angle_deg_btdc, -np.inf)
    worst = int(np.argmax(angle)) if len(angle) else -1
    far = np.flatnonzero(~(near & alone))
    invariants = sum(int(run.facts.get(name, 0)) for name in INVARIANT_FACTS)
    return Score(
        pulses=len(m.pulses.at_s),
        told=int(np.count_nonzero(told)),
        sparks=len(m.spark_s),
        within=int(np.count_nonzero(near & alone)),
        lost=int(np.count_nonzero(told[m.missed])),
        added=len(m.stray),
        early=int(np.count_nonzero(angle > manifest.greatest_advance_deg + EARLY_DEG)),
        furthest_deg_btdc=round(float(angle[worst]), 6) if worst >= 0 else -180.0,
        furthest_at_s=round(float(m.spark_s[worst]), 9) if worst >= 0 else 0.0,
        first_far_s=round(float(m.spark_s[far[0]]), 9) if len(far) else -1.0,
        on_max_us=round(max(m.on_max_us, m.on_at_end_us), 3),
        invariants=invariants,
        events=disturbed.events + int(run.facts.get("noise_bursts", 0)),
        busy_share=round(run.facts.get("busy_s", 0.0) / clean.end_s, 6),
    )


def run_block(source: Source, block: Block) -> dict[str, Any]:
    """Run one block; return its score as plain values.  What every worker is given to do."""
    keep_freed_memory()
    folder = source.folder()
    scene = scene_of(read_manifest(folder), block)
    bench = Bench(load(folder), scene.chip, scene.disturbed.coil)
    found = score(bench.run(scene.disturbed.train), scene.clean, scene.disturbed, scene.manifest)
    return asdict(found)


def score_from(values: dict[str, Any]) -> Score:
    """Return a score from plain values.  KeyError when one is missing."""
    return Score(**{field.name: values[field.name] for field in fields(Score)})


@dataclass(frozen=True)
class Failure:
    """A bar that was not kept: where, by what, and the one block that shows it best."""

    family: str
    level: float
    what: str
    block: Block
    at_s: float


def failures_of(rows: Sequence[tuple[Block, Score]], manifest: Manifest) -> list[Failure]:
    """Return the bars that were not kept, in the order of the blocks.

    For every block: no on-time beyond the hard limit, no broken invariant.  At levels up to 1
    (severe; beyond it even hum swings the line as the magnet does): no spark of a told pulse beyond
    the greatest advance + 1 deg, but for one pulse in 5000 where the noise imitates the magnet; for
    families with a bar, their share of sparks within 1 deg, and no more than 1 % of the pulses
    without one.
    """
    found = []
    most_deg = manifest.greatest_advance_deg + EARLY_DEG
    most_us = manifest.hard_limit_us + ON_MARGIN_TICKS / manifest.tick_hz * 1e6
    cells: dict[tuple[str, float], list[tuple[Block, Score]]] = {}
    for block, one in rows:
        cells.setdefault((block.family, block.level), []).append((block, one))
    for (family, level), mine in cells.items():
        whole = total(one for _, one in mine)
        block, one = max(mine, key=lambda row: row[1].furthest_deg_btdc)
        allowed = int(IMITATED_SHARE * whole.told) if FAMILIES[family].imitates else 0
        if level <= LEVEL_JUDGED and whole.early > allowed:
            what = (
                f"{whole.early} sparks beyond {most_deg:g} deg BTDC, the furthest at "
                f"{one.furthest_deg_btdc:.2f}, {allowed} allowed"
            )
            found.append(Failure(family, level, what, block, one.furthest_at_s))
        block, one = max(mine, key=lambda row: row[1].on_max_us)
        if one.on_max_us > most_us:
            what = f"coil on for {one.on_max_us:.0f} us, at most {most_us:.0f} allowed"
            found.append(Failure(family, level, what, block, 0.0))
        block, one = max(mine, key=lambda row: row[1].invariants)
        if one.invariants:
            what = f"{one.invariants} broken invariants"
            found.append(Failure(family, level, what, block, 0.0))
        bar = FAMILIES[family].spark_bar
        block, one = min(mine, key=lambda row: row[1].share)
        if bar is not None and level <= LEVEL_JUDGED and whole.share < bar:
            what = (
                f"{100 * whole.share:.4f} % of sparks within 1 deg, at least {100 * bar:g} wanted"
                f" (worst block: {100 * one.share:.4f} %)"
            )
            found.append(Failure(family, level, what, block, max(one.first_far_s, 0.0)))
        block, one = max(mine, key=lambda row: row[1].lost_share)
        if bar is not None and level <= LEVEL_JUDGED and whole.lost_share > LOST_SHARE:
            what = (
                f"{100 * whole.lost_share:.2f} % of sparks lost, at most {100 * LOST_SHARE:g} "
                f"allowed (worst block: {100 * one.lost_share:.2f} %)"
            )
            found.append(Failure(family, level, what, block, max(one.first_far_s, 0.0)))
    return found
