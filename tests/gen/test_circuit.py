"""If this fails: the circuit drawn is not the one designed, or its words cannot be read."""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.path import Path as Path2D
from matplotlib.transforms import Bbox

from sparktick.gen.board import all_boards, load_board
from sparktick.gen.circuit import SECOND, Circuit, circuit_of, farad_text, ohm_text
from sparktick.gen.circuit_drawing import circuit_svg
from sparktick.gen.circuit_sheet import WIDE
from sparktick.gen.circuit_supply import supply_current
from sparktick.gen.cli import cli
from sparktick.gen.electrical_of import electrical_of
from sparktick.gen.engine import InductiveCoil, LogicCoil
from sparktick.gen.errors import DescriptionError
from sparktick.gen.parts_list import parts_csv
from sparktick.gen.pipeline import Product, make_plan

EXAMPLES = Path(__file__).parents[2] / "examples"
COILS = {
    "inductive": "",
    "logic": '[coil]\nkind = "logic"\ndwell_ms = 3.0\nmax_on_ms = 8.0\n',
    "capacitor-discharge": '[coil]\nkind = "capacitor-discharge"\n',
}
SENSORS = {
    "hall": {},
    "fed by battery": {"sensor_supply": '"battery"'},
    "push-pull": {"output": '"push-pull"'},
    "latching": {"sensor": '"hall-latching"'},
    "optical": {"sensor": '"optical"'},
    "points": {"sensor": '"points"'},
    "isolated": {"sensor_supply": '"battery"', "isolator_delay_us": "5.0"},
    "isolated push-pull": {
        "sensor_supply": '"battery"',
        "isolator_delay_us": "5.0",
        "output": '"push-pull"',
    },
    "isolated points": {
        "sensor": '"points"',
        "sensor_supply": '"battery"',
        "isolator_delay_us": "5.0",
    },
    "bare": {"filter_ohm": "0.0", "filter_nf": "0.0"},
}


@dataclass(frozen=True)
class Choice:
    """What a builder may choose."""

    coil: str = "inductive"
    driver: str = "igbt"
    leads: int = 1
    board: str = "nano-328p"
    coupled: bool = False
    sensor: str = "hall"
    ballast: float = 0.0
    supply: str = ""
    bare: bool = False
    coils: int = 1
    measured: bool = False

    def __str__(self) -> str:
        return "-".join(str(value) for value in vars(self).values() if value)


def section(text: str, name: str, new: str) -> str:
    """Put another section in the place of one."""
    return re.sub(rf"\[{name}\]\n(?:(?!\[\w+\]\n).*\n)*", new + "\n", text)


def keys(text: str, name: str, new: dict[str, str]) -> str:
    """Set keys in a section."""
    for key, value in new.items():
        head, begin, body = text.partition(f"[{name}]\n")
        end = (body + "\n[").find("\n[")
        inside = re.sub(rf"(?m)^{key} = .*\n", "", body[: end + 1])
        text = f"{head}{begin}{key} = {value}\n{inside}{body[end + 1 :]}"
    return text


def description(choice: Choice) -> str:
    strong = load_board(choice.board).volts > 4.0  # a logic-level IGBT is driven fully on
    text = (EXAMPLES / ("plover.toml" if strong else "teal.toml")).read_text(encoding="utf-8")
    text = keys(text, "board", {"name": f'"{choice.board}"'})
    if choice.board.startswith("tiny8"):  # needs time from edge to spark
        text = keys(text, "pickup", {"lead_edge_deg_btdc": "70.0", "arc_deg": "56.0"})
    if not strong:
        text = keys(text, "pickup", {"sensor_volts_min": "3.0", "sensor_supply": '"board"'})
    text = keys(text, "pickup", SENSORS[choice.sensor])
    if choice.leads == 1:
        text = re.sub(r"tdc_spacing_deg = .*\n", "", text.replace("cylinders = 2", "cylinders = 1"))
    if choice.coil != "inductive":
        text = section(text, "coil", COILS[choice.coil] + f"leads = {choice.leads}\n")
    else:
        ballast = str(choice.ballast)
        text = keys(text, "coil", {"ballast_ohm": ballast, "leads": str(choice.leads)})
    weak = "" if strong else "gate_volts_min = 2.5\n"
    bare = "gate_ohm = 0.0\n" if choice.bare else ""
    coupled = 'gate_coupling = "capacitor"\n' if choice.coupled else ""
    text = section(text, "driver", f'[driver]\nkind = "{choice.driver}"\n{weak}{bare}{coupled}')
    if choice.coils == 2:
        text = keys(text, "engine", {"cylinders": "2", "tdc_spacing_deg": "180"})
        text = keys(text, "coil", {"coils": "2"})
        text = keys(text, "pickup", {"pulses_per_turn": "2"})
    if choice.measured:
        text = keys(text, "supply", {"measure": "true"})
    if choice.bare:
        text = keys(text, "plug", {"resistor_ohm": "0.0"})
    return section(text, "supply", f"[supply]\n{choice.supply}\n") if choice.supply else text


