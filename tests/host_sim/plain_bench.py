"""The bench once more, the slow way: one event after another in Python, all looked at each time.

Written after the rules at the head of bench.c and in templates_c/core/st_port.h, without any of the
bench's short cuts: every flag is an event of its own, every level is looked up in the list of all
changes.  The core's own C decides; its orders are read by name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sparktick.host_sim.run import F64, U8

from ..templates_c.core_library import Core

NEVER = 1 << 80
FILTER, LINE, COIL, ALARM, GUARD, POLL, CPU = range(7)  # of one cycle, in this order
CAPTURE_FLAG, COIL_FLAG, ALARM_FLAG, POLL_FLAG = range(4)  # by priority
BURSTS_MOST = 16
WORD = (1 << 64) - 1


@dataclass
class Burst:
    """A noise pattern under way: its begin, toggles still to come."""

    begin: int
    toggles: list[float]


class PlainBench:
    """One chip with a core in it; ``settings`` are the bench_settings of the bench it is held to.

    ``noise`` are the patterns that follow: coil off while the line is inactive, active; coil on ...
    """

    def __init__(self, core: Core, settings: Any, noise: Sequence[Sequence[F64]]) -> None:
        self.core, self.set, self.noise = core, settings, noise
        self.state = core.ffi.new("st_core *")
        self.kept = core.ffi.new("st_retained *")
        self.two = "second" in dict(core.ffi.typeof("st_orders").fields)
        self.latency: int = settings.latency_cycles
        self.at = [NEVER] * 7
        self.flag = [NEVER] * 4
        self.offset: int = settings.first_tick
        self.train: list[tuple[int, int]] = []
        self.lines = [(-NEVER, 0)]  # all changes of the line: cycle, level after it
        self.bursts: list[Burst] = []
        self.random: int = settings.noise_seed
        self.train_level = self.noise_level = self.second = self.filtered = 0
        self.candidate = (0, 0)
        self.edge_wanted, self.masked, self.latched = 0, True, 0
        self.coil_on = self.second_coil = self.on_since = self.on_most = 0
        self.armed, self.armed_tick = 0, 0
        self.matched: tuple[int, bool] | None = None
        self.doing, self.power_on = "reset", True
        self.read = (0, False)
        self.busy_until = self.busy = self.mode = 0
        self.coil: list[tuple[float, int, int]] = []
        self.modes: list[tuple[float, int]] = []
        self.facts: dict[str, int] = {}
        self.at[CPU] = self.cycle(settings.start_s)

    def count(self, fact: str, by: int = 1) -> None:
        self.facts[fact] = self.facts.get(fact, 0) + by

    # ---- Time --------------------------------------------------------------------------------

    def cycle(self, at_s: float) -> int:
        exact = (at_s - self.set.phase_s) * self.set.cycles_hz - self.set.sample_early_cycles
        return int(exact) + (int(exact) < exact)

    def seconds(self, cycle: int) -> float:
        return float(self.set.phase_s + cycle / self.set.cycles_hz)

    def tick(self, cycle: int) -> int:
        return int((cycle // self.set.cycles_per_tick + self.offset) % (1 << 32))

    def match(self, tick: int, now: int) -> tuple[int, int, bool]:
        """Return cycle and tick at which a compare armed now matches, and whether it was moved."""
        ahead = (tick - self.tick(now) + (1 << 31)) % (1 << 32) - (1 << 31)
        moved = ahead < self.set.near_ticks
        count = now // self.set.cycles_per_tick + (self.set.near_ticks if moved else ahead)
        at = (count + self.set.compare_ticks) * self.set.cycles_per_tick
        return at, (count + self.offset) % (1 << 32), moved

    # ---- The loop ----------------------------------------------------------------------------

    def feed(self, edge_s: F64, line: U8, until_s: float) -> None:
        until = self.cycle(until_s)
        self.train = [(self.cycle(at), int(level)) for at, level in zip(edge_s, line, strict=True)]
        while True:
            toggles = [self.due(burst) for burst in self.bursts]
            self.at[LINE] = min([NEVER, *toggles, *(at for at, _ in self.train[:1])])
            if self.doing == "nothing":
                self.at[CPU] = max(min(self.flag), self.busy_until)
            now = min(self.at)
            if now >= until:
                return
            self.step(self.at.index(now), now)

    def step(self, event: int, now: int) -> None:
        if event == FILTER:
            self.at[FILTER] = NEVER
            level, since = self.candidate
            self.latch(level, since + self.set.capture_delay_cycles)
        elif event == LINE:
            self.line_step(now)
        elif event == COIL:
            self.at[COIL] = NEVER
            self.matched = (self.armed_tick, self.armed == self.core.enum("COIL_ON_AT"))
            self.armed = self.core.enum("COIL_IDLE")
            self.pin(now, self.matched[1])
            self.raise_flag(COIL_FLAG, now + self.latency)
        elif event == ALARM:
            self.at[ALARM] = NEVER
            self.raise_flag(ALARM_FLAG, now + self.latency)
        elif event == GUARD:
            self.guard(now)
        elif event == POLL:
            self.at[POLL] = now + self.set.poll_every_cycles
            self.raise_flag(POLL_FLAG, now)
        else:
            getattr(self, f"after_{self.doing}")(now)

    def raise_flag(self, flag: int, at: int) -> None:
        if self.flag[flag] == NEVER:
            self.flag[flag] = at

    # ---- Pickup line -------------------------------------------------------------------------

    def line_step(self, now: int) -> None:
        before = self.train_level ^ self.noise_level
        while self.train and self.train[0][0] <= now:
            both = self.train.pop(0)[1]
            self.train_level, self.second = both & 1, both >> 1 & 1
        for burst in self.bursts:
            while burst.toggles and self.due(burst) <= now:
                self.noise_level ^= 1
                del burst.toggles[0]
        self.bursts = [burst for burst in self.bursts if burst.toggles]
        level = self.train_level ^ self.noise_level
        if level == before:
            return
        self.lines.append((now, level))
        self.count("edges")
        if self.set.filter_cycles == 0:
            self.latch(level, now + self.set.capture_delay_cycles)
            return
        self.count("filtered_out", self.at[FILTER] != NEVER)
        self.candidate = (level, now)
        self.at[FILTER] = NEVER if level == self.filtered else now + self.set.filter_cycles

    def latch(self, level: int, at: int) -> None:
        self.filtered = level
        if level != self.edge_wanted:
            return
        if self.masked:
            self.count("while_masked")
            return
        self.count("overwritten", self.flag[CAPTURE_FLAG] != NEVER)
        self.latched = self.tick(at)
        self.raise_flag(CAPTURE_FLAG, at + self.latency)

    def vote(self, now: int) -> bool:
        """Return the majority of three reads, the last of them now."""
        reads = [now - k * self.set.read_gap_cycles for k in range(3)]
        levels = [next(lv for at, lv in reversed(self.lines) if at <= read) for read in reads]
        return sum(levels) >= 2

    def due(self, burst: Burst) -> int:
        return burst.begin + int(burst.toggles[0] * self.set.cycles_hz)

    def draw(self) -> float:
        """Return the next draw of splitmix64 (Vigna, public domain), 0 to 1."""
        self.random = (self.random + 0x9E3779B97F4A7C15) & WORD
        z = self.random
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & WORD
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & WORD
        return float((z ^ (z >> 31)) >> 11) * 2.0**-53

    def noise_begins(self, now: int, on: bool) -> None:
        patterns = self.noise[2 * on + (self.train_level ^ self.noise_level)]
        if not patterns:
            return
        toggles = [float(at) for at in patterns[int(self.draw() * len(patterns))]]
        begin = now + int(self.draw() * self.set.noise_jitter_s * self.set.cycles_hz)
        if toggles and len(self.bursts) == BURSTS_MOST:
            self.count("noise_dropped")
        elif toggles:
            self.bursts.append(Burst(begin, toggles))
            self.count("noise_bursts")

    # ---- Coil --------------------------------------------------------------------------------

    def pin(self, now: int, on: bool) -> None:
        if on == self.coil_on:
            return
        self.coil_on = on
        per_tick, hard = self.set.cycles_per_tick, self.core.cfg["HARD_LIMIT_TICKS"]
        if on:
            guarded = (hard + self.core.cfg["GUARD_TICKS"]) * per_tick
            self.on_since, self.at[GUARD] = now, now + self.set.guard_cycles + guarded
            charging = [self.core.enum(name) for name in ("START", "LOCKING", "RUN")]
            self.count("charge_out_of_mode", self.mode not in charging)
        else:
            self.at[GUARD] = NEVER
            self.on_most = max(self.on_most, now - self.on_since)
            allowed = (hard + self.set.near_ticks + self.set.compare_ticks) * per_tick
            self.count("over_hard_limit", now - self.on_since > allowed)
        self.coil.append((self.seconds(now), int(on), self.state.s.mode | self.second_coil << 7))
        self.noise_begins(now, on)

    def tell(self) -> None:
        assert self.matched is not None
        tick, on = self.matched
        self.matched, self.flag[COIL_FLAG] = None, NEVER
        self.core.lib.st_on_coil(self.state, tick, on)

    def guard(self, now: int) -> None:
        self.count("guard_forced")
        self.at[COIL] = self.flag[COIL_FLAG] = NEVER
        self.matched = None
        self.pin(now, False)
        self.core.lib.st_on_forced_off(self.state, self.tick(now))
        self.apply(now)
        self.core.lib.st_settle(self.state)
        self.apply(now)

    # ---- Orders ------------------------------------------------------------------------------

    def ordered(self) -> bool:
        orders = self.state.orders
        return bool(orders.coil_fresh or orders.capture_fresh or orders.alarm_fresh)

    def arm_coil(self, now: int) -> None:
        orders = self.state.orders
        orders.coil_fresh = False
        if self.matched is not None:
            self.tell()
            return
        self.armed = orders.coil
        if self.two and not self.coil_on:
            self.second_coil = int(orders.second)
        if self.armed == self.core.enum("COIL_IDLE"):
            self.at[COIL] = NEVER
            self.pin(now, False)
        else:
            self.at[COIL], self.armed_tick, moved = self.match(orders.coil_at, now)
            self.count("late_orders", moved)

    def apply(self, now: int) -> None:
        orders = self.state.orders
        for _ in range(3):
            if orders.coil_fresh:
                self.arm_coil(now)
        if orders.capture_fresh:
            orders.capture_fresh = False
            self.masked = orders.capture == self.core.enum("CAPTURE_MASKED")
            if not self.masked:
                self.edge_wanted = int(orders.capture == self.core.enum("CAPTURE_LEAD"))
            self.flag[CAPTURE_FLAG] = NEVER
        if orders.alarm_fresh:
            orders.alarm_fresh = False
            self.flag[ALARM_FLAG] = NEVER
            self.at[ALARM] = self.match(orders.alarm_at, now)[0] if orders.alarm_on else NEVER
        modes = max(self.core.enum("RUN"), self.core.enum("WARM"))
        wrong = self.state.s.mode > modes or self.state.phase > self.core.enum("PH_STORM")
        wrong = wrong or orders.coil > self.core.enum("COIL_OFF_AT")
        self.count("state_out_of_range", wrong or orders.capture > self.core.enum("CAPTURE_TRAIL"))
        if self.state.s.mode != self.mode:
            self.mode = self.state.s.mode
            self.modes.append((self.seconds(now), self.mode))
            self.count("mode_changes")

    # ---- Processor ---------------------------------------------------------------------------

    def busy_with(self, doing: str, now: int, cycles: int) -> None:
        self.doing, self.busy = doing, self.busy + cycles
        self.at[CPU] = now + cycles

    def after_reset(self, now: int) -> None:
        self.core.lib.st_init(self.state, self.tick(now), self.kept, self.power_on)
        self.at[POLL] = now + self.set.poll_every_cycles
        self.after_settling(now)

    def after_nothing(self, now: int) -> None:
        which = next(flag for flag in range(4) if self.flag[flag] <= now)
        self.flag[which] = NEVER
        if self.matched is not None:
            self.tell()
        if which == ALARM_FLAG:
            self.read = (self.tick(now), self.vote(now))
            self.busy_with("reading", now, self.set.capture_delay_cycles)
        elif which == POLL_FLAG:
            self.poll(now)
        else:
            if which == CAPTURE_FLAG:
                self.count("captured")
                self.core.lib.st_on_capture(self.state, self.latched, self.tick(now))
            self.decided(
                self.set.capture_cycles if which == CAPTURE_FLAG else self.set.coil_cycles, now
            )

    def after_reading(self, now: int) -> None:
        if self.flag[CAPTURE_FLAG] == NEVER:
            self.count("alarms")
            self.see_phase()
            self.core.lib.st_on_alarm(self.state, *self.read)
        self.decided(self.set.alarm_cycles, now)

    def see_phase(self) -> None:
        if self.two:
            self.state.second_there = bool(self.second)

    def poll(self, now: int) -> None:
        self.count("polls")
        self.see_phase()
        self.core.lib.st_on_poll(self.state, self.tick(now), self.vote(now))
        if not self.ordered():
            self.core.lib.st_settle(self.state)
        if self.ordered():
            self.decided(self.set.poll_cycles, now)
        else:
            self.busy += self.set.poll_cycles
            self.after_settling(now + self.set.poll_cycles)

    def decided(self, cycles: int, now: int) -> None:
        if self.state.orders.coil_fresh:
            cycles += self.set.order_cycles
            cycles += self.set.bridge_cycles if self.state.s.missing else 0
        if cycles == 0:
            self.after_urgent(now)
        else:
            self.busy_with("urgent", now, cycles)

    def after_urgent(self, now: int) -> None:
        self.apply(now)
        self.core.lib.st_settle(self.state)
        if self.set.settle_cycles and self.ordered():
            self.busy_with("settling", now, self.set.settle_cycles)
        else:
            self.after_settling(now)

    def after_settling(self, now: int) -> None:
        self.doing, self.busy_until = "nothing", now
        self.apply(now)

    # ---- From outside ------------------------------------------------------------------------

    def reset(self, at_s: float, down_s: float, power_on: bool) -> None:
        now = self.cycle(at_s)
        up = now + int(down_s * self.set.cycles_hz)
        self.pin(now, False)
        self.flag = [NEVER] * 4
        self.at[COIL] = self.at[ALARM] = self.at[POLL] = NEVER
        self.core.lib.st_keep(self.state, self.kept)
        self.armed, self.matched, self.masked = self.core.enum("COIL_IDLE"), None, True
        self.doing, self.power_on, self.at[CPU] = "reset", power_on, up
        self.offset = -(up // self.set.cycles_per_tick)
