"""Where to put the magnet: the window of angles that works, and the best place in it.

A place works when the whole plan can be made with it (spark after the edge at every speed, dwell
and pulse long enough, start advance safe, a hard limit the coil survives) and its start sparks are
not so late that the engine would hardly start.  Every place is tried by making that plan: there is
no second set of rules.  The best place has the least sum of

- the worst spark error of the running engine (``predictor``, turned once for all places), and
- a tenth of how late, after top dead centre, the latest start spark comes: ten degrees there cost
  power for a few turns only.

Angles are crank degrees BTDC.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .board import Board, load_board
from .delay_table import evaluate_q8
from .design import DRIVEN, Design, design
from .engine import Engine
from .engine_checks import cross_check
from .errors import RunError, SparktickError
from .plan import Plan, quantise
from .predictor import Motions, worst_by_candidate
from .turning import STEADY, motions_of

F64 = NDArray[np.float64]

EARLIEST_DEG, LATEST_DEG = 150, 10
START_LATEST_DEG_ATDC = 25.0  # later sparks hardly start an engine; common practice, no source
START_SHARE = 0.1
COARSE_DEG, FINE_DEG = 6, 2
ARCS_DEG = tuple(range(12, 85, 6))
HELPS_BY_DEG = 0.5
SPEEDS = 25
_NUMBER = re.compile(r"\d+(\.\d+)?")


@dataclass(frozen=True)
class Place:
    """One place of the magnet.

    ``works``: the plan can be made; ``why_not`` the first thing in the way otherwise.
    ``start_rpm``, ``start_deg_btdc`` (k,): where start sparks come when the crank turns evenly;
    ``floor_rpm`` the slowest that sparks.  ``error_deg`` worst spark error of the running engine
    (nan when it could not be turned), ``predictor`` the one that reaches it.  ``score``: less is
    better, infinite when it does not work.
    """

    lead_deg_btdc: float
    arc_deg: float
    works: bool
    why_not: str
    start_rpm: F64
    start_deg_btdc: F64
    floor_rpm: float
    error_deg: float
    predictor: str
    score: float

    @property
    def trail_deg_btdc(self) -> float:
        """Where the magnet leaves."""
        return self.lead_deg_btdc - self.arc_deg

    @property
    def latest_start_deg_atdc(self) -> float:
        """How late after dead centre the latest start spark comes (negative: before)."""
        return -float(self.start_deg_btdc.min()) if len(self.start_deg_btdc) else np.inf


@dataclass(frozen=True)
class Placement:
    """The places tried with the described arc, the window around the best, and the best.

    ``described`` is the place of the description.  ``two_magnets`` is the best place when the arc
    is free, as two magnets of opposite pole and a latching sensor make it; None when not looked
    for.  ``two_magnets_help``: it is better by more than half a degree; it is also ``best`` when
    no place works with the described arc.
    """

    places: tuple[Place, ...]
    window_deg_btdc: tuple[float, float]
    best: Place
    described: Place
    two_magnets: Place | None
    two_magnets_help: bool

    @property
    def this_magnet_works(self) -> bool:
        """Whether any place works with the described arc."""
        return self.described.works or any(place.works for place in self.places)


def place_magnet(
    engine: Engine, *, board: Board | None = None, free_arc: bool = True, step_deg: float = 2.0
) -> Placement:
    """Try places for the magnet every ``step_deg``; ``free_arc`` looks for two magnets as well.

    Raises SparktickError, naming what is most often in the way, when no place works.
    """
    board = board or load_board(engine.board.name)
    trial = _Trial.of(engine, board)
    leads = np.arange(LATEST_DEG, EARLIEST_DEG + 1e-9, step_deg)
    places = tuple(trial.place(float(lead)) for lead in leads)
    described = trial.place(engine.pickup.lead_edge_deg_btdc)
    best = min((*places, described), key=lambda place: place.score)
    two = _two_magnets(trial) if free_arc else None
    found = two is not None and two.works
    helps = found and two is not None and two.score < best.score - HELPS_BY_DEG
    if not best.works:
        if not found or two is None:
            _refuse(engine, places)
        else:
            best = two
    return Placement(
        places=places,
        window_deg_btdc=_window(places, best),
        best=best,
        described=described,
        two_magnets=two,
        two_magnets_help=helps,
    )


def _refuse(engine: Engine, places: Sequence[Place]) -> None:
    failed = [place.why_not for place in places if place.why_not]
    kinds = Counter(_NUMBER.sub("#", why) for why in failed)
    kind = kinds.most_common(1)[0][0]
    most = next(why for why in failed if _NUMBER.sub("#", why) == kind)
    raise SparktickError(
        f"{engine.name}: no place for the magnet works; at most of {len(places)} places: {most}\n"
        "    Change the arc (another magnet, two magnets with a latching sensor), the curve, the "
        "dwell or the speed limit."
    )


def _window(places: Sequence[Place], best: Place) -> tuple[float, float]:
    """Least and most lead angle of the unbroken row of working places around the best."""
    least = most = best.lead_deg_btdc
    for place in places:
        if place.lead_deg_btdc > most:
            if not place.works:
                break
            most = place.lead_deg_btdc
    for place in reversed(places):
        if place.lead_deg_btdc < least:
            if not place.works:
                break
            least = place.lead_deg_btdc
    return least, most


def _two_magnets(trial: _Trial) -> Place:
    """Best place with any arc: a coarse grid, then a finer one around its best."""
    leads = range(30, 121, COARSE_DEG)
    coarse = [trial.place(float(lead), float(arc)) for lead in leads for arc in ARCS_DEG]
    best = min(coarse, key=lambda place: place.score)
    around = np.arange(-COARSE_DEG + FINE_DEG, COARSE_DEG, FINE_DEG)
    fine = [
        trial.place(best.lead_deg_btdc + lead, best.arc_deg + arc)
        for lead in around.tolist()
        for arc in around.tolist()
    ]
    return min((best, *fine), key=lambda place: place.score)


@dataclass(frozen=True)
class _Trial:
    """An engine whose magnet is moved; it is turned once, as the magnet does not turn it."""

    engine: Engine
    board: Board
    motions: Motions

    @classmethod
    def of(cls, engine: Engine, board: Board) -> _Trial:
        try:
            turned = dict(motions_of(engine, engine.advance.at_rpm, only=STEADY))
        except RunError:
            turned = {}
        return cls(engine, board, turned)

    def moved(self, lead_deg: float, arc_deg: float | None) -> Engine:
        update = {"lead_edge_deg_btdc": lead_deg}
        if arc_deg is not None:
            update["arc_deg"] = arc_deg
        pickup = self.engine.pickup.model_copy(update=update)
        return self.engine.model_copy(update={"pickup": pickup})

    def place(self, lead_deg: float, arc_deg: float | None = None) -> Place:
        """Try one place; ``arc_deg`` None keeps the description's."""
        engine = self.moved(lead_deg, arc_deg)
        arc = engine.pickup.nominal_arc_deg
        if not 1.0 < arc < lead_deg + 10.0:
            return _failed(lead_deg, arc, "the magnet is still there after dead centre")
        report = cross_check(engine, self.board, engine.name, lambda key: None)
        if report.faults:
            return _failed(lead_deg, arc, report.faults[0].problem)
        try:
            designed = design(engine, self.board)
            plan = quantise(designed)
        except SparktickError as error:
            return _failed(lead_deg, arc, str(error).splitlines()[0].rpartition(": ")[2])
        return self._judged(engine, designed, plan)

    def _judged(self, engine: Engine, designed: Design, plan: Plan) -> Place:
        rpm, deg = start_sparks(designed, plan)
        worst = worst_by_candidate(engine, self.motions, designed)
        name = min(worst, key=worst.__getitem__) if worst else ""
        error = worst[name] if worst else float("nan")
        late = max(-float(deg.min()), 0.0)
        place = Place(
            lead_deg_btdc=designed.lead_deg_btdc,
            arc_deg=designed.arc_deg,
            works=late <= START_LATEST_DEG_ATDC,
            why_not="",
            start_rpm=rpm,
            start_deg_btdc=deg,
            floor_rpm=designed.start.floor_rpm,
            error_deg=error,
            predictor=name,
            score=(error if worst else 0.0) + START_SHARE * late,
        )
        if place.works:
            return place
        text = f"start sparks would come up to {late:.0f} deg after dead centre"
        return replace(place, why_not=text, score=np.inf)


