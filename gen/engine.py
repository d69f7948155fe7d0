"""The engine description: what the user owns and wants, read from TOML and checked.

``read_engine(path)`` is the one way in; whatever a file holds, the outcome is an Engine or a
SparktickError whose text names file, key, value, allowed range and remedy.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError

from .board import Board, boards_that, load_board
from .description_parts import Taken, fill_parts
from .engine_checks import cross_check
from .errors import BoardError, DescriptionError, Fault
from .faults import Translator, parse_toml, read_toml
from .fields import Section, pick
from .sections import AdvanceSection, EngineSection, PickupSection
from .sections_electric import (
    COIL_MODELS,
    CapacitorDischarge,
    Coil,
    CoilBase,
    DriverSection,
    InductiveCoil,
    LogicCoil,
    PlugSection,
    SupplySection,
)
from .sections_firmware import (
    BoardSection,
    NoiseSection,
    PredictionSection,
    SafetySection,
    TellingSection,
)

__all__ = [
    "AdvanceSection",
    "AssumedValue",
    "BoardSection",
    "CapacitorDischarge",
    "Coil",
    "CoilBase",
    "DriverSection",
    "Engine",
    "EngineSection",
    "InductiveCoil",
    "LogicCoil",
    "NoiseSection",
    "PickupSection",
    "PlugSection",
    "PredictionSection",
    "SafetySection",
    "SupplySection",
    "TellingSection",
    "assumed_values",
    "engine_json_schema",
    "engine_json_schema_text",
    "find_warnings",
    "parse_engine",
    "parse_text",
    "read_engine",
]

WHAT = "engine description"
SCHEMA_ID = "sparktick engine description 1"


def _default_driver(data: dict[str, Any]) -> DriverSection:
    own_switch = not isinstance(data["coil"], InductiveCoil)
    return DriverSection(kind="logic") if own_switch else DriverSection()


class Engine(Section):
    """A whole engine description; every value in the unit its key names."""

    model_config = ConfigDict(title=SCHEMA_ID, validate_by_name=True, validate_by_alias=True)

    schema_version: Literal[1] = pick("Version of this format: 1.", alias="schema")
    name: str = pick(
        "Name of the engine: 1 to 40 letters, digits, spaces, dots, dashes or underscores; it "
        "goes into file names and comments.",
        pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,39}$",
    )
    parts: tuple[str, ...] = pick(
        "Files with parts of your own, written like those that `sparktick parts --toml` prints; "
        "their place is told from this file's folder.",
        (),
        strict=False,
    )
    engine: EngineSection = Field(description=str(EngineSection.__doc__))
    pickup: PickupSection = Field(description=str(PickupSection.__doc__))
    advance: AdvanceSection = Field(description=str(AdvanceSection.__doc__))
    coil: Coil = Field(description='[coil]: fields depend on kind, "inductive" when left out.')
    driver: DriverSection = Field(default_factory=_default_driver)
    supply: SupplySection = Field(default_factory=SupplySection)
    plug: PlugSection = Field(default_factory=PlugSection)
    board: BoardSection = Field(default_factory=BoardSection)
    noise: NoiseSection = Field(default_factory=NoiseSection)
    prediction: PredictionSection = Field(default_factory=PredictionSection)
    telling: TellingSection = Field(default_factory=TellingSection)
    safety: SafetySection = Field(default_factory=SafetySection)
    _taken: Taken = PrivateAttr(default_factory=Taken)

    @property
    def taken(self) -> Taken:
        """Parts that the description names and the keys they filled."""
        return self._taken


@dataclass(frozen=True)
class AssumedValue:
    """A key the description left out: its dotted name, the value taken, and what it is.

    ``value`` None means that a later stage computes it, or that the part is absent.
    ``part`` names the part of the library that the value is from, "" for a default.
    """

    key: str
    value: object
    what: str
    part: str = ""


def read_engine(path: str | Path) -> Engine:
    """Read and check an engine description.

    Raises FolderError (file unreadable), DescriptionError (not TOML, wrong keys, impossible or
    dangerous engine; all faults at once) or BoardError (board unknown).
    """
    text, data = read_toml(path, WHAT, "`sparktick new NAME.toml` writes one to start from.")
    return parse_engine(data, str(path), text)


def parse_text(raw: str, file: str = "<text>") -> Engine:
    """Read and check an engine description given as TOML text."""
    text, data = parse_toml(raw.encode(), file, WHAT)
    return parse_engine(data, file, text)


def parse_engine(data: object, file: str = "<data>", text: str = "") -> Engine:
    """Return the Engine that tables describe; ``text`` is their TOML source, for line numbers."""
    translator = Translator(file, text, Engine, COIL_MODELS)
    _one_pickup(data, translator)
    filled, taken = fill_parts(data, translator)
    try:
        engine = Engine.model_validate(filled, by_name=False, by_alias=True)
    except ValidationError as invalid:
        raise translator.error(invalid) from None
    engine._taken = taken
    board = _board(engine, translator)
    report = cross_check(engine, board, file, translator.line)
    if report.faults:
        raise DescriptionError(*report.faults)
    return engine


def _one_pickup(data: object, translator: Translator) -> None:
    """Refuse a second pickup by name: it is what a twin's builder may think of first."""
    tables = data if isinstance(data, dict) else {}
    second = next((key for key in ("pickup2", "pickup_2", "second_pickup") if key in tables), "")
    if not second and not isinstance(tables.get("pickup"), list):
        return
    can = boards_that(lambda board: None not in (board.pins.phase, board.pins.coil_select))
    raise DescriptionError(
        Fault(
            translator.file,
            second or "pickup",
            "two pickups are not served: one capture unit times every spark",
            remedy="Describe one pickup with a pulse for each cylinder, and [coil] coils = 2: a "
            f"phase sensor then tells whose pulse it is. Boards with the pins for that: {can}.",
            line=translator.line(second or "pickup"),
        )
    )


