"""Instructions for each way of measuring a coil, as `sparktick measure WAY --how` prints them."""

from __future__ import annotations

CAUTION = """\
Caution: a coil that carries current from a battery gives thousands of volts at its lead when the
current is broken.  Put a diode (1N4007, ring towards plus) across the primary, fit a spark plug to
the lead, its body to the coil's ground, and keep hands off while a battery is connected.
"""

HOW = {
    "ohm": """\
With a meter only
  1  Coil at room temperature, nothing connected to it.
  2  Lowest ohm range.  Hold the probes together and note what the leads read (--leads-ohm).
  3  Press the probes on the two low-voltage ends, note the reading (--reading-ohm).
  The result is their difference.  Meters are coarse below 1 ohm: the last digit (--digit-ohm)
  becomes the tolerance.  If that is more than some percent, use `divider`.
""",
    "divider": """\
With a meter, a known resistor and a battery
  1  In a row: battery, a power resistor of 5 to 20 ohm (20 W), the primary, back to the battery.
     Diode across the primary as below.
  2  Connect, wait one second, and read two DC voltages right at the parts' own ends: across the
     resistor (--known-v) and across the coil (--coil-v).  Then disconnect.
  The same current flows through both, so the leads and contacts do not count.
""",
    "step": """\
With a known resistor, a battery and a scope
  1  In a row: battery, a resistor of about 10 ohm (20 W), the primary, and a switch (a transistor
     is best, a clean push-button will do).  Diode across the primary as below.
  2  Scope across the resistor, single shot, triggered by the rise.
  3  Read the final voltage, and the time until it has reached 63 % of that (--rise-63-ms).
  L = (all ohms of the loop) x that time.  Ohms: --known-ohm, --coil-ohm, and --other-ohm for
  battery and switch.
""",
    "ramp": """\
With a scope and the coil's own switch (best: it shows saturation)
  1  The coil wired as in the engine, a shunt of 0.1 ohm (5 W) between the switch and ground, the
     plug fitted and grounded.
  2  Charge it for a few ms once in a second (a signal generator, or the firmware on a slowly
     turned rig).  Scope across the shunt: 0.1 V is 1 A.
  3  Read points of the rising current, each as milliseconds and ampere: --point 0.5 1.1
     --point 1.0 2.1 ...  Two give the inductance; four or more, up to where the line bends
     upwards, also give the current at which the core saturates.
  --volts is the supply while it charges less the switch's drop; --ohm all of the loop: coil,
  shunt, wires, battery.
""",
    "ac": """\
With a meter, a known resistor and a low-voltage AC transformer (6 to 12 V, isolated)
  1  In a row: transformer, a resistor of 10 ohm (20 W), the primary.
  2  Read three AC voltages without changing anything: across the resistor (--known-v), the coil
     (--coil-v), and both together (--both-v).  --hz is 50 or 60.
  Losses in the iron make this the coarsest way (some 20 %).  The lead carries about 100 times the
  coil's voltage all the time: fit nothing to it, lay it free, and touch nothing.
""",
    "turns": """\
With a meter of 10 Mohm and a low-voltage AC transformer
  1  Put about 1 V AC on the primary (transformer and series resistor as for `ac`); read it exactly
     (--primary-v).
  2  Read the AC voltage between the high-voltage end and ground (--secondary-v): it is 50 to 130
     times as much.  That is enough to hurt: connect the meter first, then the transformer.
""",
}


def how_text(way: str) -> str:
    """Return the instructions of one way, with the caution where a battery is used."""
    return HOW[way] + ("\n" + CAUTION if way in ("divider", "step", "ramp") else "")
