"""If this fails, the parts library is unreadable, or a user's own parts are misread silently."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

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
