"""What stands between a pin and the registers: synchroniser and noise canceller.

The chip looks at a pin once a CPU clock.  A level that comes and goes between two looks
is never seen.  Instants here are CPU cycles; cycle ``c`` is the clock edge at which an
instruction starting at ``c`` sees its operands.

Sources: ATmega328P data sheet DS40002061A.  Pin input: latched while the clock is low,
0.5 to 1.5 clocks to PINx (14.2.4).  Capture input: "sampled using the same technique as
for the T1 pin", whose synchroniser and edge detector delay by 2.5 to 3.5 clocks (17.1);
the noise canceller needs four equal samples and delays by four clocks more (16.6.2).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..run import F64, U8

I64 = NDArray[np.int64]

PIN_CLOCKS = 1  # from the sample (half a clock earlier) to PINx: 0.5 to 1.5 from the pin
CAPTURE_CLOCKS = 3  # to the capture register: 2.5 to 3.5 from the pin
CANCELLER_SAMPLES = 4
CANCELLER_CLOCKS = 4


class Levels(NamedTuple):
    """Level changes: ``cycle`` (n,) int64 strictly increasing, ``level`` (n,) uint8 alternating."""

    cycle: I64
    level: U8


def alternating(cycle: I64, level: U8, idle_level: int) -> Levels:
    """Return the changes among levels, the first of them against the idle one."""
    before = np.concatenate(([np.uint8(idle_level)], level[:-1]))
    change = level != before
    return Levels(cycle[change], level[change])


def sample(edge_s: F64, level: U8, clock_hz: float, idle_level: int) -> Levels:
    """Return the changes in the once-a-clock samples of a pin.

    ``edge_s`` (n,) non-decreasing seconds, ``level`` (n,) the pin's level after each edge.
    Sample ``n`` is taken in the middle of the clock before cycle ``n`` + 1.
    """
    index = np.ceil(np.asarray(edge_s) * clock_hz - 0.5).astype(np.int64)
    last = np.ones(len(index), dtype=bool)
    last[:-1] = index[1:] != index[:-1]  # only the last level before a sample is seen
    return alternating(index[last], np.asarray(level, dtype=np.uint8)[last], idle_level)


def pin_register(samples: Levels) -> Levels:
    """Return the changes as an instruction reading PINx sees them."""
    return Levels(samples.cycle + PIN_CLOCKS, samples.level)


def capture_direct(samples: Levels) -> Levels:
    """Return the changes as the capture unit acts on them with the noise canceller off."""
    return Levels(samples.cycle + CAPTURE_CLOCKS, samples.level)


def capture_filtered(samples: Levels, idle_level: int) -> Levels:
    """Return the changes as the capture unit acts on them with the noise canceller on."""
    until = np.concatenate((samples.cycle[1:], [np.iinfo(np.int64).max]))
    held = until - samples.cycle >= CANCELLER_SAMPLES
    kept = alternating(samples.cycle[held], samples.level[held], idle_level)
    return Levels(kept.cycle + CAPTURE_CLOCKS + CANCELLER_CLOCKS, kept.level)
