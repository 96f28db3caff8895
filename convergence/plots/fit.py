"""One law fitted to one measure: readings, curve, residuals, parameters; a fit that is not solved looks it."""

from __future__ import annotations

import math
import textwrap

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from convergence.fitting.curve import CurveFit
from convergence.measures.series import Series
from convergence.plots.canvas import axes_box, below, draw_foot, house_settings, own_axes, pixels_per_point
from convergence.plots.clock import Clock, clock_of, date_axis
from convergence.plots.labels import Place, Space, Up, around, write
from convergence.plots.style import GREY, INK, SMALL, USUAL
from convergence.plots.view import movement_label, short_name
from convergence.survey.job import Job

Floats = npt.NDArray[np.float64]

#: Share of the area, to the right, that the parameters take.
ROOM = 0.27
#: The law is drawn beside the curve through the readings if they differ by this share of the readings' range.
LEAST_OFFSET = 0.03
#: Points at which the law is drawn.
POINTS = 400


def fit_figure(series: Series, fit: CurveFit, ax: Axes | None = None, job: Job | None = None) -> tuple[Axes, Axes]:
    """Readings, fitted curve and residuals of one fit, with its parameters and their standard errors.

    The residuals are readings less curve, less the offset of their segment. A fit whose status is not
    "solved" is drawn dashed under a hatched banner that says so.

    Parameters
    ----------
    series : Series
        The readings.
    fit : CurveFit
        The fit.
    ax : Axes, optional
        Where to draw; its area is divided between readings and residuals. A figure of its own unless given.
    job : Job, optional
        The job of the series; with it the time axis shows dates, without it days since the zero reading.

    Returns
    -------
    tuple of Axes
        Readings and residuals. Their figure is ``[0].figure``.
    """
    if ax is not None:
        return _draw(ax, series, fit, job)
    with house_settings():
        ax = own_axes(9.0, 5.4, (0.75, 0.95, 0.15, 0.42))
        found = _draw(ax, series, fit, job)
        draw_foot(
            ax,
            "Readings carry the error of their zero reading and the offset of their stretch; "
            "the law is the true movement since the zero reading.",
        )
    return found


def _draw(ax: Axes, series: Series, fit: CurveFit, job: Job | None) -> tuple[Axes, Axes]:
    _leave_room(ax)
    lower = below(ax, 0.24, 0.1)
    clock = clock_of(job) if job is not None else None
    trusted = fit.status.trustworthy
    words = f"{series.section}, {series.measure} {short_name(series)} ({series.prisms})"
    ax.set_title(
        f"{words}: {fit.law.name}, stage {fit.stage}",
        loc="left",
        fontsize=USUAL + 1,
        fontweight="bold",
        parse_math=False,
    )
    ax.set_ylabel(movement_label([series]), fontsize=USUAL)
    lower.set_ylabel("residual\n[mm]", fontsize=USUAL)
    for panel in (ax, lower):
        panel.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
        panel.axhline(0.0, color=GREY, linewidth=0.6, zorder=1.0)
    ax.tick_params(labelbottom=False)
    ax.text(
        1.015,
        1.0,
        _parameters(fit),
        transform=ax.transAxes,
        fontsize=SMALL,
        va="top",
        linespacing=1.3,
        parse_math=False,
        bbox={"facecolor": "white", "edgecolor": GREY, "linewidth": 0.5, "pad": 3.0},
    )
    if not len(series.time):
        lower.set_xlabel("no reading", fontsize=USUAL)
        write(ax, 0.5, 0.5, "no reading", across="center", size=USUAL + 2, weight="bold")
        _draw_banner(ax, fit)
        return ax, lower
    x = _numbers(series, clock, series.time)
    span = max(float(x[-1] - x[0]), 1e-3)
    ax.set_xlim(float(x[0]) - 0.02 * span, float(x[-1]) + 0.02 * span)
    if clock is not None:
        date_axis(lower, clock)
    else:
        lower.set_xlabel("time since the zero reading [d]", fontsize=USUAL)
    time = np.unique(np.concatenate([np.linspace(series.time[0], series.time[-1], POINTS), series.time]))
    curve = fit.predict(time)
    _limits(ax, series, curve)
    space = Space(ax)
    ax.plot(
        x,
        series.value,
        linestyle="none",
        marker="o",
        markersize=2.6,
        color=INK,
        markerfacecolor="white",
        markeredgewidth=0.6,
        zorder=2.0,
    )
    space.keep_clear(x, series.value)
    _draw_curve(ax, series, fit, _numbers(series, clock, time), time, curve, space)
    _draw_residuals(lower, series, fit, x)
    _draw_passages(ax, series, clock, space)
    if not trusted:
        _draw_banner(ax, fit)
    return ax, lower


