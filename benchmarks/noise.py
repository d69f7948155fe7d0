"""Noise campaign of the Plover: every family, every layer's worth, and baselines beside it.

    python benchmarks/noise.py              10 million turns; some minutes on two cores
    python benchmarks/noise.py --short      the same in less than a minute

Host part: the firmware's own C under all families at level 1 (severe).  Chip part: the real image
and two plain hobby-style firmwares (benchmarks/baselines) on the emulated chip with the same lines,
all families, fewer turns.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from _results import Figure, record
from baselines import BASELINES, build_baseline

import sparktick.examples
from sparktick.gen import toolchain
from sparktick.gen.pipeline import generate
from sparktick.host_sim import campaign
from sparktick.host_sim.campaign import Block, Score, total
from sparktick.host_sim.campaign_layers import layers_dict
from sparktick.host_sim.campaign_run import Store, Where, run_blocks
from sparktick.host_sim.campaign_show import Rows, cells_of
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.noise_bound import bounds_of

CHIP_SPEEDS_RPM = (1500.0, 3000.0, 6000.0)
HURT_PERCENT = 5.0  # of its sparks: noise that hurts nobody proves nothing
FAST_CHIP = 0.05
EMULATOR = "simavr"  # the one that ties noise to the coil


def run(source: campaign.Source, folder: Path, seeds: int, turns: int, jobs: int) -> Rows:
    """Run all families at level 1."""
    manifest = read_manifest(source.folder())
    speeds = campaign.default_speeds(manifest)
    blocks = campaign.plan_blocks(
        campaign.families_of(manifest), (1.0,), speeds, range(1, seeds + 1), turns
    )
    return run_blocks(source, Store(folder, source, blocks, restart=True), Where(jobs))


def host_figures(rows: Rows, manifest: Manifest) -> dict[str, Figure]:
    """Return the whole campaign's figures, family by family."""
    figures: dict[str, Figure] = {
        "turns": sum(block.turns for block, _ in rows),
        "greatest_advance_deg": manifest.greatest_advance_deg,
    }
    for cell in cells_of(rows):
        name, one = cell.family.replace("-", "_"), cell.score
        figures |= {
            f"{name}_within_1_deg_percent": round(100.0 * one.share, 5),
            f"{name}_lost_percent": round(100.0 * one.lost_share, 5),
            f"{name}_beyond_greatest_advance_sparks": one.early,
            f"{name}_furthest_deg_btdc": round(one.furthest_deg_btdc, 2),
        }
    figures["on_time_longest_us"] = max(score.on_max_us for _, score in rows)
    figures["broken_invariants"] = sum(score.invariants for _, score in rows)
    failures = campaign.failures_of(rows, manifest)
    figures["limits_not_kept"] = (
        "; ".join(f"{one.family}: {one.what}" for one in failures) or "none"
    )
    return figures


def layer_figures(
    source: campaign.Source, folder: Path, turns: int, jobs: int
) -> dict[str, Figure]:
    """Return what is worse without each layer, on this chip and on one with fast handlers."""
    figures: dict[str, Figure] = {}
    for suffix, share in (("", 1.0), ("_on_a_20_times_faster_chip", FAST_CHIP)):
        tables: dict[str, Rows] = {}
        for layer in ("", *campaign.LAYERS):
            bare = campaign.without(source, (layer,) if layer else ())
            bare = campaign.with_handlers(bare, share)
            tables[layer] = run(bare, folder / f"layer{suffix}-{layer}", 1, turns, jobs)
        content = layers_dict(tables)
        figures[f"turns_each{suffix}"] = content["turns_each"]
        for row in content["layers"]:
            worst = [
                f"{one['family']} {one['before_per_100000']:.0f} -> "
                f"{one['not_kept_per_100000']:.0f}"
                for one in row["worse"][:3]
            ]
            name = (row["layer"] or "none").replace("-", "_")
            figures[f"{name}_off{suffix}"] = (
                f"moved {row['moved_per_100000']:.0f}, lost {row['lost_per_100000']:.0f} "
                f"per 100 000" + (f"; {', '.join(worst)}" if worst else "; nothing worse")
            )
    return figures


