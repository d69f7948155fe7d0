"""Library of generic parts: coils, drivers, sensors, batteries, with their spread and source.

The shipped files are ``gen/data/{coils,drivers,sensors,batteries}.toml``; a user's own file
has the same tables and may hold any mixture of them.  Values keep the units their keys
name; ``circuit`` and ``battery`` turn them into the SI values the physics takes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from .battery import Battery
from .coil import PrimaryCircuit
from .errors import DescriptionError, Fault

SHIPPED = Path(__file__).parent / "data"
FILES = ("coils.toml", "drivers.toml", "sensors.toml", "batteries.toml")


@dataclass(frozen=True)
class Spread:
    """A value that differs from part to part: what is usual, and its two extremes."""

    typical: float
    low: float
    high: float


@dataclass(frozen=True)
class Part:
    """What every part says of itself; ``confidence`` is read, run or memory."""

    name: str
    text: str
    source: str
    confidence: str


@dataclass(frozen=True)
class CoilPart(Part):
    """An inductive ignition coil; resistances at 20 C."""

    size_mm: tuple[float, ...]
    primary_ohm: Spread
    primary_mh: Spread
    saturation_a: Spread
    turns_ratio: Spread
    secondary_ohm: Spread
    secondary_pf: Spread
    spark_current_a: float
    heat_limit_w: float
    heat_capacity_j_per_k: float
    winding_max_c: float
    leads: int


@dataclass(frozen=True)
class LogicCoilPart(Part):
    """A coil with its own switch: what it wants at its logic pin.

    ``dwell_ms`` is the window its maker allows, ``max_on_ms`` the longest on-time it
    survives, ``logic_volts_min`` what it surely takes for "charge".
    """

    size_mm: tuple[float, ...]
    dwell_ms: Spread
    max_on_ms: float
    current_a: float
    energy_mj: Spread
    logic_volts_min: float
    leads: int


@dataclass(frozen=True)
class DriverPart(Part):
    """The switch of the primary; ``kind`` as in an engine description's [driver]."""

    kind: str
    drop_v: Spread
    on_ohm: Spread
    max_current_a: float
    clamp_v: Spread
    clamp_energy_mj: Spread
    output_delay_us: Spread
    gate_volts_min: float
    thermal_k_per_w: float
    heat_capacity_j_per_k: float
    junction_max_c: float


@dataclass(frozen=True)
class SensorPart(Part):
    """A pickup; fields in millitesla."""

    kind: str
    operate_mt: Spread
    release_mt: Spread
    delay_us: Spread
    volts_min: float
    volts_max: float
    sink_ma: float


@dataclass(frozen=True)
class BatteryPart(Part):
    """A row of cells; ``capacity`` holds pairs of steady ampere and ampere hours."""

    cells: int
    cell_full_v: float
    cell_flat_v: float
    cell_ohm: Spread
    capacity: tuple[tuple[float, float], ...]

    def battery(self, worst: bool = False) -> Battery:
        """Return the cells as the physics takes them; ``worst`` with their highest resistance."""
        ohm = self.cell_ohm.high if worst else self.cell_ohm.typical
        at, amounts = zip(*self.capacity, strict=True)
        return Battery(self.cells, self.cell_full_v, self.cell_flat_v, ohm, at, amounts)


@dataclass(frozen=True)
class Parts:
    """All parts by name."""

    coils: Mapping[str, CoilPart] = field(default_factory=dict)
    logic_coils: Mapping[str, LogicCoilPart] = field(default_factory=dict)
    drivers: Mapping[str, DriverPart] = field(default_factory=dict)
    sensors: Mapping[str, SensorPart] = field(default_factory=dict)
    batteries: Mapping[str, BatteryPart] = field(default_factory=dict)


TABLES: dict[str, tuple[str, type[Part]]] = {
    "coil": ("coils", CoilPart),
    "logic_coil": ("logic_coils", LogicCoilPart),
    "driver": ("drivers", DriverPart),
    "sensor": ("sensors", SensorPart),
    "battery": ("batteries", BatteryPart),
}


def load_parts(*extra: Path) -> Parts:
    """Read the shipped parts and a user's own files; a later part replaces one of its name.

    Raises DescriptionError with one fault for each wrong key, or for an unreadable file.
    """
    if not extra:
        return _shipped()
    return _read_all((*_shipped_files(), *extra))


@cache
def _shipped() -> Parts:
    return _read_all(_shipped_files())


