"""If this fails: a chip charges its coil by a supply it does not have, for it measures wrongly."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sparktick.examples.fitting import engine_for
from sparktick.gen.board import all_boards, boards_folder, load_board
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim import train as motions
from sparktick.host_sim.chip import run_chip
from sparktick.host_sim.chip.backends import backends_of
from sparktick.host_sim.chip.base import AnalogueInput
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.measure import measure

NEEDS = {
    "yasimavr": pytest.mark.needs_system(
        "yasimavr", "python tools/install_yasimavr.py", module="yasimavr"
    ),
    "simavr": pytest.mark.needs_system(
        "simavr", "apt-get install libsimavr-dev libelf-dev", library="simavr elf"
    ),
}
# Channel of an input: ADCn on PCn (328P), PFn (2560, 32U4), PAn (ATtiny84); AINn on PDn (4809), PAn
# (160x).  Data sheets, port functions, from memory; PAn of the ATtiny84 is ADCn.
OWN = "tiny84-supply"
SUPPLY_PIN = '[pins.supply]\nport = "A"\nbit = 3\nprinted = "PA3"\nfunction = "ADC3"\n\n[pins.lamp]'
CHIPS = {
    board.mcu: board.name
    for board in all_boards()
    if board.family.startswith("avr") and board.pins.supply and board.volts == 5.0
} | {"attiny84": OWN}
PAIRS = [
    pytest.param(name, emulator, marks=NEEDS[emulator], id=f"{name}-{emulator}")
    for mcu, name in CHIPS.items()
    for emulator in backends_of(mcu)
]
pytestmark = [pytest.mark.emulator, pytest.mark.avr]


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let an ATtiny84 measure its supply: one file of the user's."""
    folder = tmp_path / "own"
    folder.mkdir()
    monkeypatch.setenv("SPARKTICK_BOARDS", str(folder))
    text = (boards_folder() / "tiny84-16mhz.toml").read_text(encoding="utf-8")
    text = text.replace('name = "tiny84-16mhz"', f'name = "{OWN}"')
    (folder / f"{OWN}.toml").write_text(text.replace("[pins.lamp]", SUPPLY_PIN), encoding="utf-8")


@pytest.mark.usefixtures("own")
@pytest.mark.parametrize(("board", "emulator"), PAIRS)
def test_the_chip_charges_as_long_as_its_supply_asks(
    board: str, emulator: str, tmp_path: Path
) -> None:
    """The converter's reference is the chip's supply; where it was another, the dwell differs."""
    text = engine_for(board)
    text = text.replace("[supply]", "[supply]\nmeasure = true\ndivider_top_ohm = 27000")
    description = tmp_path / "engine.toml"
    description.write_text(text)
    generate(description, tmp_path / "fw")
    build(tmp_path / "fw")
    manifest = read_manifest(tmp_path / "fw")
    pin = manifest.raw["supply_pin"]
    supply = load_board(board).pins.supply
    assert supply is not None
    channel = int("".join(c for c in supply.function if c.isdigit()))
    volts, dwell_us = zip(*pin["dwell_us"], strict=True)
    train = motions.pickup_train(motions.steady(2000.0), manifest, 0.5)
    for supply_v in (10.8, 13.6):
        given = AnalogueInput(channel, supply_v * pin["pin_part"], 5.0)
        found = measure(
            run_chip(chip_job(manifest, train, analogue=given), emulator), train, manifest
        )
        late = found.dwell_us[found.spark_s > 0.3]
        assert len(late) > 5
        np.testing.assert_allclose(late, np.interp(supply_v, volts, dwell_us), rtol=0.01)
