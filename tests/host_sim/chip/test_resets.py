"""If this fails, emulated resets come at another time, or leave other traces, than the chip's."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from sparktick.gen.errors import RunError
from sparktick.host_sim.chip import Peek, Reset, ResetKind

from .conftest import Done, array, train

Emulate = Callable[..., Done]
KEPT = (*array("kept", 4, 1), Peek("captures_", "captures", 2))

# DS40002061A 11.8: 2K cycles of the 128 kHz oscillator; MCUSR 11.9.1.
WATCHDOG_S = 2048 / 128e3
WDRF, BORF, EXTRF, PORF = 8, 4, 2, 1
WDE = 8


def test_the_watchdog_ends_a_hang_with_the_coil_on(emulate: Emulate) -> None:
    """S14: 16 ms after the last feeding the pin floats, the flag is set, the watchdog stays on."""
    done = emulate("resets", train([], 0.03), {"CASE": 1}, peeks=KEPT)
    assert done.run.counters["resets_watchdog"] == 1
    assert done.items("kept")[:2] == [2, WDRF]
    assert done.items("kept")[2] & WDE
    on, off = done.run.coil_s[:2]
    assert off - on == pytest.approx(WATCHDOG_S, abs=2e-6)
    assert list(done.run.coil_on) == [1, 0, 1]


def test_a_hanging_program_is_reset_again_and_again(emulate: Emulate) -> None:
    done = emulate("resets", train([], 0.1), {"CASE": 3}, peeks=KEPT)
    resets = done.run.counters["resets_watchdog"]
    assert resets == 6 == int(0.1 / WATCHDOG_S)
    assert done.items("kept")[0] == resets + 1


@pytest.mark.parametrize(
    ("kind", "flag"),
    [(ResetKind.BROWN_OUT, BORF), (ResetKind.EXTERNAL, EXTRF), (ResetKind.POWER_ON, PORF)],
    ids=["brown-out", "external", "power-on"],
)
def test_a_forced_reset_has_its_cause_and_the_train_goes_on(
    emulate: Emulate, kind: ResetKind, flag: int
) -> None:
    """S14: RAM survives all but power-on, the pin floats, later edges are captured."""
    pulses = train(np.arange(1, 21) * 1e-3, 0.025)
    done = emulate("resets", pulses, {"CASE": 2}, peeks=KEPT, resets=(Reset(0.0105, kind),))
    assert done.items("kept")[:2] == [1 if kind == ResetKind.POWER_ON else 2, flag]
    assert done.run.counters["captures_"] == 5, "rising edges at 11, 13, 15, 17 and 19 ms"
    assert done.run.counters["captures"] == 10
    assert done.run.coil_s[1] == pytest.approx(0.0105, abs=1e-6)
    assert list(done.run.coil_on) == [1, 0, 1]


def test_the_chip_is_held_in_reset_for_the_start_up_time(emulate: Emulate) -> None:
    """Nothing runs and nothing is captured meanwhile; the level that came stays."""
    pulses = train(np.arange(1, 21) * 1e-3, 0.025)
    again = emulate(
        "resets", pulses, {"CASE": 2}, peeks=KEPT, resets=(Reset(0.0105),), reset_hold_s=5e-3
    )
    assert again.run.counters["captures_"] == 2, "rising edges at 17 and 19 ms"
    assert again.run.coil_s[2] - again.run.coil_s[1] == pytest.approx(5e-3, abs=20e-6)


def test_ticks_count_from_the_release_of_reset(emulate: Emulate) -> None:
    """S12, Y14: the prescaler restarts with the chip."""
    done = emulate("resets", train([], 0.02), {"CASE": 2}, resets=(Reset(0.0100003),))
    release = round(np.ceil(0.0100003 * 16e6))
    phase = round(done.run.timer_phase_s * 16e6)
    assert 0 < phase - release < 200


def test_a_watchdog_reset_cannot_be_injected(emulate: Emulate) -> None:
    with pytest.raises(RunError, match="watchdog"):
        emulate("resets", train([], 0.02), {"CASE": 2}, resets=(Reset(0.01, ResetKind.WATCHDOG),))
