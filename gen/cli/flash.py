"""`sparktick flash`: the image into the chip, and its fuses."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..errors import FolderError, ToolError
from ._common import json_document, json_option

if TYPE_CHECKING:
    from ..board import Board, Upload
    from ..flashing import Image
    from ..fuses import FuseState

NOT_BY_BOOT_LOADER = (
    "a boot loader cannot reach the fuses\n"
    "    Choose a way by programmer (--way isp, or --programmer with yours)."
)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--way", help="How, of those the board has.  [default: the board's first]")
@click.option("--port", help="Serial port, such as /dev/ttyUSB0; the drive of a UF2 board.")
@click.option("--programmer", help="avrdude's name of yours, instead of the way's.")
@click.option("--baud", type=click.IntRange(300, 2000000), help="Its speed, instead of the way's.")
@click.option(
    "--tool",
    type=click.Choice(["auto", "avrdude", "st-flash", "stm32flash", "platformio"]),
    default="auto",
    show_default=True,
    help="Who uploads; PlatformIO compiles once more by itself.",
)
@click.option("--verify-only", is_flag=True, help="Read the chip and compare; write nothing.")
@click.option("--read-fuses", is_flag=True, help="Read the fuses and compare; write nothing.")
@click.option("--write-fuses", is_flag=True, help="After the image, write the advised fuses.")
@click.option("--yes", is_flag=True, help="Do not ask before fuses are written.")
@click.option("--dry-run", is_flag=True, help="Check all and show the commands; run nothing.")
@json_option
def command(folder: Path, dry_run: bool, yes: bool, as_json: bool, **choice: Any) -> None:
    """Put a firmware folder's image into its board.

    The image is built where it is missing or older than its C, checked against the manifest, and
    each command is shown before it runs.  avrdude, st-flash and stm32flash read back what they
    wrote.  Take the board out of the engine or the coil's fuse out of its holder first.  Fuses are
    left alone unless asked for.
    Ends with 1 when an upload or a comparison failed.
    """
    from ..flashing import check_image
    from ..render import read_manifest
    from .emulate import build_where_needed

    if choice["write_fuses"] and as_json and not yes and not dry_run:
        raise click.UsageError("--write-fuses with --json asks nothing: say --yes.")
    job = _job(folder, choice, dry=dry_run, quiet=as_json)
    build_where_needed(folder)
    manifest = read_manifest(folder)
    image = check_image(folder, manifest, job.board)
    size = f"{manifest['sizes']['flash_bytes']} bytes of program"
    job.say(f"{manifest['name']} for {job.board.title}: {size}, image checked")
    job.say(f"way     {job.way.name}: {job.way.note}")
    if choice["read_fuses"] or choice["write_fuses"]:
        job.needs_programmer()
    if not choice["read_fuses"]:
        _upload(job, image, choice)
    if choice["read_fuses"] and job.ended_well:
        job.fuses(read=True)
    elif choice["write_fuses"] and job.ended_well:
        job.write_fuses(yes=yes)
    elif not as_json:
        job.advise()
    if as_json:
        content = {"folder": str(folder), "image_bytes": len(image.content), **job.as_dict()}
        click.echo(json_document("flash", content), nl=False)
    if not job.ended_well:
        click.get_current_context().exit(1)


def _job(folder: Path, choice: dict[str, Any], *, dry: bool, quiet: bool) -> Job:
    from ..board import load_board
    from ..flashing import by_programmer, pick_way
    from ..render import read_manifest

    board = load_board(read_manifest(folder)["board"])
    way = by_programmer(pick_way(board, choice["way"]), choice["programmer"], choice["baud"])
    return Job(folder, board, way, choice["port"], dry, quiet)


def _other_tool(job: Job) -> str:
    """Return the way's own program where it is installed, else PlatformIO, which brings one."""
    from ..uploading import uploader_of

    program = uploader_of(job.way).program
    return program if shutil.which(program) and program != "avrdude" else "platformio"


def _upload(job: Job, image: Image, choice: dict[str, Any]) -> None:
    """Write the image, or only compare, by the tool that serves the board."""
    from ..flashing import (
        UF2,
        copy_to_drive,
        drive_of,
        image_words,
        needed_port,
        platformio_command,
    )
    from ..uploading import uploader_of

    verify_only, avr = choice["verify_only"], job.board.platformio_platform.startswith("atmel")
    tool = choice["tool"]
    if tool == "auto":
        tool = UF2 if job.way.programmer == UF2 else "avrdude" if avr else _other_tool(job)
    own = uploader_of(job.way).program
    if tool not in (own, UF2, "platformio"):
        raise FolderError(f"{job.board.name}: {tool} does not serve the way {job.way.name!r}")
    if verify_only and tool != "avrdude":
        raise FolderError(f"{job.board.name}: the way {job.way.name!r} cannot read the chip back")
    if tool == UF2:
        if image.uf2 is None:
            raise FolderError(f"{job.folder}: no UF2 file was built\n    Build it again.")
        place = drive_of(job.port) if not job.dry or job.port else Path("DRIVE")
        job.show("cp", str(image.uf2), str(place))
        if not job.dry:
            copy_to_drive(image.uf2, place)
            job.say("copied; the board restarts by itself, its drive vanishes")
    elif tool in ("st-flash", "stm32flash"):  # both compare what they wrote
        port = needed_port(job.way, job.port)
        job.run([tool, *uploader_of(job.way).words(job.board, job.way, port, str(image.path))])
    elif tool == "avrdude":
        job.run(job.avrdude(*image_words(image.path, verify_only=verify_only)))
    else:
        job.run(platformio_command(job.folder, job.way, job.port))
    if not job.ended_well:
        half = "The upload failed: the chip may hold half an image; do not run it."
        click.echo("The chip was not verified." if verify_only else half, err=True)


