"""One crank turn at steady speed as a timing diagram: what each line does, in crank degrees."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sparktick.gen.coil import PrimaryCircuit
from sparktick.gen.plan import Plan

from ..manifest import Manifest
from ..run import F64, Run, Train
from ..train import DEG_S_PER_RPM

Span = tuple[float, float]
ToBtdc = Callable[[F64], F64]  # instants to degrees before the drawn dead centre

BEFORE_DEG, AFTER_DEG = 270.0, 90.0
MOST_TURNS = 2.0
CURRENT_POINTS = 40


@dataclass(frozen=True)
class Current:
    """Primary current of one charge, computed from the circuit: degrees BTDC and amperes (n,)."""

    deg_btdc: F64
    current_a: F64


@dataclass(frozen=True)
class Turn:
    """The turn that ends in one spark, and what came before; every angle in crank degrees BTDC.

    Spans are (from, to) with from >= to, as time runs towards smaller angles.  ``gate`` is where
    a lead edge is listened to, empty when not known or not in use.  ``sparks`` holds where each
    begins and, where the coil is known, the angle at which it has burnt out (else the same).
    """

    name: str
    source: str
    rpm: float
    begin_deg: float
    end_deg: float
    pickup: tuple[Span, ...]
    gate: tuple[Span, ...]
    output: tuple[Span, ...]
    currents: tuple[Current, ...]
    sparks: tuple[Span, ...]


def turn_of(
    name: str,
    run: Run,
    train: Train,
    manifest: Manifest,
    *,
    plan: Plan | None = None,
    circuit: PrimaryCircuit | None = None,
    burn_s: float = 0.0,
) -> Turn | None:
    """Cut one turn out of a steady run, well after its lock; None when the run has no spark."""
    mine = run.coil_channel == 0
    coil_s, coil_on = run.coil_s[mine], run.coil_on[mine].astype(bool)
    ends = np.flatnonzero(~coil_on[1:] & coil_on[:-1]) + 1
    if len(ends) < 4:
        return None
    last = ends[-2]  # the run may end before what follows the last spark
    sparking = last - 1 if manifest.spark_on_rise else last
    motion = train.motion
    spacing = manifest.geometry.spacing_deg
    turned = float(motion.angle_at(coil_s[sparking : sparking + 1])[0])
    dead_centre = round(turned / spacing) * spacing

    def btdc(at_s: F64) -> F64:
        return dead_centre - motion.angle_at(np.asarray(at_s, dtype=np.float64))

    rpm = float(motion.speed_at(coil_s[last : last + 1])[0]) / DEG_S_PER_RPM
    charged = float(btdc(coil_s[last - 1 : last])[0])
    begin = min(max(BEFORE_DEG, 15.0 * np.ceil(charged / 15.0 + 1.0)), MOST_TURNS * 360.0)
    span = (float(begin), -AFTER_DEG)
    on, off = btdc(coil_s[ends - 1]), btdc(coil_s[ends])
    output = _inside(on, off, span)
    burn_deg = burn_s * DEG_S_PER_RPM * rpm
    at = on if manifest.spark_on_rise else off
    sparks = at - manifest.output_delay_us * 1e-6 * DEG_S_PER_RPM * rpm
    return Turn(
        name=name,
        source=run.source,
        rpm=rpm,
        begin_deg=span[0],
        end_deg=span[1],
        pickup=_pickup(train, btdc, span),
        gate=_gates(train, btdc, plan, span),
        output=output,
        currents=tuple(_current(*charge, rpm, circuit) for charge in output) if circuit else (),
        sparks=tuple((s, s - burn_deg) for s in sparks.tolist() if span[1] <= s <= span[0]),
    )


def _inside(begin: F64, end: F64, span: Span) -> tuple[Span, ...]:
    """Pairs of descending angles that lie at least partly within a span."""
    return tuple(
        (b, e)
        for b, e in zip(begin.tolist(), end.tolist(), strict=True)
        if e <= span[0] and b >= span[1]
    )


def _pickup(train: Train, btdc: ToBtdc, span: Span) -> tuple[Span, ...]:
    leads, trails = train.edge_s[train.active == 1], train.edge_s[train.active == 0]
    count = min(len(leads), len(trails))
    return _inside(btdc(leads[:count]), btdc(trails[:count]), span)


def _gates(train: Train, btdc: ToBtdc, plan: Plan | None, span: Span) -> tuple[Span, ...]:
    """From where the gate opens to the lead edge that closes it; at steady speed, when locked."""
    if plan is None or not plan.gate:
        return ()
    leads = train.edge_s[train.active == 1]
    period_s = float(np.median(np.diff(leads)))
    period = period_s * plan.tick_hz
    line = [line for line in plan.run_table if line.from_ticks <= period][-1]
    if period >= plan.start_period_ticks:
        return ()
    half_s = period_s * line.gate_q16 / 65536.0
    return _inside(btdc(leads - half_s), btdc(leads), span)


def _current(begin_deg: float, end_deg: float, rpm: float, circuit: PrimaryCircuit) -> Current:
    deg = np.linspace(begin_deg, end_deg, CURRENT_POINTS)
    return Current(deg, circuit.current_a((begin_deg - deg) / (DEG_S_PER_RPM * rpm)))
