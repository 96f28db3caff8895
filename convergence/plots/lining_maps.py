"""What-if maps and the strain of a lining by time."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from convergence.job.strain_gauges import GaugeReading
from convergence.laws.arrays import FloatArray
from convergence.lining.demand import Demand
from convergence.lining.shown import doubt
from convergence.lining.what_if_result import WhatIfMap
from convergence.plots.canvas import draw_foot, house_settings, own_axes
from convergence.plots.style import GREY, INK, LINE_STYLES, PALE, SMALL, USUAL
from convergence.survey.job import Job

ROOM, EDGE = 0.09, 0.12
"""Shares of the axes between labels, and from the edge to one."""


def what_if_contours(found: WhatIfMap, ax: Axes | None = None) -> Axes:
    """A map of two things with lines of equal final movement and of equal utilisation, and the design's point on it.

    Parameters
    ----------
    found : WhatIfMap
        The map.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes
        Movement in solid lines, trigger levels thick, utilisation (thrust where none is known) in dashed ones.
    """
    if ax is None:
        with house_settings():
            drawn = what_if_contours(found, own_axes(6.2, 4.8, (0.75, 1.15, 0.25, 0.7)))
            words = f"worst utilisation, high end of its {found.confidence:.0%} band [-]"
            if np.isnan(found.utilisation).any():
                words = "thrust [MN/m]"
            draw_foot(drawn, f"Solid: final since the zero reading [mm], median. Dashed: {words}. Star: as designed.")
            return drawn
    solid, dashed = LINE_STYLES[0], LINE_STYLES[2]
    second = found.thrust if np.isnan(found.utilisation).any() else found.utilisation_high
    low, high = np.array([found.across[0], found.up[0]]), np.array([found.across[-1], found.up[-1]])
    star = (np.array(found.design) - low) / (high - low)
    taken = [(float(star[0]), float(star[1]))] if np.isfinite(star).all() else []
    _lines(ax, found, found.final, solid.colour, "solid", "%.3g mm", taken)
    _lines(ax, found, np.where(np.isfinite(second), second, np.nan), dashed.colour, "dashed", "%.3g", taken)
    shown = []
    for name, level in found.levels:
        if float(found.final.min()) < level < float(found.final.max()):
            ax.contour(found.across, found.up, found.final, levels=[level], colors=INK, linewidths=2.4)
            shown.append(f"{name} {level:g} mm")
    inside = [
        low <= value <= high
        for value, low, high in zip(
            found.design, (found.across[0], found.up[0]), (found.across[-1], found.up[-1]), strict=True
        )
    ]
    if any(np.isnan(found.design)):
        ax.text(0.01, 0.01, "the design has no such point", transform=ax.transAxes, fontsize=SMALL)
    elif all(inside):
        ax.plot(
            *found.design, marker="*", markersize=13.0, color=INK, markerfacecolor="white", linestyle="none", zorder=5.0
        )
    else:
        ax.text(0.01, 0.01, "the design's point lies outside", transform=ax.transAxes, fontsize=SMALL)
    for axis, (unit, words) in zip(("x", "y"), found.axes, strict=True):
        text = words if unit == "1" else f"{words} [{unit}]"
        (ax.set_xlabel if axis == "x" else ax.set_ylabel)(text, fontsize=USUAL)
    beyond = [f"{name} {level:g} mm" for name, level in found.levels if level >= float(found.final.max())]
    notes = [f"thick: {', '.join(shown)}"] if shown else []
    notes += [f"levels beyond the map: {', '.join(beyond)}"] if beyond else []
    if found.left_out:
        notes.append(f"not drawn, since excavation or not in force at the horizon: {', '.join(found.left_out)}")
    note = textwrap.fill("; ".join(notes), 88)
    ax.text(0.0, 1.015, note, transform=ax.transAxes, fontsize=SMALL, va="bottom", parse_math=False)
    ax.set_title(
        f"{doubt(found.warning)}{found.section}   {found.measure}, data until {found.data_until}Z",
        fontsize=USUAL + 2,
        fontweight="bold",
        loc="left",
        pad=18 + 9 * note.count("\n"),
        parse_math=False,
    )
    return ax


def lining_strain(job: Job, demand: Demand, gauges: Sequence[GaugeReading] = (), ax: Axes | None = None) -> Axes:
    """Hoop strain of the lining by its prisms with its band, and strain gauges beside it.

    Parameters
    ----------
    job : Job
        For its dates.
    demand : Demand
        Of a section.
    gauges : sequence of GaugeReading
        Readings; those of the section are drawn, each from the prisms' strain at its first reading on.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes
        Strain since the lining was sprayed [microstrain, + compression] over days since the zero reading.
    """
    if ax is None:
        with house_settings():
            drawn = lining_strain(job, demand, gauges, own_axes(6.2, 3.9, (0.8, 1.05, 0.2, 0.55)))
            draw_foot(
                drawn,
                "Band: 5 to 95 %, with noise of the prisms and what came before them. Gauges start on the median.",
            )
            return drawn
    title = f"{demand.section}   strain since the lining came, until {demand.at}Z"
    ax.set_title(title, fontsize=USUAL + 2, fontweight="bold", loc="left", parse_math=False)
    ax.set_ylabel("hoop strain [microstrain, + compression]", fontsize=USUAL)
    ax.grid(color=PALE, linewidth=0.6)
    times = demand.history.time
    if demand.refused or not len(times):
        ax.text(
            0.5,
            0.5,
            f"no strain is given:\n{demand.refused}",
            transform=ax.transAxes,
            ha="center",
            fontsize=USUAL,
            parse_math=False,
        )
        return ax
    days = times - times[0]
    zero = str(job.instant(float(times[0])))[:16]
    low, middle, high = np.quantile(demand.strain_samples, (0.05, 0.5, 0.95), axis=1)
    ax.fill_between(days, low, high, color=PALE, edgecolor=GREY, linewidth=0.5, zorder=1.5)
    ax.plot(days, middle, color=INK, linewidth=1.6, label="by the prisms", zorder=3.0)
    own = [item for item in gauges if item.section == demand.section]
    for place, gauge in enumerate(dict.fromkeys(item.gauge for item in own)):
        readings = sorted((job.days(item.time), item.strain) for item in own if item.gauge == gauge)
        at = np.array([day for day, _ in readings]) - times[0]
        strain = np.array([value for _, value in readings])
        style = LINE_STYLES[1 + place % (len(LINE_STYLES) - 1)]
        start = float(np.interp(at[0], days, middle))
        ax.plot(
            at,
            strain - strain[0] + start,
            color=style.colour,
            marker=style.marker,
            markersize=3.5,
            markerfacecolor=style.face,
            linestyle=style.dash,
            linewidth=0.9,
            label=f"gauge {gauge}",
            zorder=4.0,
        )
    ax.set_xlabel(f"days since the zero reading, {zero}Z", fontsize=USUAL)
    ax.legend(fontsize=SMALL, frameon=False, loc="lower right")
    return ax


def _lines(
    ax: Axes, found: WhatIfMap, values: FloatArray, colour: str, dash: str, form: str, taken: list[tuple[float, float]]
) -> None:
    """Lines of equal value, each labelled where there is room; none where there is nothing to tell apart.

    `taken` has the places of labels and marks so far, as shares of the axes, and grows.
    """
    if not np.isfinite(values).any() or float(np.nanmax(values) - np.nanmin(values)) < 1e-9:
        return
    bottom, top = float(np.nanmin(values)), float(np.nanmax(values))
    # a trigger level has a thick line of its own, which would lie over the label
    own = [level for _, level in found.levels]
    levels = [
        level
        for level in MaxNLocator(8).tick_values(bottom, top)
        if bottom < level < top and not any(abs(level - other) < 1e-9 for other in own)
    ]
    if not levels:
        return
    drawn = ax.contour(found.across, found.up, values, levels=levels, colors=colour, linestyles=dash, linewidths=1.1)
    low = np.array([found.across[0], found.up[0]])
    size = np.array([found.across[-1], found.up[-1]]) - low
    places = []
    for parts in drawn.allsegs:
        best, room = None, ROOM
        for part in (item for item in parts if len(item) > 1):
            fine = np.linspace(0.0, len(part) - 1.0, 60)
            line = np.stack([np.interp(fine, np.arange(len(part)), part[:, axis]) for axis in (0, 1)], axis=1)
            for x, y in (line - low) / size:
                clear = min((float(np.hypot(x - other[0], y - other[1])) for other in taken), default=1.0)
                # near the edge a label would be cut off
                if EDGE < x < 1.0 - EDGE and 0.5 * EDGE < y < 1.0 - 0.5 * EDGE and clear > room:
                    best, room = (float(x), float(y)), clear
        if best is not None:
            taken.append(best)
            places.append(tuple(low + size * best))
    if places:
        ax.clabel(drawn, fmt=form, fontsize=SMALL, manual=places)
