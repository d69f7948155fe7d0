"""If this fails, manifest.json of a firmware folder is misread, or its faults are not named."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sparktick.gen.errors import FolderError
from sparktick.host_sim.manifest import read_manifest


def test_generated_manifest_is_read(folder: Path) -> None:
    raw = json.loads((folder / "manifest.json").read_text())
    manifest = read_manifest(folder)
    assert manifest.tick_hz == raw["tick_hz"]
    assert manifest.geometry.spacing_deg == raw["geometry"]["spacing_deg"]
    assert manifest.curve[0] == tuple(raw["curve"][0])
    assert manifest.trail_delay_us == raw["sensor_trail_delay_us"]
    assert manifest.raw == raw


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "cannot be read"),
        ("{", "not JSON"),
        ("[]", "schema 'list'"),
        ('{"schema": 99}', "schema 99"),
        ('{"schema": 1, "name": "x"}', "the key 'start' is missing"),
    ],
)
def test_faults_are_named(tmp_path: Path, text: str | None, message: str) -> None:
    if text is not None:
        (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(FolderError, match=message):
        read_manifest(tmp_path)


def test_value_of_the_wrong_kind(folder: Path, tmp_path: Path) -> None:
    raw = json.loads((folder / "manifest.json").read_text())
    raw["dwell_us"] = "long"
    (tmp_path / "manifest.json").write_text(json.dumps(raw))
    with pytest.raises(FolderError, match="wrong kind"):
        read_manifest(tmp_path)
