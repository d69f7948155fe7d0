"""Sweep one fault over a whole turn and hold every run against the core's invariants.

A fault is put at evenly spaced instants of a turn; then the same engine runs without it, as a
control, where the fault ran (host bench or emulated chip).

    A  coil on-time within the hard limit (on the chip one watchdog time more; where bits of the
       state itself flip, the time of the port's independent guard)
    B  no spark further BTDC than the greatest advance plus TOLERANCE_DEG while the edges are true
    C  no charge out of mode (host bench; not where bits of the state itself flip)
    D  after a transient fault every turn has its spark again, in its place, within the stated time
    E  no impossible state (as C)
    F  no handler longer than its board's (resets on the chip)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sparktick.gen.board import load_board
from sparktick.gen.errors import RunError
from sparktick.gen.plan import HEARTBEAT_S

from .faults import START_DEG, ChipReset, Fault, Scene, StateFlip
from .manifest import Manifest
from .run import F64, Run, Train
from .train import DEG_S_PER_RPM, pickup_train, steady

TOLERANCE_DEG = 1.0
BEGIN_S = 0.25  # of the swept turn: lock is long settled
WELL_TURNS = 12  # looked at once everything has to be well again
CUT_S = 100e-6  # within which a reset cuts a charge, which sparks there and then
MARGIN_TICKS = 20.0
GUARD_BEATS_MORE = 2  # beyond the hard limit, until the port's guard has ended a charge
RESPONSE_CYCLES = 8  # by which the emulators' counting of a handler may differ


@dataclass(frozen=True)
class Finding:
    """An invariant that one run broke: its letter, the fault's onset (nan: control), and how."""

    invariant: str
    onset_s: float
    text: str


@dataclass(frozen=True)
class Sweep:
    """One fault over a whole turn: what was broken, with the control run's findings last."""

    fault: Fault
    persistent: bool
    instants: int
    findings: tuple[Finding, ...] = field(default_factory=tuple)

    @property
    def passed(self) -> bool:
        """True when no run broke an invariant."""
        return not self.findings


def _btdc(train: Train, at_s: F64, manifest: Manifest) -> F64:
    half = 0.5 * manifest.geometry.spacing_deg
    turned = train.motion.angle_at(at_s + manifest.output_delay_us * 1e-6)
    return np.asarray(half - (turned + half) % (2.0 * half))


def _longest_on_s(run: Run, end_s: float) -> float:
    on_s, off_s = run.coil_s[run.coil_on == 1], run.coil_s[run.coil_on == 0]
    ends = np.append(off_s, np.inf)[np.searchsorted(off_s, on_s)]
    return float((np.minimum(ends, end_s) - on_s).max(initial=0.0))


def _broken(scene: Scene, fault: Fault | None, train: Train, run: Run) -> Iterator[tuple[str, str]]:
    """Yield the invariants that a run broke."""
    manifest = scene.manifest
    allowed_s = manifest.hard_limit_us * 1e-6 + MARGIN_TICKS / manifest.tick_hz
    chip = fault is not None and fault.on_chip
    allowed_s += manifest.watchdog_us * 1e-6 if chip else 0.0
    # A flip may change the mode while a charge is armed, or make a state impossible: our own doing.
    # Or move the instant from which the limit counts: then the port's guard ends the charge.
    flipped = isinstance(fault, StateFlip)
    if flipped:
        beats = np.ceil(manifest.hard_limit_us * 1e-6 / HEARTBEAT_S) + GUARD_BEATS_MORE
        allowed_s = max(allowed_s, float(beats) * HEARTBEAT_S)
    longest_s = _longest_on_s(run, train.end_s)
    if longest_s > allowed_s:
        yield "A", f"coil on for {1e6 * longest_s:.0f} us of {1e6 * allowed_s:.0f} allowed"
    if run.facts.get("charge_out_of_mode", 0.0) and not flipped:
        yield "C", f"{run.facts['charge_out_of_mode']:.0f} charges out of mode"
    if run.facts.get("state_out_of_range", 0.0) and not flipped:
        yield "E", f"{run.facts['state_out_of_range']:.0f} impossible states"
    if isinstance(fault, ChipReset):
        yield from _slow_handlers(manifest, run)
    well_s = fault.well_s(scene) + scene.within_s if fault is not None else BEGIN_S
    yield from _early(scene, fault, train, run, well_s)
    if np.isfinite(well_s):
        yield from _not_well(scene, train, run, well_s)


