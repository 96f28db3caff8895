"""Deflection lines: one measure along the tunnel when the face stood at equal distances past each section."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from scipy.special import ndtri

from convergence.errors import ValueFault
from convergence.job.schema import Datum
from convergence.plots.canvas import axes_box, draw_foot, house_settings, own_axes, pixels_per_point
from convergence.plots.chainage_axis import show_site_chainages
from convergence.plots.labels import spread, write
from convergence.plots.movements import movement_at_distance
from convergence.plots.overview import main_label
from convergence.plots.style import GREY, INK, LINE_STYLES, SMALL, USUAL
from convergence.plots.view import SectionView, section_view
from convergence.terms import TERMS
from convergence.triggers import Outlook

#: Face distances of the lines, in widths of the tunnel.
WIDTHS = (0.5, 1.0, 2.0, 4.0)
#: A zero reading this much further [m] behind the face than the median one is named: its line starts lower.
LATE = 2.0


def deflection_line(
    outlook: Outlook,
    measure: str | None = None,
    distances: Sequence[float] | None = None,
    since: Datum = "zero reading",
    ax: Axes | None = None,
) -> Axes:
    """One measure of every section along the tunnel, a line for each face distance.

    A point is the movement when the first stage's face first stood so far past the section; its bar holds the error of
    the reading and of the zero reading at the projection's confidence. Where the line bends at equal face distance the
    ground or the work changed, not the advance. A line is broken where a section has no reading near that day.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    measure : str, optional
        Label of the measure ("settlement crown"); the crown's settlement, or what stands for it, unless given.
    distances : sequence of float, optional
        Face distances [m], + past the section; half, one, two and four widths of the tunnel unless given.
    since : {"zero reading", "excavation"}
        Datum. "excavation" adds the median of the part lost before the zero reading, which is estimated, and widens
        the bars by its standard deviation.
    ax : Axes, optional
        Where to draw; a figure of its own unless given. To its right there must be room for the words.

    Returns
    -------
    Axes
        The axes drawn in; its figure is ``.figure``.

    Raises
    ------
    ValueFault
        If no section has the measure; the message lists those there are.
    """
    views = [section_view(outlook, section) for section in outlook.job.sections]
    label = _label(views, measure)
    width = outlook.job.settings.tunnel.width
    wanted = sorted(distances) if distances is not None else [float(round(share * width)) for share in WIDTHS]
    if ax is not None:
        _draw(ax, outlook, views, label, wanted, since)
        return ax
    with house_settings():
        ax = own_axes(11.0, 3.8, (0.85, 0.68, 1.3, 0.35))
        _draw(ax, outlook, views, label, wanted, since)
        draw_foot(ax, _key(outlook, views, label, since))
    return ax


def _label(views: Sequence[SectionView], measure: str | None) -> str:
    labels = list(dict.fromkeys(series.label for view in views for series in view.series))
    if measure is None:
        return main_label(views, "settlement") or main_label(views, "chord") or next(iter(labels), "")
    if measure not in labels:
        raise ValueFault(
            f"measure '{measure}' has no reading in any section; expected one of {', '.join(labels)}. "
            "To mend: use one of these labels."
        )
    return measure


def _draw(
    ax: Axes, outlook: Outlook, views: Sequence[SectionView], label: str, distances: Sequence[float], since: Datum
) -> None:
    factor = float(ndtri(0.5 + outlook.projection.confidence / 2.0))
    chainage = np.array([view.chainage for view in views])
    ends: list[tuple[float, str, str]] = []
    for place, distance in enumerate(distances):
        found = np.array([_value(view, label, distance, since) for view in views]).reshape(-1, 2)
        value, error = found[:, 0], found[:, 1]
        style = LINE_STYLES[place % len(LINE_STYLES)]
        ax.errorbar(
            chainage,
            value,
            yerr=factor * error,
            color=style.colour,
            linestyle=style.dash,
            linewidth=1.1,
            marker=style.marker,
            markersize=4.0,
            markerfacecolor=style.face,
            elinewidth=0.7,
            capsize=1.5,
            zorder=2.0 + 0.1 * place,
        )
        known = np.flatnonzero(np.isfinite(value))
        if len(known):
            ends.append((float(value[known[-1]]), f"{distance:g} m past", style.colour))
    ax.axhline(0.0, color=GREY, linewidth=0.6, zorder=1.0)
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
    ax.set_xlabel(TERMS["chainage"].axis_label, fontsize=USUAL, labelpad=1.0)
    term = TERMS.get(label.split(" ", 1)[0])
    unit, sign = ("mm", "") if term is None else (term.unit, f"{term.sign}, ")
    ax.set_ylabel(f"{label.replace(':', ' to ')} [{unit}]\n{sign}since {since}", fontsize=SMALL, labelpad=3.0)
    if label.startswith("settlement"):
        ax.invert_yaxis()
    show_site_chainages(ax, outlook.job.stationing)
    if not ends:
        words = "no section has a reading at one of these face distances"
        write(ax, 0.5, 0.5, words, across="center", weight="bold", size=USUAL)
        return
    words = "Deflection lines at equal face distance of the first stage"
    ax.set_title(words, loc="left", fontsize=USUAL + 1, fontweight="bold")
    _name_ends(ax, ends)
    if since == "zero reading":
        _name_late(ax, views, label)


def _value(view: SectionView, label: str, distance: float, since: Datum) -> tuple[float, float]:
    """Movement and standard error [mm] of one section; NaN where it has none."""
    series = next((item for item in view.series if item.label == label), None)
    if series is None:
        return float("nan"), float("nan")
    noise = view.outlook.projection.noise.scaled(series.measure)
    value, error = movement_at_distance(series, distance, noise)
    if since == "zero reading":
        return value, error
    if view.projection is None:
        return float("nan"), float("nan")
    index = view.projection.index(label)
    lost, deviation = float(view.projection.lost[index]), float(view.projection.lost_deviation[index])
    return value + lost, float(np.hypot(error, deviation))


def _zero_distances(views: Sequence[SectionView], label: str) -> dict[float, float]:
    """How far past each section [chainage, m] the first stage's face stood at its zero reading [m]."""
    found = {}
    for view in views:
        series = next((item for item in view.series if item.label == label), None)
        path = None if series is None else next(iter(series.paths.values()), None)
        if series is not None and path is not None:
            found[view.chainage] = float(path.at(float(series.time[0])))
    return found


