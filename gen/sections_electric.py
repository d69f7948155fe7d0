"""Tables of an engine description for what makes the spark: [coil] [driver] [supply] [plug]."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Tag

from .fields import Section, named_part, num, pick

DRIVER_DROP_V = {"igbt": 1.4, "bipolar": 1.0, "mosfet": 0.0, "logic": 0.0}
DRIVER_ON_OHM = {"igbt": 0.02, "bipolar": 0.02, "mosfet": 0.1, "logic": 0.0}
DRIVER_DELAY_US = {"igbt": 4.0, "bipolar": 15.0, "mosfet": 1.0, "logic": 5.0}
GATE_VOLTS_MIN = {"igbt": 4.0, "bipolar": 2.5, "mosfet": 4.5, "logic": 3.0}


class CoilBase(Section):
    """What every kind of coil has."""

    coils: Literal[1, 2] = pick(
        "Coils: 2 gives each cylinder its own (all alike), sparked in turn, a pulse each; a phase "
        "sensor tells whose pulse it is.",
        1,
    )
    leads: Literal[1, 2] = pick(
        "High-voltage leads: 2 is a twin-lead coil that fires two plugs at once (wasted spark).", 1
    )
    min_off_ms: float = num(
        "Shortest time the coil is left off, for the spark to burn; dwell is cut to keep it.",
        0.2,
        10,
        "a spark lasts 0.5 to 2 ms; much more steals dwell at speed.",
        1.0,
    )


class InductiveCoil(CoilBase):
    """[coil] kind = "inductive": charged by the driver, sparks when switched off.

    Resistances are at 20 deg C; ``temperature_c`` is the winding temperature the sums use.
    """

    kind: Literal["inductive"] = pick("Kind of ignition coil.", "inductive")
    part: str | None = named_part("a coil")
    primary_ohm: float = num(
        "Resistance of the primary at 20 deg C.", 0.1, 10, "car coils 0.3 to 4, small ones to 10."
    )
    primary_mh: float = num(
        "Inductance of the primary.", 0.1, 50, "ignition coils lie between 1 and 15."
    )
    primary_ohm_tolerance_percent: float = num(
        "How far primary_ohm may be off, for the worst corners.",
        0,
        80,
        "0 measured exactly, 5 with a usual meter, 30 for a class of coils.",
        10.0,
    )
    primary_mh_tolerance_percent: float = num(
        "How far primary_mh may be off, for the worst corners.",
        0,
        80,
        "5 measured with care, 40 for a class of coils.",
        15.0,
    )
    saturation_a: float | None = num(
        "Current at which the core saturates. Left out: not known, no saturation computed.",
        0.5,
        50,
        "ignition coils.",
        None,
    )
    turns_ratio: float = num(
        "Secondary turns over primary turns.", 20, 300, "ignition coils 50 to 200.", 85.0
    )
    secondary_ohm: float = num(
        "Resistance of the secondary at 20 deg C.", 100, 50000, "ignition coils.", 8000.0
    )
    secondary_pf: float = num(
        "Capacitance of secondary, lead and plug.",
        5,
        300,
        "short lead to long screened lead.",
        50.0,
    )
    spark_current_a: float = num(
        "Primary current wanted at the spark; dwell is computed from it.",
        0.3,
        30,
        "less gives no spark, more melts small coils.",
    )
    dwell_ms: float | None = num(
        "Charging time. Left out: computed from spark_current_a.",
        0.1,
        30,
        "shorter charges nothing; longer saturates and heats.",
        None,
    )
    ballast_ohm: float = num(
        "Resistor in series with the primary; 0 if none.", 0, 10, "coil ballasts.", 0.0
    )
    ballast_w: float = num("Power rating of the ballast.", 0.5, 200, "resistors on sale.", 10.0)
    temperature_c: float = num(
        "Winding temperature for which dwell and energy are computed.",
        -30,
        150,
        "a winter start to the limit of the enamel.",
        60.0,
    )
    heat_limit_w: float = num(
        "Heat the coil can lose for ever.", 0.5, 200, "a matchbox coil to an oil-filled one.", 10.0
    )
    heat_capacity_j_per_k: float = num(
        "Heat that warms the windings by one kelvin: 390 J/(kg K) times the mass of copper.",
        1,
        2000,
        "a few grams to a few kilograms of copper.",
        60.0,
    )
    winding_max_c: float = num(
        "Highest winding temperature.",
        70,
        200,
        "potting of small coils 105, usual enamel 120.",
        120.0,
    )


class LogicCoil(CoilBase):
    """[coil] kind = "logic": coil with its own driver; the pin only says charge or spark."""

    kind: Literal["logic"] = pick("Kind of ignition coil.", "logic")
    part: str | None = named_part("a coil")
    dwell_ms: float = num(
        "Charging time its maker asks for.", 0.3, 10, "coil-on-plug parts ask for 1 to 5."
    )
    max_on_ms: float = num(
        "Longest on-time its maker allows.", 0.5, 30, "must be longer than dwell_ms."
    )
    spark_current_a: float = num(
        "Primary current at the spark, for the battery's sake.", 0.3, 30, "coils on sale.", 7.0
    )
    energy_mj: float | None = num(
        "Spark energy its maker states. Left out: not known.", 1, 300, "coils on sale.", None
    )
    temperature_c: float = num(
        "Winding temperature.", -30, 150, "a winter start to the limit of the enamel.", 60.0
    )


class CapacitorDischarge(CoilBase):
    """[coil] kind = "capacitor-discharge": the pin triggers a discharge; charging is not ours."""

    kind: Literal["capacitor-discharge"] = pick("Kind of ignition.", "capacitor-discharge")
    trigger_us: float = num(
        "Width of the trigger pulse; it begins at the spark.",
        5,
        2000,
        "shorter does not fire the thyristor, longer holds off the charge.",
        100.0,
    )
    capacitor_uf: float = num("Storage capacitor.", 0.1, 10, "capacitors in use.", 1.0)
    capacitor_volts: float = num("Voltage it is charged to.", 50, 600, "units in use.", 300.0)
    recharge_ms: float = num(
        "Time the unit needs to charge again.", 0.2, 50, "limits the greatest speed.", 3.0
    )


def _coil_kind(value: Any) -> str:
    """Choose the coil's model; a left-out kind is an inductive coil."""
    if isinstance(value, dict):
        return str(value.get("kind", "inductive"))
    return str(getattr(value, "kind", "inductive"))


