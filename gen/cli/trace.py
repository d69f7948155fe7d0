"""`sparktick trace`: what a logic analyser's recording of the real thing says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ._common import json_document, json_option

if TYPE_CHECKING:
    from sparktick.host_sim.trace import TraceResult


@click.command()
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--folder",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    required=True,
    help="The firmware folder that is in the chip.",
)
@click.option("--pickup", metavar="COL", help="Line of the pickup: name, or column from 1.")
@click.option("--coil", metavar="COL", help="Line of the coil output: name, or column from 1.")
@click.option("--select", metavar="COL", help="Two coils: line of the coil select output.")
@click.option("--phase", metavar="COL", help="Two coils: line of the phase sensor.")
@click.option(
    "--time-unit",
    type=click.Choice(["s", "ms", "us", "ns", "ps"]),
    help="Unit of a CSV's time.  [default: as its heading says, else s]",
)
@click.option("--sample-hz", type=click.FloatRange(1.0, 1e10), help="Sample rate, where unknown.")
@click.option(
    "--threshold",
    type=float,
    default=0.5,
    show_default=True,
    help="Volts that divide high from low.",
)
@click.option("--replay", is_flag=True, help="Feed the recorded pickup through the firmware's C.")
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Write an SVG of the sparks."
)
@click.option(
    "--table", type=click.Path(path_type=Path, dir_okay=False), help="Write every spark as CSV."
)
@json_option
def command(
    file: Path,
    folder: Path,
    pickup: str | None,
    coil: str | None,
    select: str | None,
    phase: str | None,
    time_unit: str | None,
    sample_hz: float | None,
    threshold: float,
    replay: bool,
    picture: Path | None,
    table: Path | None,
    as_json: bool,
) -> None:
    """Judge a logic analyser's recording of pickup and coil.

    FILE is a CSV with a heading, or a VCD; record at the chip's own pins.  Every spark is measured
    in crank degrees and held against the firmware folder's plan.  A recording that is inverted,
    shifted, noisy or sampled too slowly is named as such.  Ends with 1 when a limit was not kept
    or the recording does not allow a judgement.
    """
    from sparktick.host_sim.manifest import read_manifest
    from sparktick.host_sim.recording import read_recording
    from sparktick.host_sim.trace import examine

    manifest = read_manifest(folder)
    recording = read_recording(
        file,
        pickup=pickup,
        coil=coil,
        select=select,
        phase=phase,
        time_unit=time_unit,
        sample_hz=sample_hz,
        threshold=threshold,
    )
    result = examine(recording, manifest, replay=replay)
    if picture is not None:
        from sparktick.host_sim.trace_picture import write_picture

        write_picture(picture, result)
    if table is not None:
        from sparktick.host_sim.trace_table import write_table

        write_table(table, result)
    if as_json:
        content = {"path": str(file), "folder": str(folder), **result.as_dict()}
        click.echo(json_document("trace", content), nl=False)
    else:
        click.echo(_text(result))
    if not result.passed:
        click.get_current_context().exit(1)


def _text(result: TraceResult) -> str:
    facts = result.as_dict()
    lines = [
        f"{result.recording.path.name}: {facts['duration_s']:.3f} s, one sample "
        f"{facts['sample_us']:.4g} us",
        f"{facts['pulses']} pulses, {facts['sparks']} sparks, {facts['missed']} missed, "
        f"{facts['stray']} stray",
        "",
    ]
    if facts["sparks"]:
        lines.append(f"{'':22}{'least':>10}{'mean':>10}{'most':>10}")
        for title, key, digits in (
            ("speed [rpm]", "speed_rpm", 0),
            ("spark [deg BTDC]", "spark_deg_btdc", 2),
            ("off the plan [deg]", "error_deg", 3),
            ("dwell [us]", "dwell_us", 0),
        ):
            cells = (f"{facts[f'{key}_{part}']:10.{digits}f}" for part in ("min", "mean", "max"))
            lines.append(f"{title:22}{''.join(cells)}")
        if facts["jitter_deg_rms"] is not None:
            lines.append(f"{'jitter [deg rms]':22}{'':10}{facts['jitter_deg_rms']:10.4f}")
        lines.append("")
    lines += [f"{finding.name}: {finding.text}" for finding in result.findings]
    if facts["replay"]:
        lines += _replay_lines(facts["replay"])
    for check in result.verdict.failures:
        place = f", worst at {check.at_s:.4f} s" if check.at_s is not None else ""
        lines.append(
            f"{check.name}: {check.value:.4g} {check.unit}, limit {check.limit:.4g}{place}"
        )
    if any(finding.fatal for finding in result.findings):
        lines.append("The recording does not show that the plan was kept.")
    else:
        lines.append("The plan was kept." if result.passed else "The plan was not kept.")
    return "\n".join(lines)


def _replay_lines(replay: dict[str, Any]) -> list[str]:
    """Tell how far recording and firmware are apart, and where."""
    lines = [
        f"replay: {replay['compared']} sparks compared, at most {replay['apart_max_us']:.3f} us "
        f"apart ({replay['allowed_us']:.3g} by sampling and ticks); {replay['only_recorded']} only "
        f"recorded, {replay['only_firmware']} only by the firmware"
    ]
    for title, key in (("only recorded", "only_recorded_s"), ("only firmware", "only_firmware_s")):
        if replay[key]:
            lines.append(f"  {title} at {', '.join(f'{at:.4f}' for at in replay[key])} s")
    if replay["apart"]:
        places = ", ".join(
            f"{one['apart_us']:+.1f} at {one['at_s']:.4f} s" for one in replay["apart"]
        )
        lines.append(f"  firmware later by us: {places}")
    return lines
