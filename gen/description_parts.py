"""Parts named in a description: ``part = "moped"`` fills what its table leaves out.

Which value of a part's spread is taken: the typical one for what the sums centre on, the
weakest for what protects (clamp voltage, clamp energy), and the whole spread of a coil's
resistance and inductance as their tolerance.  The user's own keys always win.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .errors import DescriptionError, Fault
from .faults import Translator, nearest
from .parts import (
    BatteryPart,
    CoilPart,
    DriverPart,
    LogicCoilPart,
    Part,
    Parts,
    SensorPart,
    Spread,
    load_parts,
)

TOLERANCE_OF = {
    "primary_ohm_tolerance_percent": "primary_ohm",
    "primary_mh_tolerance_percent": "primary_mh",
}


@dataclass(frozen=True)
class Taken:
    """Parts that a description names, by table, and the part of each dotted key they filled."""

    parts: Mapping[str, Part] = field(default_factory=dict)
    keys: Mapping[str, str] = field(default_factory=dict)


def fill_parts(data: object, translator: Translator) -> tuple[object, Taken]:
    """Return the tables with what their parts give, and what was taken.

    Raises DescriptionError for a part or a file of parts that does not exist.
    """
    if not isinstance(data, dict):
        return data, Taken()
    named = {
        section: table["part"]
        for section in PART_VALUES
        if isinstance(table := data.get(section), dict) and isinstance(table.get("part"), str)
    }
    if not named:
        return data, Taken()
    library = load_parts(*_own_files(data.get("parts"), translator.file))
    faults: list[Fault] = []
    chosen: dict[str, Part] = {}
    for section, name in named.items():
        known = _group(section, library)
        if name not in known:
            faults.append(_unknown(section, name, sorted(known), translator))
            continue
        chosen[section] = known[name]
        faults.extend(_kind_fault(data[section], section, known[name], translator))
    if faults:
        raise DescriptionError(*faults)
    return _filled(data, chosen)


def part_values(part: Part) -> dict[str, dict[str, Any]]:
    """Return the keys of a description that a part fills, by table."""
    section = next(name for name, kinds in PART_KINDS.items() if isinstance(part, kinds))
    values: dict[str, dict[str, Any]] = PART_VALUES[section](part)
    return values


def _own_files(listed: object, file: str) -> tuple[Path, ...]:
    names = listed if isinstance(listed, list) else []
    return tuple(Path(file).parent / name for name in names if isinstance(name, str))


def _group(section: str, library: Parts) -> dict[str, Part]:
    groups: dict[str, tuple[Mapping[str, Part], ...]] = {
        "coil": (library.coils, library.logic_coils),
        "driver": (library.drivers,),
        "pickup": (library.sensors,),
        "supply": (library.batteries,),
    }
    return {name: part for group in groups[section] for name, part in group.items()}


def _unknown(section: str, name: str, known: list[str], translator: Translator) -> Fault:
    guess = nearest(name, known)
    hint = f"Did you mean {guess}? " if guess else ""
    return Fault(
        translator.file,
        f"{section}.part",
        "no such part",
        value=name,
        allowed=" | ".join(known),
        remedy=f"{hint}`sparktick parts` lists them all.",
        line=translator.line(f"{section}.part"),
    )


def _kind_fault(
    table: dict[str, Any], section: str, part: Part, translator: Translator
) -> list[Fault]:
    """Refuse a kind of coil that contradicts its part: the keys would not fit each other."""
    kind = part_values(part)[section].get("kind")
    if section != "coil" or table.get("kind", kind) == kind:
        return []
    fault = Fault(
        translator.file,
        "coil.kind",
        f"the part {part.name} is of another kind",
        value=table["kind"],
        allowed=f'"{kind}"',
        remedy="Leave kind out: the part tells it.",
        line=translator.line("coil.kind"),
    )
    return [fault]


def _filled(data: dict[str, Any], chosen: Mapping[str, Part]) -> tuple[dict[str, Any], Taken]:
    tables = dict(data)
    keys: dict[str, str] = {}
    for part in chosen.values():
        for section, values in part_values(part).items():
            table = tables.get(section, {})
            if not isinstance(table, dict):
                continue
            new = {
                key: value
                for key, value in values.items()
                if key not in table and TOLERANCE_OF.get(key) not in table
            }
            tables[section] = {**table, **new}
            keys |= {f"{section}.{key}": part.name for key in new}
    return tables, Taken(dict(chosen), keys)


def _percent(spread: Spread) -> float:
    """Return how far a spread reaches from its typical value, as TOML may state it."""
    far = max(spread.high / spread.typical - 1.0, 1.0 - spread.low / spread.typical)
    return min(max(round(100.0 * far, 1), 0.0), 80.0)


def _coil_values(part: CoilPart | LogicCoilPart) -> dict[str, dict[str, Any]]:
    if isinstance(part, LogicCoilPart):
        return {
            "coil": {
                "kind": "logic",
                "leads": part.leads,
                "dwell_ms": part.dwell_ms.typical,
                "max_on_ms": part.max_on_ms,
                "spark_current_a": part.current_a,
                "energy_mj": part.energy_mj.typical,
            },
            "driver": {"kind": "logic", "gate_volts_min": part.logic_volts_min},
        }
    return {
        "coil": {
            "kind": "inductive",
            "leads": part.leads,
            "primary_ohm": part.primary_ohm.typical,
            "primary_ohm_tolerance_percent": _percent(part.primary_ohm),
            "primary_mh": part.primary_mh.typical,
            "primary_mh_tolerance_percent": _percent(part.primary_mh),
            "saturation_a": part.saturation_a.typical,
            "turns_ratio": part.turns_ratio.typical,
            "secondary_ohm": part.secondary_ohm.typical,
            "secondary_pf": part.secondary_pf.typical,
            "spark_current_a": part.spark_current_a,
            "heat_limit_w": part.heat_limit_w,
            "heat_capacity_j_per_k": part.heat_capacity_j_per_k,
            "winding_max_c": part.winding_max_c,
        }
    }


def _driver_values(part: DriverPart) -> dict[str, dict[str, Any]]:
    return {
        "driver": {
            "kind": part.kind,
            "drop_v": part.drop_v.typical,
            "on_ohm": part.on_ohm.typical,
            "max_current_a": part.max_current_a,
            "clamp_v": part.clamp_v.low,
            "clamp_energy_mj": part.clamp_energy_mj.low,
            "gate_volts_min": part.gate_volts_min,
            "output_delay_us": part.output_delay_us.typical,
            "thermal_k_per_w": part.thermal_k_per_w,
            "heat_capacity_j_per_k": part.heat_capacity_j_per_k,
            "junction_max_c": part.junction_max_c,
        }
    }


def _sensor_values(part: SensorPart) -> dict[str, dict[str, Any]]:
    return {
        "pickup": {
            "sensor": part.kind,
            "operate_mt": part.operate_mt.typical,
            "release_mt": part.release_mt.typical,
            "sensor_delay_us": part.delay_us.typical,
            "sensor_volts_min": part.volts_min,
        }
    }


def _battery_values(part: BatteryPart) -> dict[str, dict[str, Any]]:
    """Nominal is midway between full and flat; the capacity is that of the slowest discharge."""
    cells = part.battery()
    return {
        "supply": {
            "volts": round(0.5 * (cells.full_v + cells.flat_v), 3),
            "volts_min": round(cells.flat_v, 3),
            "volts_max": round(cells.full_v, 3),
            "internal_ohm": round(cells.internal_ohm, 6),
            "capacity_ah": max(amount for _, amount in part.capacity),
        }
    }


PART_KINDS: dict[str, tuple[type[Part], ...]] = {
    "coil": (CoilPart, LogicCoilPart),
    "driver": (DriverPart,),
    "pickup": (SensorPart,),
    "supply": (BatteryPart,),
}
PART_VALUES: dict[str, Any] = {
    "coil": _coil_values,
    "driver": _driver_values,
    "pickup": _sensor_values,
    "supply": _battery_values,
}
