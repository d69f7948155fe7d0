"""The core as a library for tests: every function and field by its own name, with any config.h.

Declarations are read from the core's headers, so that nothing is typed twice.
"""

from __future__ import annotations

import functools
import re
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cffi

ROOT = Path(__file__).parents[2]
VECTORS = Path(__file__).parent / "vectors"
PROOF = ROOT / "proof"
FLASH = ROOT / "host_sim" / "bench_flash.h"
NOT_CORE = re.compile(r"st_(port.*|main|tell)\.c")
SANITIZERS = ("-g", "-fsanitize=undefined,address", "-fno-sanitize-recover=all")
WARNINGS = ("-std=c99", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Werror")
TICKS = 1 << 32
CHECKS = ("A: on too long", "C: charge without lock", "E: impossible state", "F: endless alarms")
WORLD = """
uint64_t world_size(void);
st_core *world_core(void *w);
void world_begin(void *w, uint32_t seed, st_ticks now, bool power_on);
void world_do_reset(void *w, bool power_on);
void world_do_until(void *w, st_ticks at);
void world_do_edge(void *w, st_ticks at, bool active);
void world_do_poll(void *w);
void world_do_pulse(void *w, st_ticks lead_at, uint32_t period);
void world_do_scene(void *w);
uint32_t world_now(void *w);
uint32_t world_on_most(void *w);
uint32_t world_sparks(void *w);
uint32_t world_wrong(void *w);
uint32_t world_last_spark_at(void *w);
uint16_t world_broken(void *w, uint8_t which);
bool world_coil_on(void *w);
bool world_charge_armed(void *w);
uint32_t world_coil_at(void *w);
uint32_t world_on_since(void *w);
uint32_t world_last_on(void *w);
st_retained *world_kept(void *w);
void world_late(void *w, uint16_t most);
void world_order_spark(void *w, uint32_t at);
void delays_q8(uint32_t from, uint32_t count, int32_t *delay_q8);
"""
ACCESS = """
#include "world.h"
#include "st_internal.h"
#define W ((world *)w)
uint64_t world_size(void) { return sizeof(world); }
st_core *world_core(void *w) { return &W->core; }
void world_begin(void *w, uint32_t s, st_ticks n, bool p) { world_start(W, s, n, p); }
void world_do_reset(void *w, bool power_on) { world_reset(W, power_on); }
void world_do_until(void *w, st_ticks at) { world_until(W, at); }
void world_do_edge(void *w, st_ticks at, bool active) { world_edge(W, at, active); }
void world_do_poll(void *w) { world_poll(W); }
void world_do_pulse(void *w, st_ticks at, uint32_t period) { world_pulse(W, at, period); }
void world_do_scene(void *w) { world_scene(W); }
uint32_t world_now(void *w) { return W->now; }
uint32_t world_on_most(void *w) { return W->on_most; }
uint32_t world_sparks(void *w) { return W->sparks; }
uint32_t world_wrong(void *w) { return W->wrong; }
uint32_t world_last_spark_at(void *w) { return W->last_spark_at; }
uint16_t world_broken(void *w, uint8_t which) { return W->broken[which]; }
bool world_coil_on(void *w) { return W->coil_on; }
bool world_charge_armed(void *w) { return W->coil == (uint8_t)ST_COIL_ON_AT; }
uint32_t world_coil_at(void *w) { return W->coil_at; }
uint32_t world_on_since(void *w) { return W->on_since; }
uint32_t world_last_on(void *w) { return W->last_on; }
st_retained *world_kept(void *w) { return &W->kept; }
void world_late(void *w, uint16_t most) { W->late_most = most; }
void world_order_spark(void *w, uint32_t at) { st_coil_spark_at(&W->core, at); }
void delays_q8(uint32_t from, uint32_t count, int32_t *delay_q8)
{
    for (uint32_t i = 0U; i < count; i++) {
        delay_q8[i] = st_delay_q8(from + i);
    }
}
"""


@dataclass(frozen=True)
class Core:
    """A compiled core: cffi's view, and its config.h (``cfg["DWELL_TICKS"]``)."""

    ffi: Any
    lib: Any
    cfg: Mapping[str, int]

    def new(self, now: int = 0) -> Any:
        """Return a core from power-on at ``now``."""
        state, kept = self.ffi.new("st_core *"), self.ffi.new("st_retained *")
        self.lib.st_init(state, now % (1 << 32), kept, True)
        return state

    def enum(self, name: str) -> int:
        """Return an enum constant of st_core.h, without its ST_."""
        return int(getattr(self.lib, f"ST_{name}"))


def config(sources: Path) -> dict[str, int]:
    """Return the whole numbers of a config.h, ST_CFG_ left out."""
    text = (sources / "config.h").read_text(encoding="utf-8")
    plain = re.sub(r"U?INT32_C\((\d+)\)", r"\1", text)
    found = re.findall(r"^#define ST_CFG_(\w+) (\d+)U?L?\b", plain, re.MULTILINE)
    return {name: int(number) for name, number in found}


def copied(sources: Path, folder: Path, changes: Mapping[str, int]) -> Path:
    """Copy a firmware's C and change numbers of its config.h."""
    folder.mkdir()
    for path in sources.glob("*.[ch]"):
        shutil.copy(path, folder)
    text = (folder / "config.h").read_text(encoding="utf-8")
    for name, value in changes.items():
        text, count = re.subn(
            rf"^(#define ST_CFG_{name}) .*$", rf"\1 {value}", text, flags=re.MULTILINE
        )
        assert count == 1, name
    (folder / "config.h").write_text(text, encoding="utf-8")
    return folder


def core_files(sources: Path) -> list[str]:
    return [str(p) for p in sorted(sources.glob("st_*.c")) if not NOT_CORE.fullmatch(p.name)]


def host_command(sources: Path) -> list[str]:
    includes = ["-include", str(FLASH), f"-I{sources}", f"-I{VECTORS}", f"-I{PROOF}"]
    return ["cc", *WARNINGS, *includes]


def program(sources: Path, target: Path) -> Path:
    """Compile the "core only" program for this computer, sanitizers on."""
    files = [str(VECTORS / "main.c"), str(VECTORS / "world.c"), *core_files(sources)]
    subprocess.run([*host_command(sources), *SANITIZERS, *files, "-o", str(target)], check=True)
    return target


def _declarations(sources: Path) -> str:
    """Return what the core's headers declare for this folder's config.h."""
    files = [str(sources / name) for name in ("config.h", "st_types.h", "st_core.h")]
    guards = ["-D__bool_true_false_are_defined", "-include", files[0], "-include", files[1]]
    done = subprocess.run(
        ["cc", "-E", f"-I{sources}", *guards, files[2]], capture_output=True, text=True, check=True
    )
    mine = False
    kept = []
    for line in done.stdout.splitlines():
        place = re.match(r'# \d+ "(.*?)"', line)
        if place:
            mine = place[1] in files
        elif mine:
            kept.append(line)
    return re.sub(r"static inline .*?\n\}\n", "", "\n".join(kept) + "\n", flags=re.DOTALL)


@functools.cache
def load(sources: Path, scratch: Path) -> Core:
    """Compile and load the core with its world; ``scratch`` is a folder for the library."""
    access = scratch / "access.c"
    access.write_text(ACCESS, encoding="utf-8")
    target = scratch / "core.so"
    files = [str(access), str(VECTORS / "world.c"), *core_files(sources)]
    flags = ["-shared", "-fPIC", "-Wno-missing-prototypes"]
    subprocess.run([*host_command(sources), *flags, *files, "-o", str(target)], check=True)
    ffi = cffi.FFI()
    ffi.cdef(_declarations(sources) + WORLD)
    return Core(ffi, ffi.dlopen(str(target)), config(sources))


class World:
    """One core in its world."""

    def __init__(self, core: Core, seed: int, now: int) -> None:
        self.core, self.lib = core, core.lib
        self.memory = core.ffi.new("uint64_t[]", core.lib.world_size() // 8 + 1)
        self.lib.world_begin(self.memory, seed, now % TICKS, True)
        self.state = self.lib.world_core(self.memory)

    @property
    def now(self) -> int:
        return int(self.lib.world_now(self.memory))

    def broken(self) -> dict[str, int]:
        counts = ((n, self.lib.world_broken(self.memory, i)) for i, n in enumerate(CHECKS))
        return {name: count for name, count in counts if count}

    def count(self, name: str) -> int:
        """Return a counter of the core by its name without ST_N_."""
        return int(self.state.count[self.core.enum(f"N_{name}")])

    @property
    def mode(self) -> int:
        return int(self.state.s.mode)

    def edge(self, ahead: int, active: bool) -> None:
        self.edge_at(self.now + ahead, active)

    def edge_at(self, at: int, active: bool) -> None:
        self.lib.world_do_edge(self.memory, at % TICKS, active)

    def until(self, at: int) -> None:
        self.lib.world_do_until(self.memory, at % TICKS)

    def pulse(self, at: int, width: int) -> None:
        self.edge_at(at, True)
        self.edge_at(at + width, False)

    def poll(self) -> None:
        self.lib.world_do_poll(self.memory)

    @property
    def spark_at(self) -> int:
        return int(self.lib.world_last_spark_at(self.memory))

    @property
    def on_since(self) -> int:
        return int(self.lib.world_on_since(self.memory))

    @property
    def last_on(self) -> int:
        """Return the length of the last charge that has ended, in ticks."""
        return int(self.lib.world_last_on(self.memory))

    @property
    def sparks(self) -> int:
        return int(self.lib.world_sparks(self.memory))

    @property
    def coil_on(self) -> bool:
        return bool(self.lib.world_coil_on(self.memory))

    def true_train(self, period: int, phase: int, pulses: int) -> int:
        """Turn evenly; return the pulses until locked for good (0: never)."""
        self.edge(1, False)
        at = self.now + 2 + phase
        locked = wrong = 0
        for count in range(1, pulses + 1):
            self.lib.world_do_pulse(self.memory, at % TICKS, period)
            at += period
            good = self.state.s.mode == self.core.enum("RUN")
            good = good and abs(self.state.s.period_ticks - period) <= 1
            if locked and good and count >= locked + 3:  # in the cylinder whose pulse it is
                assert self.lib.world_wrong(self.memory) == wrong
            wrong = self.lib.world_wrong(self.memory)
            locked = (locked or count) if good else 0
        return locked
