"""What is odd about a start, though the description is accepted: it needs the finished design."""

from __future__ import annotations

from .design import DRIVEN, Design
from .engine import Engine, find_warnings
from .errors import Fault

# Fastest that a flick of the fingers or a pull of the cord brings a flywheel to; common practice,
# no source.  A speed that the description names counts instead.
FASTEST_RPM = {"hand": 1000.0, "cord": 1200.0}
SPARE = 1.1


def all_warnings(engine: Engine, design: Design, file: str) -> tuple[Fault, ...]:
    """Return what is odd about a description and about the start that follows from it."""
    return (*find_warnings(engine, design.board, file), *start_warnings(engine, design, file))


def start_warnings(engine: Engine, design: Design, file: str) -> tuple[Fault, ...]:
    """Return what is odd: a starter too slow for sparks, a charge before the trail edge."""
    found = []
    part = engine.engine
    rpm = part.starter_rpm
    if part.starter not in DRIVEN and "starter_rpm" not in part.model_fields_set:
        rpm = FASTEST_RPM[part.starter]
    floor = max(design.start.floor_rpm, design.start.arc_floor_rpm)
    if rpm < SPARE * floor:
        found.append(_too_slow(engine, rpm, floor, file))
    if design.start.charge_early:
        found.append(
            Fault(
                file,
                "advance.start_deg_btdc",
                "the trail edge is the start spark, so the charge begins before it: a crank that "
                "stops with the magnet at the sensor is sparked where it stands",
                remedy="Let the starter turn it over without stopping, or put the trail edge "
                "ahead of the start advance.",
            )
        )
    return tuple(found)


def _too_slow(engine: Engine, rpm: float, floor: float, file: str) -> Fault:
    part = engine.engine
    wanted = SPARE * floor
    # the energy that carries over is the same, so the floor falls with the root of the inertia
    inertia = part.inertia_kg_m2 * (wanted / rpm) ** 2
    return Fault(
        file,
        "engine.starter_rpm",
        f"there is no spark below {floor:.0f} rpm, where the flywheel would not carry the piston "
        "over: it will hardly start",
        value=rpm,
        allowed=f"at least {wanted:.0f} rpm",
        remedy=f"Turn it faster, or fit more flywheel: from about {inertia:.3g} kg m2 on this "
        "speed is enough.",
    )