COIL_MODELS: dict[str, type[CoilBase]] = {
    "inductive": InductiveCoil,
    "logic": LogicCoil,
    "capacitor-discharge": CapacitorDischarge,
}

Coil = Annotated[
    Annotated[InductiveCoil, Tag("inductive")]
    | Annotated[LogicCoil, Tag("logic")]
    | Annotated[CapacitorDischarge, Tag("capacitor-discharge")],
    Discriminator(_coil_kind),
]


class DriverSection(Section):
    """[driver]: the switch between the pin and the coil."""

    part: str | None = named_part("a driver")
    kind: Literal["igbt", "bipolar", "mosfet", "logic"] = pick(
        'Kind of switch; "logic" when the coil or trigger unit holds its own.', "igbt"
    )
    on_level: Literal["high", "low"] = pick(
        "Level of the pin that charges the coil. low needs [safety] allow_inverting_driver: a pin "
        "in reset floats.",
        "high",
    )
    drop_v: float = num(
        "Constant voltage across the switch while on. Left out: igbt 1.4, bipolar 1.0, else 0.",
        0,
        5,
        "a switch that drops more is not driven fully on.",
        factory=lambda d: DRIVER_DROP_V[d["kind"]],
    )
    on_ohm: float = num(
        "Resistance of the switch while on. Left out: mosfet 0.1, igbt and bipolar 0.02.",
        0,
        2,
        "more wastes the spark.",
        factory=lambda d: DRIVER_ON_OHM[d["kind"]],
    )
    max_current_a: float = num(
        "Greatest collector or drain current.", 0.1, 100, "transistors in use.", 10.0
    )
    clamp_v: float = num(
        "Voltage at which the switch clamps the primary (no clamp: its breakdown voltage).",
        30,
        1000,
        "less starves the spark; more breaks the coil's insulation.",
        400.0,
    )
    clamp_energy_mj: float = num(
        "Energy the switch can absorb in one clamped pulse, hot.",
        0,
        2000,
        "0 for a switch not rated to clamp.",
        150.0,
    )
    gate_volts_min: float = num(
        "Drive voltage at which the stated drop and current hold. Left out: igbt 4, mosfet 4.5, "
        "bipolar (darlington) 2.5, logic 3.",
        0.5,
        15,
        "switches in use.",
        factory=lambda d: GATE_VOLTS_MIN[d["kind"]],
    )
    gate_ohm: float = num(
        "Resistor from the pin to gate or base.",
        0,
        10000,
        "0 overloads the pin; more slows the switch.",
        220.0,
    )
    gate_pull_down_ohm: float = num(
        "Resistor that keeps the switch off while the chip is in reset; 0 means none is fitted, "
        "which needs [safety] allow_no_gate_pull_down.",
        0,
        100000,
        "above 100k leakage and noise can switch the coil on.",
        10000.0,
    )
    gate_coupling: Literal["direct", "capacitor"] = pick(
        "How the pin drives the gate: through a capacitor, a pin stuck on lets go of the coil by "
        "itself; only for igbt and mosfet.",
        "direct",
    )
    output_delay_us: float = num(
        "Delay from the pin to the collapse of current; the firmware takes it back. Left out: "
        "igbt 4, bipolar 15, mosfet 1, logic 5.",
        0,
        200,
        "more is not an ignition switch.",
        factory=lambda d: DRIVER_DELAY_US[d["kind"]],
    )
    thermal_k_per_w: float = num(
        "Junction to ambient, heat sink included.", 0.5, 150, "bare package 65, with sink 5.", 30.0
    )
    heat_capacity_j_per_k: float = num(
        "Heat that warms the switch by one kelvin, heat sink left out.",
        0.05,
        100,
        "a chip in plastic to a large package.",
        1.0,
    )
    junction_max_c: float = num(
        "Highest junction temperature.", 85, 200, "silicon 150, some 175.", 150.0
    )
    ambient_c: float = num(
        "Air around driver and ballast, hottest day, box closed.",
        -20,
        85,
        "places with engines.",
        40.0,
    )