def _leave_room(ax: Axes) -> None:
    """Draw the axes in, for the parameters to stand on their right."""
    box = ax.get_position()
    ax.set_position((box.x0, box.y0, (1.0 - ROOM) * box.width, box.height))


def _numbers(series: Series, clock: Clock | None, time: Floats) -> Floats:
    return clock.numbers(time) if clock is not None else np.asarray(time - series.time[0])


def _limits(ax: Axes, series: Series, curve: Floats) -> None:
    """Set the movement axis; a curve that runs far away from the readings does not take them along."""
    low, high = float(min(series.value.min(), 0.0)), float(max(series.value.max(), 0.0))
    room = max(high - low, 1.0)
    finite = curve[np.isfinite(curve)]
    if finite.size:
        low, high = (
            max(min(low, float(finite.min())), low - room),
            min(max(high, float(finite.max())), high + room),
        )
    pad = 0.08 * max(high - low, 1.0)
    # room for the banner stands on the side towards which nothing moves
    ax.set_ylim((high + pad, low - 2.8 * pad) if series.measure == "settlement" else (low - pad, high + 2.8 * pad))


def _draw_curve(ax: Axes, series: Series, fit: CurveFit, x: Floats, time: Floats, curve: Floats, space: Space) -> None:
    """The law as the true movement, and through the readings with the offset of each stretch of them."""
    if not np.isfinite(curve).any():
        return
    offsets = segment_offsets(series, fit)
    for number in np.unique(series.segment):
        mine = series.segment == number
        rows = (time >= series.time[mine][0]) & (time <= series.time[mine][-1])
        ax.plot(
            x[rows],
            curve[rows] + offsets[mine][0],
            color="#0072B2",
            linewidth=1.6,
            zorder=3.0,
            linestyle="-" if fit.status.trustworthy else (0, (4, 2)),
        )
        space.keep_clear(x[rows], curve[rows] + offsets[mine][0])
    if np.abs(offsets).max() < LEAST_OFFSET * float(np.ptp(series.value)):
        return
    ax.plot(x, curve, color="#D55E00", linewidth=1.0, linestyle=(0, (5, 1.5, 1, 1.5)), zorder=2.8)
    space.keep_clear(x, curve)
    heights: list[tuple[Up, float]] = [("bottom", 5.0), ("top", -5.0), ("bottom", 16.0), ("top", -16.0)]
    places = [
        option
        for share in (0.6, 0.3, 0.85)
        for at in [int(share * len(x))]
        for option in around(float(x[at]), float(curve[at]), [("center", 0.0)], heights)
    ]
    space.place("the law: true movement, without offsets", places, colour="#A84300", size=SMALL)


def _draw_residuals(ax: Axes, series: Series, fit: CurveFit, x: Floats) -> None:
    """Readings less curve and offset, with the standard deviation of a reading on either side of zero."""
    offsets = segment_offsets(series, fit)
    residual = series.value - fit.predict(series.time) - offsets
    if np.isfinite(residual).any():
        ax.plot(x, residual, linestyle="none", marker=".", markersize=3.0, color=INK, zorder=2.0)
        reach = 1.15 * max(float(np.nanmax(np.abs(residual))), 0.5)
        ax.set_ylim(-reach, reach)
    else:
        ax.set_yticks([])
        write(ax, 0.5, 0.5, "no curve, no residuals", across="center", weight="bold")
    if math.isfinite(fit.sigma):
        ax.axhspan(-fit.sigma, fit.sigma, facecolor="#0072B2", alpha=0.15, edgecolor="none", zorder=0.5)
        words = f"shaded: \N{PLUS-MINUS SIGN}{significant(fit.sigma, 2)} mm, the standard\ndeviation of a reading"
        write(ax, 1.015, 0.5, words, size=SMALL, colour=GREY)


