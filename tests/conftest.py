"""Shared by all tests: programs outside Python that a test needs are named, never assumed.

``@pytest.mark.needs_system(name, install, *, command=None, module=None, library=None)``
skips a test whose tool is absent and lists it, with the install command, at the end of
the session.  What is looked for: a ``command`` on PATH (default: the name itself), an
importable Python ``module``, or a C ``library`` that links ("simavr elf" means both);
where several are named, one is enough.  With SPARKTICK_REQUIRE_ALL=1 a missing tool
fails the test instead.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest

REQUIRE_ALL = "SPARKTICK_REQUIRE_ALL"
_missing: dict[tuple[str, str], list[str]] = {}


@cache
def _links(libraries: str) -> bool:
    compiler = os.environ.get("CC") or shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return False
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder, "probe.c")
        source.write_text("int main(void) { return 0; }\n")
        flags = ["-Wl,--no-as-needed", *(f"-l{name}" for name in libraries.split())]
        command = [compiler, str(source), "-o", str(Path(folder, "probe")), *flags]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0


@cache
def _present(command: str | None, module: str | None, library: str | None) -> bool:
    return bool(
        (command and shutil.which(command))
        or (module and importlib.util.find_spec(module))
        or (library and _links(library))
    )


def _tool(mark: pytest.Mark) -> tuple[str, str, bool]:
    """Name, install command and presence of the tool that one mark asks for."""
    name, install = mark.args
    kind = {key: mark.kwargs.get(key) for key in ("command", "module", "library")}
    if not any(kind.values()):
        kind["command"] = name
    return name, install, _present(**kind)


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers",
        "needs_system(name, install, *, command, module, library): a tool from outside the "
        "project; its absence is listed with the install command",
    )


def pytest_runtest_setup(item: pytest.Item) -> None:
    for mark in item.iter_markers("needs_system"):
        name, install, present = _tool(mark)
        if present:
            continue
        message = f"{name} is not installed; install it with: {install}"
        if os.environ.get(REQUIRE_ALL) == "1":
            pytest.fail(f"{message} ({REQUIRE_ALL}=1)", pytrace=False)
        _missing.setdefault((name, install), []).append(item.nodeid)
        pytest.skip(message)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not _missing:
        return
    terminalreporter.section("NOT RUN: tools missing on this machine")
    for (name, install), tests in sorted(_missing.items()):
        terminalreporter.write_line(f"{name}: {len(tests)} tests not run; install with: {install}")
        for nodeid in tests:
            terminalreporter.write_line(f"    {nodeid}")
