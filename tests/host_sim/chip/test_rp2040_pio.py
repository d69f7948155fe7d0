"""If this fails: the RP2040's PIO programs are not what their comments say, or modelled wrong.

The words are held against rp2040py's encoders, the model against rp2040-pio-emulator, which knows
no IRQ instruction (a nop stands for it there).
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pioemu
import pytest
from rp2040py.utils import pio_assembler as encode

from sparktick.host_sim.chip import rp2040

SOURCE = Path(__file__).parents[3] / "templates_c" / "port" / "rp2040" / "st_port_pio.c"
WRAP = {True: 17, False: 14}  # ST_WRAP_FROM with and without the filter
PASS = 30
NOP, IRQ, PUSH = 0xA042, 0xC010, 0x8000


def words(*, filtered: bool) -> list[int]:
    """Return the program as the C source has it."""
    text = SOURCE.read_text()
    head = text[text.index("#if ST_CFG_CAPTURE_FILTER") :]
    part = head.split("#else")[0] if filtered else head.split("#else")[1].split("#endif")[0]
    named = dict(re.findall(r"#define (ST_\w+) (0x[0-9A-F]{4})U", part))
    table = text[text.index("st_program[ST_WORDS] = {") :].split("};")[0]
    found = re.findall(r"^    (\w+?)U?,", table, re.MULTILINE)
    return [int(named.get(word, word), 16) for word in found]


def assembly(*, filtered: bool) -> list[tuple[str, str]]:
    """Return label and instruction of each line, from the comments beside the words."""
    table = SOURCE.read_text().split("st_program[ST_WORDS] = {")[1].split("};")[0]
    lines = re.findall(r"/\*\s+\d+ (?:(\w+):)?\s+(.*?) \*/", table)
    if not filtered:
        lines[1] = (lines[1][0], "jmp pin rise")
        others = ("in x, 31", "in null, 1", "push noblock")
        lines[12:15] = [(lines[12 + k][0], code) for k, code in enumerate(others)]
    return lines


CONDITION = {"": 0, "!x": 1, "x--": 2, "!y": 3, "y--": 4, "x!=y": 5, "pin": 6}
REGISTER = {"pins": 0, "x": 1, "y": 2, "null": 3, "isr": 6, "osr": 7}


def encoded(code: str, labels: dict[str, int]) -> int:
    found = re.fullmatch(r"(\w+)\s*(.*?)(?: \[(\d+)\])?", code)
    assert found is not None, code
    name, words, delay = found[1], found[2].replace(",", "").split(), int(found[3] or 0)
    if name == "jmp":
        condition = words[0] if len(words) == 2 else ""
        return int(encode.pio_jmp(labels[words[-1]], CONDITION[condition], delay))
    assert delay == 0, code
    if name in ("push", "pull"):
        assert words == ["noblock"]
        # The encoders' `no_block` is the bit that makes it block (data sheet 3.4.6.2).
        return int(getattr(encode, f"pio_{name}")(False, False))
    if name == "in":
        return int(encode.pio_in(REGISTER[words[0]], int(words[1])))
    if name == "set":
        return int(encode.pio_set(REGISTER[words[0]], int(words[1])))
    if name == "irq":
        assert words == ["0", "rel"]
        return int(encode.pio_irq(False, False, 0x10))
    dest, source = ("y", "y") if name == "nop" else words
    assert name in ("mov", "nop"), code
    return int(encode.pio_mov(REGISTER[dest], REGISTER[source]))


@pytest.mark.parametrize("filtered", [True, False])
def test_the_words_are_what_their_comments_say(filtered: bool) -> None:
    lines = assembly(filtered=filtered)
    labels = {label: at for at, (label, _) in enumerate(lines) if label}
    wanted = [f"{encoded(code, labels):04x}" for _, code in lines]
    assert [f"{word:04x}" for word in words(filtered=filtered)] == wanted


@dataclass(frozen=True)
class Job:
    """A machine with a program: levels of pin 0 and orders by clock, both sorted."""

    program: list[int]
    begin: int
    wrap_top: int
    levels: list[tuple[int, int]]
    orders: list[tuple[int, int]]
    clocks: int
    x: int = 0
    y: int = 0
    isr: int = 0


def on_model(job: Job, *, skip: bool = True) -> list[tuple[int, int, int]]:
    """Return (clock, 0 pin or 1 word, value) of all that is seen from outside."""
    ffi, model = rp2040.library()
    chip = model.rp_new(b"", 0)
    if not skip:
        model.rp_never_skip(chip)
    wrap_bottom = 0
    execctrl = job.wrap_top << 12 | wrap_bottom << 7
    settings = [execctrl, 0, 1 | 1 << 20, job.x, job.y, job.isr, job.begin]
    seen = ffi.new("int64_t[]", 3 * 4000)
    levels = [value for pair in job.levels for value in pair]
    orders = [value for pair in job.orders for value in pair]
    count = model.rp_try_pio(
        chip,
        ffi.new("uint16_t[32]", job.program),
        ffi.new("uint32_t[7]", settings),
        ffi.new("int64_t[]", levels),
        len(job.levels),
        ffi.new("int64_t[]", orders),
        len(job.orders),
        job.clocks,
        seen,
    )
    model.rp_free(chip)
    return [(seen[3 * k], seen[3 * k + 1], seen[3 * k + 2]) for k in range(count)]


def on_the_other(job: Job) -> list[tuple[int, int, int]]:
    """Return the same from rp2040-pio-emulator; an instruction shows when its clock is over."""
    at = np.array([clock + 1 for clock, _ in job.levels])  # one clock of the synchroniser
    level = [value for _, value in job.levels]

    def pins(clock: int) -> int:
        place = int(np.searchsorted(at, clock, side="right")) - 1
        return level[place] if place >= 0 else 0

    pins.__annotations__["clock"] = int  # read there, not as text

    program = [NOP if word == IRQ else word for word in job.program]
    state = pioemu.State(
        program_counter=job.begin,
        pin_directions=2,
        x_register=job.x,
        y_register=job.y,
        input_shift_register=pioemu.ShiftRegister(job.isr, 0),
    )
    orders, seen = deque(job.orders), []
    for before, after in pioemu.emulate(
        program,
        stop_when=lambda _, state: state.clock >= job.clocks,
        initial_state=state,
        input_source=pins,
        shift_isr_right=False,
        shift_osr_right=False,
        out_base=1,
        out_count=1,
        wrap_top=job.wrap_top,
    ):
        shown = before.clock + 1
        if after.pin_values & 2 != before.pin_values & 2:
            seen.append((shown, 0, after.pin_values >> 1 & 1))
        while after.receive_fifo:
            seen.append((shown, 1, after.receive_fifo.popleft()))
        while orders and orders[0][0] <= after.clock:
            after.transmit_fifo.append(orders.popleft()[1])
    return seen


def line(seed: int, clocks: int) -> list[tuple[int, int]]:
    """Random edges: pulses of many passes and glitches of less than two."""
    rng = np.random.default_rng(seed)
    widths = np.where(rng.random(400) < 0.5, rng.integers(2, 70, 400), rng.integers(70, 900, 400))
    at = np.cumsum(widths) + 100
    return [(int(clock), k & 1 ^ 1) for k, clock in enumerate(at) if clock < clocks]


@pytest.mark.parametrize("filtered", [True, False])
@pytest.mark.parametrize("seed", [1, 2])
def test_edges_are_stamped_as_on_another_emulator(filtered: bool, seed: int) -> None:
    clocks = 25_000
    job = Job(
        words(filtered=filtered),
        begin=0,
        wrap_top=WRAP[filtered],
        levels=line(seed, clocks),
        orders=[],
        clocks=clocks,
        x=900,  # the count passes through zero
        y=1,
    )
    seen = on_model(job)
    assert seen == on_the_other(job)
    assert seen == on_model(job, skip=False)
    assert len(seen) > 25
    assert {word & 1 for _, _, word in seen} == {0, 1}


def test_a_stamp_is_the_count_of_the_second_sample_that_shows_the_level() -> None:
    """Counted by hand: the machine looks every 30 clocks, at 26 of each.

    The level has to be there at two looks, a clock earlier for the synchroniser; the stamp is the
    count at the second, 31 bits.
    """
    for clock in range(3000, 3061):
        levels = [(clock, 1), (clock + 1000, 0)]
        job = Job(words(filtered=True), 0, WRAP[True], levels, [], 5000, x=700, y=1)
        rise, fall = on_model(job)
        look = next(k for k in range(200) if 30 * k + 26 >= clock + 1)
        assert rise[2] == (700 - (look + 2)) << 1 | 1
        look = next(k for k in range(200) if 30 * k + 26 >= clock + 1001)
        assert fall[2] == (700 - (look + 2)) << 1


def test_a_short_pulse_is_dropped_and_a_long_one_is_not() -> None:
    for width, stamps in ((29, {0}), (31, {0, 2}), (60, {2}), (61, {2})):
        counts = set()
        for clock in range(3000, 3030):
            levels = [(clock, 1), (clock + width, 0)]
            job = Job(words(filtered=True), 0, WRAP[True], levels, [], 5000, x=700, y=1)
            counts.add(len(on_model(job)))
        assert counts == stamps, width


@pytest.mark.parametrize("seed", [3, 4])
def test_the_coil_switches_as_on_another_emulator(seed: int) -> None:
    """Orders at random instants: new ones in place of old ones, taken back, met once only.

    A push stands for the flag here, so that every match shows.
    """
    rng = np.random.default_rng(seed)
    orders, clock, start = [], 100, 500  # the count passes through zero
    while clock < 30_000:
        clock += int(rng.integers(5, 800))
        ahead = int(rng.integers(2, 30))
        word = start - (clock // PASS + ahead)
        orders.append((clock, 0 if rng.random() < 0.2 else word & 0xFFFFFFFF))
    program = [PUSH if word == IRQ else word for word in words(filtered=True)]
    job = Job(program, 19, 31, [], orders, 31_000, y=start, isr=0xFFFFFFFF)
    seen = on_model(job)
    assert seen == on_the_other(job)
    assert seen == on_model(job, skip=False)
    assert len(seen) > 10


def test_an_order_is_met_on_the_clock_that_begins_its_tick() -> None:
    """The word is y of a pass; the pin is written in the first clock of the next."""
    order = 5000 - 41  # y after the jump of pass 40
    for when in range(0, 61, 3):
        job = Job(words(filtered=True), 19, 31, [], [(300 + when, order)], 4000, y=5000, isr=1)
        assert on_model(job) == [(PASS * 41 + 1, 0, 1)]


def test_an_order_taken_back_is_met_or_not_and_never_later() -> None:
    """A word of zero, around the instant of the match: the pin switches then or not at all."""
    match = PASS * 41 + 1
    for before_clocks in range(-70, 71):
        orders = [(300, 5000 - 41), (match - before_clocks, 0)]
        job = Job(words(filtered=True), 19, 31, [], orders, 300_000, y=5000, isr=1)
        seen = on_model(job)
        assert seen in ([], [(match, 0, 1)])
        if before_clocks > 2 * PASS:
            assert seen == []
        if before_clocks <= 0:
            assert seen == [(match, 0, 1)]
