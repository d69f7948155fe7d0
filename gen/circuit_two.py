"""Two coils on one timed output: a pair of gates, a second channel, a sensor for the phase."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from .board import Board
from .circuit import SECOND, Component
from .engine import Engine

BASE_V = 1.4  # of a darlington that is on; from memory
SHARED = ("GND", "LOGIC", "RAW", "COIL+", "FUSED")  # nodes that both channels have in common


def _second(part: Component) -> Component:
    """Return the part of the second channel: another reference, nodes of its own."""
    nodes = tuple(node if node in SHARED else f"{node}_2" for node in part.nodes)
    return replace(part, ref=SECOND[part.ref], nodes=nodes)


def two_sensors(pickup: tuple[Component, ...]) -> Iterator[Component]:
    """Yield the pickup and the like line of the sensor that tells whose pulse it is."""
    yield from pickup
    for part in pickup:
        second = _second(part)
        if part.ref == "B1":
            why = (
                "tells whose pulse it is: there at the second cylinder's pulse, not at the first's"
            )
            second = replace(second, why=why)
        yield second


def two_channels(
    engine: Engine, board: Board, channel: tuple[Component, ...]
) -> Iterator[Component]:
    """Yield the gates and both channels; each gate's output stands for the coil pin."""
    rating = f"logic gates for {board.volts:g} V; "
    if engine.driver.kind == "bipolar":
        base_ma = 1e3 * (board.volts - BASE_V) / max(engine.driver.gate_ohm, 1.0)
        rating += f"outputs of {base_ma:.2g} mA or more, which the base takes all the dwell"
    else:
        rating += "any outputs do, such a gate takes current only while it switches"
    yield Component(
        "U4",
        "two AND gates, one with its select input inverted",
        "two ANDs",
        rating,
        "lead the timed output to the coil that the select pin says",
        ("COIL_PIN", "SELECT", "GATED", "GATED_2", "LOGIC", "GND"),
    )
    for part in channel:
        nodes = tuple("GATED" if node == "COIL_PIN" else node for node in part.nodes)
        moved = replace(part, nodes=nodes)
        yield moved
        yield _second(moved)
