"""Plan -> firmware folder: the core's C copied as it is, one port, generated numbers, manifest.

The folder is complete in itself.  Templates see the plan, the board and the manifest, nothing else.
"""

from __future__ import annotations

import importlib.metadata
import importlib.resources
import json
import re
import shutil
import tempfile
from collections.abc import Iterable
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import jinja2

from .avr_flags import UNUSED_FLASH
from .board import TIMED_BOARD, Board, load_board
from .delay_table import Line
from .design import START_LEAVE, Design
from .errors import FolderError
from .families import FAMILIES
from .fuses import memory
from .plan import FASTEST_RPM, Plan
from .telling import EXAMPLE_SECONDS, example_line, example_rpm
from .uploading import is_boot_loader, upload_line, uploader_of

MANIFEST = "manifest.json"
MANIFEST_SCHEMA = 1
SOURCE = "src"
SOURCES = (".c", ".h", ".S", ".ld")  # what a port's folder may give to an image
IMAGE = "build/firmware"
OWN_FILES = "sparktick manifest"
BUILT = ("build", ".pio")  # what compilers leave in a folder


def tool_version() -> str:
    """Version of the installed tool."""
    return importlib.metadata.version("sparktick")


def _templates() -> Traversable:
    return importlib.resources.files("sparktick.templates_c")


def u32(value: int) -> str:
    """C spelling of an unsigned 32-bit constant.

    >>> u32(12)
    'UINT32_C(12)'
    """
    return f"UINT32_C({value})"


def table_line(line: Line) -> str:
    """C initialiser of one table line.

    >>> table_line(Line(10, -5, 7, weight_q8=130, gate_q16=900))
    '{UINT32_C(10), -5L, 7U, 0x0000U, 130U, 900U}'
    """
    head = f"{u32(line.from_ticks)}, {line.base_q8}L, {line.slope_q16}U, 0x{line.form:04X}U"
    return f"{{{head}, {line.weight_q8}U, {line.gate_q16}U}}"


def rpm_text(plan: Plan, field: str) -> str:
    """Speed that a period field of the plan stands for."""
    return f"{plan.rpm(getattr(plan, field)):.0f} rpm"


def us_text(plan: Plan, field: str) -> str:
    """Microseconds of a field of the plan."""
    return f"{getattr(plan, field) / plan.tick_hz * 1e6:.6g} us"


def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=jinja2.FunctionLoader(
            lambda name: (_templates() / "project" / name).read_text(encoding="utf-8")
        ),
    )
    environment.filters.update(u32=u32, table_line=table_line, rpm=rpm_text, us=us_text)
    return environment


def _core_header() -> str:
    return (_templates() / "core" / "st_core.h").read_text(encoding="utf-8")


def core_version() -> int:
    """Version of the core's interface, read from its own header."""
    found = re.search(r"#define ST_CORE_VERSION (\d+)", _core_header())
    if found is None:
        raise FolderError("st_core.h: no ST_CORE_VERSION; the installation is damaged")
    return int(found[1])


def core_names(enum: str, prefix: str) -> list[tuple[int, str, str]]:
    """Return number, name and comment of each value of an enum of st_core.h.

    >>> core_names("st_mode", "ST_")[0]
    (0, 'stopped', 'nothing known')
    """
    body = re.search(r"typedef enum \{([^}]*)\} " + enum + ";", _core_header())
    if body is None:
        raise FolderError(f"st_core.h: no {enum}; the installation is damaged")
    found = re.findall(prefix + r"(\w+) = (\d+),?\s*/\*(.*?)\*/", body[1], re.DOTALL)
    return [(int(number), name.lower(), " ".join(text.split())) for name, number, text in found]


NEAR_START = 1.5  # times the starting speed, up to which pulses spark so until lock (st_sync.c)


