"""If this fails, `sparktick check` hides an overload, ends with the wrong code or is slow."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparktick.gen.board import load_board
from sparktick.gen.cli import cli
from sparktick.gen.design import design
from sparktick.gen.engine import read_engine

ROOT = Path(__file__).parents[2]
PLOVER = ROOT / "examples" / "plover.toml"
COMMAND = "from sparktick.gen.cli import main; main()"


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, ["check", *args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def changed(folder: Path, *changes: tuple[str, str]) -> str:
    text = PLOVER.read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after, 1)
    (folder / "changed.toml").write_text(text, encoding="utf-8")
    return str(folder / "changed.toml")


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_it_answers_the_users_questions(name: str) -> None:
    code, out, err = run("--quiet", str(ROOT / "examples" / f"{name}.toml"))
    assert (code, err) == (0, "")
    for words in (
        "strong enough at every speed",
        "What to buy:",
        "the firmware ends any charge within",
        "jumps",
        "the firmware takes them back",
        "idle",
        "top",
        "worst",
    ):
        assert words in out
    assert "FAIL" not in out
    assert ("mT at the sensor" in out) == (name == "teal")
    assert max(map(len, out.splitlines())) <= 120


def test_an_overload_ends_with_1_and_a_plain_sentence(tmp_path: Path) -> None:
    file = changed(tmp_path, ("max_current_a = 10.0", "max_current_a = 6.0"))
    code, out, err = run(file)
    assert code == 1
    assert "FAIL driver: peak current" in out
    assert "2 of 10 electrical verdicts FAILED" in out
    first = err.splitlines()[0]
    assert first.startswith("sparktick: driver: peak current is 8.04 A, allowed is at most 6.00 A")
    assert "supply 14.4 V" in first
    assert "take a stronger switch" in first


def test_a_weak_spark_says_at_which_speeds(tmp_path: Path) -> None:
    file = changed(tmp_path, ("turns_ratio = 85", "turns_ratio = 85\nsecondary_pf = 250"))
    code, out, _ = run(file, "--quiet")
    assert code == 1
    floor_rpm = design(read_engine(Path(file)), load_board("nano-328p")).start.floor_rpm
    assert f"TOO WEAK from {floor_rpm:.0f} to" in out


def test_document(tmp_path: Path) -> None:
    code, out, err = run(str(PLOVER), "--json")
    document = json.loads(out)
    assert (code, err) == (0, "")
    assert document["passed"] is True
    assert document["electrical"]["stuck_on"]["fails_first"] == "driver"
    assert document["pictures"] == []
    file = changed(tmp_path, ("max_current_a = 10.0", "max_current_a = 6.0"))
    code, out, err = run(file, "--json")
    document = json.loads(out)  # one document, though it failed
    assert (code, document["passed"]) == (1, False)
    worst = [v for v in document["electrical"]["verdicts"] if not v["passed"]]
    assert {v["quantity"] for v in worst} == {"peak current", "current after the longest fault"}
    assert all(v["remedy"] and v["corner"] and v["limit"] == 6.0 for v in worst)
    assert err


def test_pictures(tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    code, out, _ = run(str(PLOVER), "--quiet", "--pictures", str(folder))
    assert code == 0
    written = sorted(folder.iterdir())
    assert len(written) == 6
    assert all(path.suffix == ".svg" and str(path) in out for path in written)
    before = {path: path.read_bytes() for path in written}
    document = json.loads(run(str(PLOVER), "--json", "--pictures", str(folder))[1])
    assert document["pictures"] and {path: path.read_bytes() for path in written} == before


def test_pictures_in_a_place_that_is_a_file(tmp_path: Path) -> None:
    place = tmp_path / "taken"
    place.write_text("mine")
    code, _, err = run(str(PLOVER), "--pictures", str(place))
    assert code == 2
    assert "Traceback" not in err
    assert place.read_text() == "mine"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("primary_ohm = 1.6 ", "primary_ohm = 0 "), "0.1 to 10 ohm"),
        (("primary_mh = 4.2", "primary_mh = -4.2"), "0.1 to 50 mH"),
        (("primary_mh = 4.2", "primary_mh = 4200"), "0.1 to 50 mH"),
        (("primary_mh = 4.2\n", "\n"), "missing"),
        (("primary_mh = 4.2", 'primary_mh = "4.2"'), "without quotes"),
        (("spark_current_a = 4.5", "spark_current_a = 9.0"), "cannot be reached"),
        (("volts = 12.0", "volts = 0"), "3 to 30"),
        (("gap_mm = 0.5", "gap_mm = 5"), "0.1 to 1.5 mm"),
        (('kind = "inductive"', 'kind = "inductive"\npart = "mopde"'), "Did you mean moped"),
    ],
)
def test_bad_input_ends_with_2_and_the_range(
    tmp_path: Path, change: tuple[str, str], says: str
) -> None:
    code, out, err = run(changed(tmp_path, change))
    assert (code, out) == (2, "")
    assert says in err
    assert "changed.toml:" in err


def test_a_plan_that_cannot_be_made_is_named_with_its_line(tmp_path: Path) -> None:
    # a magnet too small for the speed limit: only the plan finds that
    file = changed(
        tmp_path,
        ("arc_deg = 34.0", "arc_deg = 10.0"),
        ("lead_edge_deg_btdc = 48.0", "lead_edge_deg_btdc = 40.0"),
    )
    code, _, err = run(file)
    assert code == 2
    assert "changed.toml:" in err


def test_what_a_part_fills_is_told(tmp_path: Path) -> None:
    file = changed(
        tmp_path,
        ("primary_mh = 4.2\n", ""),
        ("primary_ohm = 1.6 ", 'part = "moped"\nprimary_ohm = 1.6 '),
    )
    _, out, _ = run(file)
    assert "primary_mh = 6.5    (part moped)" in out
    assumed = json.loads(run(file, "--json")[1])["assumed"]
    assert {"coil.primary_mh": "moped"}.items() <= {a["key"]: a["part"] for a in assumed}.items()


@pytest.mark.skipif(not hasattr(os, "wait4"), reason="processor time of a child is not told here")
def test_answers_within_a_second() -> None:
    spent = []
    for _ in range(3):
        child = subprocess.Popen(
            [sys.executable, "-c", COMMAND, "check", str(PLOVER)], stdout=subprocess.DEVNULL
        )
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        assert child.returncode == 0
        spent.append(usage.ru_utime + usage.ru_stime)
    assert min(spent) < 1.0  # processor time: other work on this machine does not count
