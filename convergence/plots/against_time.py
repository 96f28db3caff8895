"""Movement against time: readings, fitted law, projection with its band, levels, passages and events."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from convergence.measures.series import Series
from convergence.plots.canvas import axes_box, draw_foot, house_settings, own_axes, pixels_per_point
from convergence.plots.clock import date_axis
from convergence.plots.edge import EdgeLabel, band_words, edge_labels
from convergence.plots.labels import Across, Place, Space, Up, top_labels, write
from convergence.plots.level_lines import (
    LevelLine,
    draw_crossings,
    draw_levels,
    level_lines,
    level_notes,
    line_parts,
    shown_levels,
)
from convergence.plots.marks import (
    draw_events,
    draw_gaps,
    draw_jumps,
    draw_passages,
    draw_set_aside,
    draw_standstills,
)
from convergence.plots.style import GREY, SMALL, USUAL
from convergence.plots.view import SectionView, movement_label, section_view, short_name
from convergence.triggers import Outlook

Floats = npt.NDArray[np.float64]

_UNIT = re.compile(r"(?<=\d) (?=(?:mm|m|in|ft|d|%)(?![a-z]))")
#: Share of a panel's height that notes may take.
NOTES_SHARE = 0.42
#: Markers along a curve, apart from that at its end.
MARKERS_ALONG = 4


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
        _whole(ax, view, chosen, [key_words(view)] if chosen else [])
        return ax
    with house_settings():
        ax = own_axes(10.0, 5.4, (0.75, 0.92, 2.2, 0.95))
        _whole(ax, view, chosen, [])
        draw_foot(ax, key_words(view))
    return ax


def _whole(ax: Axes, view: SectionView, chosen: Sequence[Series], notes: Sequence[str]) -> None:
    """The panel by itself, with its title."""
    draw_time_panel(ax, view, chosen, above=True, dates=True, notes=notes)
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
    notes: Sequence[str] = (),
    room: float | None = None,
) -> None:
    """Draw one panel.

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
    notes : sequence of str
        More to be written in a free corner.
    room : float, optional
        Inches to the right of the panel that its words may take; all there is unless given.
    """
    ax.set_xlim(*view.clock.numbers(view.window))
    date_axis(ax, view.clock, label=dates)
    ax.tick_params(labelsize=SMALL, labelbottom=dates, length=2.5, pad=2.0)
    ax.set_ylabel(movement_label(chosen), fontsize=USUAL, labelpad=3.0)
    draw_standstills(ax, view)
    if not chosen:
        _say_nothing_read(ax, view)
        labels = [*draw_passages(ax, view), *draw_events(ax, view)]
        if above:
            top_labels(ax, labels)
        return
    leading = view.most_urgent(chosen)
    lines, beyond = _limits(ax, view, chosen, leading)
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
    draw_set_aside(ax, view, chosen, space)
    draw_gaps(ax, view, chosen, space)
    shortened = dict.fromkeys(f"{line.owner}:{line.remark}" for line in lines if line.label(ax) != line.words)
    _write_notes(ax, [*level_notes(view, chosen, beyond), *_doubts(view, chosen), *notes, *shortened], space)
    if above:
        top_labels(ax, labels)
    _label_edge(ax, view, chosen, leading, above, room)


def _limits(
    ax: Axes, view: SectionView, chosen: Sequence[Series], leading: Series | None
) -> tuple[list[LevelLine], list[LevelLine]]:
    """Set the y axis; returns the levels within it and those beyond."""
    values = [np.zeros(1), *(series.value for series in chosen)]
    for series in chosen:
        curve = view.curves.get(series.label)
        if curve is not None and view.projection is not None:
            values.append(curve.median)
            index, tail = (
                view.projection.index(series.label),
                (1.0 - view.outlook.projection.confidence) / 2.0,
            )
            values.append(np.array([view.projection.final(index, tail), view.projection.final(index, 1.0 - tail)]))
            if series is leading:
                values += [curve.low[curve.ahead], curve.high[curve.ahead]]
    every = np.concatenate(values)
    every = every[np.isfinite(every)]
    low, high = float(every.min()), float(every.max())
    in_window = [line for line in level_lines(view, chosen) if line.spans != ()]
    lines, beyond = shown_levels(in_window, low, high)
    low, high = min([low, *(line.at for line in lines)]), max([high, *(line.at for line in lines)])
    pad = 0.07 * max(high - low, 2.0)
    low, high = low - pad, high + pad
    downwards = all(series.measure == "settlement" for series in chosen)
    ax.set_ylim((high, low) if downwards else (low, high))
    return lines, beyond


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


def _doubts(view: SectionView, chosen: Sequence[Series]) -> list[str]:
    """Fits that cannot be trusted as they stand, by reason."""
    found: dict[str, list[str]] = {}
    if view.projection is None:
        return [f"nothing projected: {view.status(chosen[0])[1]}"]
    for series in chosen:
        status, _ = view.status(series)
        if status != "solved":
            found.setdefault(status, []).append(short_name(series, chosen))
    told = {status: ", ".join(names) for status, names in found.items()}
    # a mark stands beside each name at the edge, so a long list says nothing new
    return [f"? fit {status}: {names if len(names) < 60 else 'those marked ?'}" for status, names in told.items()]


def _write_notes(ax: Axes, notes: Sequence[str], space: Space) -> None:
    """Write the notes into a corner where they hide nothing."""
    if not notes:
        return
    heights: list[tuple[float, Up]] = [
        (0.05, "bottom"),
        (0.95, "top"),
        (0.18, "center"),
        (0.3, "center"),
        (0.82, "center"),
        (0.5, "center"),
        (0.7, "center"),
    ]
    stations: list[tuple[float, Across]] = [(0.012, "left"), (0.3, "left"), (0.988, "right")]
    places = [Place(x, y, across, up, "axes") for y, up in heights for x, across in stations]
    size, words = _wrapped(ax, notes)
    space.place("\n".join(words), places, size=size)


def _wrapped(ax: Axes, notes: Sequence[str]) -> tuple[float, list[str]]:
    """Notes in lines and their size: in small print where they would fill a panel, and cut where they still would."""
    # a number and its unit stay on one line
    notes = [_UNIT.sub("\N{NO-BREAK SPACE}", note) for note in notes]
    height = axes_box(ax).height / pixels_per_point(ax)
    for size, letters in ((USUAL, 62), (SMALL, 72)):
        words = [line for note in notes for line in textwrap.wrap(note, letters, subsequent_indent="   ")]
        most = max(int(NOTES_SHARE * height / (1.3 * size)), 2)
        if len(words) <= most:
            return size, words
    return SMALL, [*words[: most - 1], f"{words[most - 1]} ..."]


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