def drawn(text: str, folder: Path) -> tuple[Circuit, Product]:
    path = folder / "engine.toml"
    path.write_text(text, encoding="utf-8")
    p = make_plan(path)
    electrical = electrical_of(p.engine, p.design, p.plan)
    return circuit_of(p.engine, load_board(p.engine.board.name), p.plan, electrical), p


CHOICES = [
    *(
        Choice(coil, driver, leads, board, ac, ballast=0.2 if ac else 0.0)
        for coil in COILS
        for driver in (("igbt", "bipolar", "mosfet") if coil == "inductive" else ("logic",))
        for leads in (1, 2)
        for board in ("nano-328p", "promini-328p-8mhz")
        for ac in ((False, True) if driver in ("igbt", "mosfet") else (False,))
    ),
    *(Choice(sensor=sensor) for sensor in SENSORS),
    *(Choice(board=board.name) for board in all_boards()),
    Choice(supply="volts = 24.0"),
    Choice(supply="volts = 7.2\nvolts_min = 6.6", coil="logic", driver="logic"),
    *(
        Choice(coil, driver, sensor=sensor, coils=2, measured=coil == "inductive")
        for coil, driver in (
            ("inductive", "igbt"),
            ("inductive", "bipolar"),
            ("logic", "logic"),
            ("capacitor-discharge", "logic"),
        )
        for sensor in ("hall", "fed by battery", "points", "isolated")
    ),
    Choice(coils=2, coupled=True, ballast=0.2, measured=True),
    Choice(measured=True, supply="volts = 24.0\ndivider_top_ohm = 56000.0"),
    Choice(bare=True),
    Choice(bare=True, leads=2, coupled=True),
]


def geometry(svg: bytes) -> tuple[list[tuple[str, Bbox]], list[Path2D]]:
    """Return every line of words with the box it takes, and the path of every other shape.

    Widths are generous ones of a sans font; curves are taken by their control points.
    """
    words, shapes = [], []
    for item in ElementTree.fromstring(svg).iter():
        tag, get = item.tag.rpartition("}")[2], item.attrib
        if tag == "text":
            said = [span.text or "" for span in item if span.tag.endswith("tspan")]
            words += lines_of(said, get)
        elif tag in ("path", "polygon"):
            numbers = re.findall(r"-?[\d.]+(?:e-?\d+)?", get["d" if tag == "path" else "points"])
            points = np.array(numbers, float).reshape(-1, 2)
            shapes.append(Path2D(points[[*range(len(points)), 0]] if tag == "polygon" else points))
        elif tag == "circle":
            place = (float(get["cx"]), float(get["cy"]))
            shapes.append(Path2D.circle(place, float(get["r"])).interpolated(4))
    return words, shapes


def lines_of(said: list[str], get: dict[str, str]) -> Iterator[tuple[str, Bbox]]:
    x, y, size = (float(get[key]) for key in ("x", "y", "font-size"))
    for k, line in enumerate(said):
        wide = WIDE * size * len(line)
        left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[get["text-anchor"]] * wide
        middle = y + (k + 1) * size
        yield line, Bbox([[left, middle - 0.4 * size], [left + wide, middle + 0.4 * size]])


