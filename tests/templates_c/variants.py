"""Engines that no example has: the Plover with another pickup, coil, shaft or limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from sparktick.gen.board import load_board
from sparktick.gen.design import design
from sparktick.gen.engine import read_engine
from sparktick.gen.pipeline import Product, write_product
from sparktick.gen.plan import quantise
from sparktick.host_sim.manifest import Manifest, read_manifest

EXAMPLES = Path(__file__).parents[2] / "examples"
# Dwell of 1.2 ms, so that it fits at any speed; the driver is inside the coil.
LOGIC = {
    "[coil]": (
        '[coil]\nkind = "logic"\ndwell_ms = 1.2\nmax_on_ms = 8\nspark_current_a = 6\n'
        'min_off_ms = 0.5\n\n[driver]\nkind = "logic"\noutput_delay_us = 4.0\n\n[supply]'
    ),
}
# The Avocet on the STM32F103's 3.3 V: another divider, sensor supply and switch.
AVOCET_ON_PILL = {
    'name = "nano-328p"': 'name = "pill-103c8"',
    "divider_top_ohm = 27000": "divider_top_ohm = 39000",
    'active = "low"': 'active = "low"\nsensor_supply = "battery"',
    'kind = "igbt"': 'kind = "igbt"\ngate_volts_min = 3.0',
}


def described(changes: Mapping[str, str], example: str = "plover") -> str:
    """Return an example with pieces of its text replaced; "[coil]" stands for coil and driver."""
    text = (EXAMPLES / f"{example}.toml").read_text(encoding="utf-8")
    for old, new in changes.items():
        if old == "[coil]":
            begin, end = text.index("[coil]"), text.index("[supply]")
            text = text[:begin] + new + text[end + len("[supply]") :]
            continue
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {example}.toml"
        text = text.replace(old, new)
    return text


def make_firmware(
    folder: Path, changes: Mapping[str, str], example: str = "plover", **designed: Any
) -> Manifest:
    """Write a firmware folder; ``designed`` replaces fields of the design.

    So pulses a turn and limits can be tried that no description is allowed to ask for; the plan's
    own checks still speak.
    """
    description = folder.with_suffix(".toml")
    description.write_text(described(changes, example), encoding="utf-8")
    engine = read_engine(description)
    made = replace(design(engine, load_board(engine.board.name)), **designed)
    write_product(Product(engine, made, quantise(made)), folder, force=True)
    return read_manifest(folder)
