"""Drive the compiled bench: settings in seconds, trains in, runs out.

One ``Bench`` is one chip.  It may be fed a train in blocks of any size; the result is the same
as in one piece.  The C loop runs without the GIL, so benches in several threads use several cores.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.errors import RunError

from .library import Library
from .manifest import Manifest
from .memory import keep_freed_memory
from .run import F64, U8, Run, Train

IDEAL_CYCLES_PER_TICK = 4096
COIL_ROOM = 1 << 16
MODE_ROOM = 4096


SYNC_CLOCKS = 2  # flip-flops before a filter that samples seldom (STM32)
HANDLER_TIMES = (
    "latency_cycles",
    "capture_cycles",
    "coil_cycles",
    "alarm_cycles",
    "order_cycles",
    "bridge_cycles",
    "settle_cycles",
)


@dataclass(frozen=True)
class Hardware:
    """The chip around the core; handler times in CPU clocks, other times in seconds.

    A handler takes its ``..._cycles`` from the first instruction that matters to its urgent orders
    armed, ``order_cycles`` more when it orders the coil, ``bridge_cycles`` beyond that where no
    pulse came; ``settle_cycles`` more pass where the core's second half orders anything.
    ``latency_cycles``: flag to that first instruction.  The
    defaults were fitted to the emulated ATmega328P and are held against it by the tests; ``of``
    makes them longer for a board that takes longer.  A firmware whose handlers are edited has
    others.  ``filter_samples`` equal samples at the CPU clock pass the capture filter (4 on AVR;
    0: no filter); where it looks only every ``sample_cycles`` clocks, whole multiples of them
    after reset, edges lie on that grid.
    ``timer_phase_s`` is an instant at which the counter stepped to ``first_tick``.
    """

    tick_hz: float
    f_cpu_hz: float
    capture_delay_cycles: float = 7.0
    filter_samples: int = 4
    sample_cycles: int = 1
    near_ticks: int = 16
    latency_cycles: float = 120.0
    capture_cycles: float = 650.0
    coil_cycles: float = 400.0
    alarm_cycles: float = 700.0
    order_cycles: float = 1000.0
    bridge_cycles: float = 40.0
    settle_cycles: float = 900.0
    poll_hold_cycles: float = 400.0
    poll_every_s: float = 10e-3
    read_gap_cycles: float = 4.0
    heartbeat_s: float = 1e-3
    timer_phase_s: float = 0.0
    start_s: float = 1e-3
    first_tick: int = 0
    ideal: bool = False

    @classmethod
    def of(cls, manifest: Manifest, *, ideal: bool = False, **changes: Any) -> Hardware:
        """Return the chip a firmware folder is made for, with single values changed.

        ``ideal``: handlers and interrupts take no time and there is no capture filter.  Tick
        grid, capture delay and the compare unit's one tick stay, as the firmware allows for them.
        """
        chip = cls(
            tick_hz=manifest.tick_hz,
            f_cpu_hz=manifest.f_cpu_hz,
            capture_delay_cycles=manifest.capture_delay_cycles,
            filter_samples=manifest.capture_filter_cycles,
            sample_cycles=manifest.capture_sample_cycles,
        )
        slower = manifest.handler_time_ratio
        if slower > 1.0 and not ideal:
            chip = replace(chip, **{name: slower * getattr(chip, name) for name in HANDLER_TIMES})
        if ideal:
            chip = replace(
                chip,
                ideal=True,
                filter_samples=0,
                sample_cycles=1,
                near_ticks=0,
                latency_cycles=0.0,
                capture_cycles=0.0,
                coil_cycles=0.0,
                alarm_cycles=0.0,
                order_cycles=0.0,
                bridge_cycles=0.0,
                settle_cycles=0.0,
                poll_hold_cycles=0.0,
            )
        return replace(chip, **changes)

    def sampled(self, edge_s: F64, until_s: float) -> F64:
        """Return edges (n,) where a filter that samples seldom sees them, less its mean delay.

        A sample that shows the new level comes up to ``sample_cycles`` - 1 clocks late, and the
        mean of that is in ``capture_delay_cycles``; edges stay before ``until_s``.
        """
        if self.sample_cycles == 1:
            return edge_s
        every = self.sample_cycles
        first = np.ceil(np.asarray(edge_s) * self.f_cpu_hz - 0.5) + SYNC_CLOCKS
        late = np.ceil(first / every) * every - (self.capture_delay_cycles - self.filter_samples)
        return np.minimum(late / self.f_cpu_hz, np.nextafter(until_s, 0.0))

    @property
    def cycles_per_tick(self) -> int:
        """Steps in which the bench resolves one tick: CPU clocks, or 4096 in ideal mode."""
        if self.ideal:
            return IDEAL_CYCLES_PER_TICK
        ratio = self.f_cpu_hz / self.tick_hz
        if ratio < 1 or abs(ratio - round(ratio)) > 1e-9:
            raise RunError(
                f"the CPU clock, {self.f_cpu_hz:g} Hz, is no whole multiple of the tick, "
                f"{self.tick_hz:g} Hz"
            )
        return round(ratio)


@dataclass(frozen=True)
class NoisePatterns:
    """Ways in which the pickup line toggles after one switching of the coil.

    Each pattern is an ascending array of an even number of instants in seconds after the
    switching; every two of them are one glitch.  One pattern is drawn for each switching, so an
    empty one among them makes the noise come now and then.  This is where a model of the line
    (filter, Schmitt threshold) plugs in: it needs to deliver toggles only.
    """

    patterns: tuple[F64, ...] = ()

    def __post_init__(self) -> None:
        for index, toggles in enumerate(self.patterns):
            if len(toggles) % 2 or np.any(np.diff(toggles) < 0) or np.any(np.asarray(toggles) < 0):
                raise RunError(
                    f"noise pattern {index}: an even number of ascending instants >= 0 is wanted"
                )


NO_NOISE = NoisePatterns()


@dataclass(frozen=True)
class CoilNoise:
    """Noise that follows the coil's own switching, by switching and by the line's level then.

    Every pattern begins up to ``jitter_s`` late (uniform).  ``seed`` makes the run repeatable.
    """

    off_inactive: NoisePatterns = NO_NOISE
    off_active: NoisePatterns = NO_NOISE
    on_inactive: NoisePatterns = NO_NOISE
    on_active: NoisePatterns = NO_NOISE
    jitter_s: float = 0.0
    seed: int = 1

    @classmethod
    def either_level(
        cls,
        *,
        off: NoisePatterns = NO_NOISE,
        on: NoisePatterns = NO_NOISE,
        jitter_s: float = 0.0,
        seed: int = 1,
    ) -> CoilNoise:
        """Return noise that does not care about the line's level."""
        return cls(off, off, on, on, jitter_s, seed)


