"""Movement against time: readings, fitted law, projection with its band, levels, passages and events."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from convergence.measures.series import Series
from convergence.plots.canvas import axes_box, draw_foot, figure_of, house_settings, own_axes, pixels_per_point
from convergence.plots.clock import date_axis
from convergence.plots.edge import EdgeLabel, band_words, edge_labels
from convergence.plots.labels import Space, top_labels, write
from convergence.plots.level_lines import (
    LevelLine,
    draw_crossings,
    draw_levels,
    line_parts,
)
from convergence.plots.marks import (
    draw_events,
    draw_fast_readings,
    draw_gaps,
    draw_jumps,
    draw_passages,
    draw_set_aside,
    draw_standstills,
)
from convergence.plots.notes import (
    LINE,
    fitting,
    inches_across,
    make_room,
    note_lines,
    panel_extent,
    panel_notes,
    write_below,
    write_notes,
)
from convergence.plots.style import GREY, SMALL, USUAL
from convergence.plots.view import SectionView, movement_label, section_view, short_name
from convergence.triggers import Outlook

Floats = npt.NDArray[np.float64]

#: Width of a figure of its own, and where its notes stand, above key and caution [inches].
WIDTH, FOOT = 10.0, 0.46
#: Markers along a curve, apart from that at its end.
MARKERS_ALONG = 4
#: Letters of an upright label are never smaller [points].
LEAST_LABEL = 5.8


def movement_against_time(
    outlook: Outlook, section: str, measures: Sequence[str] | str | None = None, ax: Axes | None = None
) -> Axes:
    """Movement of one section against time, from its zero reading to some weeks ahead.

    Dots are readings. A thin line is the fitted law up to the last reading; from there on a heavy line is
    the median of the true movement, and the shaded band, drawn for the measure that stands first in the
    outlook table, is that of the stated confidence. The bars at the right edge give every measure's median
    and band at the horizon. Settlement is drawn downwards.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    section : str
        The section.
    measures : sequence of str, or str, optional
        Labels ("settlement crown") or kinds ("chord"); all of the section's first kind, usually settlement,
        unless given.
    ax : Axes, optional
        Where to draw; a figure of its own unless given. To its right there must be room for the words.

    Returns
    -------
    Axes
        The axes drawn in; its figure is ``.figure``.

    Raises
    ------
    ValueFault
        If the section or a measure is unknown; the message lists those there are.
    """
    view = section_view(outlook, section)
    chosen = view.choose(measures)
    if ax is not None:
        across = inches_across(ax)
        told = [*panel_notes(view, chosen, 72.0 * across), *([key_words(view)] if chosen else [])]
        lines = fitting(note_lines(told, across))
        make_room(ax, lines)
        _whole(ax, view, chosen)
        write_below(ax, lines)
        return ax
    left, right = 0.75, 2.2
    lines = fitting(note_lines(panel_notes(view, chosen, 72.0 * (WIDTH - left - right)), WIDTH - 0.3))
    room = len(lines) * LINE
    with house_settings():
        ax = own_axes(WIDTH, 5.4 + room, (left, 0.92 + room, right, 0.95))
        _whole(ax, view, chosen)
        write_notes(figure_of(ax), lines, 0.1, FOOT)
        draw_foot(ax, key_words(view))
    return ax


def _whole(ax: Axes, view: SectionView, chosen: Sequence[Series]) -> None:
    """The panel by itself, with its title."""
    draw_time_panel(ax, view, chosen, above=True, dates=True)
    state = f", {view.rows.iloc[0]['outlook']}" if len(view.rows) else ""
    words = f"{view.section}, chainage {view.chainage_text}{state}"
    ax.set_title(words, loc="left", fontsize=USUAL + 2, fontweight="bold", pad=38.0, parse_math=False)


def dot_size(readings: int) -> float:
    """Size of the dots of so many readings [points]."""
    return 1.8 if readings > 150 else 2.6 if readings > 40 else 3.6


def key_words(view: SectionView) -> str:
    """What dots, lines and shades mean."""
    if view.projection is None:
        return "Dots: readings. Nothing is projected." if view.series else "No reading, so nothing is projected."
    return (
        "Dots: readings, which carry the error of their zero reading. Of the true movement: fitted law (thin line), "
        f"projected median (heavy line), its {view.outlook.projection.confidence:.0%} band (shade, bars)."
    )


def draw_time_panel(
    ax: Axes,
    view: SectionView,
    chosen: Sequence[Series],
    *,
    above: bool,
    dates: bool,
    room: float | None = None,
) -> None:
    """Draw one panel; its notes are for whoever lays it out (``notes``), outside the axes.

    Parameters
    ----------
    ax : Axes
        Where.
    view : SectionView
        The section.
    chosen : sequence of Series
        Its measures to draw; may be empty, and the panel then says why.
    above : bool
        Whether the words of passages and events stand above the panel.
    dates : bool
        Whether the dates stand below it.
    room : float, optional
        Inches to the right of the panel that its words may take; all there is unless given.
    """
    ax.set_xlim(*view.clock.numbers(view.window))
    date_axis(ax, view.clock, label=dates)
    ax.tick_params(labelsize=SMALL, labelbottom=dates, length=2.5, pad=2.0)
    label = movement_label(chosen)
    # upright words no longer than a low panel is high, or they run into those of the next
    longest = 0.56 * max(len(words) for words in label.split("\n"))
    size = float(np.clip(axes_box(ax).height / pixels_per_point(ax) / longest, LEAST_LABEL, USUAL))
    ax.set_ylabel(label, fontsize=size, labelpad=3.0)
    draw_standstills(ax, view)
    if not chosen:
        _say_nothing_read(ax, view)
        labels = [*draw_passages(ax, view), *draw_events(ax, view)]
        if above:
            top_labels(ax, labels)
        return
    leading = view.most_urgent(chosen)
    lines = _limits(ax, view, chosen, leading)
    space = Space(ax)

    def clock_numbers(days: Floats) -> Floats:
        return np.asarray(view.clock.numbers(days), dtype=np.float64)

    for line in lines:
        for one, two in line_parts(ax, line, clock_numbers):
            across = np.linspace(one, two, 200)
            space.keep_clear(across, np.full(len(across), line.at))
    for series in chosen:
        _draw_series(ax, view, series, chosen, space, band=series is leading)
    ax.axhline(0.0, color=GREY, linewidth=0.5, zorder=1.0)
    labels = [*draw_passages(ax, view), *draw_events(ax, view)]
    draw_levels(ax, lines, space, clock_numbers)
    draw_crossings(ax, lines, view.clock, view.now, view.window[1], space)
    draw_jumps(ax, view, chosen, space)
    draw_fast_readings(ax, view, chosen, space)
    draw_set_aside(ax, view, chosen, space)
    draw_gaps(ax, view, chosen, space)
    if above:
        top_labels(ax, labels)
    _label_edge(ax, view, chosen, leading, above, room)


def _limits(ax: Axes, view: SectionView, chosen: Sequence[Series], leading: Series | None) -> list[LevelLine]:
    """Set the y axis; returns the levels within it."""
    low, high, lines, _ = panel_extent(view, chosen, leading)
    downwards = all(series.measure == "settlement" for series in chosen)
    ax.set_ylim((high, low) if downwards else (low, high))
    return lines


def _draw_series(
    ax: Axes, view: SectionView, series: Series, chosen: Sequence[Series], space: Space, band: bool
) -> None:
    """Readings, fitted law, median ahead and, for one measure, the band."""
    style, clock = view.style(series, chosen), view.clock
    x = clock.numbers(series.time)
    size = dot_size(len(x))
    ax.plot(
        x,
        series.value,
        linestyle="none",
        marker=".",
        markersize=size,
        color=style.colour,
        alpha=0.6,
        markeredgewidth=0,
        zorder=2.0,
    )
    space.keep_clear(x, series.value)
    curve = view.curves.get(series.label)
    if curve is None:
        return
    numbers = clock.numbers(curve.days)
    if band:
        ahead = curve.ahead
        ax.fill_between(
            numbers[ahead],
            curve.low[ahead],
            curve.high[ahead],
            facecolor=style.colour,
            alpha=0.16,
            edgecolor="none",
            zorder=1.1,
        )
        for edge in (curve.low, curve.high):
            ax.plot(numbers[ahead], edge[ahead], color=style.colour, linewidth=0.5, zorder=1.9)
            space.keep_clear(numbers[ahead], edge[ahead])
    past = curve.past
    ax.plot(numbers[past], curve.median[past], color=style.colour, linewidth=0.8, linestyle=style.dash, zorder=2.6)
    ax.plot(
        numbers[curve.ahead],
        curve.median[curve.ahead],
        color=style.colour,
        linewidth=1.7,
        linestyle=style.dash,
        zorder=2.8,
    )
    space.keep_clear(numbers, curve.median)
    _draw_markers(ax, view, series, chosen, numbers, curve.median)


def _draw_markers(
    ax: Axes, view: SectionView, series: Series, chosen: Sequence[Series], numbers: Floats, values: Floats
) -> None:
    """The measure's marker at a few places of its curve, shifted from measure to measure."""
    style = view.style(series, chosen)
    shift = view.place(series, chosen) / max(len(chosen), len(view.kind(series.measure)))
    at = numbers[0] + (np.arange(MARKERS_ALONG) + 0.25 + 0.6 * shift) / MARKERS_ALONG * (numbers[-1] - numbers[0])
    ax.plot(
        at,
        np.interp(at, numbers, values),
        linestyle="none",
        marker=style.marker,
        markersize=4.2,
        color=style.colour,
        markerfacecolor=style.face,
        markeredgewidth=0.8,
        zorder=3.2,
    )


