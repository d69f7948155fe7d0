"""Baselines to stand beside our firmware: plain hobby-style ignitions for the same chip.

    plain      edge interrupt, half-microsecond count, computed delay, coil switched in software;
               no filter, no gate, no limit of the on-time, no watchdog (src/hobby.c)
    dead-time  the same, and edges sooner after another than the engine can turn are left out

Both are built by the compiler that builds the real firmware into a folder of the same kind, made
for the same engine (curve, dwell, limit, fixed delays from that engine's folder), so the same
trains, emulator and measurement serve:

    from baselines import build_baseline          # benchmarks/ on sys.path
    manifest = build_baseline("plain", read_manifest(OUR_FOLDER), FRESH_FOLDER)
    train = pickup_train(steady(6000.0, angle_deg=-400.0), manifest, 1.0)
    run = run_chip(chip_job(manifest, train, serial=False), "simavr")
    measured = measure(run, train, manifest)

A baseline has no core to compile for the host bench: it runs on the emulated chip only.  Its pickup
is PD2 (INT0), its coil PB1.  It does not do hand starts: below the curve's first point the curve's
first advance stands.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

from sparktick.gen.elf_image import image_sizes
from sparktick.gen.errors import BuildError, FolderError
from sparktick.gen.toolchain import find_compiler
from sparktick.host_sim.manifest import Manifest, read_manifest

BASELINES = ("plain", "dead-time")
SOURCE = Path(__file__).resolve().parent / "src"
# Part of the shortest turn (at the speed limit) in which the dead-time baseline takes no edge.
DEAD_SHARE = 0.75
# The edge's interrupt reads the clock, and the spark's switches the pin, this much late: what a
# patient hobbyist trims with a timing light.
OWN_DELAY_US = 7.0
FLAGS = ("-std=c99", "-Os", "-Wall", "-Wextra", "-Wconversion", "-Werror")


def _engine_h(kind: str, ours: Manifest) -> str:
    """Return the engine's numbers for hobby.c, in its units: ticks of 0.5 us, tenths of degrees."""
    tick_hz, spacing = ours.tick_hz, ours.geometry.spacing_deg
    rpm, deg = zip(*ours.curve, strict=True)
    fixed_us = ours.sensor_delay_us + ours.output_delay_us + OWN_DELAY_US
    per_minute = 60.0 * tick_hz * spacing / 360.0
    low = ours.raw["pickup_pin"]["active"] == "low"
    values = {
        "CURVE_POINTS": f"{len(rpm)}U",
        "CURVE_RPM": "{" + ", ".join(f"{round(x)}U" for x in rpm) + "}",
        "CURVE_TENTHS_DEG": "{" + ", ".join(f"{round(10.0 * x)}U" for x in deg) + "}",
        "RPM_TICKS": f"{round(per_minute)}UL",
        "SLOWEST_TICKS": f"{round(per_minute / ours.start.floor_rpm)}UL",
        "LIMIT_RPM": f"{round(ours.limit_rpm)}UL",
        "LEAD_TENTHS_DEG": f"{round(10.0 * ours.geometry.lead_edge_deg_btdc)}UL",
        "SPACING_TENTHS_DEG": f"{round(10.0 * spacing)}UL",
        "DWELL_TICKS": f"{round(ours.dwell_us * 1e-6 * tick_hz)}UL",
        "FIXED_TICKS": f"{round(fixed_us * 1e-6 * tick_hz)}UL",
        "PICKUP_ACTIVE_LOW": str(int(low)),
    }
    if kind == "dead-time":
        values["DEAD_TICKS"] = f"{round(DEAD_SHARE * per_minute / ours.limit_rpm)}UL"
    lines = [f"#define {name} {value}" for name, value in values.items()]
    return "/* Numbers of one engine. */\n" + "\n".join(lines) + "\n"


def _compile(folder: Path, mcu: str) -> dict[str, int]:
    """Compile the folder's C to build/firmware.elf; return its sizes as a manifest holds them."""
    elf = folder / "build" / "firmware.elf"
    elf.parent.mkdir()
    command = [str(find_compiler().path), f"-mmcu={mcu}", *FLAGS, "-o", str(elf)]
    command.append(str(folder / "src" / "hobby.c"))
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise BuildError(f"{folder}: the baseline does not compile", done.stderr)
    flash_bytes, ram_bytes = image_sizes(elf)
    return {"flash_bytes": flash_bytes, "ram_bytes": ram_bytes}


def build_baseline(kind: str, ours: Manifest, folder: Path) -> Manifest:
    """Write and compile a baseline for the engine of ``ours``; return its folder's manifest.

    ``kind`` is one of BASELINES; ``folder`` is made, or its content replaced.  FolderError for
    another kind, another chip than the ATmega328P at 16 MHz, or a spark that is no end of charge;
    ToolError and BuildError when it cannot be compiled.
    """
    if kind not in BASELINES:
        raise FolderError(f'baseline "{kind}": no such baseline (allowed: {" | ".join(BASELINES)})')
    if ours.raw["mcu"] != "atmega328p" or ours.tick_hz != 2e6 or ours.spark_on_rise:
        raise FolderError(
            f"{ours.folder}: the baselines are for an inductive coil on an ATmega328P at 16 MHz"
        )
    if folder.exists():
        shutil.rmtree(folder)
    (folder / "src").mkdir(parents=True)
    shutil.copy(SOURCE / "hobby.c", folder / "src" / "hobby.c")
    (folder / "src" / "engine.h").write_text(_engine_h(kind, ours), encoding="utf-8")
    raw = {
        **ours.raw,
        "name": f"{ours.name}, {kind} baseline",
        "pickup_pin": {**ours.raw["pickup_pin"], "port": "D", "bit": 2},
        "coil_pins": [{"port": "B", "bit": 1, "on_level": "high"}],
        "files": {"elf": "build/firmware.elf"},
        "sizes": _compile(folder, str(ours.raw["mcu"])),
    }
    (folder / "manifest.json").write_text(json.dumps(raw, indent=1) + "\n", encoding="utf-8")
    return read_manifest(folder)
