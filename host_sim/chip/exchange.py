"""Between Python values and the structs of chip_io.h."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

import cffi
import numpy as np
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection

from sparktick.gen.errors import RunError

from ..bench import SYNC_CLOCKS, CoilNoise, NoisePatterns
from . import pin_filter
from .base import ChipJob, ChipRun, CoilPin, ResetKind, Upset, UpsetSpace
from .native import HERE

EVENT = np.dtype([("cycle", "<i8"), ("kind", "<i4"), ("value", "<i4")])
CHANGE = np.dtype([("cycle", "<i8"), ("channel", "<i4"), ("on", "<i4")])
PIN, CAPTURE_DIRECT, CAPTURE_FILTERED, RESET = range(4)
LINE = 7
RESET_KINDS = 16
CHANNEL_LINE, CHANNEL_RESET = 16, 17
PHASE = 8
RAM_ARM = 0x20000000  # below it lies code
GPIO = "GPIO"  # the port of chips whose pins have only numbers
DATA_SPACE = 0x800000  # where avr-gcc puts data addresses in an image

# avr-libc iom328p.h; the other chips of the x8 family have the same table
VECTORS_X8 = (
    *("RESET", "INT0", "INT1", "PCINT0", "PCINT1", "PCINT2", "WDT"),
    *("TIMER2_COMPA", "TIMER2_COMPB", "TIMER2_OVF"),
    *("TIMER1_CAPT", "TIMER1_COMPA", "TIMER1_COMPB", "TIMER1_OVF"),
    *("TIMER0_COMPA", "TIMER0_COMPB", "TIMER0_OVF"),
    *("SPI_STC", "USART_RX", "USART_UDRE", "USART_TX"),
    *("ADC", "EE_READY", "ANALOG_COMP", "TWI", "SPM_READY"),
)
_EVENTS = ("CAPT", "COMPA", "COMPB")
# Chip pattern, names by number: what the firmware uses, from avr-libc's iomxx0_1.h, iom32u4.h,
# iotnx4.h, iotnx5.h, iom4809.h, iotn1606.h
VECTORS: tuple[tuple[str, dict[int, str]], ...] = (
    (r"atmega(48|88|168|328)[pa]*", dict(enumerate(VECTORS_X8))),
    (
        "atmega2560",
        {46 + k: f"TIMER5_{name}" for k, name in enumerate(_EVENTS)}
        | {50: "TIMER5_OVF", 21: "TIMER0_COMPA"},
    ),
    (
        "atmega32u4",
        {16 + k: f"TIMER1_{name}" for k, name in enumerate(_EVENTS)}
        | {20: "TIMER1_OVF", 21: "TIMER0_COMPA"},
    ),
    (
        r"attiny[248]4",
        {5 + k: f"TIM1_{name}" for k, name in enumerate((*_EVENTS, "OVF"))} | {9: "TIM0_COMPA"},
    ),
    ("rp2040", {0: "TIMER_IRQ_0", 7: "PIO0_IRQ_0"}),
    ("attiny85", {1: "INT0", 5: "TIM0_OVF", 10: "TIM0_COMPA", 11: "TIM0_COMPB"}),
    (
        r"atmega(8|16|32|48)0[89]",
        {4: "RTC_PIT", 7: "TCA0_OVF", 9: "TCA0_CMP0", 10: "TCA0_CMP1", 12: "TCB0_INT"},
    ),
    (
        r"attiny(8|16)0[467]",
        {7: "RTC_PIT", 8: "TCA0_OVF", 10: "TCA0_CMP0", 11: "TCA0_CMP1", 13: "TCB0_INT"},
    ),
    ("stm32f103[a-z0-9]*", {15: "SYSTICK", 46: "TIM4"}),  # RM0008 table 63
)


@cache
def ffi() -> cffi.FFI:
    """Return the declarations of chip_io.h."""
    text = (HERE / "chip_io.h").read_text()
    found = re.search(r"/\* cdef begin \*/(.*)/\* cdef end \*/", text, re.DOTALL)
    assert found is not None
    declarations = cffi.FFI()
    declarations.cdef(found.group(1))
    return declarations


def vector_name(mcu: str, number: int) -> str:
    """Return the name avr-libc gives an interrupt, or ``VECTOR_n`` on a chip not known here."""
    for pattern, names in VECTORS:
        if re.fullmatch(pattern, mcu) and number in names:
            return names[number]
    return f"VECTOR_{number}"


def symbols(job: ChipJob) -> dict[str, int]:
    """Return the address of every symbol of the image.

    AVR: data addresses without the offset; ARM: functions without the bit that says Thumb.
    """
    try:
        with job.elf.open("rb") as file:
            elf = ELFFile(file)
            table = elf.get_section_by_name(".symtab")
            if not isinstance(table, SymbolTableSection):
                return {}
            thumb = elf["e_machine"] == "EM_ARM"
            found = {s.name: int(s["st_value"]) for s in table.iter_symbols()}
    except Exception as error:  # pyelftools raises many kinds for a file that is no image
        raise RunError(f"{job.elf}: cannot be read as an ELF image: {error}") from error
    if thumb:
        return {n: a & ~1 if a < RAM_ARM else a for n, a in found.items()}
    return {n: a - DATA_SPACE if a >= DATA_SPACE else a for n, a in found.items()}


def levels(kind: int, changes: pin_filter.Levels) -> np.ndarray[Any, Any]:
    """Return level changes as chip_event records of one kind."""
    rows = np.zeros(len(changes.cycle), dtype=EVENT)
    rows["cycle"], rows["kind"], rows["value"] = changes.cycle, kind, changes.level
    return rows


def cycle_of(at_s: float, job: ChipJob) -> int:
    """Return the CPU cycle that begins at an instant, or next after it."""
    return int(np.ceil(at_s * job.clock_hz))


def place_of(address: int) -> int:
    """Return where the wrapper finds an address: those of ARM do not fit into an event (stm32f1.h).

    >>> hex(place_of(0x20000010)), hex(place_of(0x100))
    ('0x1000010', '0x100')
    """
    regions = ((0xE000E000, 0x3000000), (0x40000000, 0x2000000), (RAM_ARM, 0x1000000))
    return next((address - begin + to for begin, to in regions if address >= begin), address)


def _upset_value(upset: Upset) -> int:
    if upset.space == UpsetSpace.PROGRAM_COUNTER:
        return upset.bit
    return place_of(upset.address) * 8 + upset.bit


def events(job: ChipJob, *, line: bool = False) -> np.ndarray[Any, Any]:
    """Return everything that happens to the chip, sorted by cycle, as chip_event records.

    ``line``: the line's samples behind a synchroniser of two clocks, for a model that filters.
    """
    idle = 1 - job.pickup.active_level
    level = np.asarray(job.train.active, dtype=np.uint8) ^ np.uint8(idle)
    samples = pin_filter.sample(job.train.edge_s, level, job.clock_hz, idle)
    upsets = [(cycle_of(u.at_s, job), int(u.space), _upset_value(u)) for u in job.upsets]
    if line:
        rows_of_line = [levels(LINE, samples._replace(cycle=samples.cycle + SYNC_CLOCKS))]
    elif job.noise is None:
        rows_of_line = [
            levels(PIN, pin_filter.pin_register(samples)),
            levels(CAPTURE_DIRECT, pin_filter.capture_direct(samples)),
            levels(CAPTURE_FILTERED, pin_filter.capture_filtered(samples, idle)),
        ]
    else:  # the emulator adds the noise, and does what pin_filter does, step by step
        rows_of_line = [levels(LINE, samples)]
    upset = np.array(upsets, dtype=EVENT)
    rows = np.concatenate([*rows_of_line, phase_levels(job), resets(job), upset])
    rows["cycle"] = np.maximum(rows["cycle"], 1)  # the first cycle with a past to be stepped from
    return rows[np.lexsort((rows["kind"], rows["cycle"]))]


def resets(job: ChipJob) -> np.ndarray[Any, Any]:
    """Return the resets asked for as chip_event records."""
    rows = [
        (cycle_of(r.at_s, job), RESET, int(r.kind) + RESET_KINDS * cycle_of(r.lasts_s, job))
        for r in job.resets
    ]
    return np.array(rows, dtype=EVENT)


def phase_levels(job: ChipJob) -> np.ndarray[Any, Any]:
    """Return the phase sensor's level changes as chip_event records; none without two coils."""
    rows = np.zeros(0 if job.two_coils is None else len(job.train.second_s), dtype=EVENT)
    if job.two_coils is not None:
        second = (np.arange(len(rows)) + 1) & 1
        rows["cycle"] = np.ceil(job.train.second_s * job.clock_hz)
        rows["kind"], rows["value"] = PHASE, second ^ (1 - job.two_coils.phase.active_level)
    return rows


