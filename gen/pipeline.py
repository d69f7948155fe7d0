"""The stages in a row: description -> Engine -> Design -> Plan -> firmware folder."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from .board import load_board
from .design import Design, design
from .engine import Engine, read_engine
from .plan import Plan, quantise
from .render import MANIFEST, read_manifest, render_files, write_folder


@dataclass(frozen=True)
class Product:
    """A description carried as far as the plan."""

    engine: Engine
    design: Design
    plan: Plan


def make_plan(description: Path) -> Product:
    """Read a description and compute its plan."""
    engine = read_engine(description)
    designed = design(engine, load_board(engine.board.name))
    return Product(engine, designed, quantise(designed))


def generate(description: Path, folder: Path, *, force: bool = False) -> Product:
    """Write the firmware folder of a description; whole or not at all."""
    product = make_plan(description)
    write_folder(render_files(product.design, product.plan), folder, force=force)
    return product


@contextlib.contextmanager
def firmware_folder(given: Path) -> Iterator[Path]:
    """Yield a firmware folder: the one a user named, or a temporary one from a description."""
    if given.is_dir():
        read_manifest(given)
        yield given
        return
    with tempfile.TemporaryDirectory(prefix="sparktick-") as temporary:
        folder = Path(temporary) / "firmware"
        generate(given, folder)
        yield folder


def is_description(given: Path) -> bool:
    """Whether the user named a description rather than a firmware folder."""
    return not (given / MANIFEST).exists()
