"""The contract of a firmware folder, manifest.json, as a frozen value."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sparktick.gen.errors import FolderError
from sparktick.gen.sensor_line import SensorLine

SCHEMA = 1


@dataclass(frozen=True)
class Start:
    """Sparks at hand-start speed: below ``below_rpm`` (until above it; down to ``leave_rpm``).

    ``steady``: where the spark comes in start mode when the crank turns evenly,
    ((rpm, deg BTDC), ...), straight lines between, ends held.
    """

    below_rpm: float
    leave_rpm: float
    deg_btdc: float
    floor_rpm: float
    charge: str
    steady: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Geometry:
    """Pickup: lead edge in crank degrees BTDC, arc in crank degrees, pulses a turn of its shaft."""

    lead_edge_deg_btdc: float
    arc_deg: float
    pulses_per_turn: int
    shaft: str

    @property
    def spacing_deg(self) -> float:
        """Crank degrees from one lead edge to the next."""
        return (720.0 if self.shaft == "cam" else 360.0) / self.pulses_per_turn


@dataclass(frozen=True)
class Manifest:
    """manifest.json of a firmware folder; units are in the names, ``raw`` is the whole document.

    ``sensor_delay_us`` is that of the lead edge, ``trail_delay_us`` of the trail edge.
    ``spark_on_rise``: the spark comes when the output goes on (capacitor-discharge trigger).
    """

    folder: Path
    name: str
    f_cpu_hz: float
    tick_hz: float
    geometry: Geometry
    start: Start
    curve: tuple[tuple[float, float], ...]
    dwell_us: float
    hard_limit_us: float
    off_min_us: float
    limit_rpm: float
    resume_rpm: float
    predictor: str
    table_bound_deg: float
    sensor_delay_us: float
    output_delay_us: float
    capture_delay_cycles: float
    lock_intervals: int
    greatest_advance_deg: float
    watchdog_us: float
    trail_delay_us: float
    capture_filter_cycles: int
    spark_on_rise: bool
    top_rpm: float
    accel_rpm_per_s: float
    capture_late_us: float = 0.0
    handler_time_ratio: float = 1.0
    capture_sample_cycles: int = 1
    sensor_line: SensorLine | None = None
    raw: dict[str, Any] = field(repr=False, compare=False, default_factory=dict)

    @property
    def late_ticks(self) -> float:
        """Ticks by which other handlers may delay a time stamp; 0 where a timer takes it."""
        return self.capture_late_us * 1e-6 * self.tick_hz

    @property
    def two_coils(self) -> bool:
        """Whether each cylinder has its own coil; a phase sensor tells whose pulse it is."""
        return "phase_pin" in self.raw


def _points(values: Any) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in values)


def _line_of(raw: dict[str, Any]) -> SensorLine | None:
    """Return the sensor's wire; None in folders written before the manifest told."""
    found = raw.get("sensor_line")
    if found is None:
        return None
    return SensorLine(
        logic_v=float(found["logic_v"]),
        pull_up_ohm=float(found["pull_up_ohm"]),
        series_ohm=float(found["series_ohm"]),
        filter_f=float(found["filter_nf"]) * 1e-9,
        low_v=float(found["low_v"]),
        rise_threshold_v=float(found["rise_threshold_v"]),
        fall_threshold_v=float(found["fall_threshold_v"]),
    )


def _build(folder: Path, raw: dict[str, Any]) -> Manifest:
    start, geometry = raw["start"], raw["geometry"]
    return Manifest(
        folder=folder,
        name=str(raw["name"]),
        f_cpu_hz=float(raw["f_cpu_hz"]),
        tick_hz=float(raw["tick_hz"]),
        geometry=Geometry(
            lead_edge_deg_btdc=float(geometry["lead_edge_deg_btdc"]),
            arc_deg=float(geometry["arc_deg"]),
            pulses_per_turn=int(geometry["pulses_per_turn"]),
            shaft=str(geometry["shaft"]),
        ),
        start=Start(
            below_rpm=float(start["below_rpm"]),
            leave_rpm=float(start["leave_rpm"]),
            deg_btdc=float(start["deg_btdc"]),
            floor_rpm=float(start["floor_rpm"]),
            charge=str(start["charge"]),
            steady=_points(start["steady"]),
        ),
        curve=_points(raw["curve"]),
        **{
            key: float(raw[key])
            for key in (
                "dwell_us",
                "hard_limit_us",
                "off_min_us",
                "limit_rpm",
                "resume_rpm",
                "table_bound_deg",
                "sensor_delay_us",
                "output_delay_us",
                "capture_delay_cycles",
                "greatest_advance_deg",
                "watchdog_us",
            )
        },
        predictor=str(raw["predictor"]),
        lock_intervals=int(raw["lock_intervals"]),
        trail_delay_us=float(raw.get("sensor_trail_delay_us", raw["sensor_delay_us"])),
        capture_filter_cycles=int(raw.get("capture_filter_cycles", 4)),
        spark_on_rise=raw.get("spark_edge", "off") == "on",
        top_rpm=float(raw.get("top_rpm", raw["limit_rpm"])),
        accel_rpm_per_s=float(raw.get("accel_rpm_per_s", 0.0)),
        sensor_line=_line_of(raw),
        handler_time_ratio=float(raw.get("handler_time_ratio", 1.0)),
        capture_sample_cycles=int(raw.get("capture_sample_cycles", 1)),
        capture_late_us=float(raw.get("capture_late_us", 0.0)),
        raw=raw,
    )


def read_manifest(folder: Path | str) -> Manifest:
    """Read manifest.json of a firmware folder.

    Raises FolderError when it is missing, not JSON, of another schema, or lacks a key.
    """
    path = Path(folder) / "manifest.json"
    remedy = "    Generate the folder again: `sparktick generate ENGINE.toml FOLDER --force`."
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FolderError(
            f"{path}: cannot be read: {error.strerror}\n"
            "    A firmware folder holds manifest.json; `sparktick generate` writes it."
        ) from error
    except ValueError as error:
        raise FolderError(f"{path}: not JSON: {error}\n{remedy}") from error
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA:
        found = raw.get("schema") if isinstance(raw, dict) else type(raw).__name__
        raise FolderError(f"{path}: schema {found!r}, this version reads {SCHEMA}\n{remedy}")
    try:
        return _build(Path(folder), raw)
    except KeyError as error:
        raise FolderError(f"{path}: the key {error} is missing\n{remedy}") from error
    except (TypeError, ValueError) as error:
        raise FolderError(f"{path}: a value of the wrong kind: {error}\n{remedy}") from error