@dataclass(frozen=True)
class HostRun(Run):
    """A run on the host, with what only the host sees.

    ``coil_mode`` (m,) the core's mode (index into ``modes``) when the coil pin changed;
    ``mode_s`` and ``mode`` (k,) the first mode changes (at most 4096 a run).
    """

    coil_mode: U8 = field(default_factory=lambda: np.zeros(0, np.uint8))
    mode_s: F64 = field(default_factory=lambda: np.zeros(0))
    mode: U8 = field(default_factory=lambda: np.zeros(0, np.uint8))
    modes: tuple[str, ...] = ()


class _Settings:
    """bench_settings and the arrays it points to, kept alive together."""

    def __init__(self, library: Library, chip: Hardware, noise: CoilNoise | None) -> None:
        ffi = library.ffi
        per_tick = chip.cycles_per_tick
        cycles_hz = round(chip.tick_hz * per_tick)
        delay_cycles = chip.capture_delay_cycles * (cycles_hz / chip.f_cpu_hz)
        whole_delay = math.ceil(delay_cycles - 0.5)

        def cycles(time_s: float) -> int:
            return round(time_s * cycles_hz)

        def clocks(count: float) -> int:
            return round(count * cycles_hz / chip.f_cpu_hz)

        self.kept: list[Any] = []
        self.struct = ffi.new("bench_settings *")
        values = {
            "phase_s": chip.timer_phase_s,
            "start_s": chip.start_s,
            "cycles_hz": cycles_hz,
            "cycles_per_tick": per_tick,
            "sample_early_cycles": whole_delay + 0.5 - delay_cycles,
            "capture_delay_cycles": whole_delay,
            "filter_cycles": chip.filter_samples,
            "compare_ticks": 1,
            "near_ticks": chip.near_ticks,
            "latency_cycles": clocks(chip.latency_cycles),
            "capture_cycles": clocks(chip.capture_cycles),
            "coil_cycles": clocks(chip.coil_cycles),
            "alarm_cycles": clocks(chip.alarm_cycles),
            "order_cycles": clocks(chip.order_cycles),
            "bridge_cycles": clocks(chip.bridge_cycles),
            "settle_cycles": clocks(chip.settle_cycles),
            "poll_cycles": clocks(chip.poll_hold_cycles),
            "poll_every_cycles": max(1, cycles(chip.poll_every_s)),
            "read_gap_cycles": clocks(chip.read_gap_cycles),
            "guard_cycles": cycles(chip.heartbeat_s),
            "first_tick": chip.first_tick % (1 << 32),
        }
        for name, value in values.items():
            setattr(self.struct, name, value)
        if noise is not None:
            self._set_noise(ffi, noise)

    def _set_noise(self, ffi: Any, noise: CoilNoise) -> None:
        self.struct.noise_seed = noise.seed % (1 << 64)
        self.struct.noise_jitter_s = noise.jitter_s
        groups = (noise.off_inactive, noise.off_active, noise.on_inactive, noise.on_active)
        for place, group in zip(self.struct.noise, groups, strict=True):
            lengths = [len(toggles) for toggles in group.patterns]
            first = np.concatenate(([0], np.cumsum(lengths, dtype=np.int64))).astype(np.int64)
            offsets = np.concatenate([np.zeros(0), *group.patterns]).astype(np.float64)
            self.kept += [first, offsets]
            place.offset_s = ffi.cast("double *", ffi.from_buffer(offsets))
            place.first = ffi.cast("int64_t *", ffi.from_buffer(first))
            place.patterns = len(lengths)


