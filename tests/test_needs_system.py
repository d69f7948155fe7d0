"""If this fails, a test whose tool is missing passes or vanishes without being named."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = """
import pytest

@pytest.mark.needs_system("nosuchtool", "apt-get install nosuchtool")
def test_absent():
    raise AssertionError

@pytest.mark.needs_system("anything", "-", command="nosuchtool", module="json")
def test_one_of_two_is_enough():
    pass

@pytest.mark.needs_system("maths", "-", library="m")
def test_library():
    pass
"""


@pytest.fixture
def report(tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """Return what a session of its own prints, with SPARKTICK_REQUIRE_ALL as parametrised."""
    (tmp_path / "conftest.py").write_text(Path(__file__).with_name("conftest.py").read_text())
    (tmp_path / "test_tools.py").write_text(TESTS)
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-q", str(tmp_path)]
    environment = os.environ | {"SPARKTICK_REQUIRE_ALL": request.param}
    done = subprocess.run(
        command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    return done.stdout


@pytest.mark.parametrize("report", ["0"], indirect=True)
def test_a_missing_tool_is_listed_with_its_install_command(report: str) -> None:
    assert "2 passed, 1 skipped" in report
    assert "nosuchtool: 1 tests not run; install with: apt-get install nosuchtool" in report


@pytest.mark.parametrize("report", ["1"], indirect=True)
def test_a_missing_tool_fails_when_all_are_required(report: str) -> None:
    assert "2 passed, 1 error" in report
    assert "SPARKTICK_REQUIRE_ALL=1" in report
