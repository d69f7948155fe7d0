"""If this fails: a board file promises a chip that serves its pulses sooner than it does."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen.board import load_board
from sparktick.host_sim.profiling import profile

NEEDS = {
    "yasimavr": pytest.mark.needs_system(
        "yasimavr", "python tools/install_yasimavr.py", module="yasimavr"
    ),
    "simavr": pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
}
# One board of each port; a fast and a slow one where the clock may matter.
BOARDS = {
    "nano-328p": "yasimavr",
    "tiny84-8mhz": "simavr",
    "tiny85-16mhz": "simavr",
    "nano-4809": "yasimavr",
}
pytestmark = [pytest.mark.emulator, pytest.mark.avr]


@pytest.mark.parametrize(
    "board", [pytest.param(name, marks=NEEDS[need]) for name, need in BOARDS.items()]
)
def test_service_and_pulse_take_no_longer_than_the_board_file_says(
    board: str, tmp_path: Path
) -> None:
    """Room for other engines is left, and no more than tools/measure_boards.py leaves."""
    found = profile(board, tmp_path / "fw")
    stated = load_board(board)
    assert 1.05 * found.service_cycles <= stated.service_cycles <= 1.4 * found.service_cycles
    assert found.pulse_cycles <= stated.cycles_per_pulse <= 1.3 * found.pulse_cycles
    assert found.service_cycles > 1500.0, "nothing was late"