def _slow_handlers(manifest: Manifest, run: Run) -> Iterator[tuple[str, str]]:
    most = load_board(str(manifest.raw["board"])).handler_cycles
    for vector, cycles in most.items():
        took = run.facts.get(f"{vector}_cycles_max", 0.0)
        if took > cycles + RESPONSE_CYCLES:
            yield "F", f"{vector} took {took:.0f} cycles of {cycles}"


def _early(
    scene: Scene, fault: Fault | None, train: Train, run: Run, well_s: float
) -> Iterator[tuple[str, str]]:
    off_s = run.coil_s[run.coil_on == 0]
    if fault is not None and not fault.edges_true:
        off_s = off_s[(off_s < scene.onset_s) | (off_s > well_s)]
    for reset_s in getattr(run, "reset_s", ()):
        off_s = off_s[np.abs(off_s - reset_s) > CUT_S]
    btdc = _btdc(train, off_s, scene.manifest)
    early = btdc > scene.manifest.greatest_advance_deg + TOLERANCE_DEG
    if early.any():
        yield "B", f"{early.sum()} sparks up to {btdc.max():.2f} deg BTDC"


def _not_well(scene: Scene, train: Train, run: Run, well_s: float) -> Iterator[tuple[str, str]]:
    off_s = run.coil_s[(run.coil_on == 0) & (run.coil_s > well_s)]
    curve = np.array(scene.manifest.curve)
    wanted = float(np.interp(scene.rpm, curve[:, 0], curve[:, 1]))
    far = np.abs(_btdc(train, off_s, scene.manifest) - wanted) > TOLERANCE_DEG
    turns = int((train.end_s - well_s) / scene.turn_s)
    if far.any() or len(off_s) < turns - 1:
        yield "D", f"{len(off_s)} sparks in {turns} turns, {int(far.sum())} far from their place"


def _run_once(scene: Scene, fault: Fault) -> Iterator[tuple[str, str]]:
    well_s = fault.well_s(scene)
    if not np.isfinite(well_s):
        well_s = scene.onset_s
    end_s = well_s + scene.within_s + WELL_TURNS * scene.turn_s
    train = pickup_train(fault.motion(scene), scene.manifest, end_s)
    yield from _broken(scene, fault, train, fault.run(scene, fault.line(scene, train)))


def _control(scene: Scene, fault: Fault) -> Iterator[tuple[str, str]]:
    train = pickup_train(
        steady(scene.rpm, angle_deg=START_DEG),
        scene.manifest,
        BEGIN_S + scene.within_s + WELL_TURNS * scene.turn_s,
    )
    yield from _broken(scene, None, train, fault.control(scene, train))


def sweep(
    manifest: Manifest,
    fault: Fault,
    *,
    persistent: bool = False,
    instants: int = 36,
    rpm: float = 6000.0,
) -> Sweep:
    """Put a fault at ``instants`` evenly spaced instants of one turn, then run the control.

    Steady running speed ``rpm``.  Faults on the chip need a built folder.  RunError for a speed
    that is none or no instant at all.
    """
    if not manifest.start.leave_rpm < rpm < manifest.resume_rpm or instants < 1:
        raise RunError(
            f"rpm = {rpm:g}, instants = {instants}: {manifest.start.leave_rpm:.0f} to "
            f"{manifest.resume_rpm:.0f} rpm and at least one instant are wanted"
        )
    turn_s = manifest.geometry.spacing_deg / (DEG_S_PER_RPM * rpm)
    findings = []
    for onset_s in BEGIN_S + turn_s * np.arange(instants) / instants:
        end_s = np.inf if persistent else float(onset_s) + fault.duration_s
        scene = Scene(manifest, rpm, float(onset_s), float(end_s))
        findings += [Finding(i, float(onset_s), text) for i, text in _run_once(scene, fault)]
    control = Scene(manifest, rpm, BEGIN_S, BEGIN_S)
    findings += [Finding(i, float("nan"), f"control: {t}") for i, t in _control(control, fault)]
    return Sweep(fault, persistent, instants, tuple(findings))
