"""The heat strip: how fast each section moved on each day, chainage against time, with the faces."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import BoundaryNorm, ListedColormap, to_hex
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter

from convergence.errors import ValueFault
from convergence.measures.rates import RATE_WINDOW, rate
from convergence.measures.series import Series
from convergence.plots.canvas import draw_foot, figure_of, house_settings, own_axes
from convergence.plots.clock import clock_of, date_axis
from convergence.plots.labels import write
from convergence.plots.movements import LONGEST_GAP
from convergence.plots.overview import main_label
from convergence.plots.style import GREY, INK, SMALL, STAGE_DASHES, USUAL
from convergence.plots.view import SectionView, section_view
from convergence.terms import TERMS
from convergence.triggers import Outlook

Floats = npt.NDArray[np.float64]

#: Days a strip shows unless asked otherwise.
DAYS_SHOWN = 42.0
#: Ends of the classes [mm/day]; each is darker than the one before, in colour and in grey.
CLASSES = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0)
#: A rate is told from none where it is this many standard errors.
TOLD = 2.0


def heat_strip(
    outlook: Outlook, measure: str | None = None, days: float | None = DAYS_SHOWN, ax: Axes | None = None
) -> Axes:
    """Rate of one measure, every section against time, darker where faster.

    A cell is a day; its shade is the rate over the three days to its end. A rate within two of its standard errors is
    shown as the lowest class. Hatched cells have no reading in the two days before their end, or too few for a rate,
    although the section was being read: they are missing, not calm. Lines are the faces.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    measure : str, optional
        Label of the measure ("settlement crown"); the crown's settlement, or what stands for it, unless given.
    days : float, optional
        Days before the instant of the analysis that are shown; None for all.
    ax : Axes, optional
        Where to draw; a figure of its own unless given. To its right there must be room for the key.

    Returns
    -------
    Axes
        The axes drawn in; its figure is ``.figure``.

    Raises
    ------
    ValueFault
        If no section has the measure, or ``days`` is not above 0.
    """
    views = [section_view(outlook, section) for section in outlook.job.sections]
    labels = list(dict.fromkeys(series.label for view in views for series in view.series))
    label = main_label(views, "settlement") or next(iter(labels), "") if measure is None else measure
    if label not in labels:
        raise ValueFault(
            f"measure '{label}' has no reading in any section; expected one of {', '.join(labels)}. "
            "To mend: use one of these labels."
        )
    if days is not None and not days > 0:
        raise ValueFault(f"days = {days}: expected above 0, or None for all. To mend: give days as {DAYS_SHOWN:g}.")
    if ax is not None:
        _draw(ax, outlook, views, label, days)
        return ax
    with house_settings():
        ax = own_axes(11.0, 4.2, (0.85, 0.82, 1.1, 0.35))
        _draw(ax, outlook, views, label, days)
        words = f"Rate over {RATE_WINDOW:g} days to each day's end; within {TOLD:g} standard errors of 0: lowest class."
        draw_foot(ax, f"{words} Hatched: missing although the section was being read. Lines: the faces.")
    return ax


def class_colours() -> list[str]:
    """A colour for each class and one for what lies beyond the last; steps in grey are about even."""
    return [to_hex(colormaps["YlGnBu"](share)) for share in (0.0, 0.24, 0.42, 0.6, 0.8, 1.0)]


def day_grid(now: float, first: float) -> Floats:
    """Whole days up to an instant: ends of the cells [days since the epoch], ascending."""
    count = max(int(np.ceil(now - first)), 1)
    return now - np.arange(count, -1.0, -1.0)


def daily_rates(outlook: Outlook, series: Series, ends: Floats) -> Floats:
    """Rates [mm/day] over the days that end at the given instants; 0 where not told from none, NaN where missing."""
    noise = outlook.projection.noise.scaled(series.measure)
    found = np.full(len(ends), np.nan)
    for place, end in enumerate(ends):
        row = int(np.searchsorted(series.time, end, side="right")) - 1
        if row < 0 or end - series.time[row] > LONGEST_GAP:
            continue
        value, error, _ = rate(series.time, series.value, series.segment, noise, RATE_WINDOW, float(end))
        if np.isfinite(value):
            found[place] = value if value > TOLD * error else 0.0
    return found


def _draw(ax: Axes, outlook: Outlook, views: Sequence[SectionView], label: str, days: float | None) -> None:
    clock = clock_of(outlook.job)
    now = outlook.job.days(outlook.job.now)
    first = min(float(item.time[0]) for view in views for item in view.series)
    ends = day_grid(now, first if days is None else max(first, now - days))
    chainage = np.array([view.chainage for view in views])
    order = np.argsort(chainage)
    edges = _edges(chainage[order])
    colours = ListedColormap(class_colours())
    norm = BoundaryNorm(CLASSES, colours.N, extend="max")
    numbers = clock.numbers(ends)
    for place, row in enumerate(order):
        series = next((item for item in views[int(row)].series if item.label == label), None)
        if series is None:
            continue
        rates = daily_rates(outlook, series, ends[1:])
        known = np.isfinite(rates)
        box = (edges[place], edges[place + 1])
        ax.pcolormesh(numbers, np.array(box), np.ma.masked_invalid(rates)[None, :], cmap=colours, norm=norm)
        watched = ends[1:] >= float(series.time[0]) + 1.0
        for cell in np.flatnonzero(~known & watched):
            ax.fill_between(
                numbers[cell : cell + 2], *box, facecolor="white", edgecolor=GREY, hatch="////", linewidth=0.0
            )
    ax.set_xlim(float(numbers[0]), float(numbers[-1]))
    ax.set_ylim(float(edges[0]), float(edges[-1]))
    _draw_faces(ax, outlook, float(ends[0]), now)
    date_axis(ax, clock)
    stationing = outlook.job.stationing
    if stationing:
        ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{float(stationing.site(value)[0]):g}"))
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
    ax.set_ylabel(f"chainage [m]\n{TERMS['chainage'].sign}", fontsize=SMALL, labelpad=3.0)
    name = label.replace(":", " to ")
    ax.set_title(f"{name}: rate over time, each section in its strip", loc="left", fontsize=USUAL + 0.5, weight="bold")
    _key(ax, ScalarMappable(norm, colours), _sign(label))


def _sign(label: str) -> str:
    """What a positive rate of a measure means."""
    term = TERMS.get(label.split(" ", 1)[0])
    return "" if term is None else term.sign


def _edges(chainage: Floats) -> Floats:
    """Ends of the strips: half way between sections, and as far beyond the first and the last."""
    if len(chainage) == 1:
        return np.array([chainage[0] - 5.0, chainage[0] + 5.0])
    middle = (chainage[1:] + chainage[:-1]) / 2
    return np.concatenate([[2 * chainage[0] - middle[0]], middle, [2 * chainage[-1] - middle[-1]]])


def _draw_faces(ax: Axes, outlook: Outlook, first: float, now: float) -> None:
    """The logged way of each stage's face, named where it leaves the picture."""
    clock = clock_of(outlook.job)
    low, high = ax.get_ylim()
    for place, (name, track) in enumerate(outlook.projection.tracks.items()):
        until = min(now, track.logged_until)
        days = np.unique(np.concatenate([[first], track.time[(track.time > first) & (track.time < until)], [until]]))
        way = np.interp(days, track.time, track.chainage)
        dash = STAGE_DASHES[place % len(STAGE_DASHES)]
        ax.plot(clock.numbers(days), way, color="white", linewidth=3.0, zorder=3.0)
        ax.plot(clock.numbers(days), way, color=INK, linewidth=1.3, linestyle=dash, zorder=3.1)
        inside = np.flatnonzero((way >= low) & (way <= high))
        if len(inside):
            at = int(inside[len(inside) // 2])
            x = float(clock.number(float(days[at])))
            write(ax, x, float(way[at]), name, where="data", across="right", up="bottom", weight="bold", backed=True)


def _key(ax: Axes, scale: ScalarMappable, sign: str) -> None:
    """The classes to the right, and the hatching."""
    box = ax.get_position()
    figure = figure_of(ax)
    wide, high = figure.get_size_inches()
    bar = figure.add_axes((box.x1 + 0.16 / wide, box.y0 + 0.42 / high, 0.16 / wide, box.height - 0.62 / high))
    figure.colorbar(scale, cax=bar, ticks=list(CLASSES), extend="max")
    bar.tick_params(labelsize=SMALL, length=2.0, pad=1.5)
    bar.set_ylabel(f"mm/day, {sign}", fontsize=SMALL, labelpad=2.0)
    patch = Patch(facecolor="white", edgecolor=GREY, hatch="////", label="missing")
    ax.legend(
        handles=[patch], loc="lower left", bbox_to_anchor=(1.005, -0.02), fontsize=SMALL, frameon=False, borderpad=0.2
    )