def _steady_start(design: Design, plan: Plan) -> list[list[float]]:
    """Where a start spark comes when the crank turns evenly: [rpm, deg BTDC] points."""
    from .delay_table import evaluate_q8

    points = []
    start = design.start
    fixed = (
        design.capture_delay_s + design.trail_delay_s + design.output_delay_s
    ) * plan.tick_hz + 0.5
    low, high = start.floor_rpm, start.below_rpm
    speeds = [low * (high / low) ** (k / 64) for k in range(65)]
    speeds += [high * NEAR_START ** (k / 24) for k in range(1, 25)]
    for rpm in speeds:
        width = plan.rpm_ticks / rpm * design.arc_deg / design.spacing_deg
        delay = float(evaluate_q8(plan.start_table, [round(width)])[0]) / 256.0
        if not (plan.start_charge_early or plan.spark_on_rise):
            delay = max(delay, float(plan.dwell_ticks + plan.guard_ticks))
        spark = (delay + fixed) / plan.tick_hz * 6.0 * rpm
        points.append([round(rpm, 3), round(design.trail_deg_btdc - spark, 4)])
    return points


def manifest_of(design: Design, plan: Plan) -> dict[str, Any]:
    """Return what a simulator or a harness must know to drive and judge the image (see docs)."""
    board, start = design.board, design.start
    pins = board.pins

    def pin(name: str) -> dict[str, Any]:
        found = getattr(pins, name)
        return {"port": found.port, "bit": found.bit}

    return {
        "schema": MANIFEST_SCHEMA,
        "kind": OWN_FILES,
        "tool_version": tool_version(),
        "description_digest": design.digest,
        "name": design.name,
        "board": board.name,
        "family": board.family,
        "mcu": board.mcu,
        "f_cpu_hz": board.f_cpu_hz,
        "tick_hz": plan.tick_hz,
        "pickup_pin": {**pin("pickup"), "active": "low" if plan.active_low else "high"},
        "coil_pins": [{**pin("coil"), "on_level": "high" if plan.coil_on_high else "low"}],
        **_extra_pins(design, plan),
        "lamp_pin": pin("lamp"),
        "tacho_pin": pin("tacho"),
        "serial": {
            "pin": pin("serial_tx") if board.has_serial else None,
            "baud": plan.baud,
            "on": plan.tell,
        },
        "geometry": {
            "lead_edge_deg_btdc": design.lead_deg_btdc,
            "arc_deg": design.arc_deg,
            "pulses_per_turn": design.pulses_per_turn,
            "shaft": design.shaft,
            "spacing_deg": design.spacing_deg,
        },
        "start": {
            "below_rpm": start.below_rpm,
            "leave_rpm": start.below_rpm * START_LEAVE,
            "deg_btdc": start.deg_btdc,
            "floor_rpm": start.floor_rpm,
            "charge": "before-trail" if plan.start_charge_early else "after-trail",
            "carry_rpm": round(start.carry_rpm, 3),
            "steady": _steady_start(design, plan),
        },
        "curve": [list(point) for point in design.curve],
        "greatest_advance_deg": design.greatest_deg_btdc,
        "top_rpm": design.top_rpm,
        "spark_edge": "on" if plan.spark_on_rise else "off",
        "dwell_us": plan.dwell_ticks / plan.tick_hz * 1e6,
        "hard_limit_us": plan.hard_limit_ticks / plan.tick_hz * 1e6,
        "off_min_us": plan.off_min_ticks / plan.tick_hz * 1e6,
        "limit_rpm": design.limit_rpm,
        "resume_rpm": design.resume_rpm,
        "predictor": plan.predictor,
        "predictor_reason": plan.predictor_reason,
        "arc_timing": plan.arc_timing,
        "lock_intervals": plan.lock_intervals,
        "bridge_most": plan.bridge_most,
        "accel_rpm_per_s": design.accel_rpm_per_s,
        "table_bound_deg": plan.table_bound_deg,
        "table_bytes": plan.table_bytes,
        "sensor_lead_delay_us": design.lead_delay_s * 1e6,
        "sensor_trail_delay_us": design.trail_delay_s * 1e6,
        "sensor_delay_us": design.lead_delay_s * 1e6,
        "sensor_line": {
            "logic_v": design.wire.logic_v,
            "low_v": design.wire.low_v,
            "pull_up_ohm": design.wire.pull_up_ohm,
            "series_ohm": design.wire.series_ohm,
            "filter_nf": design.wire.filter_f * 1e9,
            "rise_threshold_v": design.wire.rise_threshold_v,
            "fall_threshold_v": design.wire.fall_threshold_v,
        },
        "output_delay_us": design.output_delay_s * 1e6,
        "capture_filter_cycles": board.timer.filter_cycles if plan.capture_filter else 0,
        **_samples_apart(board, plan),
        "service_cycles": board.service_cycles,
        **_slower_handlers(board),
        "capture_late_us": board.timer.late_cycles * 1e6 / board.f_cpu_hz,
        "capture_delay_cycles": design.capture_delay_s * board.f_cpu_hz,
        "watchdog_us": board.watchdog.period_us,
        "watchdog_longest_us": board.watchdog.longest_us,
        "files": {
            kind: f"{IMAGE}.{kind}" for kind in ("elf", *FAMILIES[board.family].formats, "map")
        },
        "compiler": None,
        "sizes": {},
    }