def _failed(lead_deg: float, arc_deg: float, why: str) -> Place:
    none = np.zeros(0)
    return Place(
        lead_deg, arc_deg, False, why, none, none, float("nan"), float("nan"), "", float("inf")
    )


def start_sparks(designed: Design, plan: Plan) -> tuple[F64, F64]:
    """Speeds from the floor to the starting speed, and where a start spark comes then.

    For a crank that turns evenly; one that slows against compression sparks earlier, but never
    before the start advance.
    """
    start = designed.start
    rpm = np.geomspace(start.floor_rpm, max(start.below_rpm, start.floor_rpm), SPEEDS)
    width = np.round(plan.rpm_ticks / rpm * designed.arc_deg / designed.spacing_deg)
    delay = evaluate_q8(plan.start_table, width.astype(np.int64)) / 256.0
    if not (plan.start_charge_early or plan.spark_on_rise):
        delay = np.maximum(delay, float(plan.dwell_ticks + plan.guard_ticks))
    fixed_s = designed.capture_delay_s + designed.trail_delay_s + designed.output_delay_s
    after_s = (delay + 0.5) / plan.tick_hz + fixed_s
    return rpm, np.asarray(designed.trail_deg_btdc - after_s * 6.0 * rpm)


@dataclass(frozen=True)
class StartCost:
    """What the start costs with one magnet: start sparks over speed, and the floor below them."""

    what: str
    lead_deg_btdc: float
    arc_deg: float
    rpm: F64
    deg_btdc: F64
    floor_rpm: float