def _draw_passages(ax: Axes, series: Series, clock: Clock | None, space: Space) -> None:
    """Upright lines where stages pass while the readings run."""
    low, high = ax.get_xlim()
    for name, path in series.paths.items():
        at = path.passage()
        if path.begins_past or not math.isfinite(at):
            continue
        number = float(_numbers(series, clock, np.array([at]))[0])
        if low <= number <= high:
            ax.axvline(number, color=GREY, linewidth=0.8, dashes=(4, 2), zorder=1.1)
            share = (number - low) / (high - low)
            # first at the end of the axes from which the movement goes away
            ends = (0.03, 0.97) if ax.yaxis_inverted() else (0.97, 0.03)
            places = [Place(share + 0.006, up, "left", "center", "axes") for up in ends]
            places += [Place(share - 0.006, up, "right", "center", "axes") for up in ends]
            space.place(f"{name} passes", places, size=SMALL)


def _parameters(fit: CurveFit) -> str:
    """Parameters with their standard errors and roles, as a small table in words."""
    units = dict(zip(fit.model.names, fit.model.units, strict=True))
    lines = []
    for name, value in fit.parameters.items():
        unit = "" if units.get(name, "-") == "-" else f" {units[name]}"
        error, role = fit.standard_errors[name], fit.roles[name]
        shown = "unknown" if math.isnan(value) else significant(value, 4)
        spread = "" if math.isnan(error) else f" \N{PLUS-MINUS SIGN} {significant(error, 2)}"
        lines.append(f"{name} = {shown}{spread}{unit}" + ("" if role == "free" else f"  ({role})"))
    if not all(math.isnan(error) for error in fit.standard_errors.values()):
        lines.append("\N{PLUS-MINUS SIGN} is one standard error")
    lines.append(f"{fit.readings} readings, status: {fit.status.value}")
    return "\n".join(lines)


def significant(value: float, digits: int) -> str:
    """A number to so many significant digits, without an exponent where it can do without."""
    if value != 0.0 and not 1e-4 <= abs(value) < 1e6:
        return f"{value:.{digits}g}"
    return np.format_float_positional(float(f"{value:.{digits}g}"), trim="-").replace("-", "\N{MINUS SIGN}")


def segment_offsets(series: Series, fit: CurveFit) -> Floats:
    """Offset of the stretch each reading belongs to [mm], 0 where the fit has none."""
    offsets = np.array([fit.parameters.get(f"zero_offset_{number}", 0.0) for number in series.segment])
    return np.where(np.isfinite(offsets), offsets, 0.0)


def _draw_banner(ax: Axes, fit: CurveFit) -> None:
    """A hatched banner across the top that keeps anyone from taking the fit for good."""
    ax.add_patch(
        Rectangle(
            (0.0, 0.85),
            1.0,
            0.15,
            transform=ax.transAxes,
            facecolor="white",
            edgecolor=INK,
            hatch="////",
            linewidth=0.8,
            zorder=4.0,
        )
    )
    # a bold character of this size is about 0.68 of its height wide
    across = int(axes_box(ax).width / pixels_per_point(ax) / (0.68 * SMALL))
    words = textwrap.shorten(
        f"NOT TO BE USED AS IT STANDS: {fit.status.value}. {fit.reason}", 3 * across - 20, placeholder=" ..."
    )
    ax.text(
        0.5,
        0.925,
        "\n".join(textwrap.wrap(words, across)),
        transform=ax.transAxes,
        ha="center",
        va="center",
        fontsize=SMALL,
        fontweight="bold",
        zorder=7.0,
        parse_math=False,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 2.0},
    )
