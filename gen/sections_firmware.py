"""Tables of an engine description for the firmware: [board] [noise] [prediction] and so on."""

from __future__ import annotations

from typing import Literal

from .fields import Section, num, pick


class BoardSection(Section):
    """[board]: which board runs it."""

    name: str = pick("Name of a board, as `sparktick boards` lists it.", "nano-328p")


class NoiseSection(Section):
    """[noise]: what an edge must pass before it is believed; each layer can be switched off."""

    capture_filter: bool = pick("Hardware filter of the capture input.", True)
    confirm_us: float = num(
        "The level must hold this long after an edge; 0 switches it off.",
        0,
        500,
        "it must be much shorter than the pulse at top speed.",
        20.0,
    )
    blank_after_on_us: float = num(
        "Edges this soon after charging begins are not believed; 0 switches it off.",
        0,
        2000,
        "longer blinds it to true pulses.",
        60.0,
    )
    blank_after_off_us: float = num(
        "Edges this soon after a spark are not believed; 0 switches it off.",
        0,
        5000,
        "a spark rings for some hundred us; longer blinds it to true pulses.",
        400.0,
    )
    gate: bool = pick("Listen only around the predicted edge.", True)
    gate_margin_deg: float = num(
        "Crank degrees added on both sides of the gate.",
        0,
        30,
        "0 trusts the greatest acceleration exactly; more lets noise in.",
        2.0,
    )
    arc_check: bool = pick("Compare the width of each pulse with the magnet's arc.", True)
    arc_tolerance_percent: float = num(
        "How far the width may be from the arc.",
        5,
        80,
        "less rejects true pulses of an uneven turn, more checks nothing.",
        35.0,
    )
    lock_pulses: int = num(
        "Consistent pulses needed before timing is trusted.",
        1,
        16,
        "more delays the start by as many turns.",
        3,
    )
    lock_tolerance_percent: float = num(
        "How far two periods in a row may differ while locking.",
        2,
        60,
        "a hand-turned 4-stroke varies by tens of percent.",
        30.0,
    )
    bridge_missing: int = num(
        "Missing pulses in a row that are bridged by prediction; 0 for none.",
        0,
        4,
        "each bridged turn adds to the error of the spark.",
        1,
    )
    bridge_above_rpm: float = num(
        "Pulses are bridged above this speed only.",
        300,
        20000,
        "slow turns vary too much to be predicted.",
        1500.0,
    )
    max_rejects_per_gate: int = num(
        "Doubtful edges in one gate before listening ends until the next.",
        1,
        16,
        "bounds the time that noise can take from the chip.",
        4,
    )


class PredictionSection(Section):
    """[prediction]: how the speed in the middle of the delay is foreseen."""

    predictor: Literal["auto", "last", "trend", "same-stroke"] = pick(
        "last: as the turn before. trend: with the change of the last turns. same-stroke: with "
        "what pulses of the same stroke were off before. auto: chosen by turning this engine in "
        "simulation.",
        "auto",
    )


class TellingSection(Section):
    """[telling]: what the board tells."""

    serial: bool = pick("Send speed and counters over the serial line.", True)
    baud: Literal[9600, 19200, 38400, 57600, 115200] = pick("Speed of the serial line.", 38400)
    lines_per_s: int = num(
        "Lines sent in one second.", 1, 10, "more cannot be read and fills the line.", 4
    )
    lamp: bool = pick(
        "Lamp that shows the pickup, for setting the magnet with the engine at rest.", True
    )
    tacho: bool = pick("One pulse a spark for a tachometer.", True)


class SafetySection(Section):
    """[safety]: limits that protect people and coil, and the names that override them."""

    hard_limit_ms: float | None = num(
        "Longest time the coil may stay on whatever happens. Left out: computed from dwell.",
        0.2,
        60,
        "it must exceed dwell and be survived by coil and driver.",
        None,
    )
    allow_start_advance_over_12_deg: bool = pick(
        "Accept a start advance above 12 deg: an early spark at hand speed breaks fingers.", False
    )
    allow_no_gate_pull_down: bool = pick(
        "Accept a driver without pull-down: the coil may charge while the chip is in reset.", False
    )
    allow_inverting_driver: bool = pick(
        "Accept a driver that is on while its input is low: on while the chip is in reset.", False
    )
    allow_hard_limit_above_rating: bool = pick(
        "Accept a hard limit that coil or driver may not survive.", False
    )
