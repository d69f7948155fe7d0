"""If this fails: a command prints, ends or writes in a way that its users cannot rely on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from sparktick.gen.board import board_names
from sparktick.gen.cli import COMMANDS, cli
from sparktick.gen.engine import engine_json_schema_text, read_engine
from sparktick.gen.engine_docs import engine_markdown
from sparktick.gen.errors import VerdictFailedError

ROOT = Path(__file__).parents[2]
PLOVER = str(ROOT / "examples" / "plover.toml")
PYTHON = [sys.executable, "-W", "error", "-c", "from sparktick.gen.cli import main; main()"]


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, args)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def existing() -> list[str]:
    return cli.list_commands(click.Context(cli))


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from sparktick.gen.cli import cli\n"
        "cli.main(['--help'], standalone_mode=False)\n"
        "heavy = {'numpy', 'pydantic', 'scipy', 'matplotlib', 'rich', 'jinja2', 'cffi'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


@pytest.mark.parametrize("name", existing())
def test_every_command_has_help(name: str) -> None:
    code, out, _ = run(name, "--help")
    assert code == 0
    assert out.startswith("Usage:")


def test_help_lists_the_commands_that_exist() -> None:
    code, out, _ = run("--help")
    assert code == 0
    listed = out.partition("Commands:")[2]
    for name, text in COMMANDS.items():
        assert (f"  {name} " in listed) == (name in existing())
        assert (text in listed) == (name in existing())


def test_a_command_without_module_does_not_appear(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(COMMANDS, "nowhere", "Not there.")
    assert "nowhere" not in run("--help")[1]
    assert run("nowhere")[0] == 2


def test_version() -> None:
    code, out, _ = run("--version")
    assert code == 0
    assert out.strip().endswith("0.1.0")


def test_unknown_command_names_the_nearest() -> None:
    code, _, err = run("chek")
    assert code == 2
    assert "Did you mean 'check'?" in err


def test_check_tells_what_is_assumed() -> None:
    code, out, err = run("check", PLOVER)
    assert (code, err) == (0, "")
    assert "    wiring_ohm = 0.05\n" in out
    assert "dwell_ms = (computed from spark_current_a)" in out
    assert "no faults; all 10 electrical verdicts good" in out.rstrip().splitlines()[-1]


def test_check_document() -> None:
    code, out, _ = run("check", "--json", PLOVER)
    document = json.loads(out)
    assert code == 0
    assert list(document)[:2] == ["schema", "command"]
    assert document["engine"]["engine"]["bore_mm"] == 33.0
    assert {"key": "supply.wiring_ohm", "value": 0.05}.items() <= next(
        item for item in document["assumed"] if item["key"] == "supply.wiring_ohm"
    ).items()


def test_a_fault_is_a_message_and_an_exit_code(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(Path(PLOVER).read_text().replace("bore_mm = 33.0", "bore_mm = nan"))
    code, out, err = run("check", str(file))
    assert (code, out) == (2, "")
    assert "[engine] bore_mm = nan" in err
    assert "Traceback" not in err


def test_a_fault_as_document(tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(Path(PLOVER).read_text().replace("bore_mm = 33.0", "bore_mm = nan"))
    code, out, err = run("check", str(file), "--json")
    document = json.loads(out)
    assert code == document["exit_code"] == 2
    assert document["command"] == "check"
    (fault,) = document["error"]["faults"]
    assert (fault["key"], fault["value"]) == ("engine.bore_mm", "nan")
    assert fault["line"] > 1
    assert err


def test_a_usage_error_as_document() -> None:
    code, out, _ = run("check", "--json")
    assert code == 2
    assert json.loads(out)["exit_code"] == 2


def test_missing_file_names_the_remedy() -> None:
    code, _, err = run("check", "nowhere.toml")
    assert code == 2
    assert "sparktick new" in err


def _with_command(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    @click.command()
    def command() -> None:
        raise error

    monkeypatch.setattr("sparktick.gen.cli.check.command", command)


@pytest.mark.parametrize(
    ("error", "code", "text"),
    [
        (VerdictFailedError("too late"), 1, "sparktick: too late"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (PermissionError(13, "Permission denied", "/x"), 2, "/x: Permission denied"),
        (BrokenPipeError(), 141, ""),
    ],
    ids=["verdict", "interrupt", "permission", "pipe"],
)
def test_how_a_command_ends(
    monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, text: str
) -> None:
    _with_command(monkeypatch, error)
    ended, _, err = run("check")
    assert ended == code
    assert text in err
    assert bool(err) == bool(text)


@pytest.mark.parametrize("args", [["--help"], ["check", "--help"], ["check", PLOVER], ["schema"]])
def test_reader_gone(args: list[str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        ended = subprocess.run(
            [*PYTHON, *args], stdout=writing, stderr=subprocess.PIPE, check=False
        )
    finally:
        os.close(writing)
    assert (ended.returncode, ended.stderr) == (141, b"")


def test_interrupt_from_the_keyboard(tmp_path: Path) -> None:
    fifo = tmp_path / "never.toml"
    os.mkfifo(fifo)
    process = subprocess.Popen([*PYTHON, "check", str(fifo)], stderr=subprocess.PIPE)
    with fifo.open("wb"):  # opens once the command has begun to read
        time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert err == b"sparktick: interrupted\n"


@pytest.mark.parametrize("board", board_names())
@pytest.mark.parametrize("cylinders", ["1", "2"])
@pytest.mark.parametrize("strokes", ["2", "4"])
def test_new_writes_a_sound_description(
    tmp_path: Path, strokes: str, cylinders: str, board: str
) -> None:
    file = tmp_path / "sub" / "grey heron.toml"
    args = ["--strokes", strokes, "--cylinders", cylinders, "--board", board]
    code, out, _ = run("new", str(file), *args)
    assert code == 0
    assert "sparktick check" in out
    engine = read_engine(file)
    assert engine.name == "Grey-heron"
    assert (engine.engine.strokes, engine.engine.cylinders) == (int(strokes), int(cylinders))
    assert engine.board.name == board
    assert all(len(line) <= 100 for line in file.read_text().splitlines())
    assert "Odd:" not in run("check", str(file))[1]


def test_new_never_overwrites_without_force(tmp_path: Path) -> None:
    file = tmp_path / "heron.toml"
    file.write_text("mine")
    code, _, err = run("new", str(file))
    assert code == 2
    assert "--force" in err
    assert file.read_text() == "mine"
    assert run("new", str(file), "--force", "--name", "Coot")[0] == 0
    assert read_engine(file).name == "Coot"


@pytest.mark.parametrize(
    ("args", "part"),
    [
        (["--board", "nano"], "Did you mean nano-328p?"),
        (["--name", 'a"b\\'], "letters"),
        (["--name", "a\nb"], "letters"),
        (["--strokes", "3"], "'3'"),
    ],
)
def test_new_refuses_and_writes_nothing(tmp_path: Path, args: list[str], part: str) -> None:
    file = tmp_path / "heron.toml"
    code, _, err = run("new", str(file), *args)
    assert code == 2
    assert part in err
    assert list(tmp_path.iterdir()) == []


def test_boards() -> None:
    code, out, _ = run("boards")
    assert code == 0
    assert all(name in out for name in board_names())
    _, one, _ = run("boards", "nano-328p")
    assert "pickup     D8     PB0  ICP1" in one
    document = json.loads(run("boards", "--json")[1])
    assert [board["name"] for board in document["boards"]] == board_names()
    assert document["boards"][0]["tick_us"] == 0.5


def test_schema_and_pages_in_docs_are_up_to_date(tmp_path: Path) -> None:
    docs = ROOT / "docs"
    assert (docs / "engine.schema.json").read_text(encoding="utf-8") == engine_json_schema_text(), (
        "run: sparktick schema -o docs/engine.schema.json"
    )
    assert (docs / "engine-description.md").read_text(encoding="utf-8") == engine_markdown(), (
        "run: sparktick schema --markdown -o docs/engine-description.md"
    )
    file = tmp_path / "engine.schema.json"
    assert run("schema", "-o", str(file))[0] == 0
    assert file.read_text(encoding="utf-8") == run("schema")[1]
    assert "up to date" in run("schema", "-o", str(file))[1]
