"""The bench procedure of one engine as plain sections, for the printed sheet and the report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .bench_noise import noise_advice
from .bench_steps import COUNT_S, OVER_LIMIT, STROBE_DEG, steps
from .circuit import Circuit
from .design import Design
from .electrical_input import Coil
from .electrical_of import Electrical
from .engine import Engine
from .parts_list import COLUMNS, parts_rows
from .plan import Plan
from .render import core_names, manifest_of

WHEEL_DEG = 1.0  # a degree wheel turned by hand (common practice, no source)
CAUTIONS = (
    "The plug lead carries tens of kilovolts, the primary side several hundred volts: stay clear "
    "of both while the arming switch is closed. Switch off before touching anything.",
    "The engine may start or kick back at any movement of the crank while the switch is closed. "
    "Propeller or load off, fingers, sleeves and cables away from what turns.",
    "No fuel and no vapour near until the section First start; an extinguisher within reach.",
    "Local rules and people licensed for such work come first.",
)
# What a counter that grows points at; the names are those of the firmware core.
COUNTERS = {
    "short": "noise on the pickup: lead, screen, filter, ground",
    "blanked": "the coil's own switching reaches the pickup: distance, plug resistor, ground",
    "trail_bounce": "sensor at the edge of its reach: bring it nearer; points: clean them",
    "arc": "magnet's width or distance is not as described, or a second magnet is near",
    "interval": "pulses missing or doubled; wrong pulses_per_turn; crank turned in jerks",
    "missing": "sensor too far away, or the supply dips while the coil charges",
    "lost": "as missing; one for each stop of the crank is right",
    "storm": "strong noise, or an open sensor line",
    "limit": "the speed limit works; right only above it",
    "hard": "crank stopped with the coil charging: harmless once; else the pickup",
    "late": "lead edge too near to the greatest advance: move it earlier",
    "seal": "a disturbed memory: spark current in the board's ground, supply dips",
    "reset": "supply dips, or spark current in the board's ground",
    "warm": "a reset that was bridged: as reset",
}


@dataclass(frozen=True)
class Section:
    """A title with paragraphs, numbered steps and a table; what is empty is left out.

    ``blank``: the table's last column is for the reader's pencil.
    """

    key: str
    title: str
    words: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    blank: bool = False


def wiring_sections(
    design: Design, electrical: Electrical, circuit: Circuit
) -> tuple[Section, ...]:
    """Return parts list and noise checklist."""
    advice = noise_advice(design, electrical, circuit)
    rows = tuple((a.what, a.why, a.source, "") for a in advice)
    heads = ("what", "why", "advised by", "done")
    return (
        Section("parts", "Parts", heads=COLUMNS, rows=tuple(parts_rows(circuit))),
        Section("noise", "Keeping noise out", heads=heads, rows=rows, blank=True),
    )


def bench_sections(
    engine: Engine, design: Design, plan: Plan, electrical: Electrical
) -> tuple[Section, ...]:
    """Return the procedure from rest to the first start."""
    return (
        _at_rest(engine, design),
        _turned(engine, design, plan),
        _counters(design),
        _off(design, plan),
        _first_start(engine, design, electrical),
    )


def _at_rest(engine: Engine, design: Design) -> Section:
    pins, lead, trail = design.board.pins, design.lead_deg_btdc, design.trail_deg_btdc
    lamp = pins.named().get("lamp") if engine.telling.lamp else None
    first = f"the lamp at {lamp.printed} comes on" if lamp else f"{pins.pickup.printed} changes"
    after = f"{-trail:.1f} deg after" if trail < 0 else f"{trail:.1f} deg before"
    return Section(
        "rest",
        "At rest: static timing",
        words=(
            "Coil's fuse out, arming switch open, spark plug out of the engine, board powered.",
        ),
        steps=(
            "Find top dead centre by a piston stop: the mean of the two angles at which the piston "
            "touches it. Set the degree wheel's pointer there.",
            f"Turn slowly in running direction: {first} at {lead:.1f} deg before top dead "
            f"centre, ± {WHEEL_DEG:g} deg. Turn on: it changes back at {after} it.",
            "Take up backlash by always coming from the same side.",
            f"Off by more than {WHEEL_DEG:g} deg: move magnet or sensor, or write what you "
            "measured into lead_edge_deg_btdc and arc_deg, then generate, build and flash again. "
            "Each degree that the edge is off moves every spark by a degree.",
            f"Lit all but the magnet's {design.arc_deg:.1f} deg instead: the other pole of the "
            "magnet faces the sensor, or [pickup] active is the other one.",
            f"Turn backwards past the magnet: no charge may begin (level at {pins.coil.printed}).",
            *_phase_steps(design),
        ),
    )


def _phase_steps(design: Design) -> tuple[str, ...]:
    """Return how the sensor that tells whose pulse it is is checked."""
    pin = design.board.pins.phase
    if not design.two_coils or pin is None:
        return ()
    level = "low" if design.active_low else "high"
    return (
        f"Phase sensor: {pin.printed} has to be {level} while the second cylinder's magnet passes "
        "the pickup, the other level at the first's, from well before the edge until the spark.",
    )


def _turned(engine: Engine, design: Design, plan: Plan) -> Section:
    rows = []
    for s in steps(design, plan):
        strobe = "no spark"
        if s.strobe_deg_btdc is not None and s.tolerance_deg is not None:
            strobe = f"{abs(s.strobe_deg_btdc):.1f} ± {s.tolerance_deg:.1f}"
            strobe += " after" if s.strobe_deg_btdc < -0.05 else ""
        dwell = "-" if s.dwell_us is None else f"{s.dwell_us:.0f}"
        speed = f"{s.rpm:.0f}" + (" (start)" if s.starting else "")
        rows.append((speed, strobe, dwell, str(s.pulses), str(s.sparks), ""))
    leave = manifest_of(design, plan)["start"]["leave_rpm"]
    charge = "pulse at the pin [µs]" if plan.spark_on_rise else "dwell [µs]"
    more = [
        "Each cylinder's plug lead has to show its own angle, before that cylinder's dead centre; "
        "pulses and sparks are counted of both."
    ]
    more = more if design.two_coils else []
    if engine.supply.measure:
        more.append(
            f"The dwell is that of {engine.supply.volts:g} V; it is longer where the measured "
            "supply is lower, and shorter where it is higher."
        )
    return Section(
        "turned",
        "Turned by a drill or motor, coil armed, no fuel",
        words=(
            "Plug out of the engine, in its cap, its body clamped to the engine. Speed as "
            "`sparktick monitor` shows it; strobe on the plug lead; degree wheel on the crank.",
            "Readings are before top dead centre unless marked. Tolerance: "
            f"{STROBE_DEG:g} deg for strobe and wheel, two ticks of the chip's timer, "
            "and a hundredth of the way from edge to spark for uneven turning.",
            f"Between {leave:.0f} and {design.start.below_rpm:.0f} rpm the spark is that of start "
            "or of running, as it was before.",
            *more,
            f"No spark below {design.start.floor_rpm:.0f} rpm; above {design.limit_rpm:.0f} rpm "
            f"none until the speed is below {design.resume_rpm:.0f} again. Try "
            f"{OVER_LIMIT * design.limit_rpm:.0f} rpm only with a flywheel that is safe at it.",
        ),
        heads=("rpm", "strobe [deg BTDC]", charge, "pulse in 10 s", "spark in 10 s", "read"),
        rows=tuple(rows),
        blank=True,
    )


def _counters(design: Design) -> Section:
    del design
    rows = []
    for _, name, text in core_names("st_counter", "ST_N_"):
        if name in ("pulse", "spark"):
            rows.append((name, text, f"as the table says in {COUNT_S:.0f} s", "speed and mode"))
        elif name in COUNTERS:
            rows.append((name, text, "0", COUNTERS[name]))
    return Section(
        "counters",
        "Counters to expect",
        words=(
            "At an even speed all but the first two stand still. Start, stop and overspeed count "
            "some by right: note the values once the speed is even.",
        ),
        heads=("counter", "counts", "growth", "look at when it grows otherwise"),
        rows=tuple(rows),
    )


def _off(design: Design, plan: Plan) -> Section:
    us_deg = 6e-6 * design.top_rpm * 10.0
    tick_deg = 6.0 * design.top_rpm / plan.tick_hz
    rows = (
        (
            "All readings off by the same degrees",
            "magnet, sensor or pointer is not where the description says",
            "repeat the section At rest; else add the difference to lead_edge_deg_btdc",
        ),
        (
            f"Off in proportion to the speed, such as {us_deg:.2g} deg at {design.top_rpm:.0f} rpm",
            "a delay that the description lacks: 10 µs there",
            "correct sensor_delay_us, filter_nf, isolator_delay_us or output_delay_us",
        ),
        (
            f"Late by {design.arc_deg:.1f} deg",
            "the trail edge is taken for the lead edge",
            "other pole of the magnet, or the other level in [pickup] active",
        ),
        (
            "Right in the middle, wandering by degrees",
            "uneven drill, loose magnet, or noise",
            "counters; `sparktick trace --replay` tells firmware from crank "
            f"(one tick is {tick_deg:.2g} deg)",
        ),
        (
            "pulse grows, spark does not",
            "below the floor, above the limit, or not yet locked",
            f"turn between {design.start.floor_rpm:.0f} and {design.limit_rpm:.0f} rpm; mode?",
        ),
        (
            "spark grows, no spark to see",
            "arming switch, fuse, coil's wiring, plug resistor open",
            "measure the coil's supply; then a fresh plug outside the engine",
        ),
        (
            "Dwell other than the table's",
            "speed changing, or the supply's correction",
            "hold the speed even; `sparktick trace` judges each charge",
        ),
        (
            "Nothing grows",
            "sensor out of reach or without supply, wrong pin",
            "section At rest",
        ),
    )
    heads = ("seen", "points at", "do")
    return Section("off", "When a reading is off", heads=heads, rows=rows)


def _first_start(engine: Engine, design: Design, electrical: Electrical) -> Section:
    start, source = design.start, electrical.given.source
    by_hand = engine.engine.starter in ("hand", "cord")
    lets_go = " with a handle or cord that lets go, thumb beside the fingers"
    hand = (
        lets_go if by_hand else " with a starter that free-wheels as soon as the engine is faster"
    )
    kick = (
        f"The first sparks come {start.deg_btdc:.0f} deg before top dead centre or later, none "
        f"below {start.floor_rpm:.0f} rpm. If it kicks back, stop: open the switch and check the "
        "static timing."
    )
    warm = "Stop after a minute and feel, the switch open: coil, switch and ballast may be hot"
    heat = electrical.report.heat
    if isinstance(source, Coil) and heat is not None:
        warm += (
            f"; running for long at worst, the coil reaches {float(heat.coil_c.max()):.0f} °C, "
            f"the switch {float(heat.driver_c.max()):.0f} °C"
        )
    return Section(
        "first",
        "First start",
        words=(
            "Only when every reading above was right. Outdoors or with an extractor, the engine "
            "bolted down, extinguisher and a second person at hand, nobody in the plane of what "
            "turns, eyes and ears protected. One person is at the arming switch and does nothing "
            "else.",
        ),
        steps=(
            "Propeller or load off where the engine can run without; else the smallest flywheel "
            "load that is safe, balanced and guarded.",
            "Arming switch open: fuel on, set the carburettor, turn over twice by hand.",
            f"Hands away. Close the arming switch, then start it by {engine.engine.starter}{hand}.",
            kick,
            "Open the arming switch once before going on: it has to stop the engine.",
            f"Idle at about {engine.engine.idle_rpm:.0f} rpm: strobe "
            f"{design.advance_deg(engine.engine.idle_rpm):.1f} deg before top dead centre. Watch "
            "the counters: the spark and the compression are now as they will be.",
            f"{warm}.",
            f"Go up by steps of the table, a minute each, to no more than {design.top_rpm:.0f} "
            "rpm. Engine rattles or overheats: back, and take advance out of the curve there.",
        ),
    )


def all_sections(
    engine: Engine, design: Design, plan: Plan, electrical: Electrical, circuit: Circuit
) -> Sequence[Section]:
    """Return everything in the order of the work."""
    wiring = wiring_sections(design, electrical, circuit)
    return (*wiring, *bench_sections(engine, design, plan, electrical))
