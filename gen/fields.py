"""How one key of a description is declared: type, range, unit and the reason for the range."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict, Field
from pydantic.fields import FieldInfo

REQUIRED: Any = ...

# Longest suffix first: "_deg_btdc" must win over "_deg" in a plain scan.
UNITS = (
    ("_rpm_per_s", "rpm/s"),
    ("_deg_btdc", "deg BTDC"),
    ("_j_per_k", "J/K"),
    ("_k_per_w", "K/W"),
    ("_kg_m2", "kg m2"),
    ("_percent", "%"),
    ("_per_s", "per second"),
    ("_volts", "V"),
    ("_rpm", "rpm"),
    ("_deg", "deg"),
    ("_ohm", "ohm"),
    ("_ppm", "ppm"),
    ("_mm", "mm"),
    ("_cc", "cc"),
    ("_us", "us"),
    ("_ms", "ms"),
    ("_mh", "mH"),
    ("_mj", "mJ"),
    ("_mt", "mT"),
    ("_nf", "nF"),
    ("_pf", "pF"),
    ("_uf", "uF"),
    ("_ah", "Ah"),
    ("_kg", "kg"),
    ("_nm", "N m"),
    ("_hz", "Hz"),
    ("_a", "A"),
    ("_c", "deg C"),
    ("_t", "T"),
    ("_v", "V"),
    ("_w", "W"),
)


class Section(BaseModel):
    """Base of every table of a description: frozen, no unknown key, no silent conversion.

    Strict mode still takes a whole number where a fraction is expected (12 for 12.0) but
    never text for a number; infinities and not-a-number are refused.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, hide_input_in_errors=True
    )


def num(
    what: str,
    low: float,
    high: float,
    why: str,
    default: Any = REQUIRED,
    *,
    factory: Callable[[dict[str, Any]], Any] | None = None,
) -> Any:
    """Declare a number: what it is, its range (both ends allowed) and the reason for the range.

    ``factory`` computes the default from the keys declared above it in the same table.
    """
    text = f"{what} Why this range: {why}"
    if factory is not None:
        return Field(default_factory=factory, ge=low, le=high, description=text)
    return Field(default, ge=low, le=high, description=text)


def pick(what: str, default: Any = REQUIRED, **extra: Any) -> Any:
    """Declare a choice, a switch or a text: what it is and what it defaults to."""
    return Field(default, description=what, **extra)


def named_part(what: str) -> Any:
    """Declare the key that names a part of the library ("a coil"), which fills left-out keys."""
    return pick(
        f"Name of {what} of the library (`sparktick parts` lists them), or of a file in `parts`; "
        "it fills every key left out below. Left out: none.",
        None,
    )


def unit_of(key: str) -> str:
    """Return the unit that the end of a key names, or "" when it names none."""
    return next((unit for suffix, unit in UNITS if key.endswith(suffix)), "")


def allowed_text(key: str, info: FieldInfo) -> str:
    """Return what a key takes, as "5 to 80 mm" or as the choices; "" when neither fits."""
    low = high = None
    for rule in info.metadata:
        low = getattr(rule, "ge", low)
        high = getattr(rule, "le", high)
    if low is not None and high is not None:
        return f"{low:.10g} to {high:.10g} {unit_of(key)}".rstrip()
    return " | ".join(_choices(info.annotation))


def _choices(annotation: object) -> list[str]:
    """Return the values of a Literal type as TOML writes them."""
    if annotation is bool:
        return ["true", "false"]
    values = [item for item in get_args(annotation) if isinstance(item, (str, int))]
    return [f'"{item}"' if isinstance(item, str) else str(item) for item in values]
