"""Ground and lining: characteristic curves with what was measured on them, and what the movements taught."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib.axes import Axes

from convergence.lining.back_analysis_posterior import weighted_quantiles
from convergence.lining.back_analysis_prior import RANGE_AT, values_at
from convergence.lining.back_analysis_result import BackAnalysis
from convergence.lining.demand import Demand
from convergence.lining.demand_balance import PRESSURE_ERROR
from convergence.lining.design import design_ground
from convergence.lining.shown import doubt, shown
from convergence.plots.canvas import draw_foot, house_settings, own_axes
from convergence.plots.style import GREY, INK, LINE_STYLES, PALE, SMALL, USUAL

SHOWN = 60
"""Samples behind a band of curves."""
ENDS = (0.05, 0.5, 0.95)


def characteristic_curves(
    analysis: BackAnalysis, section: str, demand: Demand | None = None, ax: Axes | None = None
) -> Axes:
    """Ground reaction and the lining's way, with the measured closure on them.

    Parameters
    ----------
    analysis : BackAnalysis
        The posterior.
    section : str
        One of its sections.
    demand : Demand, optional
        Of the section, for the measured points: closure at the zero reading and at the last one, and the pressure that
        goes with the thrust by measured strain.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes
        Closure since the ground was undisturbed [mm] across, pressure [MPa] up.
    """
    if ax is None:
        with house_settings():
            drawn = characteristic_curves(analysis, section, demand, own_axes(6.4, 4.6, (0.75, 1.05, 0.2, 0.75)))
            low, high = PRESSURE_ERROR[analysis.models[analysis.sections.index(section)].ground.strength]
            words = (
                "Equal part of the movement. The lining's line starts where it is sprayed; it is the plane "
                f"construction's,\n{1.0 - 1.0 / low:.0%} to {1.0 - 1.0 / high:.0%} low in pressure."
            )
            draw_foot(drawn, words)
            return drawn
    model = analysis.models[analysis.sections.index(section)]
    ground_style, lining_style = LINE_STYLES[0], LINE_STYLES[1]
    kept = analysis.draws.normal[analysis.draws.equal(SHOWN)]
    ground, lining, _ = values_at(analysis.priors, kept)
    reaction = model.reaction(ground)
    top = float(np.max(np.asarray(reaction.stress)))
    pressures = np.linspace(0.0, top, 60)[:, None]
    inside = np.minimum(pressures, np.asarray(reaction.stress))
    closures = np.where(pressures <= np.asarray(reaction.stress), reaction.movement(inside, model.radius), np.nan)
    closures = np.broadcast_to(closures, (60, SHOWN))
    response = model.respond(ground, lining)
    steps = np.linspace(0.0, 1.0, 80)
    moved, carried = np.asarray(response.balance.movement), np.asarray(response.balance.support_pressure)
    reach = float(np.quantile(moved[-1], 0.95))
    for sample in range(SHOWN):
        ax.plot(closures[:, sample], pressures[:, 0], color=GREY, alpha=0.18, linewidth=0.6, zorder=1.5)
        path = np.interp(steps, np.linspace(0.0, 1.0, len(moved)), np.arange(len(moved))).astype(int)
        begun = np.broadcast_to(carried, moved.shape)[path, sample] > 0.0
        ax.plot(
            moved[path, sample][begun],
            np.broadcast_to(carried, moved.shape)[path, sample][begun],
            color=lining_style.colour,
            alpha=0.18,
            linewidth=0.6,
            zorder=1.6,
        )
    middle = values_at(analysis.priors, analysis.draws.mean[None, :])
    best = model.reaction(middle[0])
    line = np.linspace(0.0, float(np.max(np.asarray(best.stress))), 80)
    ax.plot(
        best.movement(line, model.radius),
        line,
        color=ground_style.colour,
        linewidth=1.8,
        label="ground, posterior mean",
        zorder=3.0,
    )
    design = design_ground(model.ground)
    line = np.linspace(0.0, float(np.max(np.asarray(design.stress))), 80)
    ax.plot(
        design.movement(line, model.radius),
        line,
        color=GREY,
        linestyle=(0, (4, 2)),
        linewidth=1.3,
        label="ground, as designed",
        zorder=2.5,
    )
    answer = model.respond(middle[0], middle[1])
    support = np.broadcast_to(answer.balance.support_pressure, answer.balance.movement.shape)[:, 0]
    on = support > 0.0
    ax.plot(
        answer.balance.movement[on, 0],
        support[on],
        color=lining_style.colour,
        linestyle=lining_style.dash,
        linewidth=1.8,
        label="lining along the advance",
        zorder=3.2,
    )
    if demand is not None and len(demand.history.closure):
        _measured(ax, demand, model.radius)
        reach = max(reach, demand.history.lost + float(demand.history.closure[-1]) + 2.0 * demand.history.lost_error)
    ax.set_xlim(0.0, 1.25 * reach)
    ax.set_ylim(0.0, 1.02 * top)
    ax.grid(color=PALE, linewidth=0.6)
    ax.set_xlabel("closure since the ground was undisturbed, lost part included [mm]", fontsize=USUAL)
    ax.set_ylabel("pressure on the wall [MPa]", fontsize=USUAL)
    ax.legend(fontsize=SMALL, frameon=False, loc="upper right")
    ax.set_title(
        f"{doubt(analysis.warning)}{section}   characteristic curves, data until {analysis.data_until}Z",
        fontsize=USUAL + 2,
        fontweight="bold",
        loc="left",
        parse_math=False,
        pad=18,
    )
    ax.text(
        0.0,
        1.015,
        "thin: samples of the posterior; bars of points: 90 % up, 1 s.d. across",
        transform=ax.transAxes,
        fontsize=SMALL,
        va="bottom",
    )
    return ax


def prior_and_posterior(analysis: BackAnalysis, ax: Axes | None = None) -> Axes:
    """Prior and posterior of every parameter on one scale: the design's range is from -1 to 1.

    Parameters
    ----------
    analysis : BackAnalysis
        The posterior.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes
        The middle 90 % before (hollow) and after (filled), with the numbers beside them.
    """
    table = analysis.parameters()
    if ax is None:
        with house_settings():
            drawn = prior_and_posterior(analysis, own_axes(8.2, 1.8 + 0.42 * len(table), (1.75, 1.0, 2.9, 0.6)))
            draw_foot(
                drawn, "From projected finals since the zero reading [mm] and lost parts; ranges are the middle 90 %."
            )
            return drawn
    style = LINE_STYLES[1]
    for place, (_, row) in enumerate(table.iterrows()):
        at = len(table) - 1 - place
        normal = weighted_quantiles(analysis.draws.normal[:, place], analysis.draws.weight, ENDS) / RANGE_AT
        ax.barh(at, 2.0, left=-1.0, height=0.5, facecolor="white", edgecolor=GREY, linewidth=0.9, zorder=2.0)
        ax.barh(at, normal[2] - normal[0], left=normal[0], height=0.24, color=style.colour, zorder=3.0)
        ax.plot([normal[1]], [at], marker="|", color="white", markersize=7.0, zorder=4.0)
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        words = (
            f"{shown(row['prior_low'])} to {shown(row['prior_high'])}{unit}: now {shown(row['low'])} to "
            f"{shown(row['high'])}; "
            f"{row['said']}"
        )
        ax.annotate(
            textwrap.fill(words, 50),
            (1.0, at),
            (6, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            fontsize=SMALL,
            va="center",
            parse_math=False,
        )
    ax.set_yticks(range(len(table)), list(table.index)[::-1], fontsize=USUAL)
    ax.set_xlim(-2.2, 2.2)
    ax.set_xticks([-1.0, 0.0, 1.0], ["low end of\nthe range", "design", "high end of\nthe range"], fontsize=SMALL)
    ax.axvline(0.0, color=GREY, linewidth=0.7, zorder=1.0)
    ax.set_ylim(-0.6, len(table) - 0.4)
    ax.set_title(
        f"{doubt(analysis.warning)}{', '.join(analysis.sections)}   hollow: before, filled: after the readings until "
        f"{analysis.data_until}Z",
        fontsize=USUAL + 1,
        fontweight="bold",
        loc="left",
        parse_math=False,
    )
    return ax


def _measured(ax: Axes, demand: Demand, radius: float) -> None:
    """Closure at the zero reading and at the last one, with the pressure of the measured strain."""
    history = demand.history
    last = history.lost + float(history.closure[-1])
    across = float(np.hypot(history.lost_error, history.error))
    # what the lining took before its prisms were fixed is its pressure at the zero reading, by strain as well
    zero = tuple(number / radius for number in demand.thrust_at_zero)
    known = not np.isnan(zero[1])
    words = "zero reading: closure before it, lost, estimated"
    if known:
        words += ",\npressure derived from its strain"
    ax.errorbar(
        [history.lost],
        [zero[1] if known else 0.0],
        xerr=[[min(history.lost_error, history.lost)], [history.lost_error]],
        yerr=[[zero[1] - zero[0]], [zero[2] - zero[1]]] if known else None,
        fmt="o",
        color=INK,
        markerfacecolor="white",
        markersize=5.0,
        capsize=3.0,
        linewidth=1.0,
        label=words,
        zorder=5.0,
    )
    if demand.refused:
        ax.axvline(last, color=INK, linewidth=0.9, linestyle=(0, (1, 1.5)))
        ax.annotate(
            "measured; no pressure\ngiven",
            (last, 0.5),
            (3, 0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            fontsize=SMALL,
        )
        return
    low, middle, high = (number / radius for number in demand.thrust)
    ax.errorbar(
        [last],
        [middle],
        xerr=[[across], [across]],
        yerr=[[middle - low], [high - middle]],
        fmt="D",
        color=INK,
        markersize=5.0,
        capsize=3.0,
        linewidth=1.0,
        label=f"measured until {demand.at}Z: closure read,\npressure derived from its strain",
        zorder=5.0,
    )
