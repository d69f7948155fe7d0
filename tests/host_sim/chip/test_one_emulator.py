"""If this fails: a second emulator has learnt a chip, so its images can be held against both."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim.chip import ChipJob, CoilPin, PickupPin, run_chip
from sparktick.host_sim.chip.backends import backends_of, coverage_of

from .conftest import NEEDS, train

pytestmark = pytest.mark.emulator


@NEEDS["yasimavr"]
@pytest.mark.parametrize("mcu", ["atmega2560", "atmega32u4", "attiny85"])
def test_yasimavr_has_no_such_chip(mcu: str) -> None:
    from yasimavr.device_library import load_device, model_list

    assert mcu not in model_list()
    with pytest.raises(Exception, match="No model found"):
        load_device(mcu)
    assert backends_of(mcu) == ("simavr",)
    assert "yasimavr has no such chip" in coverage_of("simavr", mcu).not_exercised[0]


@NEEDS["yasimavr"]
def test_yasimavr_lists_the_attiny84_and_cannot_load_it() -> None:
    from yasimavr.device_library import load_device, model_list

    assert "attiny84" in model_list()
    with pytest.raises(AttributeError, match="bm_spm_cmd"):
        load_device("attiny84")
    assert backends_of("attiny84") == ("simavr",)


@NEEDS["simavr"]
@pytest.mark.parametrize("mcu", ["atmega4809", "attiny1604", "attiny1606"])
def test_simavr_has_no_chip_with_timers_a_and_b(
    mcu: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert backends_of(mcu) == ("yasimavr",)
    with pytest.raises(RunError, match="simavr does not emulate the chip"):
        coverage_of("simavr", mcu)
    from sparktick.host_sim.chip import simavr

    job = ChipJob(
        tmp_path / "none.elf",
        mcu,
        16000000,
        2e6,
        train([], 1e-3),
        PickupPin("A", 0, 1),
        (CoilPin("A", 1),),
    )
    with pytest.raises(RunError):
        simavr.run(job)
    with pytest.raises(RunError, match="does not emulate"):
        run_chip(job, "simavr")
