"""What is done to a running image: the upsets of a campaign, drawn from one seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sparktick.gen.errors import RunError

from .chip.backends import upsetting
from .manifest import Manifest
from .train import DEG_S_PER_RPM
from .upset_targets import CPU, DIP, IO, PC, RAM, SPACES, Targets

NONE, ONE, SEVERAL, RESET, DEAD, TOO_LONG = (
    *("none", "one", "several", "reset"),
    *("dead", "too-long"),
)
OUTCOMES = (NONE, ONE, SEVERAL, RESET, DEAD, TOO_LONG)
FAILURES = (DEAD, TOO_LONG)

MOVED_DEG = 1.0
LEAD_IN_TURNS = 12
QUIET_TURNS = 8  # of a window, beyond the watchdog's time and three turns
LATE_S = 0.7  # by which a window is lengthened that does not end well
LAST_TURNS = 3  # of a window, that have to be well
DEAD_TURNS = 3
MARGIN_TICKS = 20.0  # rounding of instants and a handler's way to the pin
DIP_S = (10e-6, 5e-3)  # how long a short brown-out lasts, log-uniform
START_DEG = -400.0
# Of a hundred upsets.  Our own choice: no source says how interference spreads over a chip.
SHARES = {RAM: 40, CPU: 15, IO: 20, PC: 15, DIP: 10}


@dataclass(frozen=True)
class Case:
    """One upset: its number, speed, and where and when in its window's first turn it falls.

    ``address`` data-space address (RAM, registers), ``bit`` of it or of the program counter;
    ``phase`` 0..1 of a turn; ``lasts_s`` of a brown-out.
    """

    index: int
    rpm: float
    space: str
    address: int
    bit: int
    phase: float
    lasts_s: float


@dataclass(frozen=True)
class Outcome:
    """What one upset did in its window.

    ``lost`` sparks missing from their place, ``added`` sparks elsewhere (a moved spark is both);
    ``early`` of these came further before dead centre than the greatest advance and MOVED_DEG;
    ``resets`` of the chip; ``dark_s`` longest time without a spark (see DEAD); ``back_turns`` from
    the upset to the last spark missed or added, plus one (0: none); ``on_us`` longest on-time;
    ``start`` number of the upset the chip was last started for.
    """

    case: Case
    outcome: str
    lost: int
    added: int
    early: int
    resets: int
    dark_s: float
    back_turns: float
    on_us: float
    start: int

    @property
    def failed(self) -> bool:
        """True when this must not be."""
        return self.outcome in FAILURES


@dataclass(frozen=True)
class Campaign:
    """What is to be done to one built firmware folder; the same values give the same outcome.

    ``upsets`` in all, spread evenly over ``speeds_rpm``; ``per_start`` windows follow one start of
    the emulated chip; ``reset_hold_s`` start-up delay of the chip's fuses.
    """

    manifest: Manifest
    seed: int = 1
    upsets: int = 1000
    speeds_rpm: tuple[float, ...] = ()
    per_start: int = 40
    reset_hold_s: float = 0.0

    def __post_init__(self) -> None:
        if not self.speeds_rpm:
            object.__setattr__(self, "speeds_rpm", usual_speeds(self.manifest))
        for name, least, most in (
            ("upsets", 1, 10_000_000),
            ("per_start", 1, 10_000),
            ("reset_hold_s", 0.0, 1.0),
            ("seed", 0, (1 << 63) - 1),
        ):
            value = getattr(self, name)
            if not least <= value <= most:
                raise RunError(f"{name} = {value}: {least} to {most} is allowed")
        low, high = self.manifest.start.leave_rpm, self.manifest.resume_rpm
        for rpm in self.speeds_rpm:
            if not low < rpm < high:
                raise RunError(
                    f"rpm = {rpm:g}: upsets are judged at running speed, {low:.0f} to {high:.0f}"
                )

    @property
    def emulator(self) -> str:
        """The emulator that knows the chip and upsets; RunError when there is none."""
        return upsetting(str(self.manifest.raw["mcu"]))

    @property
    def blocks(self) -> int:
        """Number of starts the upsets are spread over, restarts after failures left out."""
        return -(-self.upsets // self.per_start)

    @property
    def allowed_on_s(self) -> float:
        """Longest on-time that the coil and its driver are planned to survive."""
        m = self.manifest
        return (m.hard_limit_us + m.watchdog_us) * 1e-6 + MARGIN_TICKS / m.tick_hz

    def interval_s(self, rpm: float) -> float:
        """Return the time from one pulse to the next."""
        return self.manifest.geometry.spacing_deg / (DEG_S_PER_RPM * rpm)

    def allowed_dark_s(self, rpm: float) -> float:
        """Return how long sparks may stay away."""
        watchdog_s = self.manifest.watchdog_us * 1e-6
        return watchdog_s + self.reset_hold_s + DEAD_TURNS * self.interval_s(rpm)

    def window_turns(self, rpm: float) -> int:
        """Return the length of a window, in pulse intervals."""
        ahead = self.allowed_dark_s(rpm) + DIP_S[1]
        return int(np.ceil(ahead / self.interval_s(rpm))) + 1 + QUIET_TURNS


def usual_speeds(manifest: Manifest) -> tuple[float, ...]:
    """Return a low, a middle and a high running speed, rounded to 100 rpm."""
    return tuple(float(round(p * manifest.limit_rpm / 100.0) * 100) for p in (0.25, 0.6, 0.94))


def draw_block(campaign: Campaign, targets: Targets, block: int) -> list[Case]:
    """Return the upsets of one start; they depend on the seed and the block's number alone."""
    rng = np.random.default_rng([campaign.seed, block])
    first = block * campaign.per_start
    count = min(campaign.per_start, campaign.upsets - first)
    rpm = campaign.speeds_rpm[block % len(campaign.speeds_rpm)]
    share = np.array([SHARES[space] for space in SPACES], dtype=np.float64)
    cases = []
    for i in range(campaign.per_start):
        space = SPACES[int(rng.choice(len(SPACES), p=share / share.sum()))]
        pool = {RAM: targets.ram, IO: targets.io, CPU: np.arange(targets.cpu)}.get(space)
        address = int(rng.choice(pool)) if pool is not None else 0
        bits = targets.pc_bits if space == PC else 8
        bit, phase = int(rng.integers(bits)), float(rng.uniform())
        lasts_s = float(np.exp(rng.uniform(*np.log(DIP_S))))
        lasts_s = lasts_s if space == DIP else 0.0
        cases.append(Case(first + i, rpm, space, address, bit, phase, lasts_s))
    return cases[:count]