@dataclass
class Job:
    """One board on one way: commands shown, run, and how they ended."""

    folder: Path
    board: Board
    way: Upload
    port: str | None
    dry: bool
    quiet: bool
    shown: list[list[str]] = field(default_factory=list)
    exit_code: int | None = None
    states: tuple[FuseState, ...] = ()
    ended_well: bool = True

    def say(self, words: str) -> None:
        """Tell something that JSON holds otherwise."""
        if not self.quiet:
            click.echo(words)

    def show(self, *words: str) -> None:
        """Show a command before it runs."""
        self.shown.append(list(words))
        self.say(f"command {shlex.join(words)}")

    def avrdude(self, *actions: str) -> list[str]:
        """Return an avrdude command for this board and way."""
        from ..flashing import avrdude_command, find_avrdude

        return avrdude_command(find_avrdude(), self.board, self.way, self.port, *actions)

    def run(self, words: list[str]) -> str:
        """Show and run a command; return what it printed (only when quiet or asked to keep)."""
        self.show(*words)
        if self.dry:
            return ""
        try:
            done = subprocess.run(words, capture_output=self.quiet, text=True, check=False)
        except OSError as error:
            raise ToolError(f"{words[0]}: cannot be run: {error.strerror}") from error
        self.exit_code = done.returncode
        self.ended_well = self.ended_well and done.returncode == 0
        return done.stdout or ""

    def needs_programmer(self) -> None:
        """Refuse fuses on a way that cannot reach them, or a board without advice."""
        from ..uploading import is_boot_loader

        if not self.board.fuse:
            raise FolderError(f"{self.board.name}: its chip has no fuses to set")
        if is_boot_loader(self.way):
            raise FolderError(NOT_BY_BOOT_LOADER)

    def fuses(self, *, read: bool) -> tuple[FuseState, ...]:
        """Read the fuses and tell them beside the advice; ``read``: a difference is a failure."""
        from ..fuses import parse_states, read_words

        words = self.avrdude(*read_words(self.board.fuse))
        self.show(*words)
        if self.dry:
            return ()
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        if done.returncode:
            raise ToolError(f"{words[0]}: the fuses cannot be read", done.stderr)
        self.states = parse_states(self.board, done.stdout)
        for state in self.states:
            mark = f"advised 0x{state.fuse.value:02X}" if state.differs else "as advised"
            self.say(f"fuse    {state.fuse.name} 0x{state.value:02X}, {mark}: {state.fuse.why}")
        if read and any(state.differs for state in self.states):
            self.ended_well = False
        return self.states

    def write_fuses(self, *, yes: bool) -> None:
        """Write the fuses that differ from the advice, once that was confirmed, and read again."""
        from ..fuses import write_words

        before = self.fuses(read=False)
        wanted = tuple(s.fuse for s in before if s.differs) if not self.dry else self.board.fuse
        if not wanted:
            self.say("The fuses are as advised; nothing was written.")
            return
        words = self.avrdude(*write_words(wanted))
        if self.dry:
            self.show(*words)
            return
        self.say(f"next    {shlex.join(words)}")
        warning = "A wrong fuse can make the chip unreachable; note the values above. Write?"
        if not yes and not click.confirm(warning, default=False):
            self.say("No fuse was written.")
            return
        self.run(words)
        if self.ended_well:
            self.fuses(read=True)

    def advise(self) -> None:
        """Tell the fuses advised, which were not touched."""
        if self.board.fuse:
            values = " ".join(f"{fuse.name} 0x{fuse.value:02X}" for fuse in self.board.fuse)
            click.echo(f"fuses   {values} advised, not touched: --read-fuses, --write-fuses")

    def as_dict(self) -> dict[str, Any]:
        """Return what JSON holds of it."""
        fuses = [
            {"name": s.fuse.name, "value": s.value, "advised": s.fuse.value} for s in self.states
        ]
        return {
            "way": self.way.name,
            "arguments": self.shown[0] if self.shown else [],
            "commands": self.shown,
            "upload_exit_code": self.exit_code,
            "fuses": fuses,
        }