@pytest.mark.parametrize("choice", CHOICES, ids=str)
def test_words_stand_free_and_every_part_is_named(choice: Choice, tmp_path: Path) -> None:
    """Geometry: Matplotlib's paths."""
    circuit, product = drawn(description(choice), tmp_path)
    svg = circuit_svg(circuit)
    assert svg == circuit_svg(circuit)
    words, shapes = geometry(svg)
    for i, (said, place) in enumerate(words):
        for other, taken in words[i + 1 :]:
            assert not place.overlaps(taken), (said, other)
        for shape in shapes:
            assert not shape.intersects_bbox(place, filled=False), (said, shape.vertices)
    left, top, wide, high = map(float, ElementTree.fromstring(svg).attrib["viewBox"].split())
    inside = [place for _, place in words] + [shape.get_extents() for shape in shapes]
    page = Bbox([[left, top], [left + wide, top + high]])
    assert all(Bbox.union([page, place]).bounds == page.bounds for place in inside)
    said = [word for word, _ in words]
    for part in circuit.parts:
        assert said.count(part.ref) == 1, part.ref
        for line in part.value.split("\n"):
            assert line in said, (part.ref, line)
    assert circuit.board.pins.pickup.printed in said
    assert circuit.board.pins.coil.printed in said
    ends = [node for part in circuit.parts for node in part.nodes]
    own = {"PICKUP", "COIL_PIN", "LOGIC", "RAW", "BAT", "GND", "LINE", "FUSED"}
    own |= {"SELECT", "PICKUP_2", "LINE_2"}
    assert {node for node in ends if ends.count(node) < 2} <= own
    check_values(circuit, product)


def check_values(circuit: Circuit, product: Product) -> None:
    """Hold the netlist's numbers against the description's, read anew."""
    e = product.engine
    wanted = {
        "R2": e.pickup.pull_up_ohm,
        "R3": e.pickup.filter_ohm,
        "C2": e.pickup.filter_nf * 1e-9,
        "R4": e.driver.gate_ohm,
        "R5": e.driver.gate_pull_down_ohm,
        "U3": e.pickup.isolator_delay_us * 1e-6,
        "R7": e.plug.resistor_ohm,
        "E1": e.plug.gap_mm,
    }
    for first, second in SECOND.items():
        if second in circuit and "U4" in circuit:
            assert circuit[second].si == circuit[first].si
    if e.supply.measure:
        wanted |= {"R10": e.supply.divider_top_ohm, "R11": e.supply.divider_bottom_ohm}
    if isinstance(e.coil, InductiveCoil):
        wanted |= {"R6": e.coil.ballast_ohm, "T1": e.coil.primary_mh * 1e-3}
        wanted |= {"Q1": e.driver.max_current_a, "D3": e.driver.clamp_v}
    if isinstance(e.coil, LogicCoil):
        wanted |= {"T1": e.coil.dwell_ms * 1e-3}
    for ref, value in wanted.items():
        if ref in circuit:
            assert circuit[ref].si == pytest.approx(value), ref
        else:
            assert value == 0.0 or (ref, circuit.driver) == ("D3", "igbt") or ref == "R2", ref
    if "R2" not in circuit:
        assert (e.pickup.output, e.pickup.isolated) == ("push-pull", False)
    if "C3" in circuit and "R5" in circuit:
        tau_s = circuit["C3"].si * circuit["R5"].si
        left_v = product.design.board.volts * math.exp(
            -product.plan.dwell_ticks / product.plan.tick_hz / tau_s
        )
        assert left_v >= min(e.driver.gate_volts_min, product.design.board.volts / 1.1)


def test_the_coupled_gate_by_hand(tmp_path: Path) -> None:
    """5 V falls to 4 V in RC ln(5/4): 3.782 ms need 16.9 ms, 1.69 uF at 10 k; next E12 1.8 uF."""
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    circuit, _ = drawn(keys(text, "driver", {"gate_coupling": '"capacitor"'}), tmp_path)
    assert circuit["C3"].si == pytest.approx(1.8e-6)
    assert f"{18.0 * math.log(5.0):.0f} ms" in circuit["C3"].why  # 5 V to 1 V


def test_the_supply_filter_by_hand(tmp_path: Path) -> None:
    """1 V at 30 mA is 33 ohm; 20 Hz with it 241 uF, next E12 270 uF; 1/(2 pi RC) is 17.9 Hz."""
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    circuit, _ = drawn(text, tmp_path)
    assert (circuit["R1"].si, circuit["C1"].si) == (33.0, pytest.approx(270e-6))
    assert "18 Hz" in circuit["R1"].why


