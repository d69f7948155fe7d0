"""All keys of an engine description as a page for people, from the same models that check them."""

from __future__ import annotations

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from .engine import Engine
from .errors import toml_value
from .fields import allowed_text
from .sections_electric import COIL_MODELS

HEAD = """# Keys of an engine description

Written by `sparktick schema --markdown -o docs/engine-description.md`; do not edit.

An engine description is a TOML file. Every key that holds a quantity names its unit. Angles are
degrees of the crank; `deg_btdc` is degrees before top dead centre, negative is after. A table that
is left out takes its defaults, and `sparktick check` prints every value that was assumed.
"""


def engine_markdown() -> str:
    """Return the page: one table a section, one row a key."""
    parts = [HEAD, _table("At the top of the file", _plain_fields(Engine))]
    for name, info in Engine.model_fields.items():
        if name == "coil":
            for kind, coil in COIL_MODELS.items():
                parts.append(_table(f'[coil], kind = "{kind}"', coil.model_fields, coil))
        elif isinstance(info.annotation, type) and issubclass(info.annotation, BaseModel):
            model = info.annotation
            parts.append(_table(f"[{name}]", model.model_fields, model))
    return "\n".join(parts)


def _plain_fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {
        name: info
        for name, info in model.model_fields.items()
        if name != "coil"
        and not (isinstance(info.annotation, type) and issubclass(info.annotation, BaseModel))
    }


def _table(title: str, fields: dict[str, FieldInfo], model: type[BaseModel] | None = None) -> str:
    lines = [f"## {title}", ""]
    if model is not None and model.__doc__:
        text = " ".join(model.__doc__.replace("``", "`").split())
        lines += [_capital(text.partition(": ")[2]), ""]
    lines += ["| Key | Allowed | Default | Meaning |", "|---|---|---|---|"]
    for name, info in fields.items():
        key = info.alias or name
        cells = (f"`{key}`", allowed_text(key, info), _default(info), info.description or "")
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "required"
    if info.default_factory is not None or info.default is None:
        return "see meaning"
    return toml_value(info.default)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
