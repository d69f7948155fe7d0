"""If this fails: an installed sparktick lacks a module or a data file that the checkout has."""

from __future__ import annotations

import importlib
import tomllib
from pathlib import Path, PurePath

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
TOOLS = PROJECT["tool"]["setuptools"]
FOLDERS = {name: ROOT / folder for name, folder in TOOLS["package-dir"].items()}


def test_every_python_folder_is_a_package_of_the_project() -> None:
    tops = ("gen", "host_sim", "boards", "templates_c", "examples")
    found = {path.parent for top in tops for path in (ROOT / top).rglob("*.py")}
    assert found == set(FOLDERS.values())
    assert set(TOOLS["packages"]) == set(FOLDERS)


@pytest.mark.parametrize("name", sorted(FOLDERS))
def test_packages_import_under_one_name(name: str) -> None:
    module = importlib.import_module(name)
    assert module.__file__ is not None
    assert module.__doc__


def test_no_generic_name_is_installed() -> None:
    assert all(name.startswith("sparktick.") for name in TOOLS["packages"])
    assert not (ROOT / "__init__.py").exists()


def _taken(package: str, file: PurePath) -> bool:
    """Whether a pattern of [tool.setuptools.package-data] takes a file."""
    for pattern in TOOLS["package-data"].get(package, []):
        any_depth = pattern.startswith("**/")
        same_depth = len(PurePath(pattern).parts) == len(file.parts)
        if file.match(pattern.removeprefix("**/")) and (any_depth or same_depth):
            return True
    return False


@pytest.mark.parametrize("name", sorted(FOLDERS))
def test_every_data_file_is_packaged(name: str) -> None:
    folder = FOLDERS[name]
    inner = [other for other in FOLDERS.values() if other != folder and folder in other.parents]
    ignored = {".pyc", ".o", ".so", ".tmp"}
    left_out = [
        path.relative_to(folder)
        for path in folder.rglob("*")
        if path.is_file()
        and path.suffix not in {".py", *ignored}
        and "__pycache__" not in path.parts
        and not any(other in path.parents for other in inner)
        and not _taken(name, path.relative_to(folder))
    ]
    assert left_out == []