def test_a_base_cannot_be_coupled(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="cannot hold a base"):
        drawn(description(Choice(driver="bipolar", coupled=True)), tmp_path)
    (tmp_path / "engine.toml").write_text(description(Choice(driver="bipolar")), encoding="utf-8")
    result = CliRunner().invoke(cli, ["circuit", str(tmp_path / "engine.toml"), "--ac-gate"])
    assert result.exit_code == 2 and "insulated gate" in result.stderr


@pytest.mark.parametrize(
    ("new", "said"),
    [
        ({"output": '"push-pull"', "sensor_supply": '"battery"'}, "into the chip's pin"),
        ({"output": '"push-pull"', "sensor": '"points"'}, "only pull low"),
        ({"isolator_delay_us": "5.0"}, "isolates nothing"),
    ],
)
def test_outputs_that_do_harm_are_refused(new: dict[str, str], said: str, tmp_path: Path) -> None:
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    with pytest.raises(DescriptionError, match=said):
        drawn(keys(text, "pickup", new), tmp_path)


def test_the_firmware_takes_back_an_isolators_delay(tmp_path: Path) -> None:
    """An isolator's 5 us, and without the pull-up 2.2 k x 1 nF ln(5 / 2) less on a rising edge."""
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    plain = drawn(text, tmp_path)[1].design
    isolated = drawn(keys(text, "pickup", SENSORS["isolated"]), tmp_path)[1].design
    assert isolated.lead_delay_s - plain.lead_delay_s == pytest.approx(5e-6)
    assert isolated.trail_delay_s - plain.trail_delay_s == pytest.approx(5e-6)
    driven = drawn(keys(text, "pickup", SENSORS["push-pull"]), tmp_path)[1].design
    assert driven.lead_delay_s == pytest.approx(plain.lead_delay_s)
    ratio = (plain.trail_delay_s - 2e-6) / (driven.trail_delay_s - 2e-6)
    assert ratio == pytest.approx(3.2)  # (2.2 k + 1 k) over 1 k


def test_the_fuse_by_hand(tmp_path: Path) -> None:
    """Effective and mean current of the worst corner, by summing i(t) of the closed form.

    Plover at its highest supply of 14.4 V, 15 % less inductance, 10 % less copper at -10 C; its
    saturation, which has no closed form over time, is left out.
    """
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^saturation_a = .*\n", "", text)
    circuit, product = drawn(text, tmp_path)
    e, c = product.engine, product.engine.coil
    copper = c.primary_ohm * 0.9 * (1.0 + 0.00393 * (-10.0 - 20.0))
    ohm = copper + c.ballast_ohm + e.driver.on_ohm + e.supply.internal_ohm + e.supply.wiring_ohm
    dwell_s = product.design.dwell_s
    t = np.linspace(0.0, dwell_s, 10001)
    steady_a = (14.4 - e.driver.drop_v) / ohm
    i = steady_a * (1.0 - np.exp(-t * ohm / (0.85 * c.primary_mh * 1e-3)))
    share = dwell_s / (60.0 / e.engine.top_rpm)
    effective_a, mean_a = math.sqrt(np.mean(i**2) * share), float(np.mean(i)) * share
    found = supply_current(electrical_of(e, product.design, product.plan).given)
    assert found.effective_a == pytest.approx(effective_a, rel=1e-3)
    assert found.mean_a == pytest.approx(mean_a, rel=1e-3)
    assert found.stuck_a == pytest.approx(steady_a, rel=1e-3)
    rating = circuit["F1"].si
    assert rating is not None and 0.66 * rating >= effective_a
    assert "14.4 V" in circuit["F1"].why


def test_a_board_that_bears_less_gets_a_regulator(tmp_path: Path) -> None:
    """24 V is more than the 15 V taken for a board's own regulator, which wants 7 V or more."""
    circuit, _ = drawn(description(Choice(supply="volts = 24.0")), tmp_path)
    assert "U2" in circuit and "15 V at most" in circuit["U2"].why
    assert circuit["U2"].si == 8.0
    assert circuit["R1"].nodes[1] == circuit["U2"].nodes[0]


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
    choice = Choice("logic", "logic", 2, sensor="points")
    rows = parts_csv(drawn(description(choice), tmp_path)[0]).splitlines()
    assert all(rows)