def on_chip(image: Manifest, truth: Manifest, blocks: Sequence[Block]) -> Score:
    """Run an image against the lines that blocks make of the real firmware's pickup."""
    scores = []
    for block in blocks:
        scene = campaign.scene_of(truth, block)
        job = chip_job(image, scene.disturbed.train, serial=False, noise=scene.disturbed.coil)
        run = run_chip(job, EMULATOR)
        scores.append(campaign.score(run, scene.clean, scene.disturbed, truth))
    return total(scores)


def chip_figures(ours: Manifest, folder: Path, turns: int, jobs: int) -> dict[str, Figure]:
    """Return the share of sparks lost, moved or added by our image and by the baselines."""
    images = {"ours": ours}
    images |= {kind: build_baseline(kind, ours, folder / kind) for kind in BASELINES}
    levels = [("ringing", 0.0)] + [(name, 1.0) for name in campaign.families_of(ours)]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        waiting = {
            (family, level, name): pool.submit(
                on_chip,
                image,
                ours,
                [Block(family, level, rpm, 1, turns) for rpm in CHIP_SPEEDS_RPM],
            )
            for family, level in levels
            for name, image in images.items()
        }
        scores = {key: one.result() for key, one in waiting.items()}
    figures: dict[str, Figure] = {"emulator": EMULATOR, "turns_each_speed": turns}
    hurt: dict[bool, list[str]] = {True: [], False: []}
    for (family, level, name), one in scores.items():
        wrong_percent = 100.0 * (one.lost + one.sparks - one.within) / one.told
        label = family.replace("-", "_") if level else "quiet"
        key = f"{label}_{name.replace('-', '_')}"
        figures[f"{key}_wrong_percent"] = round(wrong_percent, 3)
        figures[f"{key}_furthest_deg_btdc"] = round(one.furthest_deg_btdc, 1)
        figures[f"{key}_on_longest_us"] = one.on_max_us
        if level and name == "plain":
            hurt[wrong_percent >= HURT_PERCENT].append(family)
    figures[f"plain_{HURT_PERCENT:.0f}_percent_wrong_or_more"] = ", ".join(hurt[True])
    figures[f"plain_less_than_{HURT_PERCENT:.0f}_percent_wrong"] = ", ".join(hurt[False])
    return figures


def main() -> None:
    """Measure and record."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="a hundredth; records nothing")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", choices=("campaign", "layers", "baselines"))
    options = parser.parse_args()
    short, only = options.short, options.only
    example = Path(next(iter(sparktick.examples.__path__))) / "plover.toml"
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        generate(example, place / "fw")
        toolchain.build(place / "fw")
        manifest = read_manifest(place / "fw")
        source = campaign.read_source(place / "fw")
        sets: dict[str, dict[str, Figure]] = {}
        if only in (None, "campaign"):
            seeds, turns = (1, 1000) if short else (10, 8400)
            rows = run(source, place / "all", seeds, turns, options.jobs)
            host = host_figures(rows, manifest)
            for bound in bounds_of(source, manifest, (1500.0, 3000.0, 6000.0, 8000.0)):
                host[f"bound_of_a_false_pulse_{bound.rpm:.0f}_rpm_deg_btdc"] = round(
                    bound.furthest_deg_btdc, 1
                )
            sets["noise_campaign"] = host
        if only in (None, "layers"):
            turns = 500 if short else 10_000
            sets["noise_layers"] = layer_figures(source, place, turns, options.jobs)
        if only in (None, "baselines"):
            sets["noise_baselines"] = chip_figures(
                manifest, place, 60 if short else 1500, options.jobs
            )
    notes = {
        "noise_campaign": "Plover's own C on the host, all families at level 1 (severe), eight "
        "speeds. beyond_greatest_advance: sparks more than 1 deg further; stuck, chatter, storm "
        "and double can imitate the magnet.",
        "noise_layers": "Each layer off in turn, all families at level 1. Per 100 000 pulses; "
        "families that get worse as sparks moved, lost or added before -> without the layer.",
        "noise_baselines": "The image and two plain hobby-style firmwares on the emulated chip "
        "under the same lines, all families at level 1: sparks lost, moved by more than 1 deg, or "
        "added, in percent. Of iso-1 few sparks meet a pulse, even at the standard's shortest "
        "repetition; plain gets nearly each of those wrong.",
    }
    for name, figures in sets.items():
        if not short:
            record(name, figures, note=notes[name])
        for key, value in figures.items():
            print(f"{key}: {value}")


if __name__ == "__main__":
    main()
