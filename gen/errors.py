"""The one family of errors a user of sparktick can meet, and how they are worded."""

from __future__ import annotations

from collections.abc import Sequence


class SparktickError(Exception):
    """Base of every error that is the user's to put right; no traceback is shown for it.

    ``str(error)`` is the whole message.  ``exit_code`` is what a command ends with:
    1 when a verdict failed, 2 for bad input or usage.
    """

    exit_code = 2


class DescriptionError(SparktickError):
    """One or more faults in an engine or board description, each with its place and remedy."""

    def __init__(self, *faults: Fault) -> None:
        self.faults = faults
        super().__init__("\n".join(fault.format() for fault in faults))


class BoardError(DescriptionError):
    """A board description is unknown or wrong."""


class FolderError(SparktickError):
    """A file or folder cannot be read, written, or is not what it should be."""


class BuildError(SparktickError):
    """A compiler is missing or refused the source; ``log`` holds what it said."""

    def __init__(self, message: str, log: str = "") -> None:
        self.log = log
        super().__init__(f"{message}\n{log}".rstrip() if log else message)


class RunError(SparktickError):
    """A simulation or an emulated chip could not be run (not: ran and failed)."""


class ToolError(SparktickError):
    """A program or optional package that a command needs is not installed."""


class VerdictFailedError(SparktickError):
    """A run was judged and a limit was not kept."""

    exit_code = 1


class Fault:
    """One fault in a description: where, what was found, what is allowed, what to do.

    ``key`` is dotted as TOML writes it ("pickup.arc_deg"); ``allowed`` is a phrase
    ("2 to 160 deg"); ``remedy`` is a whole sentence.  ``value`` is left out when None, ``line``
    when it is not known.
    """

    __slots__ = ("allowed", "file", "key", "line", "problem", "remedy", "value")

    def __init__(
        self,
        file: str,
        key: str,
        problem: str,
        *,
        value: object = None,
        allowed: str = "",
        remedy: str = "",
        line: int | None = None,
    ) -> None:
        self.file = file
        self.line = line
        self.key = key
        self.problem = problem
        self.value = value
        self.allowed = allowed
        self.remedy = remedy

    def __repr__(self) -> str:
        return f"Fault({self.format()!r})"

    def format(self) -> str:
        """Return ``file: [section] key = value: problem (allowed: ...)`` and a remedy line."""
        file = f"{self.file}:{self.line}" if self.line else self.file
        key = toml_key(self.key)
        if self.value is not None:
            key = f"{key} = {toml_value(self.value)}"
        text = ": ".join(part for part in (file, key, self.problem) if part)
        if self.allowed:
            text += f" (allowed: {self.allowed})"
        if self.remedy:
            text += f"\n    {self.remedy}"
        return text

    def as_dict(self) -> dict[str, object]:
        """Return the fault as plain values for ``--json``."""
        return {name: getattr(self, name) for name in Fault.__slots__}


def toml_key(key: str) -> str:
    """Return a dotted key as a reader finds it in the file: ``[section] key``.

    A table of a list, "fuse[0].value", becomes ``[[fuse]] number 1, value``.
    """
    section, dot, name = key.partition(".")
    table, bracket, index = section.partition("[")
    if dot and bracket and index[:-1].isdecimal():
        return f"[[{table}]] number {int(index[:-1]) + 1}, {name}"
    return f"[{section}] {name}" if dot else section


def toml_value(value: object) -> str:
    """Return a value as TOML would write it, shortened past 60 characters."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, float):
        text = f"{value:.10g}"
    elif isinstance(value, Sequence):
        text = "[" + ", ".join(toml_value(item) for item in value) + "]"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
