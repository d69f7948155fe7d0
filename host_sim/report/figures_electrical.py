"""Pictures of the electrical side: energy, voltage, heat, and other ways to switch the coil."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..run import F64
from .data import ReportData
from .figures import Picture
from .svg import BAND, CHIP_A, CHIP_B, HOST, INK, MUTED, WANTED, WARN, Sheet, note, speed_axis

Dash = str | tuple[float, tuple[float, ...]]
DASHES: tuple[Dash, ...] = ("-", (0, (6, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)), (0, (3, 3)))


def _axis(axes: Axes, rpm: F64, sheet: Sheet) -> None:
    speed_axis(axes, float(rpm.min()), float(rpm.max()) * 1.02, narrow=sheet.narrow)


def energy(data: ReportData) -> Picture | None:
    """Energy in the coil and at the gap against speed, with all corners."""
    described = data.description
    if described is None or described.electrical.report.nominal is None:
        return None
    given, report = described.electrical.given, described.electrical.report
    nominal, corners = report.nominal, report.corners
    assert nominal is not None and corners is not None
    bar_mj = given.least_gap_j * 1e3
    stored = np.broadcast_to(nominal.energy_j, nominal.rpm.shape) * 1e3
    gap = np.broadcast_to(nominal.burn.gap_j, nominal.rpm.shape) * 1e3
    gaps = corners.curves.burn.gap_j * 1e3

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.8, 4.4)
        axes = figure.subplots()
        axes.plot(nominal.rpm, stored, color=INK, linestyle=(0, (6, 2)), label="stored, nominal")
        axes.plot(nominal.rpm, gap, color=HOST, label="at the plug gap, nominal")
        axes.fill_between(
            nominal.rpm,
            gaps.min(axis=0),
            gaps.max(axis=0),
            color=BAND,
            linewidth=0.0,
            label="at the gap, all corners",
        )
        axes.axhline(bar_mj, color=WARN, linestyle=(0, (2, 2)), label="least that is asked for")
        axes.set_ylim(0.0, float(max(gaps.max(), stored.max())) * 1.08)
        _axis(axes, nominal.rpm, sheet)
        axes.set_ylabel("energy of a spark, mJ")
        sheet.legend(figure, axes)
        return figure

    return Picture(
        "energy",
        "Spark energy against speed",
        f"The shaded part should stay above the dotted line at {bar_mj:g} mJ. It covers "
        f"{len(corners.names)} corners of resistance, inductance, winding temperature and supply "
        f"({given.supply_min_v:g} to {given.supply_max_v:g} V); the weakest "
        f"leaves {gaps.min():.1f} mJ at the gap. Where a line falls to the right, dwell is cut.",
        f"Spark energy against speed: {gap[-1]:.1f} millijoules at the gap at top speed.",
        draw,
    )


def voltage(data: ReportData) -> Picture | None:
    """Voltage the coil can give against what the plug asks for."""
    described = data.description
    if described is None or described.electrical.report.nominal is None:
        return None
    given, report = described.electrical.given, described.electrical.report
    nominal, corners = report.nominal, report.corners
    assert nominal is not None and corners is not None
    worst = corners.curves.available_v.min(axis=0) * 1e-3
    best = corners.curves.available_v.max(axis=0) * 1e-3
    can = np.broadcast_to(nominal.available_v, nominal.rpm.shape) * 1e-3
    asked = np.broadcast_to(nominal.demanded_v, nominal.rpm.shape) * 1e-3

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.8, 4.4)
        axes = figure.subplots()
        axes.fill_between(
            nominal.rpm, worst, best, color=BAND, linewidth=0.0, label="coil, all corners"
        )
        axes.plot(nominal.rpm, can, color=HOST, label="coil, nominal")
        axes.plot(nominal.rpm, asked, color=WARN, linestyle=(0, (6, 2)), label="plug asks for")
        axes.set_ylim(0.0, float(max(best.max(), asked.max())) * 1.08)
        _axis(axes, nominal.rpm, sheet)
        axes.set_ylabel("voltage, kV")
        sheet.legend(figure, axes)
        return figure

    margin = float(np.min(worst / asked))
    twin = ", both plugs of the twin lead together" if given.plugs_in_series == 2 else ""
    return Picture(
        "voltage",
        "Voltage the plug asks for, and what the coil can give",
        "The shaded part should stay well above the dashed line. The plug's demand follows from "
        f"its {given.plug_gap_m * 1e3:g} mm gap and the pressure at the spark's angle"
        f"{twin}; at the worst corner the coil gives {margin:.2f} times that.",
        f"Voltage against speed: the coil can give {can[-1]:.0f} kilovolts, the plug asks for "
        f"{asked[-1]:.0f} at top speed.",
        draw,
    )


def heat(data: ReportData) -> Picture | None:
    """Steady temperatures of coil, driver and ballast at the hottest corner."""
    described = data.description
    found = described.electrical.report.heat if described else None
    if described is None or found is None:
        return None
    given = described.electrical.given
    limits = {
        f"{v.part}": v.limit
        for v in described.electrical.verdicts
        if v.quantity == "steady temperature"
    }
    lines: tuple[tuple[str, F64, str, Dash], ...] = (
        ("coil", found.coil_c, HOST, "-"),
        ("driver", found.driver_c, CHIP_A, (0, (6, 2))),
        ("ballast", found.ballast_c, CHIP_B, (0, (1.5, 1.5))),
    )

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.8, 4.4)
        axes = figure.subplots()
        for name, celsius, colour, dash in lines:
            if name not in limits:
                continue
            shown = np.broadcast_to(celsius, found.rpm.shape)
            axes.plot(found.rpm, shown, color=colour, linestyle=dash, label=name)
            axes.axhline(limits[name], color=colour, linewidth=0.9, linestyle=dash)
            words = f"{name}: at most {limits[name]:g} °C"
            note(axes, float(found.rpm[0]) * 1.1, limits[name], words, va="center")
        axes.set_ylim(0.0, 1.15 * max([*limits.values(), float(np.max(found.coil_c))]))
        _axis(axes, found.rpm, sheet)
        axes.set_ylabel("steady temperature, °C")
        sheet.legend(figure, axes)
        return figure

    return Picture(
        "heat",
        "Steady temperatures",
        "Each line should stay below the level of its own kind. The hottest corner is shown: "
        f"{given.supply_max_v:g} V, a coil of least resistance and inductance, "
        f"{given.ambient_c:g} °C around it, after running for long at one speed.",
        "Steady temperature of "
        + ", ".join(limits)
        + " against speed, each with its greatest allowed value.",
        draw,
    )


def schemes(data: ReportData) -> Picture | None:
    """Energy against speed for all the ways to switch this coil."""
    described = data.description
    curves = described.electrical.report.schemes if described else ()
    if len(curves) < 2:
        return None
    colours = {"constant dwell": HOST, "capacitor discharge": MUTED}
    rest = iter((WANTED, CHIP_A, CHIP_B))
    inks = {c.name: colours.get(c.name) or next(rest, INK) for c in curves}

    def draw(sheet: Sheet) -> Figure:
        figure = sheet.figure(3.8, 4.8)
        axes = figure.subplots()
        for curve, dash in zip(curves, DASHES, strict=False):
            ours = curve.name == "constant dwell"
            axes.plot(
                curve.rpm,
                curve.energy_j * 1e3,
                color=inks[curve.name],
                linestyle="-" if ours else dash,
                linewidth=2.2 if ours else 1.4,
                label=f"{curve.name} (this one)" if ours else curve.name,
            )
        axes.set_ylim(0.0, None)
        _axis(axes, curves[0].rpm, sheet)
        axes.set_ylabel("stored energy a spark, mJ")
        sheet.legend(figure, axes, columns=3)
        return figure

    return Picture(
        "schemes",
        "Other ways to switch the same coil",
        "Where a line sinks, that way loses spark. Constant dwell keeps the energy up to the speed "
        "where dwell no longer fits; contact points and a coil switched by the sensor's own pulse "
        "charge for an angle, so their time shrinks with speed; a one-shot drops sparks when its "
        "time no longer fits. Capacitor discharge is a different coil's way: 1 µF at 300 V, for "
        "comparison.",
        "Stored energy against speed for five ways of switching.",
        draw,
    )
