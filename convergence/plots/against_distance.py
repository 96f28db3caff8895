"""Movement against the face distance of the first stage."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from convergence.measures.series import Series
from convergence.plots.against_time import dot_size
from convergence.plots.canvas import draw_foot, house_settings, own_axes
from convergence.plots.labels import Space, TopLabel, Up, around, top_labels
from convergence.plots.level_lines import draw_level, draw_levels, level_lines, line_parts, shown_levels
from convergence.plots.style import GREY, INK, SMALL, USUAL
from convergence.plots.view import SectionView, movement_label, section_view, short_name
from convergence.terms import TERMS
from convergence.triggers import Outlook


def movement_against_face_distance(
    outlook: Outlook, section: str, measures: Sequence[str] | str | None = None, ax: Axes | None = None
) -> Axes:
    """Movement of one section against the distance of the first stage's face, with the fitted law.

    Movement that goes on while the face stands still shows as an upright stretch. Settlement is drawn
    downwards.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    section : str
        The section.
    measures : sequence of str, or str, optional
        Labels ("settlement crown") or kinds ("chord"); all of the section's first kind unless given.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

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
        _whole(ax, view, chosen)
        return ax
    with house_settings():
        ax = own_axes(7.0, 5.0, (0.75, 0.95, 0.3, 0.75))
        _whole(ax, view, chosen)
        draw_foot(
            ax,
            "Dots: readings, which carry the error of their zero reading. Line: fitted law, of the true movement.",
        )
    return ax


def _whole(ax: Axes, view: SectionView, chosen: Sequence[Series]) -> None:
    """The panel by itself, with its title and levels."""
    _limits(ax, view, chosen)
    draw_distance_panel(ax, view, chosen, label=True, names=True, above=True)
    words = f"{view.section}, chainage {view.chainage_text}, analysed at {view.clock.minute(view.now)}"
    ax.set_title(words, loc="left", fontsize=USUAL + 2, fontweight="bold", pad=28.0, parse_math=False)


def _limits(ax: Axes, view: SectionView, chosen: Sequence[Series]) -> None:
    """Set the y axis by the readings and the next level."""
    values = np.concatenate([np.zeros(1), *(series.value for series in chosen)])
    lines, _ = shown_levels(level_lines(view, chosen), float(values.min()), float(values.max()))
    low, high = (
        min([float(values.min()), *(line.at for line in lines)]),
        max([float(values.max()), *(line.at for line in lines)]),
    )
    pad = 0.07 * max(high - low, 2.0)
    downwards = bool(chosen) and all(series.measure == "settlement" for series in chosen)
    ax.set_ylim((high + pad, low - pad) if downwards else (low - pad, high + pad))


def draw_distance_panel(
    ax: Axes, view: SectionView, chosen: Sequence[Series], *, label: bool, names: bool, above: bool
) -> None:
    """Draw the panel on an axes whose y axis is set already.

    ``label`` asks for the axes' labels, ``names`` for the measures' names and levels, ``above`` for the
    passages' words.
    """
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0, labelbottom=label)
    if names:
        ax.set_ylabel(movement_label(chosen), fontsize=USUAL, labelpad=3.0)
    first = next(iter(view.paths), None)
    stage = f" of {first}" if first else ""
    if label:
        term = TERMS["face_distance"]
        ax.set_xlabel(f"face distance{stage} [{term.unit}], {term.sign}", fontsize=USUAL, labelpad=2.0)
    if first is None or not chosen:
        ax.set_xticks([])
        words = "no face log" if chosen else "no reading"
        ax.text(
            0.5,
            0.5,
            words,
            transform=ax.transAxes,
            ha="center",
            va="center",
            fontsize=USUAL,
            fontweight="bold",
        )
        return
    path = view.paths[first]
    reached = np.concatenate([path.at(series.time) for series in chosen])
    low, high = min(0.0, float(reached.min())), max(float(reached.max()), 1.0)
    ax.set_xlim(low - 0.03 * (high - low), high + 0.04 * (high - low))
    space = Space(ax)
    ax.axhline(0.0, color=GREY, linewidth=0.5, zorder=1.0)
    for series in chosen:
        _draw_series(ax, view, series, chosen, space, first)
    words_above = _passages(ax, view, first)
    lines = [line for line in level_lines(view, chosen) if min(ax.get_ylim()) <= line.at <= max(ax.get_ylim())]
    if names:
        for line in lines:
            for one, two in line_parts(ax, line, path.at):
                across = np.linspace(one, two, 200)
                space.keep_clear(across, np.full(len(across), line.at))
        draw_levels(ax, lines, space, path.at)
        _name_lines(ax, view, chosen, space, first)
    else:
        for line in lines:
            draw_level(ax, line, path.at)
    if above:
        top_labels(ax, words_above)


def _draw_series(
    ax: Axes, view: SectionView, series: Series, chosen: Sequence[Series], space: Space, first: str
) -> None:
    """Readings and the fitted law up to the last one."""
    style, path = view.style(series, chosen), view.paths[first]
    x = path.at(series.time)
    ax.plot(
        x,
        series.value,
        linestyle="none",
        marker=".",
        markersize=dot_size(len(x)),
        color=style.colour,
        alpha=0.6,
        markeredgewidth=0,
        zorder=2.0,
    )
    space.keep_clear(x, series.value)
    curve = view.curves.get(series.label)
    if curve is None:
        return
    days, values = curve.days[curve.past], curve.median[curve.past]
    distance = path.at(days)
    ax.plot(distance, values, color=style.colour, linewidth=0.9, linestyle=style.dash, zorder=2.6)
    space.keep_clear(distance, values)
    place = view.place(series, chosen) / max(len(chosen), len(view.kind(series.measure)))
    at = days[0] + (np.array([0.35, 0.75]) + 0.2 * place) * (days[-1] - days[0])
    ax.plot(
        np.append(path.at(at), distance[-1]),
        np.append(np.interp(at, days, values), values[-1]),
        linestyle="none",
        marker=style.marker,
        markersize=4.2,
        color=style.colour,
        markerfacecolor=style.face,
        markeredgewidth=0.8,
        zorder=3.2,
    )


def _passages(ax: Axes, view: SectionView, first: str) -> list[TopLabel]:
    """Upright lines where the face of the first stage stood as each stage passed; returns their words."""
    found = []
    low, high = ax.get_xlim()
    for name, (at, planned) in view.passages().items():
        distance = float(view.paths[first].at(at))
        if low <= distance <= high and not planned:
            ax.axvline(distance, color=INK if name == first else GREY, linewidth=0.8, zorder=1.2)
            found.append(TopLabel(distance, f"{name} passes", weight="bold"))
    return found


def _name_lines(ax: Axes, view: SectionView, chosen: Sequence[Series], space: Space, first: str) -> None:
    """Name each measure at its last reading."""
    for series in chosen:
        x, y = float(view.paths[first].at(float(series.time[-1]))), float(series.value[-1])
        heights: list[tuple[Up, float]] = [("center", dy) for dy in (0.0, 7.0, -7.0, 14.0, -14.0, 21.0, -21.0)]
        places = around(x, y, [("right", -5.0), ("left", 5.0)], heights)
        space.place(short_name(series, chosen), places, colour=view.style(series, chosen).colour, size=SMALL)
