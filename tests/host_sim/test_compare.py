"""If this fails: a change of timing between two firmware folders goes unseen, or one is made up."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import sparktick.examples
from sparktick.gen.cli import cli
from sparktick.gen.pipeline import generate

PLOVER = Path(next(iter(sparktick.examples.__path__))) / "plover.toml"


@pytest.fixture(scope="module")
def edited(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return Plover with 2 deg less from 6000 rpm on."""
    place = tmp_path_factory.mktemp("edited")
    text = PLOVER.read_text(encoding="utf-8").replace("[6000, 30.0]", "[6000, 28.0]")
    (place / "plover.toml").write_text(text, encoding="utf-8")
    generate(place / "plover.toml", place / "firmware")
    return place / "firmware"


def test_a_folder_is_as_itself(plover: Path) -> None:
    result = CliRunner().invoke(cli, ["compare", str(plover), str(plover)])
    assert result.exit_code == 0, result.output
    assert "0 of " in result.stdout


def test_an_edited_curve_shows_where_it_was_edited(plover: Path, edited: Path) -> None:
    result = CliRunner().invoke(cli, ["compare", str(plover), str(edited), "--json"])
    assert result.exit_code == 1, result.output
    said = json.loads(result.stdout)
    speeds = {row["rpm"]: row for row in said["speeds"]}
    assert not speeds[3500.0]["changed"] and not speeds[1500.0]["changed"]
    assert speeds[6000.0]["new_deg"] - speeds[6000.0]["old_deg"] == pytest.approx(-2.0, abs=0.05)
    assert said["angle_change_max_deg"] == pytest.approx(2.0, abs=0.05)
    assert "curve" in [change["key"] for change in said["manifest"]]
    text = CliRunner().invoke(cli, ["compare", str(plover), str(edited)]).stdout
    assert "-> 27.99" in text


def test_a_folder_without_manifest_is_told(plover: Path, tmp_path: Path) -> None:
    result = CliRunner().invoke(cli, ["compare", str(plover), str(tmp_path)])
    assert result.exit_code == 2
    assert "manifest.json" in result.stderr