def _samples_apart(board: Board, plan: Plan) -> dict[str, int]:
    """Tell where the capture filter looks at the pin less than every clock."""
    every = board.timer.sample_cycles
    return {"capture_sample_cycles": every} if plan.capture_filter and every > 1 else {}


def _slower_handlers(board: Board) -> dict[str, float]:
    """Tell how much longer handlers run than on the chip whose times the simulator knows."""
    ratio = board.longest_handler_cycles / load_board(TIMED_BOARD).longest_handler_cycles
    return {"handler_time_ratio": round(ratio, 2)} if ratio >= 1.005 else {}


def _extra_pins(design: Design, plan: Plan) -> dict[str, Any]:
    """Pins of two coils and of a measured supply, with what the simulators need to know."""
    pins, extra = design.board.pins, {}
    if plan.two_coils and pins.coil_select and pins.phase:
        extra["coil_select_pin"] = {"port": pins.coil_select.port, "bit": pins.coil_select.bit}
        extra["phase_pin"] = {
            "port": pins.phase.port,
            "bit": pins.phase.bit,
            "second": "low" if plan.active_low else "high",
        }
    supply = design.supply_dwell
    if supply is not None and pins.supply:
        extra["supply_pin"] = {
            "port": pins.supply.port,
            "bit": pins.supply.bit,
            "pin_part": supply.pin_part,
            "nominal_v": design.supply_volts,
            "dwell_us": [
                [round(float(v), 4), ticks / plan.tick_hz * 1e6]
                for v, ticks in zip(supply.volts, plan.dwell_table, strict=True)
            ],
        }
    return extra


def _analogue_channel(design: Design) -> int:
    """Channel of the supply's analogue input: the number in its function, as 0 in ADC0."""
    pin = design.board.pins.supply
    return 0 if pin is None else int("0" + "".join(c for c in pin.function if c.isdigit()))


def manifest_text(manifest: dict[str, Any]) -> str:
    """Return the manifest as it is written."""
    return json.dumps(manifest, indent=1) + "\n"


def banner(design: Design) -> str:
    """First line of every generated file."""
    return (
        f"{design.name} on {design.board.name}: generated by sparktick {tool_version()} from "
        f"description {design.digest[:12]}. Do not edit."
    )


def _c_files(design: Design) -> dict[str, str]:
    files = {}
    family, shared = design.board.family, FAMILIES[design.board.family].shared
    for folder in ("core", f"port/{family}", "port/shared"):
        source = _templates()
        for part in folder.split("/"):
            source = source / part
        for file in source.iterdir():
            if file.name in shared or (folder != "port/shared" and file.name.endswith(SOURCES)):
                files[f"{SOURCE}/{file.name}"] = file.read_text(encoding="utf-8")
    return files