class _Output:
    """Growing output arrays, filled by the C loop in pieces of fixed room."""

    def __init__(self, library: Library) -> None:
        self._ffi = library.ffi
        self._coil_s = np.empty(COIL_ROOM)
        self._coil_on = np.empty(COIL_ROOM, np.uint8)
        self._coil_mode = np.empty(COIL_ROOM, np.uint8)
        self._mode_s = np.empty(MODE_ROOM)
        self._mode = np.empty(MODE_ROOM, np.uint8)
        self.struct = library.ffi.new("bench_out *")
        for name, kind in (
            ("coil_s", "double *"),
            ("coil_on", "uint8_t *"),
            ("coil_mode", "uint8_t *"),
            ("mode_s", "double *"),
            ("mode", "uint8_t *"),
        ):
            array = getattr(self, f"_{name}")
            setattr(self.struct, name, self._ffi.cast(kind, self._ffi.from_buffer(array)))
        self._line_s, self._line_level = np.empty(0), np.empty(0, np.uint8)
        self.struct.coil_room = COIL_ROOM
        self.struct.mode_room = MODE_ROOM

    def take_coil(self) -> tuple[F64, U8, U8]:
        """Return and clear the coil changes so far."""
        n = self.struct.coil_count
        self.struct.coil_count = 0
        return self._coil_s[:n].copy(), self._coil_on[:n].copy(), self._coil_mode[:n].copy()

    @property
    def full(self) -> bool:
        """True when the C loop stopped for want of room."""
        return bool(self.struct.coil_room - self.struct.coil_count < 4)

    def record_line(self, from_s: float, room: int) -> None:
        """Keep up to ``room`` changes of the pickup line from an instant on."""
        self._line_s, self._line_level = np.empty(room), np.empty(room, np.uint8)
        ffi, struct = self._ffi, self.struct
        struct.line_s = ffi.cast("double *", ffi.from_buffer(self._line_s))
        struct.line_level = ffi.cast("uint8_t *", ffi.from_buffer(self._line_level))
        struct.line_room, struct.line_count, struct.line_from_s = room, 0, from_s

    def line(self) -> tuple[F64, U8]:
        """Return the recorded changes of the line: instants, levels after them."""
        n = self.struct.line_count
        return self._line_s[:n].copy(), self._line_level[:n].copy()

    def modes(self) -> tuple[F64, U8]:
        """Return the mode changes of the whole run."""
        n = self.struct.mode_count
        return self._mode_s[:n].copy(), self._mode[:n].copy()