def start_costs(
    engine: Engine, *, board: Board | None = None, narrow_deg: float = 15.0
) -> tuple[StartCost, ...]:
    """Compare the start of the described magnet, of a narrow one and of an edge at the right place.

    The last has its trail edge at the start advance where that edge may be the spark (driven
    starters); for a crank turned by hand, which is not charged for before it, where dwell ends at
    the start advance at the mean of floor and starting speed.  No allowance, nothing foreseen.
    What cannot be planned is left out.
    """
    board = board or load_board(engine.board.name)
    trial = _Trial(engine, board, {})
    described = engine.pickup.nominal_arc_deg
    lead = engine.pickup.lead_edge_deg_btdc
    found: list[StartCost] = []
    base = _cost(trial, "as described", lead, None)
    if base is not None:
        found.append(base)
    if narrow_deg < described - 1.0:
        found += _some(_cost(trial, f"narrow magnet, {narrow_deg:g} deg", lead, narrow_deg))
    found += _some(_edge_cost(trial, lead))
    return tuple(found)


def _some(cost: StartCost | None) -> Iterable[StartCost]:
    return () if cost is None else (cost,)


def _cost(trial: _Trial, what: str, lead: float, arc: float | None) -> StartCost | None:
    try:
        designed = design(trial.moved(lead, arc), trial.board)
        rpm, deg = start_sparks(designed, quantise(designed))
    except SparktickError:
        return None
    return StartCost(what, lead, designed.arc_deg, rpm, deg, designed.start.floor_rpm)


def _edge_cost(trial: _Trial, lead: float) -> StartCost | None:
    advance = trial.engine.advance
    try:
        designed = design(trial.engine, trial.board)
        plan = quantise(designed)
    except SparktickError:
        return None
    mean_rpm = 0.5 * (advance.floor_rpm + advance.start_below_rpm)
    charge_s = (plan.dwell_ticks + plan.guard_ticks) / plan.tick_hz
    driven = trial.engine.engine.starter in DRIVEN
    early = 0.0 if driven or plan.start_charge_early else charge_s * 6.0 * mean_rpm
    trail = advance.start_deg_btdc + early
    if lead - trail <= 1.0:
        return None
    return _cost(trial, "trail edge at the start advance", lead, lead - trail)