def render_files(design: Design, plan: Plan) -> dict[str, str]:
    """Every file of the firmware folder by its path in it; the same plan gives the same bytes."""
    environment = _environment()
    family = FAMILIES[design.board.family]
    manifest = manifest_of(design, plan)
    used = {"pickup", "coil", "lamp", "tacho", "serial_tx"}
    used |= {"coil_select", "phase"} if plan.two_coils else set()
    used |= {"supply"} if plan.dwell_table else set()
    wired = [
        (use, pin) for use, pin in design.board.pins.named().items() if use in used | {"serial_rx"}
    ]
    pins = [(use, pin) for use, pin in wired if use in used]
    modes, counters = core_names("st_mode", "ST_"), core_names("st_counter", "ST_N_")
    view = {
        "plan": plan,
        "design": design,
        "board": design.board,
        "pins": pins,
        "wired": wired,
        "manifest": manifest,
        "banner": banner(design),
        "core_version": core_version(),
        "fastest_rpm": max(FASTEST_RPM, design.limit_rpm * 1.25),
        "family": family,
        "upload_line": upload_line,
        "uploader_of": uploader_of,
        "programmers": [way for way in design.board.upload if not is_boot_loader(way)],
        "boots": any(is_boot_loader(way) for way in design.board.upload),
        "fuse_memory": memory,
        "flags": family.flags,
        "chip_flags": family.chip(design.board.mcu),
        "supply_channel": _analogue_channel(design),
        "modes": modes,
        "counters": counters,
        "example_line": example_line(design, plan, modes[-1][0], len(counters)),
        "example_rpm": example_rpm(design),
        "example_seconds": EXAMPLE_SECONDS,
    }
    files = _c_files(design)
    for template in sorted(item.name for item in (_templates() / "project").iterdir()):
        if template.endswith(".j2"):
            name = template.removesuffix(".j2")
            if name == UNUSED_FLASH and not any(name in flag for flag in family.flags.link):
                continue  # a family that fills its flash otherwise
            place = f"{SOURCE}/{name}" if name.endswith((".h", ".ld")) else name
            files[place] = environment.get_template(template).render(view)
    files[MANIFEST] = manifest_text(manifest)
    return dict(sorted(files.items()))


def read_manifest(folder: Path) -> dict[str, Any]:
    """Return the manifest of a firmware folder.  Raises FolderError when it is not one."""
    path = folder / MANIFEST
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise FolderError(
            f"{folder}: not a firmware folder, it holds no {MANIFEST}\n"
            "    `sparktick generate DESCRIPTION.toml FOLDER` writes one."
        ) from None
    except (OSError, ValueError) as error:
        raise FolderError(f"{path}: cannot be read: {error}") from None
    if not isinstance(found, dict) or found.get("schema") != MANIFEST_SCHEMA:
        raise FolderError(
            f"{path}: not a manifest of schema {MANIFEST_SCHEMA}; generate the folder again"
        )
    return found


def write_folder(files: dict[str, str], folder: Path, *, force: bool) -> None:
    """Write a whole folder or nothing: into a temporary one beside it, then put in place.

    Files beside ours in a folder that is replaced (notes, .git) are kept; ``src`` is not.  Raises
    FolderError when something is there already and ``force`` is not given, or when what is there
    is not a firmware folder.
    """
    _check_free(folder, force=force)
    folder = folder.absolute()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{folder.name}.", dir=folder.parent) as temporary:
            fresh = Path(temporary) / "fresh"
            for name, text in files.items():
                path = fresh / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(text, encoding="utf-8")
            if folder.exists():
                ours = {Path(name).parts[0] for name in files}
                _keep_others(folder, fresh, (*ours, *BUILT))
            swap_folder(fresh, folder, Path(temporary) / "old")
    except OSError as error:
        raise FolderError(f"{folder}: cannot be written: {error.strerror or error}") from error


def _check_free(folder: Path, *, force: bool) -> None:
    if not (folder.exists() or folder.is_symlink()):
        return
    if not force:
        raise FolderError(
            f"{folder}: exists already, nothing was written\n"
            "    Choose another folder, or --force to replace it."
        )
    if Path.cwd().is_relative_to(folder.resolve()):
        raise FolderError(
            f"{folder}: is the folder you are in, and cannot be replaced from inside\n"
            "    `cd` out of it first."
        )
    if not folder.is_dir() or (any(folder.iterdir()) and not _is_ours(folder)):
        raise FolderError(
            f"{folder}: is not a firmware folder, and is not replaced even with --force\n"
            "    Choose another folder."
        )


def _is_ours(folder: Path) -> bool:
    """Whether a folder holds a manifest of ours, of whatever schema."""
    try:
        found = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(found, dict) and found.get("kind") == OWN_FILES


def _keep_others(folder: Path, fresh: Path, ours: Iterable[str]) -> None:
    """Copy what the user put beside the generated files."""
    for path in folder.iterdir():
        if path.name in ours:
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, fresh / path.name, symlinks=True)
        else:
            shutil.copy2(path, fresh / path.name, follow_symlinks=False)


def swap_folder(fresh: Path, folder: Path, old: Path) -> None:
    """Put a folder in the place of another, which goes to ``old``; back again when that fails."""
    if folder.exists():
        folder.rename(old)
    try:
        fresh.rename(folder)
    except BaseException:
        if old.exists() and not folder.exists():
            old.rename(folder)
        raise
