"""If this fails, battery life or sag contradicts published figures."""

from __future__ import annotations

import numpy as np
import pytest

from sparktick.gen.battery import capacity_ah, life_h, sagged_v
from sparktick.gen.parts import load_parts


def test_aa_capacity_lies_in_the_published_range() -> None:
    # AA alkaline to 0.1 V, many brands (read)
    cells = load_parts().batteries["aa-alkaline-4"].battery()
    amount = capacity_ah(cells, [0.1, 0.5, 1.0, 2.0])
    assert np.all(amount >= [2.13, 1.17, 0.83, 0.54])
    assert np.all(amount <= [2.20, 1.84, 1.41, 1.18])
    assert float(life_h(cells, 1.0)) == pytest.approx(amount[2])


def test_lead_acid_block() -> None:
    # 12 V 7 Ah: 25 milliohm, 12.6 V full, 10.8 V flat (read, quoting a maker)
    block = load_parts().batteries["lead-12v-7ah"].battery()
    assert block.internal_ohm == pytest.approx(0.025, rel=0.02)
    assert float(sagged_v(block, 0.0)) == pytest.approx(12.6)
    assert float(sagged_v(block, 0.0, full_part=0.0)) == pytest.approx(10.8)
    # its 40 A for 5 s must leave a usable voltage
    assert float(sagged_v(block, 40.0)) > 10.8
