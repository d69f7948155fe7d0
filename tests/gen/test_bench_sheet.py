"""If this fails: the bench sheet tells a reading that the firmware is not made to give."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparktick.gen.bench_sheet import steps
from sparktick.gen.cli import cli
from sparktick.gen.pipeline import make_plan

PLOVER = Path(__file__).parents[2] / "examples" / "plover.toml"


def test_steps_by_hand() -> None:
    """3500 rpm is a point of Plover's curve: 24 deg; one pulse a turn is 583 in ten seconds."""
    product = make_plan(PLOVER)
    found = {round(step.rpm): step for step in steps(product.design, product.plan)}
    step = found[3500]
    assert step.strobe_deg_btdc == 24.0
    assert step.pulses == 583
    assert step.tolerance_deg == pytest.approx(0.5 + 2 * 21000 * 0.5e-6)
    assert step.dwell_us == pytest.approx(3782.0)
    between = next(s for rpm, s in found.items() if 1500 < rpm < 3500)
    slope = (24.0 - 12.0) / 2000.0
    assert between.strobe_deg_btdc == pytest.approx(12.0 + slope * (between.rpm - 1500.0))
    assert max(found) == 8000


class Cells(HTMLParser):
    """Collects the table cells; a page with unclosed tags leaves some open."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data + "\n"


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_the_sheet_is_written(name: str, tmp_path: Path) -> None:
    engine = PLOVER.with_name(f"{name}.toml")
    result = CliRunner().invoke(cli, ["circuit", str(engine), "-o", str(tmp_path)])
    assert result.exit_code == 0, result.output
    page = Cells()
    page.feed((tmp_path / "bench.html").read_text(encoding="utf-8"))
    assert page.open == []
    for word in ("Keeping noise out", "Local rules", "Supply filter 33 Ω and 270 µF", "5 kΩ"):
        assert word in page.text
