"""If this fails: the core is tied to one chip, or a file or function has grown unreadable."""

from __future__ import annotations

import re
import statistics
from pathlib import Path

import pytest

TEMPLATES = Path(__file__).parents[2] / "templates_c"
CORE = sorted((TEMPLATES / "core").glob("*.[ch]"))
PORTS = sorted((TEMPLATES / "port").glob("*/*.[ch]"))
MOST_FILE_LINES = 500
MOST_FUNCTION_LINES = 70
MEDIAN_FUNCTION_LINES = 12
MOST_COLUMNS = 120
OWN_HEADERS = re.compile(r'"(config|st_\w+)\.h"')


def ids(path: Path) -> str:
    return f"{path.parent.name}/{path.name}"


def code_of(text: str) -> str:
    """Return a file without its comments; lines stay where they are."""
    return re.sub(r"/\*.*?\*/", lambda m: "\n" * m[0].count("\n"), text, flags=re.DOTALL)


def functions(path: Path) -> dict[str, int]:
    """Return the lines of each function: from its name to the brace in the first column."""
    lines = code_of(path.read_text()).splitlines()
    found: dict[str, int] = {}
    for i, line in enumerate(lines):
        head = re.match(r"\w[\w *]*?\b(\w+)\([^;]*$", line)
        if head and not line.startswith("#"):
            end = next(k for k in range(i, len(lines)) if lines[k].startswith("}"))
            found[head[1]] = end - i + 1
    return found


@pytest.mark.parametrize("path", CORE + PORTS, ids=ids)
def test_files_can_be_read_at_a_sitting(path: Path) -> None:
    lines = path.read_text().splitlines()
    assert len(lines) <= MOST_FILE_LINES
    assert max(map(len, lines)) <= MOST_COLUMNS
    assert not any(line.rstrip() != line or "\t" in line for line in lines)


def test_functions_are_short() -> None:
    lengths = {
        f"{ids(path)}: {name}": length
        for path in CORE + PORTS
        if path.suffix == ".c"
        for name, length in functions(path).items()
    }
    assert len(lengths) > 80, "the functions were not found"
    assert {name: n for name, n in lengths.items() if n > MOST_FUNCTION_LINES} == {}
    assert statistics.median(lengths.values()) <= MEDIAN_FUNCTION_LINES


@pytest.mark.parametrize("path", CORE, ids=ids)
def test_core_knows_no_chip(path: Path) -> None:
    code = code_of(path.read_text())
    includes = re.findall(r"^\s*#\s*include\s+(.*?)\s*$", code, re.MULTILINE)
    foreign = [name for name in includes if not OWN_HEADERS.fullmatch(name)]
    assert set(foreign) <= {"<stdint.h>", "<stdbool.h>"}
    for kind, condition in re.findall(r"^\s*#\s*((?:el)?if\w*)\s+(.*?)\s*$", code, re.MULTILINE):
        guard = condition == path.name.upper().replace(".", "_")
        words = re.findall(r"[A-Za-z_]\w*", condition)
        own = all(word.startswith(("ST_CFG_", "ST_CORE_", "ST_PREDICT_")) for word in words)
        assert guard or (kind in ("if", "elif") and own), f"#{kind} {condition}"


@pytest.mark.parametrize("path", CORE, ids=ids)
def test_core_uses_no_heap_no_floats_no_library(path: Path) -> None:
    code = code_of(path.read_text())
    assert re.findall(r"\b(?:\w*alloc|free|\w*printf|mem\w+|str\w+)\s*\(", code) == []
    words = set(re.findall(r"[A-Za-z_]\w*", code))
    assert words & {"float", "double", "asm", "__asm__", "goto"} == set()
    plain = {"int", "short", "long", "unsigned", "char"} & words
    assert plain <= ({"int"} if path.name == "st_main.c" else set()), "widths are fixed: stdint.h"


@pytest.mark.parametrize("path", CORE, ids=ids)
def test_core_keeps_its_prefix(path: Path) -> None:
    """Nothing of ours can clash with a chip's own header."""
    code = code_of(path.read_text())
    names = re.findall(r"^\s*#\s*define\s+(\w+)", code, re.MULTILINE)
    names += functions(path) if path.suffix == ".c" else []
    assert [name for name in names if not name.lower().startswith("st_") and name != "main"] == []