def _board(engine: Engine, translator: Translator) -> Board:
    try:
        return load_board(engine.board.name)
    except BoardError as error:
        fault = error.faults[0]
        if fault.key != "board.name":
            raise
        raise BoardError(
            Fault(
                translator.file,
                "board.name",
                fault.problem,
                value=engine.board.name,
                allowed=fault.allowed,
                remedy=fault.remedy,
                line=translator.line("board.name"),
            )
        ) from None


def find_warnings(engine: Engine, board: Board, file: str = "") -> tuple[Fault, ...]:
    """Return what is odd about an engine that is nevertheless accepted."""
    return cross_check(engine, board, file or engine.name, lambda key: None).warnings


def assumed_values(engine: Engine) -> list[AssumedValue]:
    """List every key the description left out, in the order of the format."""
    return list(_assumed(engine, "", engine.taken, whole=False))


def _assumed(model: BaseModel, prefix: str, taken: Taken, *, whole: bool) -> Iterator[AssumedValue]:
    for name, info in type(model).model_fields.items():
        value = getattr(model, name)
        key = f"{prefix}{info.alias or name}"
        left_out = whole or name not in model.model_fields_set
        if isinstance(value, BaseModel):
            yield from _assumed(value, f"{key}.", taken, whole=left_out)
        elif key in taken.keys:
            yield AssumedValue(key, value, info.description or "", taken.keys[key])
        elif left_out:
            yield AssumedValue(key, value, info.description or "")


def engine_json_schema() -> dict[str, Any]:
    """Return the JSON Schema of the format, for editors that complete and check TOML."""
    schema = Engine.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def engine_json_schema_text() -> str:
    """Return the JSON Schema as it is kept in docs/engine.schema.json."""
    return json.dumps(engine_json_schema(), indent=1, sort_keys=True) + "\n"
