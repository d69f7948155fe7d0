"""Firmware and engine in one loop: its sparks turn the crank that times them.

One ``ClosedLoop`` is one engine with one chip.  ``run`` goes on to an instant and returns what
happened; motion, train and run are those of ``run.py``, so that ``measure`` and ``judge`` serve a
closed loop as they serve a train.  The loop is C (``engine_loop.c``) and runs without the GIL.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparktick.gen.errors import RunError

from .bench import MODE_ROOM, Bench, CoilNoise, Hardware, HostRun
from .engine_model import EngineModel
from .engine_motion import CELL_DEG, Energies, Phase, Pull, Spec, broken, motion_of
from .library import Library
from .manifest import Manifest
from .run import F64, U8, Motion, Train
from .train import DEG_S_PER_RPM

I64 = NDArray[np.int64]
PIECE_ROOM = 1 << 15
SPARK_ROOM = 1 << 13
DONE, FULL, STOPPED = 0, 1, 2


@dataclass(frozen=True)
class Sparks:
    """Sparks at the plug, one value each.

    ``at_deg`` cumulative crank angle; ``deg_btdc`` before the nearest dead centre with a pulse;
    ``rpm`` speed then (negative: backwards); ``lit`` bit for each cylinder that began to burn (0:
    exhaust stroke, misfire or nothing to burn); ``charge`` of that cylinder, 0 to 1; ``mode`` of
    the core, index into ``HostRun.modes``; ``coil`` 0 or 1, of two; ``cylinder`` the one whose dead
    centre is nearest, where the cylinders fire in turn.
    """

    t_s: F64
    at_deg: F64
    deg_btdc: F64
    rpm: F64
    lit: I64
    charge: F64
    mode: I64
    coil: I64
    cylinder: I64


@dataclass(frozen=True)
class Turns:
    """Whole turns from dead centre to dead centre: end, its angle, mean, least, greatest speed.

    The mean of a run's first turn is not known (nan).
    """

    end_s: F64
    end_deg: F64
    mean_rpm: F64
    least_rpm: F64
    most_rpm: F64

    def irregularity(self, cycle_turns: int) -> F64:
        """Greatest less least speed over the mean, of each cycle of ``cycle_turns`` turns."""
        n = len(self.mean_rpm) // cycle_turns * cycle_turns
        shape = (-1, cycle_turns)
        most = self.most_rpm[:n].reshape(shape).max(axis=1)
        least = self.least_rpm[:n].reshape(shape).min(axis=1)
        return np.asarray((most - least) / self.mean_rpm[:n].reshape(shape).mean(axis=1))


@dataclass(frozen=True)
class ClosedRun:
    """What happened in one call of ``run``.

    ``motion`` and ``train`` are None when nothing was recorded.  ``reversals`` counts turns of
    the crank from forwards to backwards, ``kick_backs`` those by a charge that burnt before dead
    centre, both since the engine's begin; ``kick_back_s`` is the first of them (nan: none).
    ``stopped``: the run ended early, as ``stop_reversals`` or ``stop_rpm`` asked.
    """

    end_s: float
    motion: Motion | None
    train: Train | None
    run: HostRun
    sparks: Sparks
    turns: Turns
    energies: Energies
    reversals: int
    kick_backs: int
    kick_back_s: float
    steps: int
    stopped: bool


class _Room:
    """Output arrays of one call of the C loop."""

    def __init__(self, ffi: Any, record: bool) -> None:
        self.out = ffi.new("loop_out *")
        self.spark = np.empty((SPARK_ROOM, 7))
        self.turn = np.empty((SPARK_ROOM, 4))
        self.out.spark = ffi.cast("loop_spark *", ffi.from_buffer(self.spark))
        self.out.turn = ffi.cast("loop_turn *", ffi.from_buffer(self.turn))
        self.out.spark_room = self.out.turn_room = SPARK_ROOM
        if not record:
            return
        self.piece = np.empty((PIECE_ROOM, 5))
        self.edge_s, self.active = np.empty(SPARK_ROOM), np.empty(SPARK_ROOM, np.uint8)
        self.coil_s = np.empty(SPARK_ROOM)
        self.coil_on, self.coil_mode = (np.empty(SPARK_ROOM, np.uint8) for _ in range(2))
        for name, kind in (
            ("piece", "engine_piece *"),
            ("edge_s", "double *"),
            ("active", "uint8_t *"),
            ("coil_s", "double *"),
            ("coil_on", "uint8_t *"),
            ("coil_mode", "uint8_t *"),
        ):
            array = getattr(self, name)
            setattr(self.out, name, ffi.cast(kind, ffi.from_buffer(array)))
        self.out.piece_room = PIECE_ROOM
        self.out.edge_room = self.out.coil_room = SPARK_ROOM

    def empty(self) -> None:
        for count in ("sparks", "turns", "pieces", "edges", "coils"):
            setattr(self.out, count, 0)


class ClosedLoop:
    """One engine with one chip.

    ``library`` from ``engine_library.load_loop``; ``manifest`` of the same folder.  ``phases``
    throttle and load over time, ``pulls`` of the starter.  ``angle_deg``, ``rpm`` at the begin.
    ``heat_factors`` (k,) multiply the heat of the charges as they are lit, round and round; 0 is
    a misfire.  ``record`` keeps motion, edges and coil changes.
    """

    def __init__(
        self,
        library: Library,
        manifest: Manifest,
        model: EngineModel,
        phases: Sequence[Phase] = (Phase(0.0),),
        pulls: Sequence[Pull] = (),
        *,
        angle_deg: float = -360.0,
        rpm: float = 0.0,
        heat_factors: F64 | None = None,
        chip: Hardware | None = None,
        noise: CoilNoise | None = None,
        cell_deg: float = CELL_DEG,
        record: bool = True,
        stop_reversals: int = 0,
        stop_rpm: float = 0.0,
    ) -> None:
        self.library, self.manifest = library, manifest
        self._ffi, self._lib = library.ffi, library.lib
        self._record = record
        self._bench = Bench(library, chip or Hardware.of(manifest), noise)
        self._spec = Spec(self._ffi, model, phases, pulls, heat_factors, cell_deg=cell_deg)
        self._engine = self._ffi.new("engine_state *")
        self._lib.engine_init(self._engine, self._spec.struct, angle_deg, rpm * DEG_S_PER_RPM)
        self._spec.attach(self._engine)
        self._loop = self._ffi.new("loop_state *")
        if self._lib.loop_size() != self._ffi.sizeof("loop_state"):
            raise RunError("the compiled loop and engine_loop.h differ: delete the cached library")
        settings = self._settings(stop_reversals, stop_rpm)
        self._lib.loop_init(self._loop, settings, self._engine, self._bench._bench)
        self._room = _Room(self._ffi, record)
        self._mode_s, self._mode = np.empty(MODE_ROOM), np.empty(MODE_ROOM, np.uint8)
        self._modes = self._ffi.new("int64_t *")
        self._last_turn_s = np.nan

    def _settings(self, stop_reversals: int, stop_rpm: float) -> Any:
        manifest = self.manifest
        return self._ffi.new(
            "loop_settings *",
            {
                "lead_deg": manifest.geometry.lead_edge_deg_btdc,
                "arc_deg": manifest.geometry.arc_deg,
                "spacing_deg": manifest.geometry.spacing_deg,
                "lead_delay_s": manifest.sensor_delay_us * 1e-6,
                "trail_delay_s": manifest.trail_delay_us * 1e-6,
                "output_delay_s": manifest.output_delay_us * 1e-6,
                "spark_on_rise": int(manifest.spark_on_rise),
                "two_coils": int(manifest.two_coils),
                "stop_reversals": stop_reversals,
                "stop_rpm": stop_rpm,
            },
        )

    @property
    def t_s(self) -> float:
        """Instant reached."""
        return float(self._engine.t_s)

    def run(self, until_s: float) -> ClosedRun:
        """Go on to ``until_s``.

        Raises RunError, with turn and state, when the engine's motion has no solution any more.
        """
        room, out = self._room, self._room.out
        kept: dict[str, list[NDArray[Any]]] = {name: [] for name in ("spark", "turn", *_RECORDED)}
        result = FULL
        while result == FULL:
            room.empty()
            result = self._lib.loop_run(
                self._loop,
                until_s,
                self._ffi.cast("double *", self._ffi.from_buffer(self._mode_s)),
                self._ffi.cast("uint8_t *", self._ffi.from_buffer(self._mode)),
                MODE_ROOM,
                self._modes,
                out,
            )
            if result < 0:
                raise broken(self._engine, self._ffi, self._lib)
            kept["spark"].append(room.spark[: out.sparks].copy())
            kept["turn"].append(room.turn[: out.turns].copy())
            if self._record:
                for name, count in _RECORDED.items():
                    kept[name].append(getattr(room, name)[: getattr(out, count)].copy())
        joined = {name: np.concatenate(parts) for name, parts in kept.items() if parts}
        return self._result(joined, result == STOPPED)

    def _result(self, joined: dict[str, NDArray[Any]], stopped: bool) -> ClosedRun:
        state = self._engine
        a = state.account
        motion = train = None
        coils: tuple[F64, U8, U8] = (np.zeros(0), np.zeros(0, np.uint8), np.zeros(0, np.uint8))
        if self._record:
            motion = motion_of(joined["piece"])
            train = self._train(joined["edge_s"], joined["active"], motion)
            coils = (joined["coil_s"], joined["coil_on"], joined["coil_mode"])
        return ClosedRun(
            end_s=self.t_s,
            motion=motion,
            train=train,
            run=self._host_run(coils),
            sparks=self._sparks(joined["spark"]),
            turns=self._turns(joined["turn"]),
            energies=Energies(
                a.gas_j,
                a.friction_j,
                a.load_j,
                a.starter_j,
                a.heat_j,
                self._lib.engine_kinetic_j(state),
                self._lib.engine_gas_j(state),
            ),
            reversals=int(state.reversals),
            kick_backs=int(state.kick_backs),
            kick_back_s=float(state.kick_back_s),
            steps=int(state.steps),
            stopped=stopped,
        )

    def _train(self, edge_s: F64, line: U8, motion: Motion) -> Train:
        """Return the recorded edges; the phase sensor changes midway between two pulses."""
        second = line >> 1
        change = np.flatnonzero(np.diff(second, prepend=np.uint8(0)))
        before = np.concatenate((motion.t_s[:1], edge_s))[change]
        true = np.ones(len(edge_s), np.uint8)
        second_s = 0.5 * (before + edge_s[change])
        return Train(edge_s, line & np.uint8(1), true, self.t_s, motion, second_s)

    def _host_run(self, coils: tuple[F64, U8, U8]) -> HostRun:
        n = min(int(self._modes[0]), MODE_ROOM)
        return HostRun(
            source="host, closed loop",
            tick_hz=self._bench.chip.tick_hz,
            timer_phase_s=self._bench.chip.timer_phase_s,
            coil_s=coils[0],
            coil_on=coils[1],
            coil_channel=(coils[2] >> 7).astype(np.uint8),
            counters=self._bench.counters(),
            facts=self._bench.facts(),
            coil_mode=coils[2] & np.uint8(0x7F),
            mode_s=self._mode_s[:n].copy(),
            mode=self._mode[:n].copy(),
            modes=self.library.modes,
        )

    def _sparks(self, rows: F64) -> Sparks:
        spacing = self.manifest.geometry.spacing_deg
        at = rows[:, 1]
        nearest = np.rint(at / spacing)
        return Sparks(
            t_s=rows[:, 0],
            at_deg=at,
            deg_btdc=nearest * spacing - at,
            rpm=rows[:, 2] / DEG_S_PER_RPM,
            lit=np.ascontiguousarray(rows[:, 3]).view(np.int64),
            charge=rows[:, 4],
            mode=rows[:, 5].astype(np.int64),
            coil=rows[:, 6].astype(np.int64),
            cylinder=nearest.astype(np.int64) & int(self.manifest.two_coils),
        )

    def _turns(self, rows: F64) -> Turns:
        end_s = rows[:, 0]
        length = np.diff(end_s, prepend=self._last_turn_s)
        if len(end_s):
            self._last_turn_s = float(end_s[-1])
        return Turns(
            end_s=end_s,
            end_deg=rows[:, 1],
            mean_rpm=60.0 / length,
            least_rpm=rows[:, 2] / DEG_S_PER_RPM,
            most_rpm=rows[:, 3] / DEG_S_PER_RPM,
        )


_RECORDED = {
    "piece": "pieces",
    "edge_s": "edges",
    "active": "edges",
    "coil_s": "coils",
    "coil_on": "coils",
    "coil_mode": "coils",
}
