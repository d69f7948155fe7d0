"""If this fails: the circuit drawn is not the one designed, or its words cannot be read."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from sparktick.gen.board import load_board
from sparktick.gen.circuit import Circuit, circuit_of, farad_text, ohm_text
from sparktick.gen.circuit_drawing import circuit_svg
from sparktick.gen.cli import cli
from sparktick.gen.electrical_of import electrical_of
from sparktick.gen.errors import DescriptionError
from sparktick.gen.parts_list import parts_csv
from sparktick.gen.pipeline import make_plan

EXAMPLES = Path(__file__).parents[2] / "examples"
COILS = {
    "inductive": "",
    "logic": '[coil]\nkind = "logic"\ndwell_ms = 3.0\nmax_on_ms = 8.0\n',
    "capacitor-discharge": '[coil]\nkind = "capacitor-discharge"\n',
}


def section(text: str, name: str, new: str) -> str:
    """Put another section in the place of one."""
    return re.sub(rf"\[{name}\]\n(?:(?!\[\w+\]\n).*\n)*", new + "\n", text)


def description(coil: str, driver: str, leads: int, board: str, sensor: str = "hall") -> str:
    name = "plover" if board == "nano-328p" else "teal"
    text = (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    text = text.replace('sensor = "hall"', f'sensor = "{sensor}"')
    if leads == 1:
        text = re.sub(r"tdc_spacing_deg = .*\n", "", text.replace("cylinders = 2", "cylinders = 1"))
    if coil != "inductive":
        text = section(text, "coil", COILS[coil] + f"leads = {leads}\n")
    else:
        text = re.sub(r"leads = 2 .*\n", "", text)
        text = text.replace('kind = "inductive"\n', f'kind = "inductive"\nleads = {leads}\n', 1)
    weak = "gate_volts_min = 2.5\n" if board != "nano-328p" else ""
    return section(text, "driver", f'[driver]\nkind = "{driver}"\n{weak}')


def drawn(text: str, folder: Path, *, ac_gate: bool = False) -> Circuit:
    path = folder / "engine.toml"
    path.write_text(text, encoding="utf-8")
    p = make_plan(path)
    electrical = electrical_of(p.engine, p.design, p.plan)
    board = load_board(p.engine.board.name)
    return circuit_of(p.engine, board, p.plan, electrical, ac_gate=ac_gate)


CHOICES = [
    (coil, driver, leads, board, ac)
    for coil in COILS
    for driver in (("igbt", "bipolar", "mosfet") if coil == "inductive" else ("logic",))
    for leads in (1, 2)
    for board in ("nano-328p", "promini-328p-8mhz")
    for ac in ((False, True) if driver in ("igbt", "mosfet") else (False,))
]


def words(svg: bytes) -> list[tuple[str, float, float, float, float]]:
    """Return every line of words and the box it takes, by generous widths of a sans font."""
    found = []
    for text in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        spans = list(text.iter("{http://www.w3.org/2000/svg}tspan")) or [text]
        x, y = float(text.get("x", 0)), float(text.get("y", 0))
        size, anchor = float(text.get("font-size", 11)), text.get("text-anchor", "start")
        for k, span in enumerate(spans):
            said = span.text or ""
            width = 0.6 * size * len(said)
            left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
            top = y + (k - len(spans)) * size * 1.2
            found.append((said, left, top, left + width, top + size))
    return found


@pytest.mark.parametrize("choice", CHOICES, ids=lambda c: "-".join(str(part) for part in c))
def test_no_words_overlap_and_every_part_is_named(
    choice: tuple[str, str, int, str, bool], tmp_path: Path
) -> None:
    coil, driver, leads, board, ac = choice
    circuit = drawn(description(coil, driver, leads, board), tmp_path, ac_gate=ac)
    svg = circuit_svg(circuit)
    assert svg == circuit_svg(circuit)
    boxes = words(svg)
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            apart = a[3] <= b[1] or b[3] <= a[1] or a[4] <= b[2] or b[4] <= a[2]
            assert apart, (a[0], b[0])
    said = [box[0] for box in boxes]
    for part in circuit.parts:
        assert said.count(part.ref) == 1, part.ref
        for line in part.value.split("\n"):
            assert line in said, (part.ref, line)
    assert circuit.board.pins.pickup.printed in said
    assert circuit.board.pins.coil.printed in said


def test_values_are_the_descriptions(tmp_path: Path) -> None:
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    circuit = drawn(text, tmp_path)
    assert circuit["R2"].si == 2200.0
    assert circuit["R3"].si == 1000.0
    assert circuit["C2"].si == pytest.approx(1e-9)
    assert circuit["R4"].si == 220.0
    assert circuit["R5"].si == 10000.0
    assert "400 V" in circuit["Q1"].value


def test_the_netlist_is_connected(tmp_path: Path) -> None:
    """Every node but the board's own pins joins two ends at least."""
    text = (EXAMPLES / "teal.toml").read_text(encoding="utf-8")
    circuit = drawn(text, tmp_path)
    ends = [node for part in circuit.parts for node in part.nodes]
    board = {"PICKUP", "COIL_PIN", "LOGIC", "RAW", "BAT", "GND"}
    assert {node for node in ends if ends.count(node) < 2} <= board


def test_the_coupled_gate_by_hand(tmp_path: Path) -> None:
    """5 V falls to 4 V in RC ln(5/4): 3.782 ms need 16.9 ms, 1.69 uF at 10 k; next E12 1.8 uF."""
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    circuit = drawn(text, tmp_path, ac_gate=True)
    assert circuit["C3"].si == pytest.approx(1.8e-6)
    assert f"{18.0 * math.log(5.0):.0f} ms" in circuit["C3"].why  # 5 V to 1 V


def test_the_supply_filter_by_hand(tmp_path: Path) -> None:
    """1 V at 30 mA is 33 ohm; 20 Hz with it 241 uF, next E12 270 uF; 1/(2 pi RC) is 17.9 Hz."""
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    circuit = drawn(text, tmp_path)
    assert (circuit["R1"].si, circuit["C1"].si) == (33.0, pytest.approx(270e-6))
    assert "18 Hz" in circuit["R1"].why


def test_a_base_cannot_be_coupled(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="insulated gate"):
        drawn(description("inductive", "bipolar", 1, "nano-328p"), tmp_path, ac_gate=True)


def test_the_command_writes_drawing_and_list(tmp_path: Path) -> None:
    plover = str(EXAMPLES / "plover.toml")
    result = CliRunner().invoke(cli, ["circuit", plover, "-o", str(tmp_path), "--json"])
    assert result.exit_code == 0, result.output
    parts = json.loads(result.stdout)["parts"]
    with (tmp_path / "parts.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["reference"] for row in rows] == ["U1", *(part["ref"] for part in parts)]
    assert all(row["part"] for row in rows)
    ElementTree.parse(tmp_path / "circuit.svg")
    assert "fuse at the battery" in CliRunner().invoke(cli, ["circuit", plover]).stdout


def test_texts_of_values() -> None:
    assert [ohm_text(v) for v in (0.8, 220.0, 2200.0, 10000.0)] == [
        "0.8 Ω",
        "220 Ω",
        "2.2 kΩ",
        "10 kΩ",
    ]
    assert [farad_text(v) for v in (1e-9, 270e-6, 1.8e-6)] == ["1 nF", "270 µF", "1.8 µF"]


def test_the_list_has_no_empty_lines(tmp_path: Path) -> None:
    text = description("logic", "logic", 2, "nano-328p", sensor="points")
    rows = parts_csv(drawn(text, tmp_path)).splitlines()
    assert all(rows)