def circuit(
    coil: CoilPart,
    driver: DriverPart,
    battery: BatteryPart,
    *,
    ballast_ohm: float = 0.0,
    wiring_ohm: float = 0.05,
    coil_c: float = 60.0,
) -> PrimaryCircuit:
    """Join three parts, at their typical values and a full battery, into a primary circuit."""
    cells = battery.battery()
    return PrimaryCircuit(
        coil_ohm=coil.primary_ohm.typical,
        inductance_h=coil.primary_mh.typical * 1e-3,
        supply_v=cells.full_v,
        ballast_ohm=ballast_ohm,
        driver_drop_v=driver.drop_v.typical,
        driver_ohm=driver.on_ohm.typical,
        wiring_ohm=wiring_ohm,
        battery_ohm=cells.internal_ohm,
        saturation_a=coil.saturation_a.typical,
        coil_c=coil_c,
    )


def _shipped_files() -> tuple[Path, ...]:
    return tuple(SHIPPED / name for name in FILES)


def _read_all(paths: Iterable[Path]) -> Parts:
    found: dict[str, dict[str, Any]] = {group: {} for group, _ in TABLES.values()}
    faults: list[Fault] = []
    for path in paths:
        for table, rows in _read_tables(path).items():
            _take_table(str(path), table, rows, found, faults)
    if faults:
        raise DescriptionError(*faults)
    return Parts(**found)


def _read_tables(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        fault = Fault(str(path), "", f"cannot be read: {reason}")
    except tomllib.TOMLDecodeError as error:
        fault = Fault(str(path), "", f"is not TOML: {error}")
    raise DescriptionError(fault)


def _take_table(
    file: str, table: str, rows: Any, found: dict[str, dict[str, Any]], faults: list[Fault]
) -> None:
    if table not in TABLES or not isinstance(rows, list):
        allowed = ", ".join(f"[[{name}]]" for name in TABLES)
        faults.append(Fault(file, table, "is not a list of parts", allowed=allowed))
        return
    group, kind = TABLES[table]
    for number, row in enumerate(rows, start=1):
        before = len(faults)
        name = row.get("name", f"number {number}") if isinstance(row, dict) else f"number {number}"
        values = _part_values(file, f"{table} {name}", kind, row, faults)
        if len(faults) == before:
            found[group][values["name"]] = kind(**values)


def _part_values(
    file: str, place: str, kind: type[Part], row: Any, faults: list[Fault]
) -> dict[str, Any]:
    if not isinstance(row, dict):
        faults.append(Fault(file, place, "is not a table"))
        return {}
    known = {f.name: f for f in fields(kind)}
    for key in sorted(row.keys() - known.keys()):
        keys = ", ".join(known)
        faults.append(Fault(file, f"{place}.{key}", "is not a key of this part", allowed=keys))
    values = {}
    for name, spec in known.items():
        if name not in row:
            if spec.default is MISSING:
                faults.append(Fault(file, f"{place}.{name}", "is missing"))
            continue
        try:
            values[name] = CONVERT[str(spec.type)](row[name])
        except (TypeError, ValueError, KeyError) as error:
            faults.append(Fault(file, f"{place}.{name}", str(error), value=row[name]))
    return values


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError("must be a number")
    return float(value)


def _whole(value: Any) -> int:
    if _number(value) != int(value):
        raise ValueError("must be a whole number")
    return int(value)


def _word(value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise TypeError("must be text in quotes")
    return value


def _spread(value: Any) -> Spread:
    if not isinstance(value, dict) or value.keys() != {"typical", "low", "high"}:
        raise TypeError("must be { typical = ..., low = ..., high = ... }")
    spread = Spread(**{key: _number(item) for key, item in value.items()})
    if not spread.low <= spread.typical <= spread.high:
        raise ValueError("must have low <= typical <= high")
    return spread


def _numbers(value: Any) -> tuple[float, ...]:
    if not isinstance(value, list):
        raise TypeError("must be a list of numbers")
    return tuple(_number(item) for item in value)


def _pairs(value: Any) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not value:
        raise TypeError("must be a list of [ampere, ampere hours]")
    pairs = [_numbers(item) for item in value]
    if any(len(pair) != 2 or min(pair) <= 0.0 for pair in pairs):
        raise ValueError("must be pairs of [ampere, ampere hours], both above 0")
    if any(a[0] >= b[0] for a, b in pairwise(pairs)):
        raise ValueError("must have the ampere rising")
    return tuple((pair[0], pair[1]) for pair in pairs)


CONVERT: dict[str, Callable[[Any], Any]] = {
    "str": _word,
    "float": _number,
    "int": _whole,
    "Spread": _spread,
    "tuple[float, ...]": _numbers,
    "tuple[tuple[float, float], ...]": _pairs,
}
