"""Upsets in the running image: ours in thousands, the hobby-style baselines beside it.

    python benchmarks/upsets.py [OURS [BASELINES]]

Single bits of RAM in use, CPU registers, I/O registers and program counter, and short brown-outs,
at random instants at three speeds on simavr 1.6.  The classes are those of host_sim/upset.py.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from _results import Figure, record
from baselines import BASELINES, build_baseline

from sparktick.gen import pipeline, toolchain
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.upset import UpsetResult, cores, run_campaign
from sparktick.host_sim.upset_cases import Campaign

ROOT = Path(__file__).parent.parent
OURS, THEIRS = 10_500, 500
SEED = 2026


def figures(name: str, result: UpsetResult, took_s: float) -> dict[str, Figure]:
    """Return one firmware's figures, its name before each."""
    told = result.as_dict()
    found: dict[str, Figure] = {f"{name}_upsets": told["upsets"]}
    found |= {f"{name}_{key.replace('-', '_')}": n for key, n in told["outcomes"].items()}
    for space, counts in told["outcomes_by_space"].items():
        text = ", ".join(f"{key} {n}" for key, n in counts.items() if n)
        found[f"{name}_by_{space.replace('-', '_')}"] = text
    early = "upsets_with_early_spark"
    for key in ("on_max_us", "dark_max_ms", "recovered_turns_mean", "recovered_turns_max", early):
        found[f"{name}_{key}"] = told[key] if told[key] is not None else "none recovered"
    found[f"{name}_right_again_turns_max"] = told["right_again_turns_max"]
    found[f"{name}_upsets_per_s"] = told["upsets"] / took_s
    return found


def upset(name: str, manifest: Manifest, count: int) -> dict[str, Figure]:
    """Run one firmware's campaign."""
    begun = time.perf_counter()
    result = run_campaign(Campaign(manifest, seed=SEED, upsets=count))
    took_s = time.perf_counter() - begun
    print(f"{name}: {result.total} in {took_s:.0f} s")
    for outcome in result.failures[:5] if name == "ours" else ():
        print("   ", outcome)
    return figures(name, result, took_s)


def main() -> int:
    """Run all three, record, and return 1 when ours failed."""
    ours_count, their_count = (
        [int(a) for a in sys.argv[1:]] + [OURS, THEIRS][len(sys.argv) - 1 :]
    )[:2]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name, "plover")
        pipeline.generate(ROOT / "examples" / "plover.toml", folder)
        toolchain.build(folder)
        ours = read_manifest(folder)
        campaign = Campaign(ours)
        found: dict[str, Figure] = {
            "speeds_rpm": ", ".join(f"{rpm:g}" for rpm in campaign.speeds_rpm),
            "on_allowed_us": round(campaign.allowed_on_s * 1e6, 3),
            "cores": cores(None),
        }
        found |= upset("ours", ours, ours_count)
        for kind in BASELINES:
            base = build_baseline(kind, ours, Path(name, kind))
            found |= upset(kind.replace("-", "_"), base, their_count)
    record(
        "Upsets in the running image",
        found,
        "Random single upsets of the Plover's image on simavr 1.6: no effect, one spark, several, "
        "recovered after a reset, dead, coil on too long; two hobby-style firmwares beside it.",
    )
    return int(found["ours_dead"] != 0 or found["ours_too_long"] != 0)


if __name__ == "__main__":
    sys.exit(main())
