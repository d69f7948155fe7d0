"""If this fails, the parts library is unreadable, or a user's own parts are misread silently."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.gen.errors import SparktickError
from sparktick.gen.parts import FILES, SHIPPED, CoilPart, Spread, circuit, load_parts

OWN = """
[[battery]]
name = "my-pack"
text = "Two cells"
cells = 2
cell_full_v = 4.2
cell_flat_v = 3.3
cell_ohm = { typical = 0.02, low = 0.01, high = 0.05 }
capacity = [[0.4, 2.0], [2.0, 1.9]]
source = "measured"
confidence = "run"
"""


def test_every_shipped_part_says_where_it_comes_from() -> None:
    parts = load_parts()
    groups = (parts.coils, parts.drivers, parts.sensors, parts.batteries)
    assert all(len(group) >= 3 for group in groups)
    for group in groups:
        for name, part in group.items():
            assert part.name == name
            assert part.source
            assert part.confidence.split()[0] in {"read", "run", "memory"}
    assert {path.name for path in SHIPPED.glob("*.toml")} >= set(FILES)


def test_coils_go_down_to_one_that_hides_in_a_model() -> None:
    volumes = {n: np.prod(c.size_mm) for n, c in load_parts().coils.items()}
    assert min(volumes.values()) < 15_000.0  # cubic millimetres: 15 ml
    assert max(volumes.values()) > 20 * min(volumes.values())


def test_own_parts_are_added_and_may_replace(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OWN + OWN.replace("my-pack", "lithium-2s").replace("1.9", "1.1"))
    parts = load_parts(path)
    assert parts.batteries["my-pack"].cell_ohm == Spread(0.02, 0.01, 0.05)
    assert parts.batteries["lithium-2s"].capacity == ((0.4, 2.0), (2.0, 1.1))
    assert "my-pack" not in load_parts().batteries


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("cells = 2", "cells = 2.5", "must be a whole number"),
        ("cells = 2", 'cells = "2"', "must be a number"),
        ("cells = 2", "", "is missing"),
        ("cells = 2", "cells = 2\ncolour = 3", "is not a key"),
        ("low = 0.01", "low = 0.03", "low <= typical <= high"),
        ("low = 0.01, ", "", "typical = ..., low"),
        ("[2.0, 1.9]", "[0.2, 1.9]", "ampere rising"),
        ("[2.0, 1.9]", "[2.0]", "pairs of"),
        ('name = "my-pack"', "name = 3", "text in quotes"),
        ("[[battery]]", "[battery]", "list of parts"),
        ("[[battery]]", "[[batery]]", "list of parts"),
        ("[[battery]]", "[[battery", "is not TOML"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, before: str, after: str, says: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OWN.replace(before, after, 1))
    with pytest.raises(SparktickError) as caught:
        load_parts(path)
    assert says in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SparktickError, match=r"nowhere\.toml.*cannot be read"):
        load_parts(tmp_path / "nowhere.toml")


def test_parts_join_into_a_circuit() -> None:
    parts = load_parts()
    coil: CoilPart = parts.coils["car-ballast"]
    joined = circuit(coil, parts.drivers["darlington"], parts.batteries["lead-12v-7ah"])
    assert joined.coil_ohm == 1.5
    assert joined.inductance_h == pytest.approx(6e-3)
    assert joined.supply_v == pytest.approx(12.6)
    assert joined.driver_drop_v == 1.0


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, ["parts", *args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def test_command_lists_every_part_and_shows_one() -> None:
    code, out, _ = run()
    parts = load_parts()
    assert code == 0
    groups = (parts.coils, parts.logic_coils, parts.drivers, parts.sensors, parts.batteries)
    for group in groups:
        assert all(f"  {name} " in out for name in group)
    one = run("moped")[1]
    assert "primary_ohm            2.8 ohm  (2.2 to 4)" in one
    assert "source: common practice, no source" in one
    assert "confidence: memory" in one
    assert "moped" not in run("--kind", "driver")[1]


def test_command_document_has_typical_and_extremes() -> None:
    document = json.loads(run("--json")[1])
    coil = next(part for part in document["parts"] if part["name"] == "moped")
    assert coil["kind"] == "coil"
    assert coil["primary_ohm"] == {"typical": 2.8, "low": 2.2, "high": 4.0}
    assert all(part["source"] and part["confidence"] for part in document["parts"])


def test_printed_parts_can_be_read_again(tmp_path: Path) -> None:
    path = tmp_path / "all.toml"
    path.write_text(run("--toml")[1])
    assert load_parts(path) == load_parts()


def test_own_file_and_unknown_names(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(OWN)
    assert "Two cells" in run("my-pack", "--file", str(path))[1]
    code, _, err = run("my-pack")
    assert code == 2
    assert "no such part" in err
    assert "Did you mean moped?" in run("mopd")[2]
    assert run("--file", str(tmp_path / "nowhere.toml"))[0] == 2