class Bench:
    """One chip with the folder's core in it.

    ``feed`` may be called again and again with later edges; ``run`` feeds a whole train.
    """

    def __init__(
        self,
        library: Library,
        chip: Hardware,
        noise: CoilNoise | None = None,
        *,
        power_on: bool = True,
    ) -> None:
        self.library = library
        self.chip = chip
        self._settings = _Settings(library, chip, noise)
        self._output = _Output(library)
        self._memory = library.ffi.new("uint64_t[]", (library.lib.bench_size() + 7) // 8)
        self._bench = library.ffi.cast("bench *", self._memory)
        library.lib.bench_init(self._bench, self._settings.struct, int(power_on))

    def feed(self, edge_s: F64, active: U8, until_s: float) -> tuple[F64, U8, U8]:
        """Work off all events before ``until_s``; return coil instants, levels, core modes.

        ``edge_s`` (n,) ascending, not before the last ``until_s`` and before this one;
        ``active`` (n,) 1 when the magnet is there after the edge, 2 more while the phase sensor
        says second cylinder.
        """
        edges = np.ascontiguousarray(self.chip.sampled(edge_s, until_s), dtype=np.float64)
        levels = np.ascontiguousarray(active, dtype=np.uint8)
        if len(edges) != len(levels):
            raise RunError(f"{len(edges)} edges but {len(levels)} levels")
        ffi, lib = self.library.ffi, self.library.lib
        pieces = []
        done = 0
        while True:
            edge_at = ffi.cast("double *", ffi.from_buffer(edges)) + done
            level_at = ffi.cast("uint8_t *", ffi.from_buffer(levels)) + done
            done += lib.bench_feed(
                self._bench, edge_at, level_at, len(edges) - done, until_s, self._output.struct
            )
            full = self._output.full
            pieces.append(self._output.take_coil())
            if not full:
                break
        if done != len(edges):
            raise RunError(f"{len(edges) - done} edges lie at or after the end, {until_s} s")
        if len(pieces) == 1:
            return pieces[0]
        times, levels_out, modes = zip(*pieces, strict=True)
        return np.concatenate(times), np.concatenate(levels_out), np.concatenate(modes)

    def record_line(self, from_s: float, room: int = 1 << 16) -> None:
        """Keep the pickup line's changes from an instant on, noise included: see ``line``."""
        self._output.record_line(from_s, room)

    def line(self) -> tuple[F64, U8]:
        """Return the recorded changes (n,) of the line: instants in seconds, 1 = magnet there."""
        return self._output.line()

    def reset(self, down_s: float, *, power_on: bool = False) -> tuple[F64, U8, U8]:
        """Reset the chip at the end of what was fed; it is back ``down_s`` later.

        Returns the coil change of the reset, if the coil was on.
        """
        self.library.lib.bench_reset(self._bench, down_s, int(power_on), self._output.struct)
        return self._output.take_coil()

    def late(self, latency_s: float) -> None:
        """Let interrupts answer this late from now on; Hardware says how late they are else."""
        cycles = round(latency_s * self.chip.tick_hz * self.chip.cycles_per_tick)
        self.library.lib.bench_late(self._bench, cycles)

    def supply(self, counts: int, *, times: int = 1) -> None:
        """Tell the core a supply of ``counts`` (0 to 1023), as its main loop does every ms."""
        self.library.lib.bench_supply(self._bench, counts, times)

    def core_memory(self) -> NDArray[np.uint8]:
        """Return the bytes of the core's state struct, to be read or upset between two feeds."""
        ffi, lib = self.library.ffi, self.library.lib
        buffer = ffi.buffer(lib.bench_core(self._bench), lib.bench_core_size())
        return np.frombuffer(buffer, dtype=np.uint8)

    def counters(self) -> dict[str, int]:
        """Return the core's counters by name."""
        names = self.library.counters
        values = np.zeros(len(names), np.uint16)
        pointer = self.library.ffi.cast("uint16_t *", self.library.ffi.from_buffer(values))
        self.library.lib.bench_counters_of(self._bench, pointer, len(names))
        return {name: int(value) for name, value in zip(names, values, strict=True)}

    def facts(self) -> dict[str, float]:
        """Return what the bench saw; the keys are the fields of bench_facts (bench.h)."""
        struct = self.library.ffi.new("bench_facts *")
        self.library.lib.bench_facts_of(self._bench, struct)
        members = self.library.ffi.typeof("bench_facts").fields
        return {name: float(getattr(struct, name)) for name, _ in members}

    def finish(self, coil_s: F64, coil_on: U8, coil_mode: U8) -> HostRun:
        """Bind coil changes together with counters and facts as they are now."""
        mode_s, mode = self._output.modes()
        facts = self.facts()
        locked = mode_s[mode == self.library.modes.index("run")]
        if len(locked):
            facts["first_lock_s"] = float(locked[0])
        return HostRun(
            source="host",
            tick_hz=self.chip.tick_hz,
            timer_phase_s=self.chip.timer_phase_s,
            coil_s=coil_s,
            coil_on=coil_on,
            coil_channel=(coil_mode >> 7).astype(np.uint8),
            counters=self.counters(),
            facts=facts,
            coil_mode=coil_mode & np.uint8(0x7F),
            mode_s=mode_s,
            mode=mode,
            modes=self.library.modes,
        )

    def run(self, train: Train) -> HostRun:
        """Feed a whole train; edges at or after its end are left out."""
        keep = int(np.searchsorted(train.edge_s, train.end_s, side="left"))
        return self.finish(*self.feed(train.edge_s[:keep], train.line[:keep], train.end_s))

    def run_blocks(self, trains: Iterable[Train]) -> Iterator[tuple[Train, HostRun]]:
        """Feed consecutive trains; yield each with its share of the run, in bounded memory."""
        keep_freed_memory()
        for train in trains:
            yield train, self.run(train)


def run_train(
    library: Library, chip: Hardware, train: Train, noise: CoilNoise | None = None
) -> HostRun:
    """Run one train on a fresh chip."""
    return Bench(library, chip, noise).run(train)


INVARIANT_FACTS = (
    "over_hard_limit",
    "guard_forced",
    "charge_out_of_mode",
    "state_out_of_range",
)


def broken_invariants(run: Run) -> dict[str, int]:
    """Return the invariants that a run broke, by fact name, with how often."""
    return {name: int(run.facts[name]) for name in INVARIANT_FACTS if run.facts.get(name, 0) > 0}
