"""Firmware folders of the examples, generated once a session."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import Compiler, find_compiler

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="session")
def made_folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return folders by example; not to be changed."""
    root = tmp_path_factory.mktemp("made")
    for name in ("avocet", "plover", "teal"):
        generate(EXAMPLES / f"{name}.toml", root / name)
    return {name: root / name for name in ("avocet", "plover", "teal")}


@pytest.fixture
def folder(made_folders: dict[str, Path], tmp_path: Path) -> Path:
    """Return a fresh firmware folder of Plover, to change at will."""
    return Path(shutil.copytree(made_folders["plover"], tmp_path / "plover"))


@pytest.fixture(scope="session")
def avr() -> Compiler:
    return find_compiler()