class SupplySection(Section):
    """[supply]: the battery and the wires to the coil."""

    part: str | None = named_part("a battery")
    volts: float = num("Nominal voltage.", 3, 30, "one lithium cell to a 24 V set.", 12.0)
    volts_min: float = num(
        "Lowest voltage at which it must still spark. Left out: 0.8 x volts.",
        2,
        30,
        "below volts.",
        factory=lambda d: max(2.0, 0.8 * d["volts"]),
    )
    volts_max: float = num(
        "Highest voltage: fresh or on charge. Left out: 1.2 x volts.",
        3,
        40,
        "above volts.",
        factory=lambda d: 1.2 * d["volts"],
    )
    internal_ohm: float = num(
        "Internal resistance of the battery.", 0, 5, "lead-acid 0.02, eight AA cells 1.5.", 0.05
    )
    wiring_ohm: float = num(
        "Wires, switch and connectors to the coil and back.", 0, 2, "more wastes the spark.", 0.05
    )
    capacity_ah: float | None = num(
        "Capacity. Left out: no running time is computed.", 0.05, 200, "batteries.", None
    )
    measure: bool = pick(
        "Measure the supply through a divider and charge as long as it asks for (inductive coils).",
        False,
    )
    divider_top_ohm: float = num(
        "With measure: resistor from the supply to the board's pin.",
        1000,
        1e6,
        "the pin may see no more than its board's voltage.",
        47000.0,
    )
    divider_bottom_ohm: float = num(
        "With measure: resistor from the pin to ground.",
        1000,
        1e5,
        "the analogue input wants 10 kilohm or less.",
        10000.0,
    )


class PlugSection(Section):
    """[plug]: the spark plug."""

    gap_mm: float = num(
        "Electrode gap.", 0.1, 1.5, "smaller is shorted by dirt, larger asks too much.", 0.5
    )
    resistor_ohm: float = num(
        "Resistor in plug, cap or lead; 0 if none. It is the cheapest cure for interference.",
        0,
        30000,
        "usual parts have 1k to 10k.",
        5000.0,
    )
