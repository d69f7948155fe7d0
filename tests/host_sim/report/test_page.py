"""If this fails: the page needs something from outside, hides a result, or shows it wrongly."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from sparktick.gen.errors import ToolError
from sparktick.host_sim.report import data as report_data
from sparktick.host_sim.report import tables
from sparktick.host_sim.report.data import ChipPart, ReportData, gather
from sparktick.host_sim.report.page import pictures, render_page, report_content
from sparktick.host_sim.report.svg import VARIABLES, to_svg
from sparktick.host_sim.report.verdicts import verdict_groups
from sparktick.host_sim.verdict import Verdict

VOID = {"meta", "br", "col", "hr", "img", "input", "link"}
FIGURES = [
    "advance",
    "error",
    "dwell",
    "energy",
    "voltage",
    "heat",
    "schemes",
    "current",
    "stuck-on",
    "turn-idle",
    "turn-top-speed",
    "start",
    "uneven-turns",
    "start-trace",
    "predictor-errors",
    "flywheel",
    "magnet-places",
    "start-cost",
    "noise",
    "sensor-line",
]
DRAWING = "circuit"


class Document(HTMLParser):
    """Elements of a page with their attributes; complains of wrong nesting."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.found if name == tag]


@pytest.fixture(scope="module")
def document(page: str) -> Document:
    return Document(page)


