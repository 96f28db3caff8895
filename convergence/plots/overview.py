"""The tunnel at a glance: what each section has done and where it will end, against chainage, with levels
and faces.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from convergence.measures.series import Series
from convergence.plots.canvas import (
    add_axes,
    axes_box,
    below,
    draw_foot,
    figure_of,
    house_settings,
    own_axes,
    pixels_per_point,
)
from convergence.plots.chainage_axis import show_site_chainages
from convergence.plots.clock import clock_of
from convergence.plots.labels import TopLabel, cut, keep_inside, spread, top_labels, write
from convergence.plots.level_lines import LevelLine, level_lines, shown_levels
from convergence.plots.overview_marks import MapPoint, band_reaches, draw_key, draw_point
from convergence.plots.style import GREY, INK, SMALL, USUAL
from convergence.plots.view import SectionView, left_out_words, section_view
from convergence.terms import TERMS, WARNED
from convergence.triggers import STATES, Outlook

#: Sections are named below the map if they are at least this far apart [points], all but the urgent ones.
NAME_SPACING = 8.0
#: Characters a section's name may have below the map.
NAME_LENGTH = 10
#: Characters a tunnel's name may have in the title, so that the date stays on the map.
TITLE_LENGTH = 64
#: Levels that differ by less than this from section to section are one line [mm].
SAME = 0.05
#: Size of a map of its own [inches].
WIDTH, HEIGHT = 11.0, 6.8


def outlook_map(outlook: Outlook, ax: Axes | None = None, height: float = HEIGHT) -> tuple[Axes, ...]:
    """Crown settlement and the main chord of every section along the tunnel.

    A dash is what was measured, a marker with a letter the median at the horizon, the bar its band. Shape and letter of
    the marker tell the state, a dot beside it that the band of a clear measure reaches a level. Arrows show where the
    faces stand.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    ax : Axes, optional
        Where to draw; its area is divided between the two measures. A figure of its own unless given.
    height : float
        Height of a figure of its own [inches]; its margins take 2.4 of them.

    Returns
    -------
    tuple of Axes
        One axes a measure: settlement and, if the job has chords, the chord. Their figure is ``[0].figure``.
    """
    if ax is not None:
        return _draw(ax, outlook)
    with house_settings():
        ax = own_axes(WIDTH, height, (0.85, 1.5, 1.8, 0.85))
        found = _draw(ax, outlook)
        figure = figure_of(ax)
        clock = clock_of(outlook.job)
        now = clock.minute(outlook.job.days(outlook.job.now))
        figure.text(
            0.01,
            0.982,
            f"{cut(outlook.job.settings.tunnel.name, TITLE_LENGTH)}   analysed at {now}",
            fontsize=USUAL + 3,
            fontweight="bold",
            va="top",
            parse_math=False,
        )
        _write_warnings(figure, outlook)
        draw_foot(ax)
        draw_key(add_axes(figure, 0.85, 0.3, 9.6, 0.25), outlook)
    return found


def _write_warnings(figure: Figure, outlook: Outlook) -> None:
    """Below the title: levels with which something is wrong, and stages the final values leave out."""
    views = [section_view(outlook, section) for section in outlook.job.sections[:1]]
    told = [left_out_words(view.unbegun) for view in views if view.unbegun]
    told += sorted({f"{WARNED} {item.warning}" for items in outlook.levels.values() for item in items if item.warning})
    up = figure.get_size_inches()[1]
    for place, words in enumerate(told[:2]):
        more = f" ... and {len(told) - 2} more" if place and len(told) > 2 else ""
        text = figure.text(0.01, 0.982 - (0.2 + 0.13 * place) / up, words + more, fontsize=USUAL, va="top")
        text.set_parse_math(False)
        keep_inside(text)


def main_label(views: Sequence[SectionView], measure: str) -> str:
    """The measure's label that stands for the tunnel: the crown's, else that of most sections, else the
    largest.
    """
    counts: Counter[str] = Counter()
    size: Counter[str] = Counter()
    for view in views:
        for series in view.kind(measure):
            counts[series.label] += 1
            size[series.label] += round(1e3 * abs(float(series.value[-1])))
    crowns = [label for label in counts if "crown" in label.lower()]
    return max(crowns or counts, key=lambda label: (counts[label], size[label] / counts[label], label), default="")


def _draw(ax: Axes, outlook: Outlook) -> tuple[Axes, ...]:
    views = [section_view(outlook, section) for section in outlook.job.sections]
    labels = [(measure, main_label(views, measure)) for measure in ("settlement", "chord")]
    labels = [(measure, label) for measure, label in labels if label] or [("settlement", "")]
    axes = (ax,) if len(labels) == 1 else (ax, below(ax, 0.46, 0.16))
    low, high = _reach(outlook, views)
    for place, (panel, (measure, label)) in enumerate(zip(axes, labels, strict=True)):
        panel.set_xlim(low, high)
        _draw_panel(panel, outlook, views, measure, label, last=place == len(axes) - 1)
    _draw_faces(axes, outlook)
    return axes


def _reach(outlook: Outlook, views: Sequence[SectionView]) -> tuple[float, float]:
    """Chainages the map spans: all sections and all faces near them."""
    at = [view.chainage for view in views]
    low, high = min(at), max(at)
    margin = max(0.04 * (high - low), 5.0)
    faces = [
        position
        for _, position in _faces(outlook)
        if low - 0.4 * (high - low) - 50 < position < high + 0.4 * (high - low) + 50
    ]
    return min([low, *faces]) - margin, max([high, *faces]) + margin


def _faces(outlook: Outlook) -> list[tuple[str, float]]:
    """Where the face of each stage stands at the instant of the analysis [chainage, m]."""
    now = outlook.job.days(outlook.job.now)
    return [
        (name, float(np.interp(min(now, track.logged_until), track.time, track.chainage)))
        for name, track in outlook.projection.tracks.items()
    ]


def _points(views: Sequence[SectionView], label: str) -> list[tuple[MapPoint, SectionView, Series | None]]:
    """What each section contributes; sections without the measure give a point that holds its state only."""
    found: list[tuple[MapPoint, SectionView, Series | None]] = []
    missing = float("nan")
    for view in views:
        series = next((item for item in view.series if item.label == label), None)
        if series is None:
            state = str(view.rows.iloc[0]["outlook"]) if len(view.rows) and not view.series else ""
            found.append((MapPoint(view.section, view.chainage, missing, missing, missing, missing, state), view, None))
            continue
        row = view.row(series)
        state = str(row["outlook"]) if row is not None else "undetermined"
        low = median = high = missing
        if view.projection is not None:
            index, tail = view.projection.index(label), (1.0 - view.outlook.projection.confidence) / 2.0
            low, median, high = (view.projection.final(index, share) for share in (tail, 0.5, 1.0 - tail))
        found.append(
            (
                MapPoint(
                    view.section,
                    view.chainage,
                    float(series.value[-1]),
                    low,
                    median,
                    high,
                    state,
                    band_reaches(low, high, [line.at for line in level_lines(view, [series]) if line.comes(view.now)]),
                ),
                view,
                series,
            )
        )
    return found


def _draw_panel(ax: Axes, outlook: Outlook, views: Sequence[SectionView], measure: str, label: str, last: bool) -> None:
    """One measure along the tunnel."""
    points = _points(views, label)
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0, labelbottom=last)
    ax.set_ylabel(_axis_words(measure, label), fontsize=SMALL, labelpad=3.0)
    if last:
        ax.set_xlabel(TERMS["chainage"].axis_label, fontsize=USUAL, labelpad=1.0)
    show_site_chainages(ax, outlook.job.stationing, named=last)
    values = np.array([0.0, *(value for point, _, _ in points for value in (point.measured, point.low, point.high))])
    values = values[np.isfinite(values)]
    levels = _levels(points)
    nearest = [min((line for _, line in places), key=lambda line: abs(line.at)) for places in levels.values()]
    nearest.sort(key=lambda line: abs(line.at))
    drawn, beyond = shown_levels(nearest, float(values.min()), float(values.max()))
    shown = [item.at for line in drawn for _, item in levels[line.short]]
    low, high = min([float(values.min()), *shown]), max([float(values.max()), *shown])
    pad = 0.08 * max(high - low, 2.0)
    ax.set_ylim((high + pad, low - pad) if measure == "settlement" else (low - pad, high + pad))
    ax.axhline(0.0, color=GREY, linewidth=0.6, zorder=1.0)
    _draw_levels(ax, levels, beyond)
    for point, _, _ in points:
        draw_point(ax, point)
    if last:
        _name_sections(ax, points)


def _axis_words(measure: str, label: str) -> str:
    """Label of a panel, broken so that it fits: the measure, its unit, sign and datum."""
    term = TERMS[measure]
    name = "\nto ".join(label.split(":")) or measure
    return f"{name} [{term.unit}]\n{term.sign}, since zero reading"


def _levels(points: Sequence[tuple[MapPoint, SectionView, Series | None]]) -> dict[str, list[tuple[float, LevelLine]]]:
    """Levels of the measure by name and value, each with the chainages of the sections and where it stands there."""
    found: dict[str, list[tuple[float, LevelLine]]] = {}
    for point, view, series in points:
        lines = level_lines(view, [series]) if series is not None else ()
        # a level whose range is over at a section is none of its levels any more
        for line in (item for item in lines if np.isfinite(item.at) and item.comes(view.now)):
            found.setdefault(line.short, []).append((point.chainage, line))
    return found


def _draw_levels(ax: Axes, levels: dict[str, list[tuple[float, LevelLine]]], beyond: Sequence[LevelLine]) -> None:
    """Level lines, named to the right of the axes; a level that differs from section to section is a dash at each."""
    area, scale = axes_box(ax), pixels_per_point(ax)
    low, high = sorted(ax.get_ylim())
    half = 0.012 * abs(ax.get_xlim()[1] - ax.get_xlim()[0])
    words: list[tuple[float, str, str]] = []
    for name, places in levels.items():
        at = np.array([line.at for _, line in places])
        line = places[-1][1]
        if name in [item.short for item in beyond]:
            words.append((high if line.at > 0 else low, f"{name}\n(off the axis)", line.colour))
        elif np.ptp(at) < SAME and line.spans is None:
            ax.axhline(line.at, color=line.colour, linewidth=line.width, dashes=(9, 2.5), zorder=1.3)
            words.append((line.at, name.replace(": ", ":\n"), line.colour))
        else:
            for chainage, own in places:
                ends = [chainage - half, chainage + half]
                ax.plot(ends, [own.at, own.at], color=own.colour, linewidth=own.width + 0.4, zorder=1.3)
            # such names are long: the datum goes to a line of its own
            told = name.replace(": ", ":\n").replace(" since", "\nsince")
            words.append((line.at, f"{told}, by section", line.colour))
    wanted = np.array([float(ax.transData.transform((0.0, at))[1]) for at, _, _ in words])
    heights = np.array([1.35 * SMALL * scale * (1 + name.count("\n")) for _, name, _ in words])
    placed = spread(wanted, heights, area.y0, area.y1 + 1.4 * SMALL * scale)
    texts = []
    for (_, name, colour), up in zip(words, placed, strict=True):
        height = (up - area.y0) / area.height
        texts.append(write(ax, 1.0, height, name, points=(5.0, 0.0), colour=colour, weight="bold"))
    keep_inside(*texts)


def _name_sections(ax: Axes, points: Sequence[tuple[MapPoint, SectionView, Series | None]]) -> None:
    """Name sections upright below the axis, the urgent ones first where there is no room for all."""
    order = list(STATES)
    urgency = {}
    for point, view, _ in points:
        state = str(view.rows.iloc[0]["outlook"]) if len(view.rows) else "undetermined"
        urgency[point.section] = order.index(state)
    taken: list[float] = []
    gap = NAME_SPACING * pixels_per_point(ax)
    for point, _, _ in sorted(points, key=lambda item: urgency[item[0].section]):
        at = float(ax.transData.transform((point.chainage, 0.0))[0])
        if any(abs(at - other) < gap for other in taken):
            continue
        taken.append(at)
        share = (point.chainage - ax.get_xlim()[0]) / (ax.get_xlim()[1] - ax.get_xlim()[0])
        text = write(
            ax,
            share,
            0.0,
            cut(point.section, NAME_LENGTH),
            across="center",
            up="top",
            points=(0.0, -27.0),
            size=SMALL - 0.5,
            weight="bold" if urgency[point.section] < order.index("undetermined") else "normal",
        )
        text.set_rotation(90)


def _draw_faces(axes: tuple[Axes, ...], outlook: Outlook) -> None:
    """An upright arrow, named above the map, where the face of each stage stands; its name ends in the way it goes."""
    top = axes[0]
    usual = outlook.job.settings.tunnel.drive
    own = {stage.name: stage.drive for stage in outlook.job.settings.stages}
    low, high = sorted(top.get_xlim())
    labels = []
    text = outlook.job.stationing.text
    for name, position in _faces(outlook):
        if not low <= position <= high:
            words = f"{name} at {text(position, 0)}, off the map"
            labels.append(TopLabel(low if position < low else high, words))
            continue
        for panel in axes:
            panel.axvline(position, color=INK, linewidth=1.0, dashes=(2, 1.5), zorder=1.1)
        top.annotate(
            "",
            (position, 0.90),
            xytext=(position, 1.0),
            xycoords=top.get_xaxis_transform(),
            textcoords=top.get_xaxis_transform(),
            arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0},
            zorder=4,
        )
        # a second tube, or a drift from the other side, may go against the tunnel's drive
        way = ">" if (own.get(name) or usual) > 0 else "<"
        labels.append(TopLabel(position, f"{name} face {text(position, 0)} {way}", weight="bold"))
    top_labels(top, labels)
