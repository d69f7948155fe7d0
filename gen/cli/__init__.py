"""Command line of sparktick: a group whose commands are imported only when they are used.

Exit codes: 0 good, 1 a verdict failed, 2 bad input or usage, 130 interrupted from the keyboard,
141 the reader of our output went away.
"""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import os
import sys
from typing import Any

import click

from ..errors import SparktickError
from ._common import (
    EXIT_PIPE,
    JSON_KEY,
    ReaderGoneError,
    UserError,
    UserInterruptError,
    VerdictError,
    error_document,
)

# Name and one line of help; kept here so that `sparktick --help` imports no command.
COMMANDS = {
    "demo": "Show everything at once with an invented engine.",
    "new": "Write an engine description to start from.",
    "check": "Check a description: faults, spark, overloads, parts.",
    "suggest": "Propose a start advance and a curve to begin with.",
    "circuit": "Draw the circuit of a description and list its parts.",
    "generate": "Write the firmware folder of an engine.",
    "build": "Compile a firmware folder for its board.",
    "simulate": "Run a firmware folder's own C against an engine and noise.",
    "campaign": "Show in numbers what noise does to the sparks.",
    "faults": "Let sensor, engine and chip fail at every instant of a turn.",
    "motion": "Turn the engine by its firmware's own sparks.",
    "differ": "Hold the emulated chip against the host, spark by spark.",
    "emulate": "Run the compiled image on an emulated chip.",
    "upset": "Flip bits in the running chip and count what comes of it.",
    "flash": "Put a firmware folder's image into its board.",
    "trace": "Judge a logic analyser's recording of pickup and coil.",
    "monitor": "Show what the running chip tells over its serial line.",
    "compare": "Tell what changed in timing between two firmware folders.",
    "report": "Write all results as one page.",
    "parts": "List generic coils, switches, sensors and batteries.",
    "measure": "Tell what your coil is from readings of your own.",
    "boards": "List the boards, or show one with its pins.",
    "schema": "Write the description's JSON Schema, for editors.",
}


def _module(name: str) -> str:
    return f"{__name__}.{name}"


class LazyGroup(click.Group):
    """A group that finds its commands as modules beside this file."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands that exist, in the order a newcomer meets them."""
        return [name for name in COMMANDS if importlib.util.find_spec(_module(name))]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command, or return None when there is none of that name."""
        if cmd_name not in self.list_commands(ctx):
            return None
        command = importlib.import_module(_module(cmd_name)).command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or name the one that was probably meant."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            near = difflib.get_close_matches(args[0], self.list_commands(ctx), n=1)
            if not near:
                raise
            raise click.UsageError(f"{error.message} Did you mean {near[0]!r}?", ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        rows = [(name, COMMANDS[name]) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl(rows)

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        """Read the options; --help and --version print from here."""
        try:
            return super().make_context(*args, **kwargs)
        except BrokenPipeError:
            raise ReaderGoneError("") from None

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; turn what went wrong into a message and an exit code."""
        try:
            return super().invoke(ctx)
        except SparktickError as error:
            kind = VerdictError if error.exit_code == VerdictError.exit_code else UserError
            self._fail(ctx, kind(str(error)), error)
        except BrokenPipeError:
            raise ReaderGoneError("") from None
        except OSError as error:
            reason = error.strerror or type(error).__name__
            place = f"{error.filename}: " if error.filename else ""
            self._fail(ctx, UserError(f"{place}{reason}"), error)
        except KeyboardInterrupt:
            self._fail(ctx, UserInterruptError("interrupted"), None)
        except click.ClickException as error:
            self._fail(ctx, error, None)

    def _fail(self, ctx: click.Context, shown: click.ClickException, cause: object) -> None:
        if ctx.meta.get(JSON_KEY):
            name = ctx.invoked_subcommand or ""
            click.echo(error_document(name, shown, cause), nl=False)
        raise shown from None


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Ends with 0 when all is good, 1 when a verdict failed, 2 for bad input or usage.",
)
@click.version_option(package_name="sparktick")
def cli() -> None:
    """Ignition timing for small spark-ignition engines.

    From a description of your engine (a text file) to firmware for a cheap board, and to proof
    that the timing is right and that the spark's own interference cannot move it - before the
    engine runs.

    \b
    Start here:
      sparktick new heron.toml        write a description, then edit it
      sparktick check heron.toml      see what is wrong, odd, or assumed

    Ignition parts carry high voltage; engines start when you do not expect it. First runs belong
    on a bench rig, fingers away, propeller off.
    """  # noqa: D301


def main() -> None:
    """Run the command line; the console script's entry."""
    try:
        try:
            cli.main(prog_name="sparktick")
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        # The interpreter flushes once more at its end: let that go nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(EXIT_PIPE)
