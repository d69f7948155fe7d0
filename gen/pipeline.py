"""The stages in a row: description -> Engine -> Design -> Plan -> firmware folder."""

from __future__ import annotations

import contextlib
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from .board import load_board
from .design import Design, design
from .engine import Engine, read_engine
from .errors import DescriptionError, FolderError
from .faults import line_of
from .plan import Plan, quantise
from .predictor import Choice, settle
from .render import MANIFEST, read_manifest, render_files, write_folder


@dataclass(frozen=True)
class Product:
    """A description carried as far as the plan."""

    engine: Engine
    design: Design
    plan: Plan
    choice: Choice | None = None


def make_plan(description: Path) -> Product:
    """Read a description and compute its plan."""
    engine = read_engine(description)
    try:
        designed, choice = settle(engine, design(engine, load_board(engine.board.name)))
        return Product(engine, designed, quantise(designed), choice)
    except DescriptionError as error:
        raise _located(error, description) from None


def _located(error: DescriptionError, description: Path) -> DescriptionError:
    """Return the same faults with the file and line where their keys stand."""
    text = description.read_text(encoding="utf-8-sig")
    for fault in error.faults:
        fault.file = str(description)
        fault.line = line_of(text, fault.key)
    return type(error)(*error.faults)


def generate(description: Path, folder: Path, *, force: bool = False) -> Product:
    """Write the firmware folder of a description; whole or not at all."""
    product = make_plan(description)
    write_product(product, folder, force=force)
    return product


def write_product(product: Product, folder: Path, *, force: bool = False) -> None:
    """Write the firmware folder of a plan; whole or not at all."""
    write_folder(render_files(product.design, product.plan), folder, force=force)


def default_folder(name: str) -> Path:
    """Return where the firmware of an engine goes when the user names no folder.

    >>> default_folder("Grey Heron")
    PosixPath('firmware-grey-heron')
    """
    return Path("firmware-" + re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-"))


def kept_folder(given: Path) -> Path:
    """Return a firmware folder that stays: the one given, or a description's default folder.

    The latter is written when it is not there yet.  Raises FolderError when it was made from
    another description.
    """
    if given.is_dir() or not given.exists():
        read_manifest(given)
        return given
    product = make_plan(given)
    folder = default_folder(product.engine.name)
    if not folder.exists():
        write_product(product, folder)
    elif read_manifest(folder).get("description_digest") != product.plan.digest:
        raise FolderError(
            f"{folder}: was generated before {given} was changed\n"
            f"    `sparktick generate {given} --force` replaces it; `sparktick build {folder}` "
            "builds it as it is."
        )
    return folder


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