def _outputs(job: ChipJob) -> tuple[CoilPin, ...]:
    return job.coils if job.two_coils is None else (*job.coils[:1], job.two_coils.select)


def _by_select(changes: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Return the coil pin's changes (channel 0), as channel the level of the select pin (1)."""
    select = changes[changes["channel"] == 1]
    coil: np.ndarray[Any, Any] = changes[changes["channel"] == 0].copy()
    before = np.searchsorted(select["cycle"], coil["cycle"], side="right") - 1
    coil["channel"] = np.where(before >= 0, select["on"][before], 0) if len(select) else 0
    return coil


def _has_pin(mcu: str, port: str, bit: int) -> bool:
    """Tell whether chips of the kind name a pin so; whether the chip has it, its emulator knows."""
    if mcu.startswith("rp2040"):
        return port == GPIO and 0 <= bit <= 29
    bits = 8 if mcu.startswith("at") else 16
    return len(port) == 1 and port.isupper() and 0 <= bit < bits


def _check(job: ChipJob) -> None:
    pins = [(job.pickup.port, job.pickup.bit), *((c.port, c.bit) for c in _outputs(job))]
    for port, bit in pins:
        if not _has_pin(job.mcu, port, bit):
            raise RunError(
                f"pin {port}{bit}: no pin of the {job.mcu} (allowed: AVR port A..L, bit 0..7; "
                "STM32 port A..E, bit 0..15; RP2040 GPIO0..GPIO29)"
            )
    if not 0 <= len(job.coils) <= 4:
        raise RunError(f"{len(job.coils)} coils (allowed: 0 to 4)")
    if len(job.peeks) > 64 or any(not 1 <= p.size <= 8 for p in job.peeks):
        raise RunError("peeks: too many or too wide (allowed: 64 of 1 to 8 bytes)")
    if any(not 0.0 <= r.lasts_s <= 5.0 for r in job.resets):
        raise RunError("resets: a cause that lasts too long (allowed: lasts_s 0 to 5)")
    if any(r.kind == ResetKind.WATCHDOG for r in job.resets):
        raise RunError("resets: a watchdog reset comes from the chip and cannot be injected")


def _groups(noise: CoilNoise) -> tuple[NoisePatterns, ...]:
    return noise.off_inactive, noise.off_active, noise.on_inactive, noise.on_active


def _pack_noise(packed: Any, noise: CoilNoise | None) -> None:
    if noise is None:
        return
    packed.noise_on = 1
    packed.noise_seed = noise.seed % (1 << 64)
    packed.noise_jitter_s = noise.jitter_s
    for i, group in enumerate(_groups(noise)):
        packed.noise_patterns[i] = len(group.patterns)
        packed.noise_toggles[i] = sum(len(toggles) for toggles in group.patterns)


def noise_bytes(noise: CoilNoise | None) -> bytes:
    """Return the arrays of the noise groups as they follow the events in a job file."""
    parts = []
    for group in _groups(noise) if noise is not None else ():
        lengths = [len(toggles) for toggles in group.patterns]
        first = np.concatenate(([0], np.cumsum(lengths, dtype=np.int64))).astype(np.int64)
        toggles = np.concatenate([np.zeros(0), *group.patterns]).astype(np.float64)
        parts += [first.tobytes(), toggles.tobytes()]
    return b"".join(parts)


def pack(job: ChipJob, event_count: int) -> Any:
    """Return the job as a ``chip_job`` struct."""
    _check(job)
    names = symbols(job)
    packed = ffi().new("chip_job *")
    packed.f_cpu_hz = job.f_cpu_hz
    packed.end_cycle = cycle_of(job.train.end_s, job)
    packed.reset_hold_cycles = cycle_of(job.reset_hold_s, job)
    packed.event_count = event_count
    packed.ram_seed = job.ram_seed & 0xFFFFFFFFFFFFFFFF
    packed.main_address = names.get("main", -1)
    packed.stack_floor = names.get("_end", names.get("st_ram_used", 0x100))
    packed.idle_level = 1 - job.pickup.active_level
    outputs = _outputs(job)
    packed.coil_count, packed.peek_count = len(outputs), len(job.peeks)
    packed.clock_hz = job.clock_hz
    packed.analogue_channel = -1
    if job.analogue is not None:
        packed.analogue_channel = job.analogue.channel
        packed.analogue_mv = round(1e3 * job.analogue.volts)
        packed.reference_mv = round(1e3 * job.analogue.reference_v)
    _pack_noise(packed, job.noise)
    packed.pickup = (ord(job.pickup.port[0]), job.pickup.bit, job.pickup.active_level)
    for i, coil in enumerate(outputs):
        packed.coils[i] = (ord(coil.port[0]), coil.bit, coil.on_level)
    if job.two_coils is not None:
        phase = job.two_coils.phase
        packed.phase = (ord(phase.port[0]), phase.bit, phase.active_level)
    for i, peek in enumerate(job.peeks):
        address = names.get(peek.address) if isinstance(peek.address, str) else peek.address
        if address is None:
            raise RunError(f'{job.elf}: the image has no symbol "{peek.address}" to peek at')
        place = address + peek.offset
        packed.peek_address[i] = place - (1 << 32) if place >> 31 else place
        packed.peek_size[i] = peek.size
    packed.elf = str(job.elf.resolve()).encode()
    packed.mcu = job.mcu.encode()
    return packed


def _handlers(job: ChipJob, result: Any) -> tuple[dict[str, int], dict[str, float]]:
    counters: dict[str, int] = {}
    facts: dict[str, float] = {}
    for number in range(64):
        handler = result.handlers[number]
        if handler.count:
            name = vector_name(job.mcu, number)
            counters[f"{name}_count"] = handler.count
            facts[f"{name}_cycles_max"] = float(handler.cycles_max)
            facts[f"{name}_cycles_mean"] = handler.cycles_total / handler.count
            facts[f"{name}_wait_cycles_max"] = float(handler.wait_max)
    return counters, facts


def unpack(
    job: ChipJob, result: Any, changes: np.ndarray[Any, Any], serial: bytes, source: str
) -> ChipRun:
    """Return the ``chip_result`` struct and its arrays as a Run; RunError when it failed."""
    if result.failed:
        raise RunError(f"{job.elf}: {source}: {ffi().string(result.message).decode()}")
    counters, facts = _handlers(job, result)
    counters |= {f"resets_{kind.name.lower()}": result.resets[kind] for kind in ResetKind}
    names = ("captures", "bad_opcodes", "bad_addresses", "noise_bursts", "noise_dropped")
    counters |= {n: getattr(result, n) for n in names}
    counters |= {p.name: result.peek[i] for i, p in enumerate(job.peeks)}
    facts["cycles"] = float(result.cycles_run)
    facts["busy_cycles"] = float(result.busy_cycles)
    for name, cycle in (("boot_s", result.main_cycle), ("outputs_safe_s", result.safe_cycle)):
        if cycle >= 0:
            facts[name] = cycle / job.clock_hz
    if result.last_reset_cycle >= 0:
        all_safe = result.resets_made_safe == sum(result.resets)
        safe = result.safe_after_reset_max / job.clock_hz if all_safe else float("inf")
        facts |= {"last_reset_s": result.last_reset_cycle / job.clock_hz, "reset_safe_s": safe}
    facts["stack_bytes"] = float(result.ram_end + 1 - result.stack_lowest)
    facts["ram_end"] = float(result.ram_end)
    stopped = result.phase_cycle == np.iinfo(np.int64).min
    channel, idle = changes["channel"], 1 - job.pickup.active_level
    coil, resets = changes[channel < CHANNEL_LINE], changes[channel == CHANNEL_RESET]
    line = changes[channel == CHANNEL_LINE]
    if job.two_coils is not None:
        coil = _by_select(coil)
    return ChipRun(
        source=source,
        tick_hz=job.tick_hz,
        timer_phase_s=float("nan") if stopped else result.phase_cycle / job.clock_hz,
        coil_s=coil["cycle"] / job.clock_hz,
        coil_on=coil["on"].astype(np.uint8),
        coil_channel=coil["channel"].astype(np.uint8),
        counters=counters,
        facts=facts,
        serial=serial if job.serial else b"",
        reset_s=resets["cycle"] / job.clock_hz,
        reset_kind=resets["on"].astype(np.uint8),
        line_s=line["cycle"] / job.clock_hz,
        line_active=(line["on"] != idle).astype(np.uint8),
    )
