"""If this fails: what was watched live is drawn wrongly, or a spoilt log ends in a traceback."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.gen.errors import FolderError
from sparktick.host_sim.report.data import ReportData
from sparktick.host_sim.report.page import pictures, render_page
from sparktick.host_sim.report.watched import read_log

HEAD = "time_s,mode,speed_rpm,advance_deg_btdc,dwell_us,arc_deg,was_reset,pulse,spark,short,reset"
ROWS = (
    "0.0,stopped,0.000,,,,0,0,0,0,0",
    "0.3,running,3000.0,21.0,3782,34.0,0,15,15,2,0",
    "0.6,running,3000.0,21.0,3782,34.0,0,30,30,2,0",
    "0.9,running,3100.0,21.4,3782,34.0,1,4,4,1,1",
)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "heron.csv"
    path.write_text("\n".join([HEAD, *ROWS]) + "\n", encoding="utf-8")
    return path


def test_a_log_by_hand(log: Path) -> None:
    """Counts begin anew at the reset, so it adds the 1 that stands there, not a fall by 1."""
    watched = read_log(log)
    assert watched.grown["short"].tolist() == [0, 2, 0, 1]
    assert watched.unusual == {"short": 3, "reset": 1}
    assert watched.reset_s.tolist() == [0.9]
    assert np.isnan(watched.rpm[0]) and watched.rpm[1] == 3000.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a,b\n1,2\n3,4\n", "is no log"),
        ("", "is no log"),
        (f"{HEAD}\n{ROWS[0]}\n", "fewer than two"),
        (f"{HEAD}\n{ROWS[0]}\n{ROWS[1][:20]}\n", "spoilt or cut"),
        (f"{HEAD}\n{ROWS[0]}\n{ROWS[1].replace('3000.0', 'x')}\n", "spoilt or cut"),
    ],
)
def test_spoilt_logs_are_told(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FolderError, match=said):
        read_log(path)
    result = CliRunner().invoke(cli, ["report", str(tmp_path), "--log", str(path)])
    assert result.exit_code == 2 and "Traceback" not in result.output


def test_the_page_shows_it(data: ReportData, log: Path) -> None:
    with_log = replace(data, watched=read_log(log))
    assert pictures(with_log)["bench"][0].name == "watched"
    page = render_page(with_log)
    assert "4 lines of heron.csv; 1 resets" in page and "short by 3" in page
