#!/usr/bin/env python3
"""Write again what the documents show: every table, output and picture comes from a command.

    python tools/make_docs.py              everything
    python tools/make_docs.py boards ...   only these blocks or pictures
    python tools/make_docs.py --check      change nothing; exit 1 when a block is out of date

A block of README.md or docs/noise.md lies between ``<!-- NAME: tools/make_docs.py -->`` and
``<!-- end -->``.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import noise_page
from pipeline_picture import pipeline_svg
from report_picture import write_report_picture

from sparktick.gen.board import all_boards
from sparktick.gen.cli import COMMANDS
from sparktick.gen.files import write_file

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
CHECK_LINES = 18
BLOCK = re.compile(r"(<!-- (\w+): tools/make_docs\.py -->\n).*?(<!-- end -->)", re.DOTALL)


def boards_block() -> str:
    """Return the table of boards, from boards/."""
    lines = [
        "| Board | What it is | Chip | Clock | One tick | Pickup | Coil |",
        "|---|---|---|---|---|---|---|",
    ]
    for board in all_boards():
        pickup, coil = board.pins.pickup, board.pins.coil
        lines.append(
            f"| `{board.name}` | {board.title} | {board.mcu} | {board.f_cpu_hz / 1e6:g} MHz | "
            f"{board.tick_us:g} us | {pickup.printed} ({pickup.function}) | "
            f"{coil.printed} ({coil.function}) |"
        )
    return "\n".join(lines)


def images_block() -> str:
    """Return what each board's image takes, as tools/measure_boards.py noted it."""
    lines = [
        "| Board | Flash | of | Variables | Deepest stack | of RAM | Longest handler | by |",
        "|---|--:|--:|--:|--:|--:|--:|---|",
    ]
    for board in all_boards():
        if not board.image:
            continue
        vector, cycles = max(board.handler_cycles.items(), key=lambda item: item[1])
        lines.append(
            f"| `{board.name}` | {board.image['flash_bytes']} | {board.flash_free_bytes} | "
            f"{board.image['static_ram_bytes']} | {board.image['deepest_stack_bytes']} | "
            f"{board.ram_bytes} | {cycles} clocks ({vector}) | {board.handler_source} |"
        )
    return "\n".join(lines)


def commands_block() -> str:
    """Return the table of commands, from the command line's own list."""
    lines = ["| Command | |", "|---|---|"]
    lines += [f"| `sparktick {name}` | {text} |" for name, text in COMMANDS.items()]
    return "\n".join(lines)


def _output(*arguments: str, lines: int = 1000) -> str:
    """Return a command and the first lines it prints, as a reader would see them in a terminal."""
    environment = {**os.environ, "COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"}
    done = subprocess.run(
        [sys.executable, "-c", "from sparktick.gen.cli import main; main()", *arguments],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    printed = [line.rstrip() for line in done.stdout.rstrip().splitlines()]
    text = "\n".join([*printed[:lines], *(["[...]"] if len(printed) > lines else [])])
    return f"```console\n$ sparktick {' '.join(arguments)}\n{text}\n```"


def check_block() -> str:
    """Return the begin of what `sparktick check` says of the example."""
    return _output("check", "examples/plover.toml", "--quiet", lines=CHECK_LINES)


def emulate_block() -> str:
    """Return what `sparktick emulate` measures at three speeds."""
    speeds = ("--emulator", "yasimavr", "--rpm", "450,1500,8000")
    return _output("emulate", "examples/plover.toml", *speeds)


BLOCKS: dict[str, Callable[[], str]] = {
    "boards": boards_block,
    "images": images_block,
    "commands": commands_block,
    "check": check_block,
    "emulate": emulate_block,
    "noise_campaign": noise_page.campaign_block,
    "noise_layers": noise_page.layers_block,
    "noise_bound": noise_page.bound_block,
}
PAGES = (README, ROOT / "docs" / "noise.md")
# Blocks that follow from small things alone; a test holds the README against them.
QUICK = ("boards", "images", "commands", "check")


def _write_pipeline() -> None:
    write_file(ROOT / "docs" / "pipeline.svg", pipeline_svg())


def _write_report_picture() -> None:
    write_report_picture(ROOT / "examples" / "plover.toml", ROOT / "docs" / "report.png")


PICTURES: dict[str, Callable[[], None]] = {
    "pipeline": _write_pipeline,
    "report": _write_report_picture,
    "noise_line": noise_page.write_line_picture,
    "noise_levels": noise_page.write_campaign_picture,
}


def fill(text: str, names: tuple[str, ...]) -> str:
    """Return a document with the named blocks written again."""

    def block(found: re.Match[str]) -> str:
        if found[2] not in names:
            return found[0]
        return f"{found[1]}\n{BLOCKS[found[2]]()}\n\n{found[3]}"

    return BLOCK.sub(block, text)


def main() -> int:
    """Write what was asked for; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    known = [*BLOCKS, *PICTURES]
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(known)}")
    parser.add_argument("--check", action="store_true", help="change nothing")
    options = parser.parse_args()
    unknown = set(options.names) - set(known)
    if unknown:
        parser.error(f"unknown: {', '.join(sorted(unknown))}")
    names = tuple(options.names or known)
    old = 0
    for page in PAGES:
        before = page.read_text(encoding="utf-8")
        after = fill(before, names)
        if options.check:
            print(f"{page.name}: {'up to date' if before == after else 'out of date: make docs'}")
            old |= before != after
        else:
            write_file(page, after)
    if options.check:
        return int(old)
    for name in names:
        PICTURES.get(name, lambda: None)()
    with contextlib.suppress(BrokenPipeError):
        print(f"written: {', '.join(names)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
