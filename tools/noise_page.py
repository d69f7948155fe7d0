"""Tables and pictures of docs/noise.md, from campaigns of the Plover."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from sparktick.gen.files import write_file
from sparktick.gen.pipeline import generate
from sparktick.host_sim import campaign
from sparktick.host_sim.campaign import Source
from sparktick.host_sim.campaign_layers import layers_dict
from sparktick.host_sim.campaign_run import Store, run_blocks
from sparktick.host_sim.campaign_show import Rows, cells_of, draw
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.noise import Iec5k
from sparktick.host_sim.noise_bound import bounds_of
from sparktick.host_sim.noise_line import Wire

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
LEVELS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
TURNS = 2000
BOUND_RPM = (1000.0, 1500.0, 2500.0, 4000.0, 6000.0, 8000.0)
FAST_CHIP = 0.05


@functools.cache
def _plover() -> tuple[Source, Manifest]:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "plover"
        generate(ROOT / "examples" / "plover.toml", folder)
        source = campaign.read_source(folder)
    return source, read_manifest(source.folder())


def _rows(source: Source, levels: tuple[float, ...], seeds: tuple[int, ...] = (1,)) -> Rows:
    manifest = _plover()[1]
    speeds = campaign.default_speeds(manifest)
    blocks = campaign.plan_blocks(campaign.families_of(manifest), levels, speeds, seeds, TURNS)
    with tempfile.TemporaryDirectory() as scratch:
        return run_blocks(source, Store(Path(scratch), source, blocks))


@functools.cache
def _campaign() -> Rows:
    return _rows(_plover()[0], LEVELS, (1, 2))


def campaign_block() -> str:
    """Return the table of all families at level 1."""
    lines = [
        "| Family | What it is | within 1 deg | lost | furthest spark |",
        "|---|---|---:|---:|---:|",
    ]
    for cell in cells_of(_campaign()):
        if cell.level != 1.0:
            continue
        family, one = campaign.FAMILIES[cell.family], cell.score
        star = " *" if family.imitates else ""
        lines.append(
            f"| `{cell.family}`{star} | {family.title} | {100 * one.share:.3f} % | "
            f"{100 * one.lost_share:.3f} % | {one.furthest_deg_btdc:.1f} deg BTDC |"
        )
    return "\n".join(lines)


def layers_block() -> str:
    """Return what is lost without each layer, on this chip and on a much faster one."""
    source, _ = _plover()
    columns = []
    for share in (1.0, FAST_CHIP):
        tables = {
            layer: _rows(
                campaign.with_handlers(campaign.without(source, (layer,) if layer else ()), share),
                (1.0,),
            )
            for layer in ("", *campaign.LAYERS)
        }
        columns.append({row["layer"]: row for row in layers_dict(tables)["layers"]})
    lines = [
        "| Layer off | moved | lost | worst in | 20 x faster chip: moved | lost | worst in |",
        "|---|---:|---:|---|---:|---:|---|",
    ]
    for layer in columns[0]:
        title = campaign.LAYERS[layer].title if layer else "none"
        cells = []
        for rows in columns:
            row = rows[layer]
            worst = row["worse"][0] if row["worse"] else None
            said = (
                f"{worst['family']}: {worst['before_per_100000']:.0f} to "
                f"{worst['not_kept_per_100000']:.0f}"
                if worst
                else "-"
            )
            cells += [f"{row['moved_per_100000']:.0f}", f"{row['lost_per_100000']:.0f}", said]
        name = f"`{layer}`, {title}" if layer else title
        lines.append(f"| {name} | {' | '.join(cells)} |")
    return "\n".join(lines)


def bound_block() -> str:
    """Return the bound of a pulse that cannot be told, at several speeds."""
    lines = [
        "| Speed | gate, each side | an edge of | brings a spark to | a pulse of | to |",
        "|---:|---:|---:|---:|---:|---:|",
    ]
    for bound in bounds_of(*_plover(), BOUND_RPM):
        near = bound.furthest_deg_btdc < 180.0
        furthest = f"{bound.furthest_deg_btdc:.0f} deg BTDC" if near else "anywhere"
        lines.append(
            f"| {bound.rpm:.0f} rpm | {bound.gate_deg:.0f} deg | {bound.edge_us:.0f} us | "
            f"{bound.edge_deg_btdc:.1f} deg BTDC | {bound.pulse_us:.0f} us | {furthest} |"
        )
    return "\n".join(lines)


def write_campaign_picture() -> None:
    """Draw sparks kept against the level, family by family."""
    draw(DOCS / "noise-campaign.svg", _campaign(), _plover()[1])


def write_line_picture() -> None:
    """Draw a standard burst pulse on the wire and at the pin."""
    wire, family = Wire.of(_plover()[1]), Iec5k()
    shape = family.shape(-family.volts)
    step_s = 1e-9
    on_wire, pin = (
        np.concatenate(([wire.line.logic_v], volts))
        for volts in wire.wave_v(False, shape, step_s, 600)
    )
    us = np.arange(601) * step_s * 1e6
    with mpl.rc_context({"svg.hashsalt": "sparktick", "svg.fonttype": "none", "font.size": 9}):
        figure = Figure(figsize=(7.0, 3.6), layout="constrained")
        above, below = figure.subplots(2, 1, sharex=True)
        above.plot(us, on_wire, color="#8a4b08", linewidth=1.0)
        above.set_ylabel("wire [V]")
        below.plot(us, pin, color="#1f6f54", linewidth=1.2)
        for volts in (wire.line.rise_threshold_v, wire.line.fall_threshold_v):
            below.axhline(volts, color="#999999", linewidth=0.7, linestyle=":")
        below.set_ylabel("pin [V]")
        below.set_xlabel("time [us]; dotted: thresholds of the input")
        for axes in (above, below):
            axes.grid(color="#dddddd", linewidth=0.5)
        figure.suptitle("IEC 61000-4-4 pulse, 2 kV through 100 pF, magnet away", fontsize=10)
        path = DOCS / "noise-line.svg"
        figure.savefig(path, metadata={"Date": None})
    write_file(path, path.read_bytes())