def _name_late(ax: Axes, views: Sequence[SectionView], label: str) -> None:
    """Name the zero readings that were taken later than usual, for more was lost before them."""
    zero = _zero_distances(views, label)
    usual = float(np.median(list(zero.values()))) if zero else 0.0
    for chainage, distance in zero.items():
        if distance > usual + LATE:
            share = (chainage - ax.get_xlim()[0]) / (ax.get_xlim()[1] - ax.get_xlim()[0])
            words = f"zero reading\nat {distance:.1f} m"
            write(ax, share, 0.02, words, across="center", up="bottom", colour=GREY, size=SMALL - 0.5, backed=True)


def _name_ends(ax: Axes, ends: Sequence[tuple[float, str, str]]) -> None:
    """Name the lines to the right of the axes, in the order of their last points."""
    area, scale = axes_box(ax), pixels_per_point(ax)
    wanted = np.array([float(ax.transData.transform((0.0, value))[1]) for value, _, _ in ends])
    placed = spread(wanted, np.full(len(ends), 1.4 * SMALL * scale), area.y0, area.y1)
    for (_, words, colour), up in zip(ends, placed, strict=True):
        write(ax, 1.0, (up - area.y0) / area.height, words, points=(5.0, 0.0), colour=colour, weight="bold")
    write(ax, 1.0, 1.0, "first stage's face", points=(5.0, 6.0), colour=INK, size=SMALL - 0.5)


def _key(outlook: Outlook, views: Sequence[SectionView], label: str, since: Datum) -> str:
    """What bars mean, and how far past the face the zero readings were taken."""
    zero = list(_zero_distances(views, label).values())
    bars = f"Bars: {outlook.projection.confidence:.0%}, reading and zero reading"
    lost = " and the part lost before it, which is estimated" if since == "excavation" else ""
    taken = f" Zero readings were taken with the face {min(zero):.1f} to {max(zero):.1f} m past." if zero else ""
    return f"{bars}{lost}.{taken}"
