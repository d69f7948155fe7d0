"""If this fails: one of the core's duties is not done as its own arithmetic and limits say."""

from __future__ import annotations

import re
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from .core_library import Core, World, copied, load
from .variants import make_firmware

BASE = 0xFFFE0000  # everything happens across the wrap of the counter


@pytest.fixture(scope="module")
def plover(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_firmware(tmp_path_factory.mktemp("duties") / "plover", {}).folder / "src"


@pytest.fixture(scope="module")
def teal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_firmware(tmp_path_factory.mktemp("duties") / "teal", {}, "teal").folder / "src"


class Cores:
    """Cores of one engine with numbers changed, each compiled once."""

    def __init__(self, source: Path, folder: Path) -> None:
        self.source, self.folder = source, folder
        self.made: dict[tuple[tuple[str, int], ...], Core] = {}

    def __call__(self, **changes: int) -> Core:
        key = tuple(sorted(changes.items()))
        if key not in self.made:
            place = self.folder / f"core{len(self.made)}"
            place.mkdir()
            self.made[key] = load(copied(self.source, place / "src", changes), place)
        return self.made[key]


@pytest.fixture(scope="module")
def cores(plover: Path, tmp_path_factory: pytest.TempPathFactory) -> Cores:
    return Cores(plover, tmp_path_factory.mktemp("cores"))


@pytest.fixture(scope="module")
def teals(teal: Path, tmp_path_factory: pytest.TempPathFactory) -> Cores:
    return Cores(teal, tmp_path_factory.mktemp("teals"))


# ---- Arithmetic ----------------------------------------------------------------------------------


def test_scaling_is_exact(cores: Cores) -> None:
    core, draw = cores(), np.random.default_rng(1)
    values = [0, 1, 255, 256, 65535, 65536, 2**31 - 1, 2**32 - 1, *draw.integers(0, 2**32, 500)]
    parts = [0, 1, 6190, 32767, 32768, 65535, *draw.integers(0, 2**16, 20)]
    for value in map(int, values):
        for part in map(int, parts):
            assert core.lib.st_scale_q16(value, part) == floor(Fraction(value * part, 65536))


def tables(source: Path) -> dict[str, list[tuple[int, ...]]]:
    text = re.sub(r"UINT32_C\((\d+)\)", r"\1", (source / "config.h").read_text())
    found = {}
    for name in ("RUN", "START"):
        body = re.search(rf"ST_CFG_{name}_TABLE \\\n((?:.*\\\n)*.*)", text)
        assert body is not None
        rows = re.findall(r"\{(\d+), (-?\d+)L, (\d+)U, 0x(\w+)U, \d+U, (\d+)U\}", body[1])
        found[name] = [(int(a), int(b), int(c), int(d, 16), int(e)) for a, b, c, d, e in rows]
    return found


def from_table(rows: list[tuple[int, ...]], x: int) -> int:
    """Delay in 1/256 tick of a table of straight lines, in rational numbers."""
    start, base, slope, form, _ = [row for row in rows if row[0] <= x][-1]
    change = floor(Fraction((x - start) * slope, 256)) * 2 ** (form & 15)
    return base - change if form & 0x8000 else base + change


@pytest.mark.parametrize("example", ["plover", "teal"])
def test_delays_are_the_tables_lines(
    example: str, cores: Cores, teals: Cores, plover: Path, teal: Path
) -> None:
    core = cores() if example == "plover" else teals()
    both = tables(plover if example == "plover" else teal)
    functions = {"RUN": core.lib.st_delay_q8, "START": core.lib.st_start_delay_q8}
    for name, rows in both.items():
        most = core.cfg["START_LEAVE_TICKS" if name == "RUN" else "START_WIDTH_MAX_TICKS"]
        corners = [row[0] + k for row in rows for k in (-1, 0, 1)]
        draw = np.random.default_rng(2).integers(0, most, 300)
        for x in (int(x) for x in [*corners, *draw, most] if 0 <= x <= most):
            assert functions[name](x) == from_table(rows, x), (name, x)


# Newest interval, the one before, weight in 1/256: the period taken, next interval expected.
# T + floor(clipped change x weight / 256); the change is held within floor(T / 4).
TREND = [
    (20000, 20000, 135, 20000, 20000),
    (20000, 20100, 135, 20000 + floor(Fraction(-100 * 135, 256)), 19900),
    (20000, 19900, 135, 20000 + floor(Fraction(100 * 135, 256)), 20100),
    (20001, 12000, 256, 25001, 25001),  # held: 20001 // 4 = 5000
    (20001, 60000, 200, 20001 + floor(Fraction(-5000 * 200, 256)), 15001),
    (182370, 182371, 143, 182370 + floor(Fraction(-143, 256)), 182369),
]


@pytest.mark.parametrize(("newer", "older", "weight", "period", "following"), TREND)
def test_trend_to_the_middle_of_the_delay(
    cores: Cores, newer: int, older: int, weight: int, period: int, following: int
) -> None:
    for code, wanted in ((1, (period, following)), (0, (newer, newer))):
        core = cores(PREDICTOR=code)
        state = core.new()
        state.s.period_ticks, state.period_before_ticks, state.weight_q8 = newer, older, weight
        found = core.lib.st_effective_period(state), core.lib.st_next_interval(state)
        assert found == wanted


# ---- Running: dwell and spark --------------------------------------------------------------------


def arc(core: Core, period: int) -> int:
    return floor(Fraction(period * core.cfg["ARC_Q16"], 65536))


def running(core: Core, period: int, pulses: int = 12) -> tuple[World, int]:
    """Turn evenly until locked; return the world and the last lead edge."""
    world = World(core, 1, BASE)
    world.lib.world_late(world.memory, 0)
    at = BASE + 5000
    for _ in range(pulses):
        at += period
        world.pulse(at, arc(core, period))
    assert world.mode == core.enum("RUN")
    return world, at


def rounded(q8: int) -> int:
    return max(floor(Fraction(q8 + 128, 256)), 0)


@pytest.mark.parametrize("dwell", [3000, 7564, 12000])
@pytest.mark.parametrize("period", [14200, 16000, 20011, 34286, 57001, 79999, 120000, 170000])
def test_dwell_behind_the_edge_before_it_and_cut(
    cores: Cores, plover: Path, period: int, dwell: int
) -> None:
    """Evenly turning: spark by the table, dwell before it, or cut by the least off-time."""
    core = cores(PREDICTOR=0, DWELL_TICKS=dwell, HARD_LIMIT_TICKS=40000)
    rows = tables(plover)["RUN"]
    world, at = running(core, period)
    delay = rounded(from_table(rows, period))
    world.until(at + period - 100)
    assert world.spark_at == (at + delay) % 2**32
    room = period - core.cfg["OFF_MIN_TICKS"]
    behind = delay >= dwell + core.cfg["GUARD_TICKS"]
    assert world.last_on == (dwell if behind else min(dwell, room))
    assert world.broken() == {}


@pytest.mark.parametrize("period", [14200, 15000, 16000])
def test_the_spark_has_its_time_before_the_next_charge(cores: Cores, period: int) -> None:
    """A dwell too long for the turn is cut: the coil stays off for the least off-time."""
    core = cores(PREDICTOR=0, DWELL_TICKS=15500, HARD_LIMIT_TICKS=40000)
    world, at = running(core, period)
    world.until(at + period - 100)
    assert world.last_on == period - core.cfg["OFF_MIN_TICKS"]
    assert core.cfg["OFF_MIN_TICKS"] == 2000


def test_a_late_edge_takes_the_spark_with_it(cores: Cores, plover: Path) -> None:
    """A charge begun before its edge never sparks before it, whenever in the gate that comes.

    One that comes sooner than a crank that turned evenly can have sped up waits: for where a spark
    was due, or for the trail edge.
    """
    core = cores(PREDICTOR=0)
    period = 16000
    rows = tables(plover)["RUN"]
    gate = [row for row in rows if row[0] <= period][-1][4]
    within = floor(Fraction(period * gate, 65536))
    for late in range(-within + 40, within - 20, 37):
        world, at = running(core, period)
        before = world.sparks
        lead = at + period + late
        world.until(lead)
        assert world.coil_on  # dwell is longer than the delay: charging already
        world.pulse(lead, arc(core, period))
        world.until(lead + period // 2)
        assert world.sparks == before + 1
        soonest = period - floor(Fraction(period * 160, 65536))
        if period + late >= soonest:
            assert (world.spark_at - lead) % 2**32 == rounded(from_table(rows, period + late))
        else:
            spark_at = at + (world.spark_at - at) % 2**32
            due = at + soonest + rounded(from_table(rows, period))
            assert 0 <= due - spark_at <= max(0, due - lead - arc(core, period))


@pytest.mark.parametrize("late", [-60, -16, 0, 1, 16, 40])
def test_a_charge_ordered_for_about_then_is_not_armed_again(
    cores: Cores, plover: Path, late: int
) -> None:
    """Arming may take a chip longer than its begin is away; only its end follows the edge."""
    period = 34286
    rows = tables(plover)["RUN"]
    delay = rounded(from_table(rows, period))
    core = cores(PREDICTOR=0, DWELL_TICKS=delay - 100)
    world, at = running(core, period)
    lead = at + period + late
    world.pulse(lead, arc(core, period))
    world.until(lead + period // 2)
    spark = rounded(from_table(rows, period + late))
    assert (world.spark_at - lead) % 2**32 == spark
    moved = rounded(from_table(rows, period + late)) - delay + late  # the begin, were it moved
    assert world.last_on == delay - 100 + (moved if abs(moved) <= 16 else 0)


@pytest.mark.parametrize("period", [60000, 70000, 79000])
def test_after_a_missed_pulse_no_charge_is_ended_before_a_late_edge(
    cores: Cores, period: int
) -> None:
    """The gate is twice as wide then: a charge that the limit would end inside it is not begun."""
    core = cores(PREDICTOR=0)
    notes = core.lib.st_notes(period)
    within = 2 * floor(Fraction(period * notes.gate_q16, 65536))
    for late in range(-period // 4, within - 20, 1009):
        world, at = running(core, period)
        lead = at + 2 * period + late
        world.until(at + 7 * period // 5)  # the pulse between is missing, its spark over
        before = world.sparks
        world.until(lead)
        assert world.sparks == before, late
        world.pulse(lead, arc(core, period + late // 2))
        world.until(lead + period // 2)
        assert world.sparks == before + 1, late
        assert world.count("HARD") == 0


def test_the_hard_limit_ends_a_charge_whose_edge_never_comes(cores: Cores) -> None:
    core = cores(PREDICTOR=0, BRIDGE_MOST=0, HARD_LIMIT_TICKS=8000)
    world, at = running(core, 16000)
    world.until(at + 15900)
    assert world.coil_on
    world.until(at + 60000)
    assert not world.coil_on
    assert world.last_on <= 8000
    assert world.mode == core.enum("WARM")
    sparks = world.sparks
    world.until(at + 900_000)
    assert world.sparks == sparks


def test_the_hard_limit_goes_before_any_later_spark(cores: Cores) -> None:
    """Whatever a spark was timed for: the order that ends the charge is never beyond the limit."""
    core = cores()
    limit = core.cfg["HARD_LIMIT_TICKS"]
    for wanted in (limit // 2, limit - 1, limit, limit + 1, 3 * limit):
        world, at = running(core, 20000)
        state = world.state
        state.coil_on, state.now = False, (at + 5000) % 2**32
        state.coil_off_at = (at + 5000 + wanted) % 2**32
        core.lib.st_on_coil(state, (at + 5000) % 2**32, True)
        assert (state.orders.coil_at - at - 5000) % 2**32 == min(wanted, limit)
        assert state.orders.coil == core.enum("COIL_OFF_AT")


@pytest.mark.parametrize("mode", ["STOPPED", "WARM", "FIRST", "START", "LOCKING", "RUN"])
def test_no_charge_is_ordered_before_it_is_known_where_the_crank_is(
    cores: Cores, mode: str
) -> None:
    """Invariant C where it is kept, whoever asks for a spark."""
    core = cores()
    world = World(core, 1, BASE)
    world.state.s.mode = core.enum(mode)
    world.state.now = BASE + 50_000
    world.lib.world_order_spark(world.memory, (BASE + 70_000) % 2**32)
    known = mode in ("START", "LOCKING", "RUN")
    assert (world.state.orders.coil == core.enum("COIL_ON_AT")) is known


# Interval after interval: is the event skipped?  Limit 14117, resume 14457 ticks.
LIMIT = [
    (14500, False),
    (14118, False),
    (14117, False),
    (14116, True),
    (14200, True),  # between the two: as before
    (14457, True),
    (14458, False),
    (14200, False),  # between the two: as before
    (14000, True),
]


def test_speed_limit_skips_whole_events_with_hysteresis(cores: Cores) -> None:
    # Dwell behind the edge, so that an event begins and ends in one turn.
    core = cores(PREDICTOR=0, DWELL_TICKS=150, ON_MIN_TICKS=100)
    assert (core.cfg["LIMIT_TICKS"], core.cfg["RESUME_TICKS"]) == (14117, 14457)
    world, at = running(core, 14500)
    for period, skipped in LIMIT:
        before, limited = world.sparks, world.count("LIMIT")
        at += period
        world.pulse(at, arc(core, period))
        world.until(at + 7000)
        assert world.sparks - before == (0 if skipped else 1), period
        assert world.count("LIMIT") - limited == (1 if period < 14117 else 0)
        assert not world.coil_on
    assert world.count("LOST") == 0


# ---- Start ---------------------------------------------------------------------------------------


def hand_start(core: Core, period: int, pulses: int) -> tuple[World, int]:
    world = World(core, 1, BASE)
    world.lib.world_late(world.memory, 0)
    at = BASE + 100_000 - period
    for _ in range(pulses):
        at += period
        world.pulse(at, arc(core, period))
    return world, at


@pytest.mark.parametrize("period", [171_500, 200_000, 260_000, 300_000])
def test_a_hand_start_sparks_from_its_own_pulse(cores: Cores, plover: Path, period: int) -> None:
    """On the second pulse, timed by its own arc; charged behind the trail edge only."""
    core = cores()
    cfg, rows = core.cfg, tables(plover)["START"]
    world, at = hand_start(core, period, 1)
    world.until(at + period)
    assert world.sparks == 0
    assert world.mode == core.enum("FIRST")
    at += period
    width = arc(core, period)
    world.edge_at(at, True)
    world.until(at + width)
    assert not world.coil_on
    assert not world.lib.world_charge_armed(world.memory)
    world.edge_at(at + width, False)
    world.until(at + period // 2)
    assert world.mode == core.enum("START")
    if period > cfg["START_INTERVAL_MAX_TICKS"]:
        assert world.sparks == 0
        return
    least = cfg["DWELL_TICKS"] + cfg["GUARD_TICKS"]
    delay = max(rounded(from_table(rows, width)), least)
    assert world.sparks == 1
    assert (world.spark_at - at - width) % 2**32 == delay
    assert (world.on_since - at - width) % 2**32 == delay - cfg["DWELL_TICKS"]


@pytest.mark.parametrize(("part", "sparks"), [(Fraction(1), 1), (Fraction(1, 8), 0), (5, 0)])
def test_first_spark_on_the_second_pulse_or_else_the_third(
    cores: Cores, part: Fraction, sparks: int
) -> None:
    core = cores()
    period = 200_000
    world, at = hand_start(core, period, 1)
    at += period
    world.pulse(at, floor(arc(core, period) * part))
    world.until(at + period // 2)
    assert world.sparks == sparks
    assert world.count("ARC") == 1 - sparks
    for late in range(2 if part == 5 else 1):  # not half as wide as that long one: not believed
        assert world.sparks == sparks, late
        at += period
        world.pulse(at, arc(core, period))
        world.until(at + period // 2)
    assert world.sparks == sparks + 1


def test_slower_than_the_floor_nothing_sparks(cores: Cores) -> None:
    core = cores()
    slowest = core.cfg["START_INTERVAL_MAX_TICKS"]
    for period, sparks in ((slowest - 200, True), (slowest + 200, False)):
        world, at = hand_start(core, period, 5)
        world.until(at + period // 2)
        assert (world.sparks > 0) is sparks
    width = core.cfg["START_WIDTH_MAX_TICKS"]
    for wide, sparks in ((width, 1), (width + 1, 0)):  # slow over the magnet, not over the turn
        world, at = hand_start(core, slowest - 200, 1)
        world.pulse(at + slowest - 200, wide)
        world.until(at + 2 * slowest)
        assert world.sparks == sparks
    world, at = hand_start(core, core.cfg["PERIOD_MAX_TICKS"] + 100, 4)
    assert world.sparks == 0
    assert world.count("INTERVAL") == 3


# ---- Belief: each layer and its counter, on and off ----------------------------------------------


def glitch(world: World, at: int, width: int) -> None:
    world.until(at - 1)
    level = bool(world.lib.world_core(world.memory).seek == world.core.enum("CAPTURE_TRAIL"))
    world.edge_at(at, not level)
    world.edge_at(at + width, level)


def test_a_short_edge_is_counted_and_moves_nothing(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    world, at = running(core, 20000)
    lead = at + 20000
    glitch(world, lead - 200, core.cfg["CONFIRM_TICKS"] - 8)
    assert world.count("SHORT") == 0
    world.until(lead - 50)
    assert world.count("SHORT") + world.count("BLANKED") == 1
    world.pulse(lead, arc(core, 20000))
    assert world.state.s.edge_at == lead % 2**32


def test_without_confirmation_it_would_be_believed(cores: Cores) -> None:
    core = cores(PREDICTOR=0, CONFIRM_TICKS=1, BLANK_ON_TICKS=0, BLANK_OFF_TICKS=0)
    world, at = running(core, 20000)
    world.edge_at(at + 19800, True)
    world.until(at + 19840)
    world.edge_at(at + 19841, False)
    assert world.count("SHORT") == 0
    assert world.state.s.edge_at == (at + 19800) % 2**32


@pytest.mark.parametrize("switch", ["ON", "OFF"])
def test_blanking_asks_for_a_longer_look(cores: Cores, switch: str) -> None:
    """An edge soon after the coil switched must hold until that switching's blanking ends."""
    period, blank = 200_000, {"ON": 300, "OFF": 800}
    for given, width, believed in (
        (blank[switch], 150, False),  # outlasts confirmation, 40 ticks, only
        (blank[switch], blank[switch] + 50, True),  # blanking hides nothing that stays
        (0, 150, True),
    ):
        other = "ON" if switch == "OFF" else "OFF"
        core = cores(**{f"BLANK_{switch}_TICKS": given, f"BLANK_{other}_TICKS": 0})
        world, at = hand_start(core, period, 2)
        world.until(at + period // 2)
        switched = world.on_since if switch == "ON" else world.spark_at
        world, at = hand_start(core, period, 2)
        blanked, begin = world.count("BLANKED"), switched + 20
        world.edge_at(begin, True)
        world.edge_at(begin + width, False)
        assert bool(world.state.pending) is believed, (given, width)
        world.until(begin + 1000)
        assert world.count("BLANKED") - blanked == (0 if believed else 1)


def test_a_bouncing_trail_edge_is_counted(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    world, at = running(core, 20000)
    lead, width = at + 20000, arc(core, 20000)
    bounced = world.count("TRAIL_BOUNCE") + world.count("BLANKED")
    world.edge_at(lead, True)
    world.edge_at(lead + width - 100, False)
    world.edge_at(lead + width - 90, True)
    world.edge_at(lead + width, False)
    world.until(lead + width + 1200)
    assert world.count("TRAIL_BOUNCE") + world.count("BLANKED") > bounced
    assert world.count("ARC") == 0
    assert world.mode == core.enum("RUN")


@pytest.mark.parametrize("check", [0, 1])
def test_a_wrong_width_is_doubted(cores: Cores, check: int) -> None:
    core = cores(PREDICTOR=0, ARC_CHECK=check)
    world, at = running(core, 20000)
    world.pulse(at + 20000, arc(core, 20000) // 3)
    world.until(at + 30000)
    assert world.count("ARC") == check
    assert world.state.s.edge_at == (at + (0 if check else 20000)) % 2**32


@pytest.mark.parametrize("gate", [0, 1])
def test_the_gate_masks_what_comes_too_soon(cores: Cores, gate: int) -> None:
    core = cores(PREDICTOR=0, GATE=gate)
    world, at = running(core, 20000)
    world.until(at + 15000)  # a quarter of a turn too soon
    assert world.state.orders.capture == core.enum("CAPTURE_LEAD" if not gate else "CAPTURE_MASKED")
    world.until(at + 19600)
    assert world.state.orders.capture == core.enum("CAPTURE_LEAD")


def test_too_many_false_edges_mask_capture_for_a_while(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    world, at = running(core, 20000)
    when = at + 19600
    for _ in range(core.cfg["FALSE_EDGES_MOST"]):
        glitch(world, when, 10)
        when += 60
    world.until(when + 30)
    assert world.count("STORM") == 1
    assert world.state.orders.capture == core.enum("CAPTURE_MASKED")
    assert world.state.phase == core.enum("PH_STORM")


# ---- Missing edges, lock, standstill -------------------------------------------------------------


@pytest.mark.parametrize("most", [0, 1, 2, 4])
def test_missing_pulses_are_bridged_and_then_given_up(cores: Cores, most: int) -> None:
    core = cores(PREDICTOR=0, BRIDGE_MOST=most, DWELL_TICKS=2000)
    period = 20000
    world, at = running(core, period)
    world.until(at + period // 2)
    sparks = world.sparks
    world.until(at + period * (most + 3))
    # The charge begun before the edge that is given up ends in a spark too, a late one.
    assert world.sparks == sparks + most + 1
    assert world.count("MISSING") == most + 1
    assert world.count("LOST") == 1
    assert world.mode == core.enum("WARM")  # the period is kept for one pulse that agrees
    assert not world.coil_on


def test_below_the_bridging_speed_none_is_bridged(cores: Cores) -> None:
    core = cores(PREDICTOR=0, DWELL_TICKS=2000)
    period = core.cfg["BRIDGE_PERIOD_TICKS"] + 100
    world, at = running(core, period)
    world.until(at + period // 2)
    sparks = world.sparks
    world.until(at + 3 * period)
    assert (world.sparks, world.count("LOST")) == (sparks, 1)
    # A crank that stalls may rock at the magnet: no single pulse resumes timing here.
    assert world.mode == core.enum("STOPPED")


def test_one_gap_is_bridged_a_second_soon_after_is_not(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    for between in (1, 2, 3):
        world, at = running(core, 20000)
        at += 40000
        for _ in range(between):
            world.pulse(at, arc(core, 20000))
            at += 20000
        world.until(at + 19000)
        assert (world.count("LOST") == 0) is (between >= 2), between


@pytest.mark.parametrize("intervals", [1, 2, 3, 5])
def test_lock_takes_the_stated_intervals(cores: Cores, intervals: int) -> None:
    core = cores(PREDICTOR=0, LOCK_INTERVALS=intervals)
    world, at = World(core, 1, BASE), BASE + 5000
    for pulse in range(1, intervals + 4):
        at += 20000
        world.pulse(at, arc(core, 20000))
        world.until(at + 9000)
        locked = world.mode == core.enum("RUN")
        assert locked is (pulse >= max(intervals, 2) + 1), pulse


def test_inconsistent_intervals_do_not_lock(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    world, at = World(core, 1, BASE), BASE + 5000
    for turn in range(20):
        period = 20000 if turn % 2 else 32000  # 37 % and 60 % apart, 30 % is allowed
        at += period
        world.pulse(at, arc(core, period))
        assert world.mode != core.enum("RUN")
    assert world.sparks == 0


def test_standstill_forgets_the_crank(cores: Cores) -> None:
    core = cores()
    world, at = hand_start(core, 200_000, 4)
    assert world.mode == core.enum("START")
    for _ in range(40):
        world.until(world.now + 100_000)
        world.poll()
    assert world.mode == core.enum("STOPPED")
    assert not world.coil_on
    sparks, at = world.sparks, world.now + 5000
    world.pulse(at, arc(core, 200_000))  # is a first pulse again
    world.until(at + 150_000)
    assert (world.sparks, world.mode) == (sparks, core.enum("FIRST"))


# ---- Upsets --------------------------------------------------------------------------------------


def test_every_flipped_bit_of_what_can_spark_is_found(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    size = core.ffi.sizeof("st_sealed")
    for bit in range(8 * size):
        world, at = running(core, 20000)
        world.until(at + 12000)
        bytes_ = core.ffi.cast("uint8_t *", core.ffi.addressof(world.state.s))
        bytes_[bit // 8] ^= 1 << (bit % 8)
        sparks = world.sparks
        world.pulse(at + 20000, arc(core, 20000))
        world.until(at + 39000)
        assert world.count("SEAL") >= 1, bit
        assert world.sparks <= sparks + 1  # a charge that ran already may end
        # The period before is what it locks on with again, the pulse agreeing.
        assert world.mode < core.enum("START") or world.state.s.period_ticks == 20000, bit


def test_a_period_that_no_pulses_can_have_is_found_though_it_is_sealed(cores: Cores) -> None:
    """Code that ran astray may seal what it wrote; what is left of the truth is taken up again."""
    core = cores()
    for wrong in (
        core.cfg["PERIOD_MIN_TICKS"] - 1,
        core.cfg["START_LEAVE_TICKS"] + 1,
        0,
        2**32 - 1,
    ):
        world, _ = running(core, 20000)
        state = world.state
        before = np.frombuffer(bytes(core.ffi.buffer(core.ffi.addressof(state, "s"))), "<u2")
        state.s.period_ticks = wrong
        after = np.frombuffer(bytes(core.ffi.buffer(core.ffi.addressof(state, "s"))), "<u2")
        state.seal = (state.seal + int(after.sum()) - int(before.sum())) % 2**16
        world.poll()
        assert world.count("SEAL") == 1, wrong
        assert state.s.period_ticks == 20000


def test_a_line_that_nothing_listens_to_is_listened_to_again(cores: Cores) -> None:
    """Once a flipped pointer left capture masked with no alarm: no spark until standstill."""
    core = cores(PREDICTOR=0)
    world, at = running(core, 20000)
    world.until(at + 150000)  # lock is lost
    masked, look = core.enum("CAPTURE_MASKED"), core.enum("PH_LOOK")
    world.state.seek = world.state.orders.capture = masked
    world.state.phase, world.state.orders.alarm_on = look, False
    world.until(at + 160000)
    world.lib.world_do_poll(world.memory)
    assert world.state.orders.capture == core.enum("CAPTURE_LEAD")


@pytest.mark.parametrize("pulses", [1, 2])
def test_lock_that_was_lost_comes_back_with_one_pulse_that_agrees(
    cores: Cores, pulses: int
) -> None:
    core = cores(PREDICTOR=0, BRIDGE_MOST=0)
    world, at = running(core, 20000)
    world.until(at + 75000)
    assert world.count("LOST") == 1
    sparks = world.sparks
    for _ in range(pulses):
        at += 20000
        world.pulse(at + 60000, arc(core, 20000))
    world.until(at + 75000)
    assert world.mode == core.enum("RUN")
    assert world.sparks == sparks + pulses - 1


@pytest.mark.parametrize("warm", [0, 1])
def test_warm_restart_by_the_next_pulse_if_it_agrees(cores: Cores, warm: int) -> None:
    core = cores(PREDICTOR=0, WARM_RESTART=warm)
    for width, resumes in ((1, True), (Fraction(1, 2), False)):
        world, at = running(core, 20000)
        world.until(at + 5000)
        world.lib.world_do_reset(world.memory, False)
        assert world.mode == core.enum("WARM" if warm else "STOPPED")
        assert world.count("RESET") == 1
        assert not world.coil_on
        world.pulse(at + 20000, floor(arc(core, 20000) * width))
        world.until(at + 22000)
        resumed = bool(warm) and resumes
        assert world.mode == core.enum("RUN" if resumed else "FIRST")
        assert world.count("WARM") == int(resumed)


def test_a_state_that_fails_while_a_pulse_passes_waits_for_no_trail_edge(cores: Cores) -> None:
    """One pulse after it agrees and resumes timing; the trail edge of the next would take four."""
    core = cores(PREDICTOR=0)
    world, at = running(core, 20000)
    world.until(at + 19000)
    state = world.state
    state.now = (at + 20000) % 2**32
    state.to_settle = 1  # ST_SETTLE_TRAIL: its lead edge has just been believed
    state.seal ^= 1
    core.lib.st_settle(state)
    assert state.orders.capture == core.enum("CAPTURE_LEAD")
    assert not state.pending and state.to_settle == 0
    assert world.mode == core.enum("WARM")


@pytest.mark.parametrize("what", ["power", "bit"])
def test_a_power_on_or_a_flipped_bit_in_kept_ram_starts_cold(cores: Cores, what: str) -> None:
    core = cores(PREDICTOR=0)
    for bit in (*range(32), *range(48, 64)):  # between them: the count of resets
        world, at = running(core, 20000)
        world.until(at + 5000)
        kept = world.lib.world_kept(world.memory)
        core.lib.st_keep(world.state, kept)
        bytes_ = core.ffi.cast("uint8_t *", kept)
        bytes_[bit // 8] ^= (1 << (bit % 8)) if what == "bit" else 0
        core.lib.st_init(world.state, world.now, kept, what == "power")
        assert world.mode == core.enum("STOPPED")
        assert world.count("RESET") == (1 if what == "bit" else 0)


def running_and_kept(cores: Cores) -> tuple[Core, World, Any]:
    """Return a core, run at 20 000 ticks a turn, and the RAM that is kept of it."""
    core = cores(PREDICTOR=0)
    world, at = running(core, 20000)
    world.until(at + 5000)
    kept = world.lib.world_kept(world.memory)
    core.lib.st_keep(world.state, kept)
    return core, world, kept


def test_starting_leaves_what_is_kept_as_it_is(cores: Cores) -> None:
    """Code run astray into it, before a reset, would else take the period from the start after."""
    core, world, kept = running_and_kept(cores)
    for resets in (1, 2, 3):
        core.lib.st_init(world.state, world.now, kept, False)
        assert (kept.period_ticks, kept.resets) == (20000, resets)
        assert world.mode == core.enum("WARM")
    kept.period_ticks = 21000  # does not fit its check
    core.lib.st_init(world.state, world.now, kept, False)
    assert (kept.period_ticks, world.mode) == (21000, core.enum("STOPPED"))


def test_a_flipped_bit_in_kept_ram_is_not_sealed_at_the_next_beat(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    for bit in range(32):
        world, _ = running(core, 20000)
        kept = world.lib.world_kept(world.memory)
        core.lib.st_keep(world.state, kept)
        world.state.s.mode = core.enum("STOPPED")
        core.ffi.cast("uint8_t *", kept)[bit // 8] ^= 1 << (bit % 8)
        core.lib.st_keep(world.state, kept)
        core.lib.st_init(world.state, world.now, kept, False)
        assert world.mode == core.enum("STOPPED")


def test_only_a_running_period_is_kept(cores: Cores) -> None:
    core = cores()
    world, at = hand_start(core, 200_000, 4)
    world.until(at + 100_000)
    world.lib.world_do_reset(world.memory, False)
    assert world.mode == core.enum("STOPPED")


def test_a_kept_period_outlives_lost_lock_but_not_power(cores: Cores) -> None:
    """An upset may have cost lock; the reset that follows finds the period."""
    core, world, kept = running_and_kept(cores)
    world.state.s.mode = core.enum("STOPPED")
    core.lib.st_keep(world.state, kept)
    assert kept.period_ticks == 20000
    core.lib.st_init(world.state, world.now, kept, True)
    core.lib.st_keep(world.state, kept)
    core.lib.st_init(world.state, world.now, kept, False)
    assert world.mode == core.enum("STOPPED")


def test_counters_stay_at_their_greatest(cores: Cores) -> None:
    core = cores(PREDICTOR=0)
    world, at = running(core, 20000)
    world.state.count[core.enum("N_PULSE")] = 65535
    world.pulse(at + 20000, arc(core, 20000))
    world.until(at + 30000)
    assert world.count("PULSE") == 65535