def _label_edge(
    ax: Axes,
    view: SectionView,
    chosen: Sequence[Series],
    leading: Series | None,
    header: bool,
    room: float | None,
) -> None:
    """Names and numbers of all measures at the right edge."""
    labels = []
    for series in chosen:
        name = short_name(series, chosen) + ("" if view.status(series)[0] == "solved" else " ?")
        curve = view.curves.get(series.label)
        if curve is None or view.projection is None:
            value = float(series.value[-1])
            missing = float("nan")
            labels.append(
                EdgeLabel(
                    name,
                    f"{value:.0f} mm, not projected",
                    value,
                    missing,
                    missing,
                    missing,
                    view.style(series, chosen),
                )
            )
            continue
        index, tail = view.projection.index(series.label), (1.0 - view.outlook.projection.confidence) / 2.0
        low, median, high = (view.projection.final(index, probability) for probability in (tail, 0.5, 1.0 - tail))
        strong = series is leading and len(chosen) > 1
        labels.append(
            EdgeLabel(
                name,
                band_words(median, low, high),
                float(curve.median[-1]),
                median,
                low,
                high,
                view.style(series, chosen),
                strong,
            )
        )
    edge_labels(ax, labels, room)
    if header and view.projection is not None:
        words = f"mm at {view.horizon_words()}:\nmedian ({view.outlook.projection.confidence:.0%} band)"
        write(ax, 1.0, 1.0, words, up="bottom", points=(5.0, 6.0), colour=GREY)


def _say_nothing_read(ax: Axes, view: SectionView) -> None:
    """Say on an empty panel why it is empty."""
    reasons = list(dict.fromkeys(str(reason) for reason in view.rows["reason"] if reason)) if len(view.rows) else []
    ax.set_yticks([])
    ax.text(
        0.5,
        0.5,
        "\n".join(["no reading", *reasons[:2]]),
        transform=ax.transAxes,
        ha="center",
        va="center",
        fontsize=USUAL + 1.5,
        fontweight="bold",
        parse_math=False,
        bbox={"facecolor": "white", "edgecolor": "black", "hatch": "", "pad": 6.0},
    )
