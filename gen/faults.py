"""Turn what pydantic and the TOML reader say into faults a newcomer can act on."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from .errors import DescriptionError, Fault, FolderError
from .fields import allowed_text

SIZE_LIMIT = 1_000_000
SIZE_ERRORS = ("too_long", "too_short")


def read_toml(path: str | Path, what: str, remedy: str = "") -> tuple[str, dict[str, Any]]:
    """Return the text and the tables of a TOML file.

    Raises FolderError when it cannot be read and DescriptionError, with line and column, when it
    is not TOML.  ``what`` names the file in messages ("engine description").
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(SIZE_LIMIT + 1)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise FolderError(f"{path}: cannot read {what}: {reason}\n    {remedy}".rstrip()) from error
    if len(raw) > SIZE_LIMIT:
        raise FolderError(f"{path}: this is no {what}: larger than {SIZE_LIMIT // 1000} kB")
    return parse_toml(raw, str(path), what)


def parse_toml(raw: bytes, file: str, what: str) -> tuple[str, dict[str, Any]]:
    """Return the text and the tables of a TOML document given as bytes."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        problem = f"line {line} is not UTF-8 text, so this is no {what}"
        raise DescriptionError(
            Fault(file, "", problem, remedy="Save it as UTF-8 (plain text) in your editor.")
        ) from error
    try:
        return text, tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DescriptionError(
            Fault(
                file,
                "",
                f"not TOML: {error or 'nested too deeply'}",
                remedy='A line reads  key = value ; texts stand in "quotes", tables in [brackets].',
            )
        ) from error


def line_of(text: str, key: str) -> int | None:
    """Return the line of a dotted key in TOML text, None when it is not written plainly."""
    section, dot, name = key.partition(".")
    if not dot:
        section, name = "", key
    name = name.partition(".")[0]
    current, section_line = "", None
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]", line)
        if header:
            current = header[1]
            section_line = number if current in (section, key) else section_line
        elif current == section and re.match(rf"\s*\"?{re.escape(name)}\"?\s*=", line):
            return number
    return section_line


def nearest(word: str, known: list[str]) -> str | None:
    """Return the known word that the given one most likely meant, None when none is near.

    A known key that only adds the unit ("lead_edge_deg" for "lead_edge_deg_btdc") wins.
    """
    longer = [item for item in known if item.startswith(word)] if len(word) >= 4 else []
    if longer:
        return min(longer, key=len)
    matches = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if matches:
        return matches[0]
    stem = word.rsplit("_", 1)[0]
    shorter = [item for item in known if len(stem) >= 4 and item.startswith(stem)]
    return min(shorter, key=len) if shorter else None


class _Unknown(Fault):
    """An unknown key; ``meant`` is the known key it most likely stands for."""

    __slots__ = ("meant",)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.meant = ""


class Translator:
    """Translates the errors of one pydantic model into faults of one file.

    ``tags`` are the names of union members, which pydantic puts into a place and no reader
    wrote, with the model that each stands for.
    """

    def __init__(
        self, file: str, text: str, root: type[BaseModel], tags: Mapping[str, type[BaseModel]]
    ) -> None:
        self.file = file
        self.text = text
        self.root = root
        self.tags = tags

    def error(
        self, invalid: ValidationError, kind: type[DescriptionError] = DescriptionError
    ) -> DescriptionError:
        """Return one error that holds every fault."""
        faults = list(self._faults(invalid))
        meant = {fault.meant for fault in faults if isinstance(fault, _Unknown)}
        kept = [f for f in faults if not (f.problem == "missing" and f.key in meant)]
        return kind(*sorted(kept, key=lambda fault: fault.line or 0))

    def line(self, key: str) -> int | None:
        """Return the line of a key where it can be found."""
        return line_of(self.text, key) if self.text else None

    def _faults(self, invalid: ValidationError) -> Iterator[Fault]:
        lists: set[str] = set()
        for error in invalid.errors(include_url=False):
            if error["type"] == "default_factory_not_called":
                continue  # follows from a fault in another key, which is reported by itself
            parts = [part for part in error["loc"] if part not in self.tags]
            model, field = self._find(error["loc"])
            if (parts and isinstance(parts[-1], int)) or error["type"] in SIZE_ERRORS:
                parts = parts[: next((i for i, p in enumerate(parts) if isinstance(p, int)), None)]
                key = _dotted(parts)
                if key not in lists:
                    lists.add(key)
                    yield self._list_fault(key, model, field)
            elif error["type"] == "union_tag_invalid":
                yield self._tag_fault(_dotted(parts), error["input"])
            else:
                yield self._fault(_dotted(parts), model, field, dict(error))

    def _find(self, loc: tuple[int | str, ...]) -> tuple[type[BaseModel], str]:
        model, field = self.root, ""
        for part in loc:
            if part in self.tags:
                model, field = self.tags[str(part)], ""
                continue
            if not isinstance(part, str):
                continue
            if field:
                inner = _model_of(model, field)
                if inner is None:
                    break
                model = inner
            field = part
        return model, field

    def _fault(self, key: str, model: type[BaseModel], field: str, error: dict[str, Any]) -> Fault:
        kind = error["type"]
        if kind == "extra_forbidden":
            return self._unknown(key, model, field, error["input"])
        allowed, remedy = self._allowed(model, field)
        value = None if kind == "missing" else error["input"]
        return Fault(
            self.file,
            key,
            _problem(kind, error),
            value=value,
            allowed=allowed,
            remedy=remedy,
            line=self.line(key),
        )

    def _list_fault(self, key: str, model: type[BaseModel], field: str) -> Fault:
        """Return one fault for all that is wrong with the items of a list."""
        _, remedy = self._allowed(model, field)
        return Fault(
            self.file, key, "not a list of the right items", remedy=remedy, line=self.line(key)
        )

    def _tag_fault(self, key: str, value: dict[str, object]) -> Fault:
        allowed = " | ".join(f'"{tag}"' for tag in self.tags)
        key = f"{key}.kind"
        return Fault(
            self.file,
            key,
            "not one of the choices",
            value=value.get("kind"),
            allowed=allowed,
            remedy="The kind decides which other keys the table takes.",
            line=self.line(key),
        )

    def _unknown(self, key: str, model: type[BaseModel], field: str, value: object) -> Fault:
        known = _names(model)
        section, dot, name = key.rpartition(".")
        guess = nearest(name, known)
        place = f"[{section}].{name}" if dot else name
        if guess is not None:
            wanted = f"[{section}].{guess}" if dot else guess
            remedy = f"You wrote {place}; did you mean {wanted}?"
        else:
            remedy = "Known here: " + ", ".join(known) + "."
        elsewhere = self._elsewhere(name) if guess is None else None
        if elsewhere:
            remedy = f"It belongs in [{elsewhere}]."
        shown = value if not isinstance(value, (dict, list)) else None
        fault = _Unknown(
            self.file, key, "unknown key", value=shown, remedy=remedy, line=self.line(key)
        )
        if guess is not None:
            fault.meant = f"{section}.{guess}" if dot else guess
        return fault

    def _elsewhere(self, name: str) -> str | None:
        """Return the table that has a key of this name, when exactly one has."""
        homes = [
            section
            for section in _names(self.root)
            if (inner := _model_of(self.root, section)) is not None and name in _names(inner)
        ]
        return homes[0] if len(homes) == 1 else None

    def _allowed(self, model: type[BaseModel], field: str) -> tuple[str, str]:
        info = next(
            (info for name, info in model.model_fields.items() if field in (name, info.alias)), None
        )
        if info is None:
            return "", ""
        return allowed_text(field, info), info.description or ""


def _dotted(parts: list[int | str]) -> str:
    text = ""
    for part in parts:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def _problem(kind: str, error: dict[str, Any]) -> str:
    if kind == "missing":
        return "missing"
    if kind in ("greater_than_equal", "less_than_equal"):
        return "out of range"
    if kind in ("literal_error", "union_tag_invalid", "enum"):
        return "not one of the choices"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return "must be a table"
    if kind in ("float_type", "int_type"):
        quoted = isinstance(error["input"], str)
        number = "a whole number" if kind == "int_type" else "a number"
        return f"must be {number}, without quotes" if quoted else f"must be {number}"
    if kind == "string_pattern_mismatch":
        return "holds characters that are not allowed, or is too long"
    if kind == "string_type":
        return 'must be text, in "quotes"'
    if kind == "bool_type":
        return "must be true or false"
    message = str(error["msg"])
    return message.replace("Input should be", "must be").replace("String should", "must")


def _names(model: type[BaseModel]) -> list[str]:
    return [info.alias or name for name, info in model.model_fields.items()]


def _model_of(model: type[BaseModel], field: str) -> type[BaseModel] | None:
    info = model.model_fields.get(field)
    if info is None:
        return None
    annotation = info.annotation
    options = get_args(annotation) or (annotation,)
    return next(
        (item for item in options if isinstance(item, type) and issubclass(item, BaseModel)), None
    )