def test_the_page_is_self_contained(page: str, document: Document) -> None:
    assert {"script", "link", "img", "iframe", "object", "image"}.isdisjoint(
        name for name, _ in document.found
    )
    for _, attributes in document.found:
        for key in ("src", "href", "xlink:href", "srcset", "data"):
            assert (attributes.get(key) or "#").startswith("#"), attributes
    assert re.findall(r"https?://|@import|url\((?!#)", page) == []
    policy = [m for m in document.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert str(policy[0]["content"]).startswith("default-src 'none'")


def test_every_reference_leads_somewhere_and_ids_are_unique(page: str, document: Document) -> None:
    ids = [attributes["id"] for _, attributes in document.found if "id" in attributes]
    assert len(ids) == len(set(ids))
    used = set(re.findall(r"url\(#([^)]+)\)", page))
    for _, attributes in document.found:
        for key in ("href", "xlink:href"):
            if key in attributes:
                used.add(str(attributes[key])[1:])
        used.update(str(attributes.get("aria-labelledby") or "").split())
    assert used <= set(ids)


def test_every_figure_is_there_twice_and_speaks(document: Document) -> None:
    names = [figure["id"] for figure in document.all("figure")]
    assert names == [*FIGURES, DRAWING]
    drawings = document.all("svg")
    assert len(drawings) == 2 * len(FIGURES) + 1
    assert all(one["role"] == "img" and len(str(one["aria-label"])) > 20 for one in drawings)
    assert len(document.all("figcaption")) == len(FIGURES) + 1


def test_figures_take_the_pages_colours_and_font(page: str) -> None:
    assert not any(colour in page for colour in VARIABLES)
    drawn = "".join(re.findall(r"<svg.*?</svg>", page, re.DOTALL))
    assert set(re.findall(r"#[0-9a-fA-F]{6}\b", drawn)) <= {"#ffffff"}
    assert "DejaVu" not in drawn
    assert drawn.count("<text") > 200  # letters stay text, to be found and read aloud


def test_headings_and_contents(page: str, document: Document) -> None:
    headings = re.findall(r'<h2 id="(\w+)">(\d+) ', page)
    assert [int(number) for _, number in headings] == list(range(1, len(headings) + 1))
    contents = [a["href"] for a in document.all("a")]
    assert contents == [f"#{name}" for name, _ in headings]


def test_the_same_data_gives_the_same_bytes(data: ReportData, page: str) -> None:
    assert render_page(data) == page


def test_one_picture_is_drawn_the_same_after_another(data: ReportData) -> None:
    first, second = pictures(data)["angle"]
    alone = to_svg(first.draw, first.name, first.spoken, narrow=True)
    to_svg(second.draw, second.name, second.spoken, narrow=True)
    assert to_svg(first.draw, first.name, first.spoken, narrow=True) == alone


def failing(data: ReportData) -> ReportData:
    """Return the same data with one check of one run turned into a failure."""
    first, *rest = data.scenarios
    checks = [
        replace(check, value=1.5, limit=0.25, passed=False, at_s=0.5) if n == 0 else check
        for n, check in enumerate(first.verdict.checks)
    ]
    return replace(data, scenarios=(replace(first, verdict=Verdict(tuple(checks))), *rest))


def test_a_limit_not_kept_is_said_in_words_and_sign(data: ReportData, page: str) -> None:
    assert page.count("NOT KEPT") == 0
    assert re.search(r"✓ All \d+ limits were kept\.", page)
    shown = render_page(failing(data))
    assert re.search(r"✗ 1 of \d+ limits were not kept\.", shown)
    assert "✗ NOT KEPT" in shown
    row = re.search(r'<tr class="failed">.*?</tr>', shown)
    assert row is not None
    assert "1.5 °" in row[0] and "≤ 0.25" in row[0] and "0.5000 s" in row[0]
    assert report_content(failing(data))["passed"] is False


def test_the_row_nearest_to_its_limit_is_shown(data: ReportData) -> None:
    host = verdict_groups(data)[0]
    (row,) = (row for row in host.rows if row.what.endswith("steady speed"))
    used = [
        (check.value - check.limit) / check.limit
        for result in (*data.scenarios, *data.sweep)
        if not result.scenario.noise
        for check in result.verdict.checks
        if check.name == "timing_steady" and check.count
    ]
    assert (row.value - row.limit) / row.limit == pytest.approx(max(used))


def test_electrical_verdicts_are_all_there(data: ReportData) -> None:
    assert data.description is not None
    group = verdict_groups(data)[-1]
    assert group.source == "circuit equations"
    assert len(group.rows) == len(data.description.electrical.verdicts)


def test_a_name_cannot_become_markup(bare: ReportData) -> None:
    evil = '"><script>alert(1)</script>'
    shown = render_page(replace(bare, manifest=replace(bare.manifest, name=evil)))
    assert "<script" not in shown
    assert "&lt;script&gt;" in shown


def test_a_folder_alone_says_what_it_lacks(bare: ReportData) -> None:
    shown = render_page(bare)
    assert "were not judged" in shown and "--engine" in shown
    figures = report_content(bare)["figures"]
    need = {"energy", "voltage", "heat", "schemes", "current", "stuck-on", "sensor-line"}
    need |= {"uneven-turns", "start-trace", "predictor-errors", "flywheel", "magnet-places"}
    need |= {"start-cost"}
    assert figures == [name for name in FIGURES if name not in need]


def test_an_emulator_that_is_missing_is_named(
    data: ReportData, monkeypatch: pytest.MonkeyPatch
) -> None:
    def absent(manifest: object, scenario: object, emulator: str) -> None:
        raise ToolError(f"{emulator} is not installed; install it with: apt-get install {emulator}")

    monkeypatch.setattr(report_data, "run_on_chip", absent)
    found = gather(data.manifest.folder, emulators=("yasimavr", "simavr"))
    shown = render_page(found)
    for name in ("yasimavr", "simavr"):
        assert f"Not run: {name}.</b> {name} is not installed; install it with:" in shown
    assert [one["source"] for one in report_content(found)["emulators"]] == ["yasimavr", "simavr"]
    assert all(one["not_run"] for one in report_content(found)["emulators"])


def test_an_image_that_is_missing_is_named(data: ReportData) -> None:
    found = gather(data.manifest.folder, emulators=("simavr",), not_built="no AVR compiler")
    assert found.chips == (ChipPart("simavr", not_run="no AVR compiler"),)
    assert "no AVR compiler" in render_page(found)


def test_without_an_emulator_the_page_says_so(page: str) -> None:
    assert "Not run: no emulated chip was asked for." in page


def test_cautions_come_before_results(page: str) -> None:
    for word in ("thousands of volts", "kick back", "vapour", "bench rig", "Local rules"):
        assert page.index(word) < page.index('<h2 id="verdicts">')


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_colours_have_contrast(page: str, theme: str) -> None:
    """WCAG 2 contrast (from memory): 4.5 for text, 3 for lines and marks."""
    light, dark = re.findall(r":root \{(.*?)\}", page, re.DOTALL)[:2]
    colours = dict(re.findall(r"--([\w-]+): (#\w{6})", light if theme == "light" else dark))

    def contrast(name: str, ground: str) -> float:
        high, low = sorted((luminance(colours[name]), luminance(colours[ground])), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for ground in ("paper", "note", "band"):
        assert all(contrast(name, ground) >= 4.5 for name in ("ink", "bad", "good"))
        assert all(contrast(n, ground) >= 3.0 for n in ("wanted", "host", "chip-a", "chip-b"))
    assert contrast("muted", "paper") >= 4.5


def test_teal_has_its_own_figures(teal: ReportData) -> None:
    shown = render_page(teal)
    assert "both plugs of the twin lead" in shown
    assert "ballast: at most" in shown
    Document(shown)


def test_a_counter_at_its_greatest_says_that_it_may_be_more(data: ReportData) -> None:
    """The core's counters are of 16 bits and stay there."""
    one = data.noisy[0]
    full = {**one.run.counters, "short": 65535, "blanked": 3}
    many = replace(one, run=replace(one.run, counters=full))
    assert tables.refused(many).endswith(" or more")
    rows = {name: values for name, _, values in tables.counters(replace(data, scenarios=(many,)))}
    assert rows["short"] == ["65535 or more"] and rows["blanked"] == ["3"]
