"""Inverse velocity of one measure against time: where movement accelerates, its line falls towards zero."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from convergence.measures.rates import rate
from convergence.measures.series import Series
from convergence.plots.canvas import draw_foot, house_settings, own_axes
from convergence.plots.clock import date_axis
from convergence.plots.labels import write
from convergence.plots.style import GREY, INK, SMALL, USUAL
from convergence.plots.view import SectionView, section_view
from convergence.triggers import Outlook
from convergence.triggers.changes import ACCELERATION

Floats = npt.NDArray[np.float64]

#: Window of the rates and step from one to the next [days]; a shorter window seldom resolves a rate.
WINDOW, STEP = 2.0, 1.0
#: A rate is resolved where it is this many standard errors.
RESOLVED = 2.0
#: Days before the instant of the analysis that are shown, and the last of them the line is laid through.
DAYS_SHOWN, DAYS_FITTED = 14.0, 6.0
#: A line that reaches zero later than this many days from the analysis is not drawn.
MOST_AHEAD = 30.0


def falling_line(time: Floats, rate_: Floats, error: Floats) -> tuple[float, float, float]:
    """Straight line through inverse rates, each weighted by how sure it is.

        y_i = 1 / v_i,   w_i = (v_i^2 / s_i)^2,   b = sum w_i (t_i - t) y_i / sum w_i (t_i - t)^2,
        s_b = 1 / sqrt(sum w_i (t_i - t)^2)

    with t the weighted mean of the days. The slow days before movement quickens have inverse rates with large errors;
    unweighted they would outvote the fast ones.

    Parameters
    ----------
    time : (n,) array
        Days, two or more different ones.
    rate_, error : (n,) arrays
        Rates, not 0, and their standard errors, above 0 [mm/day], independent of each other.

    Returns
    -------
    slope, slope_error : float
        [1/mm].
    zero : float
        Day on which the line meets zero; infinite where it does not fall.

    Examples
    --------
    Rates of 2 +-0.4 mm/day on three days side by side: the slope is 0, its error 0.1 / sqrt(2).

    >>> [round(item, 5) for item in falling_line(np.arange(3.0), np.full(3, 2.0), np.full(3, 0.4))[:2]]
    [0.0, 0.07071]
    """
    weight = (rate_**2 / error) ** 2
    inverse = 1.0 / rate_
    centre, middle = (float(np.average(item, weights=weight)) for item in (time, inverse))
    away = time - centre
    spread = float(weight @ away**2)
    slope = float(weight @ (away * (inverse - middle))) / spread
    return slope, spread**-0.5, centre - middle / slope if slope < 0 else float("inf")


def accelerating(outlook: Outlook) -> tuple[tuple[str, str], ...]:
    """Section and label of every measure in which an acceleration was found lately, for ``inverse_velocity``.

    Lately is as ``outlook.changes`` tells it, so the figure stands as long as the acceleration does.
    """
    found = outlook.changes[outlook.changes["kind"] == ACCELERATION]
    told = []
    for section, measure, prisms in zip(found["section"], found["measure"], found["prisms"], strict=True):
        carried = outlook.projection.sections.get(str(section))
        own = () if carried is None else carried.series
        label = next((item.label for item in own if (item.measure, item.prisms) == (measure, prisms)), "")
        told.append((str(section), label or f"{measure} {prisms}"))
    return tuple(dict.fromkeys(told))


def rate_course(series: Series, view: SectionView) -> tuple[Floats, Floats, Floats]:
    """Ends, rates and standard errors [mm/day] of windows a day apart, the last up to the instant of the analysis."""
    noise = view.outlook.projection.noise.scaled(series.measure)
    days = view.now - STEP * np.arange(np.floor(DAYS_SHOWN / STEP), -1.0, -1.0)
    found = [rate(series.time, series.value, series.segment, noise, WINDOW, float(day))[:2] for day in days]
    values = np.array(found, dtype=np.float64).reshape(-1, 2)
    return days, values[:, 0], values[:, 1]


def inverse_velocity(outlook: Outlook, section: str, measure: str | None = None, ax: Axes | None = None) -> Axes:
    """Inverse velocity of one measure over the last two weeks.

    Points are the inverse of the rate over two days, one a day, where the rate is resolved; bars are one standard error
    of the rate. A line is laid through the last six days, each weighted by how sure it is, where they fall beyond twice
    the slope's standard error, and dashed to where it reaches zero. That day is a sign that movement runs away if
    nothing is done, not a forecast of a collapse.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    section : str
        The section.
    measure : str, optional
        Label ("settlement crown"); the most urgent measure of the section unless given.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes
        The axes drawn in; its figure is ``.figure``.

    Raises
    ------
    ValueFault
        If the section or the measure is unknown; the message lists those there are.
    """
    view = section_view(outlook, section)
    chosen = view.series if measure is None else view.choose(measure)
    series = view.most_urgent(chosen)
    if ax is not None:
        _draw(ax, view, series)
        return ax
    with house_settings():
        ax = own_axes(5.6, 3.4, (0.6, 0.95, 0.15, 0.35))
        _draw(ax, view, series)
        words = "Bars: one standard error of the rate. Upright line: the analysis."
        draw_foot(ax, f"{words} A line to zero is a warning, not a forecast.")
    return ax


def _draw(ax: Axes, view: SectionView, series: Series | None) -> None:
    name = "" if series is None else f": {series.label.replace(':', ' to ')}"
    words = f"{view.section}{name}, inverse velocity"
    ax.set_title(words, loc="left", fontsize=USUAL + 0.5, fontweight="bold", parse_math=False)
    ax.set_ylabel(f"1 / rate over {WINDOW:g} days [days/mm]", fontsize=SMALL, labelpad=3.0)
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
    end = view.now + 2.0
    days, speed, error = rate_course(series, view) if series is not None else (np.empty(0), np.empty(0), np.empty(0))
    # movement either way has a speed; what lies within its own error has none
    speed = np.abs(speed)
    good = np.isfinite(speed) & (speed > RESOLVED * error)
    if not good.any():
        ax.set_xlim(*view.clock.numbers([view.now - DAYS_SHOWN, end]))
        date_axis(ax, view.clock)
        ax.set_yticks([])
        write(ax, 0.5, 0.5, "no rate is resolved", across="center", weight="bold", size=USUAL)
        return
    days, speed, error = days[good], speed[good], error[good]
    middle = days - WINDOW / 2.0
    inverse = 1.0 / speed
    bars = np.array([inverse - 1.0 / (speed + error), 1.0 / (speed - error) - inverse])
    recent = middle >= view.now - DAYS_FITTED
    if recent.sum() > 2:
        # neighbouring windows share readings: the line is less sure than if they did not
        shared = float(np.sqrt(WINDOW / STEP))
        slope, unsure, zero = falling_line(middle[recent], speed[recent], shared * error[recent])
        falls = slope + 2.0 * unsure < 0
        if falls and zero < view.now + MOST_AHEAD:
            end = max(end, zero + 0.5)
            start = float(middle[recent][0])
            ends = np.array([start, zero])
            ax.plot(view.clock.numbers(ends), slope * (ends - zero), color=INK, dashes=(5, 2), linewidth=1.2)
            told = f"line reaches zero on {view.clock.date(zero)}"
            write(ax, 0.98, 0.94, told, across="right", up="top", weight="bold", backed=True)
        else:
            why = f"reach zero in more than {MOST_AHEAD:g} days" if falls else "fall by less than twice their error"
            told = f"the last days {why if slope < -unsure else 'do not fall'}: no line"
            write(ax, 0.98, 0.94, told, across="right", up="top", backed=True)
    numbers = view.clock.numbers(middle)
    ax.errorbar(numbers, inverse, yerr=bars, linestyle="none", marker="o", markersize=3.0, color=INK, elinewidth=0.6)
    ax.set_xlim(*view.clock.numbers([view.now - DAYS_SHOWN, end]))
    ax.set_ylim(0.0, 1.3 * float(inverse.max()))
    date_axis(ax, view.clock)
    ax.axvline(view.clock.number(view.now), color=INK, linewidth=1.2, zorder=1.4)
    left = int((~good).sum())
    if left:
        words = f"{left} rates within {RESOLVED:g} standard errors of 0, or not read: not drawn"
        write(ax, 0.02, 0.94, words, up="top", colour=GREY, size=SMALL - 0.5, backed=True)
