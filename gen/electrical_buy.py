"""What to buy for an inductive coil: switch, heat sink, ballast, battery, by class and size.

Sizes come from the worst corner, so that no further reserve is added to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .battery import life_h
from .electrical_input import Coil
from .electrical_of import Electrical
from .parts import BatteryPart, DriverPart, Parts

USUAL_HEAT_SINK_K_PER_W = 60.0  # above it a TO-220 package alone does; common practice


@dataclass(frozen=True)
class Purchase:
    """One thing: whether to buy it, how large, which classes of the library fit, and why.

    ``state`` "have": the one described does; "no": none is needed.
    """

    what: str
    state: Literal["buy", "have", "no"]
    size: str
    classes: tuple[str, ...]
    why: str


def shopping_list(electrical: Electrical, library: Parts) -> tuple[Purchase, ...]:
    """Return what fits this description; empty for coils that bring their own switch."""
    coil = electrical.given.source
    if not isinstance(coil, Coil):
        return ()
    return (
        _driver(electrical, coil, library),
        _heat_sink(electrical, coil),
        _ballast(electrical, coil),
        *_battery(electrical, library),
    )


def driver_need(electrical: Electrical, coil: Coil) -> tuple[float, float, float]:
    """Return current (A), clamp energy (J) and clamp voltage (V) a switch must stand at worst."""
    report = electrical.report
    assert report.corners is not None
    curves = report.corners.curves
    amps = [float(np.max(curves.current_a))]
    amps += [v.value for v in report.verdicts if v.quantity == "current after the longest fault"]
    clamp_v = electrical.bench.asked_v * electrical.bench.margin / coil.turns_ratio
    return max(amps), float(np.max(curves.energy_j)), clamp_v


def _driver(electrical: Electrical, coil: Coil, library: Parts) -> Purchase:
    amps, joules, clamp_v = driver_need(electrical, coil)
    logic_v = electrical.line.line.logic_v

    def fits(part: DriverPart) -> bool:
        return (
            part.max_current_a >= amps
            and part.clamp_energy_mj.low * 1e-3 >= joules
            and part.clamp_v.low >= clamp_v
            and part.gate_volts_min <= logic_v
        )

    own = {"peak current", "current after the longest fault", "clamp energy with the plug lead off"}
    failed = any(v.part == "driver" and v.quantity in own for v in electrical.failures)
    return Purchase(
        what="switch",
        state="buy" if failed else "have",
        size=f"at least {amps:.3g} A and {joules * 1e3:.3g} mJ clamped, hot; clamp of "
        f"{clamp_v:.0f} V or more; fully on at {logic_v:g} V",
        classes=tuple(name for name, part in library.drivers.items() if fits(part)),
        why="the one described is too weak" if failed else "the one described does",
    )


def cooling_need(electrical: Electrical, coil: Coil) -> tuple[float, float]:
    """Return what the switch sheds at worst (W) and the K/W from junction to air it may have."""
    heat = electrical.report.heat
    assert heat is not None
    watts = float(np.max(heat.powers.driver_w))
    limit_c = coil.thermal.driver.limit_c
    return watts, (limit_c - electrical.given.ambient_c) / watts if watts > 0.0 else np.inf


def _heat_sink(electrical: Electrical, coil: Coil) -> Purchase:
    watts, need = cooling_need(electrical, coil)
    failed = need < coil.thermal.driver.k_per_w
    if need >= USUAL_HEAT_SINK_K_PER_W and not failed:
        return Purchase("heat sink", "no", "none", (), f"the switch sheds {watts:.2g} W at most")
    size = f"{need:.3g} K/W or less from junction to air, for {watts:.3g} W"
    why = "the switch described gets too hot" if failed else "the one described does"
    return Purchase("heat sink", "buy" if failed else "have", size, (), why)


def _ballast(electrical: Electrical, coil: Coil) -> Purchase:
    choice = electrical.report.ballast
    if choice is None:
        why = "a switch stuck on does no harm as it is"
        fitted = coil.circuit.ballast_ohm
        if fitted > 0.0:
            return Purchase("ballast", "have", f"{fitted:.3g} ohm", (), why)
        return Purchase("ballast", "no", "none", (), why)
    size = f"{choice.ohm:.3g} ohm (E12), {choice.rating_w:.3g} W wirewound"
    if choice.reach.ok:
        why = (
            f"a switch stuck on does no harm then ({choice.steady_a:.3g} A), and the wanted "
            "current stays in reach at every speed"
        )
        return Purchase("ballast", "buy", size, (), why)
    why = (
        f"with it a switch stuck on would do no harm, but only {choice.reach.reachable_a:.3g} A "
        "would be left at the lowest supply: rely on the firmware's hard limit instead"
    )
    return Purchase("ballast", "no", size, (), why)


def _battery(electrical: Electrical, library: Parts) -> tuple[Purchase, ...]:
    """Return how long each class of about the right voltage runs the engine at top speed."""
    given = electrical.given
    top = electrical.point("top")
    if not top.mean_a:
        return ()
    mean_a = top.mean_a

    def suits(part: BatteryPart) -> bool:
        cells = part.battery()
        return cells.flat_v >= 0.9 * given.supply_min_v and cells.full_v <= given.supply_max_v

    lives = {
        name: float(life_h(part.battery(), mean_a))
        for name, part in library.batteries.items()
        if suits(part)
    }
    if not lives:
        return ()
    return (
        Purchase(
            what="battery",
            state="have" if given.battery is not None else "buy",
            size=f"{mean_a:.2g} A in the mean",
            classes=tuple(f"{name} ({hours:.2g} h)" for name, hours in lives.items()),
            why=f"hours from full to flat at {top.rpm:.0f} rpm",
        ),
    )
