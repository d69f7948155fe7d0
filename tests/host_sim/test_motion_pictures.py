"""If this fails, pictures of an engine in motion, or the command that draws them, are broken."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.gen.pipeline import generate, make_plan
from sparktick.host_sim.report.figures_motion import motion_pictures, plain_svg
from sparktick.host_sim.report.motion import MotionPart, motion_part
from sparktick.host_sim.report.svg import to_svg

from .conftest import EXAMPLES

NAMES = [
    "uneven-turns",
    "start-trace",
    "predictor-errors",
    "flywheel",
    "magnet-places",
    "start-cost",
]


@pytest.fixture(scope="module")
def part(plover: Path) -> MotionPart:
    product = make_plan(EXAMPLES / "plover.toml")
    return motion_part(product.engine, product.design, plover, starts=20)


def test_plover_holds(part: MotionPart) -> None:
    assert part.passed
    assert [cycle.title for cycle in part.cycles] == [
        "idle",
        "full throttle, heavy load",
        "full speed",
    ]


def test_two_turns_close(part: MotionPart) -> None:
    for cycle in part.cycles:
        assert cycle.deg[0] == -180.0
        assert cycle.deg[-1] == 540.0
        assert abs(cycle.rpm[-1] / cycle.rpm[0] - 1.0) < 0.10  # the heat varies from cycle to cycle
    idle, top = part.cycles[0], part.cycles[-1]
    assert idle.irregularity >= 0.10
    assert top.irregularity < 0.02


def test_the_traced_start_runs_and_is_gentle(part: MotionPart) -> None:
    assert part.start.turns.mean_rpm[-1] > 1000.0
    assert part.start.kick_backs == 0
    by_start = part.start.sparks.mode == part.start.run.modes.index("start")
    if by_start.any():
        assert part.start.sparks.deg_btdc[by_start].max() < 5.0


def test_every_picture_is_drawn_wide_and_narrow(part: MotionPart) -> None:
    pictures = motion_pictures(part)
    assert [picture.name for picture in pictures] == NAMES
    for picture in pictures:
        assert picture.caption.endswith(".")
        assert picture.spoken
        for narrow in (False, True):
            text = to_svg(picture.draw, picture.name, picture.spoken, narrow=narrow)
            assert text.startswith("<svg")
            assert "<path" in text


def test_pictures_are_the_same_bytes_every_time(part: MotionPart) -> None:
    first, again = ([plain_svg(p) for p in motion_pictures(part)] for _ in range(2))
    assert first == again
    for text in first:
        assert "var(" not in text
        ET.fromstring(text)


def test_flywheel_names_both_edges_and_the_window(part: MotionPart) -> None:
    picture = motion_pictures(part)[NAMES.index("flywheel")]
    least, most = part.placement.window_deg_btdc
    assert "arrives 48 deg" in picture.caption
    assert "left 14 deg" in picture.caption
    assert f"{least:g} to {most:g} deg BTDC" in picture.caption


def test_turns_name_what_each_cylinder_does(part: MotionPart) -> None:
    from dataclasses import replace

    from sparktick.host_sim.report.figures_motion import _what_happens

    from .engines import described

    def said(name: str) -> list[str]:
        other = replace(part, engine=described(name))
        return [_what_happens(deg, other) for deg in (0.0, 180.0, 360.0)]

    assert said("plover") == ["fires", "", "exhaust"]
    assert said("teal") == ["both fire", "", "both fire"]
    assert said("avocet") == ["1 fires", "2 fires", "1 fires"]


def test_captions_speak_of_the_engines_own_strokes_and_round(tmp_path: Path) -> None:
    product = make_plan(EXAMPLES / "teal.toml")
    generate(EXAMPLES / "teal.toml", tmp_path / "fw")
    teal = motion_part(product.engine, product.design, tmp_path / "fw", starts=1)
    pictures = {picture.name: picture for picture in motion_pictures(teal)}
    drawn = to_svg(pictures["start-trace"].draw, "x", "x", narrow=False)
    assert "spark that lights nothing" in drawn
    assert "exhaust" not in drawn
    assert "has left 24 deg" in pictures["flywheel"].caption
    assert "Two magnets of opposite pole" in pictures["flywheel"].caption
    errors = pictures["predictor-errors"].caption
    assert errors.count("last 1.57") == 1
    assert errors.count("arc_deg") == 1


def test_a_magnet_that_works_nowhere_is_said_so(part: MotionPart) -> None:
    from dataclasses import replace

    late = replace(part.placement.described, works=False, why_not="start sparks come late")
    nowhere = replace(part.placement, places=(late,), described=late, two_magnets_help=True)
    pictures = {p.name: p for p in motion_pictures(replace(part, placement=nowhere))}
    for name in ("flywheel", "magnet-places"):
        assert "No place works with a magnet of this length" in pictures[name].caption
        assert to_svg(pictures[name].draw, "x", "x", narrow=False)
    assert "Where it is now start sparks come late." in pictures["flywheel"].caption


def test_histogram_marks_the_choice(part: MotionPart) -> None:
    picture = motion_pictures(part)[NAMES.index("predictor-errors")]
    assert "(chosen)" in to_svg(picture.draw, "x", "x", narrow=False)
    worst = {name: np.abs(errors).max() for name, errors in part.choice.errors_deg.items()}
    assert f"last {worst['last']:.2f}" in picture.caption


def test_command_writes_pictures_and_json(tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    engine = str(EXAMPLES / "plover.toml")
    arguments = ["motion", engine, "--starts", "20", "--json", "--pictures", str(folder)]
    result = CliRunner().invoke(cli, arguments)
    assert result.exit_code == 0, result.output
    document = json.loads(result.output)
    assert document["command"] == "motion"
    assert document["passed"] is True
    assert len(document["scenes"]) == 6
    assert sorted(path.stem for path in folder.iterdir()) == sorted(NAMES)


def test_command_ends_with_2_for_an_engine_that_cannot_turn(tmp_path: Path) -> None:
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    stiff = tmp_path / "stiff.toml"
    stiff.write_text(
        text.replace("strokes = 4\n", "strokes = 4\nfriction_nm = 8.0\n").replace(
            '"hand"', '"drill"'
        )
    )
    result = CliRunner().invoke(cli, ["motion", str(stiff)])
    assert result.exit_code == 2
    assert "[engine] top_rpm = 8000" in result.output


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("flywheel_inertia_kg_m2 = 2.5e-3", "", "[engine] flywheel_inertia_kg_m2: missing"),
        ("rod_mm = 58.0", "rod_mm = 14.0", "[engine] rod_mm = 14: shorter than the crank needs"),
        ("compression_ratio = 7.5", "compression_ratio = 1.0", "compression_ratio = 1: out of"),
        ("[6000, 30.0]]", "[6000, 55.0]]", "too late for 55 deg BTDC at 8500 rpm"),
        ("[1500, 12.0]", "[600, 12.0]", "speeds must rise from point to point"),
    ],
    ids=["no flywheel", "rod", "ratio", "curve", "curve back"],
)
def test_command_ends_with_2_for_what_cannot_be(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "bad.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    result = CliRunner().invoke(cli, ["motion", str(path)])
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output
