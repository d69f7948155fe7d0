"""What all commands share: the --json switch, the shape of its document, error messages."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, TypeVar

import click

from ..errors import DescriptionError

JSON_KEY = "sparktick.json"
JSON_SCHEMA = 1
EXIT_INTERRUPTED = 130
EXIT_PIPE = 141

Function = TypeVar("Function", bound=Callable[..., Any])


class UserError(click.ClickException):
    """Bad input: a message for the user, no traceback."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        """Print the message on standard error."""
        click.echo(f"sparktick: {self.message}", file=file, err=True)


class VerdictError(UserError):
    """A verdict failed."""

    exit_code = 1


class UserInterruptError(UserError):
    """Interrupted from the keyboard."""

    exit_code = EXIT_INTERRUPTED


class ReaderGoneError(UserError):
    """The program that reads our output has ended; there is nobody left to tell."""

    exit_code = EXIT_PIPE

    def show(self, file: Any = None) -> None:
        """Say nothing."""


def json_option(function: Function) -> Function:
    """Add ``--json``; the command receives ``as_json``.

    Errors of a command run with --json are printed as a document as well.
    """

    def remember(ctx: click.Context, param: click.Parameter, value: bool) -> bool:
        ctx.meta[JSON_KEY] = value
        return value

    return click.option(
        "--json",
        "as_json",
        is_flag=True,
        is_eager=True,
        callback=remember,
        help="Print one JSON document instead of text.",
    )(function)


def json_document(command: str, content: dict[str, Any]) -> str:
    """Return the document of a command: "schema" and "command" first, units in every key."""
    document = {"schema": JSON_SCHEMA, "command": command, **content}
    return json.dumps(document, indent=2, allow_nan=False) + "\n"


def error_document(command: str, shown: click.ClickException, cause: object) -> str:
    """Return the document of a command that ended in an error."""
    error: dict[str, Any] = {"message": shown.format_message()}
    if isinstance(cause, DescriptionError):
        error["faults"] = [
            {**fault.as_dict(), "value": plain(fault.value)} for fault in cause.faults
        ]
    return json_document(command, {"exit_code": shown.exit_code, "error": error})


def plain(value: object) -> object:
    """Return a value as JSON can hold it; what has no JSON form (dates, infinities) as text."""
    try:
        return json.loads(json.dumps(value, allow_nan=False))
    except (TypeError, ValueError):
        return str(value)
