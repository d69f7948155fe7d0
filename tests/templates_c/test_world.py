"""If this fails: some sequence of edges, waits and resets breaks an invariant of the core."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sparktick.gen.avr_flags import AVR
from sparktick.gen.toolchain import find_compiler
from sparktick.host_sim.chip import ChipJob, PickupPin, run_chip
from sparktick.host_sim.run import Motion, Train

from .core_library import CHECKS, PROOF, TICKS, VECTORS, Core, World, core_files, load, program
from .variants import LOGIC, make_firmware

# `make vectors` asks for more.
MORE = int(os.environ.get("SPARKTICK_VECTORS", "1"))
SCENES_ON_CHIP = 64 * MORE

DISCHARGE = {
    "[coil]": (
        '[coil]\nkind = "capacitor-discharge"\ntrigger_us = 150\n\n[driver]\nkind = "logic"\n\n'
        "[supply]"
    )
}
BARE = {
    '[board]\nname = "nano-328p"': (
        '[board]\nname = "nano-328p"\n[noise]\ngate = false\narc_check = false\nconfirm_us = 0\n'
        "blank_after_on_us = 0\nblank_after_off_us = 0\nbridge_missing = 0\nlock_pulses = 2\n"
        '[prediction]\npredictor = "last"\n'
    )
}
GAPS = {
    '[board]\nname = "nano-328p"': (
        '[board]\nname = "nano-328p"\n[noise]\nbridge_missing = 3\nbridge_above_rpm = 700\n'
        '[prediction]\npredictor = "last"\n'
    )
}
ENGINES: dict[str, tuple[str, dict[str, str]]] = {
    "plover": ("plover", {}),
    "teal": ("teal", {}),
    "avocet": ("avocet", {}),
    "discharge": ("plover", DISCHARGE),
    "bare": ("plover", BARE),
    "gaps": ("plover", {**GAPS, **LOGIC}),
}


@pytest.fixture(scope="module", params=list(ENGINES))
def source(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    example, changes = ENGINES[request.param]
    folder = tmp_path_factory.mktemp("world") / request.param
    return make_firmware(folder, changes, example).folder / "src"


@pytest.fixture(scope="module")
def host(source: Path) -> Path:
    return program(source, source.parent / "world")


@pytest.fixture(scope="module")
def core(source: Path) -> Core:
    scratch = source.parent / "library"
    scratch.mkdir()
    return load(source, scratch)


def run_host(host: Path, seed: int, scenes: int) -> list[str]:
    done = subprocess.run([str(host), str(seed), str(scenes)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.mark.parametrize("seed", range(1, 4))
def test_nothing_random_breaks_an_invariant(host: Path, seed: int) -> None:
    """Some hundred thousand events, address and undefined-behaviour sanitizers on."""
    lines = run_host(host, seed, 3000 * MORE)
    assert lines[-1] == "."
    events, _, sparks, longest, *broken = lines[-2].split()
    assert int(events, 16) > 50_000
    assert int(sparks, 16) > 1000
    assert int(longest, 16) > 0
    assert {name: int(n, 16) for name, n in zip(CHECKS, broken, strict=True)} == dict.fromkeys(
        CHECKS, 0
    )


def chip_output(source: Path, seed: int, scenes: int) -> list[str]:
    """Return what the same program says on the emulated chip, over its serial line."""
    elf = source.parent / f"core-{seed}.elf"
    files = [str(VECTORS / "main.c"), str(VECTORS / "world.c"), *core_files(source)]
    includes = [f"-I{source}", f"-I{VECTORS}", f"-I{PROOF}"]
    flags = ["-mmcu=atmega328p", *AVR.compile, "-Wl,--gc-sections", *includes]
    numbers = [f"-DSEED={seed}UL", f"-DSCENES={scenes}U"]
    compiler = str(find_compiler().path)
    subprocess.run([compiler, *flags, *numbers, *files, "-o", str(elf)], check=True)
    still = Motion(*(np.zeros(1) for _ in range(4)))
    end_s = 0.2 + 0.06 * scenes
    nothing = np.zeros(0, np.uint8)
    train = Train(np.zeros(0), nothing, nothing, end_s, still)
    job = ChipJob(elf, "atmega328p", 16_000_000, 2e6, train, PickupPin("B", 0, 1), ())
    return run_chip(job, "simavr").serial.decode("ascii").splitlines()


def test_the_chip_orders_the_same_bit_for_bit(source: Path, host: Path) -> None:
    seed = 11
    on_chip = chip_output(source, seed, SCENES_ON_CHIP)
    assert on_chip[-1] == "."  # it came to the end
    assert on_chip == run_host(host, seed, SCENES_ON_CHIP)
    assert int(on_chip[-2].split()[0], 16) > 1500 * MORE


def speeds(core: Core) -> list[int]:
    cfg = core.cfg
    fast, slow = cfg["LIMIT_TICKS"] * 21 // 20, cfg["START_PERIOD_TICKS"] * 24 // 25
    return [fast, round((fast * slow) ** 0.5), slow]


def relock_pulses(core: Core) -> int:
    """Invariant D as DEVELOPERS.md states it."""
    return 11 + 3 * max(core.cfg["BRIDGE_MOST"], 1)


# Once never: a slow false interval kept the line closed for a quarter of itself after every pulse,
# and a period one and a half times too long found every third edge, bridging the one between, the
# second time because it was kept when lock was lost.
@pytest.mark.parametrize("speed", range(3))
def test_a_true_train_relocks_after_anything(core: Core, speed: int) -> None:
    period = speeds(core)[speed]
    most = relock_pulses(core)
    for seed in range(1, 120):
        world = World(core, seed, 0xFFFF0000)
        for _ in range(seed % 24):
            world.lib.world_do_scene(world.memory)
        locked = world.true_train(period, period * (seed * 37 % 100) // 100, most + 6)
        assert 0 < locked <= most, seed
        assert world.broken() == {}


LEVELS = st.booleans()
WAITS = st.one_of(st.integers(0, 60), st.integers(0, 3000), st.integers(0, 3_000_000))
STEPS = st.one_of(
    st.tuples(st.just("edge"), WAITS, LEVELS),
    st.tuples(st.just("pulse"), st.integers(0, 6), st.integers(1, 2**20)),
    st.tuples(st.just("wait"), WAITS, LEVELS),
    st.tuples(st.just("poll"), st.just(0), LEVELS),
    st.tuples(st.just("reset"), st.just(0), LEVELS),
)


@settings(
    max_examples=60 * MORE,
    derandomize=MORE == 1,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
@given(
    steps=st.lists(STEPS, max_size=60),
    ahead=st.integers(-100_000, 100_000),
    late=st.integers(0, 3000),
    speed=st.integers(0, 2),
)
def test_any_sequence_keeps_the_invariants(
    core: Core, steps: list[tuple[str, int, int]], ahead: int, late: int, speed: int
) -> None:
    """Edges, levels, waits, polls and resets in any order, the counter's wrap anywhere."""
    world = World(core, 1, -ahead)
    world.lib.world_late(world.memory, late)
    for kind, number, value in steps:
        if kind == "edge":
            world.edge(number, bool(value))
        elif kind == "wait":
            world.lib.world_do_until(world.memory, (world.now + number) % TICKS)
        elif kind == "poll":
            world.lib.world_do_poll(world.memory)
        elif kind == "reset":
            world.lib.world_do_reset(world.memory, bool(value))
        else:
            for _ in range(number):
                at = (world.now + value) % TICKS
                world.lib.world_do_pulse(world.memory, at, value)
    assert world.broken() == {}
    world.lib.world_late(world.memory, 60)
    period = speeds(core)[speed]
    most = relock_pulses(core)
    assert 0 < world.true_train(period, 0, most + 4) <= most
    assert world.broken() == {}
