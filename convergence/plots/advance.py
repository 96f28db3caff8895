"""Face distance of every stage against time: logged and planned."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from convergence.plots.canvas import axes_box, draw_foot, house_settings, own_axes, pixels_per_point
from convergence.plots.clock import date_axis
from convergence.plots.labels import spread, top_labels, write
from convergence.plots.marks import draw_events, draw_passages, draw_standstills, signed, standstills
from convergence.plots.style import GREY, INK, SMALL, USUAL
from convergence.plots.view import SectionView, section_view
from convergence.terms import TERMS
from convergence.triggers import Outlook


def face_advance(outlook: Outlook, section: str, ax: Axes | None = None) -> Axes:
    """Face distance of each stage from one section against time.

    What is logged is drawn with a full line, what is planned with a dashed one; spells in which the face of
    the first stage stood still for more than a day are shaded.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    section : str
        The section.
    ax : Axes, optional
        Where to draw; a figure of its own unless given.

    Returns
    -------
    Axes
        The axes drawn in; its figure is ``.figure``.

    Raises
    ------
    ValueFault
        If the section is unknown; the message lists those there are.
    """
    view = section_view(outlook, section)
    if ax is not None:
        draw_advance(ax, view, above=True)
        write(ax, 0.0, 0.0, advance_key(view), up="top", points=(0.0, -32.0), colour=GREY, size=SMALL - 0.5)
        return ax
    with house_settings():
        ax = own_axes(10.0, 3.4, (0.75, 0.72, 1.6, 0.95))
        draw_advance(ax, view, above=True)
        words = f"{view.section}, chainage {view.chainage_text}"
        ax.set_title(words, loc="left", fontsize=USUAL + 2, fontweight="bold", pad=38.0, parse_math=False)
        draw_foot(ax, advance_key(view))
    return ax


def advance_key(view: SectionView) -> str:
    """What the lines and shades of the panel mean."""
    low, high = view.window
    words = "Faces, full line: logged; grey: no round logged; dashed: planned"
    if any(end > low and start < high for start, end in standstills(view)):
        words += f"; shaded: {next(iter(view.paths))} stood still for more than a day"
    return f"{words}."


def draw_advance(ax: Axes, view: SectionView, *, above: bool) -> None:
    """Draw the panel; ``above`` says whether the words of passages and events stand above it."""
    low, high = view.window
    ax.set_xlim(*view.clock.numbers((low, high)))
    date_axis(ax, view.clock)
    ax.tick_params(labelsize=SMALL, length=2.5, pad=2.0)
    # the label is broken so that it fits a low panel
    ax.set_ylabel(TERMS["face_distance"].axis_label.replace(", ", ",\n"), fontsize=SMALL, labelpad=3.0)
    draw_standstills(ax, view)
    ax.axhline(0.0, color=INK, linewidth=0.8, zorder=1.5)
    ends: list[tuple[str, float]] = []
    for place, (name, path) in enumerate(view.paths.items()):
        track = view.outlook.projection.tracks[name]
        nodes = path.time[(path.time > low) & (path.time < high)]
        days = np.unique(np.concatenate([[max(low, float(path.time[0]))], nodes, [high]]))
        if days[0] >= high:
            continue
        logged = days[days <= track.logged_until]
        # a face whose log ends before the analysis has a position that nobody wrote down
        start = max(track.logged_until, min(view.now, high))
        silent = np.unique(np.concatenate([logged[-1:], days[(days > track.logged_until) & (days <= start)], [start]]))
        planned = np.unique(np.concatenate([[start], days[days >= start]]))
        width = 1.6 - 0.35 * min(place, 2)
        ax.plot(view.clock.numbers(logged), path.at(logged), color=INK, linewidth=width, zorder=2.5)
        ax.plot(view.clock.numbers(silent), path.at(silent), color=GREY, linewidth=0.8, zorder=2.4)
        ax.plot(
            view.clock.numbers(planned),
            path.at(planned),
            color=INK,
            linewidth=width,
            dashes=(3, 1.5),
            zorder=2.5,
        )
        ends.append((name, float(path.at(high))))
    if not ends:
        ax.set_yticks([])
        write(ax, 0.5, 0.5, "no face log", across="center", weight="bold", size=USUAL)
    labels = [*draw_passages(ax, view), *draw_events(ax, view)]
    if above:
        top_labels(ax, labels)
    _name_ends(ax, ends)


def _name_ends(ax: Axes, ends: list[tuple[str, float]]) -> None:
    """Name the stages at the right ends of their lines."""
    area, scale = axes_box(ax), pixels_per_point(ax)
    wanted = np.array([float(ax.transData.transform((0.0, value))[1]) for _, value in ends])
    placed = spread(wanted, np.full(len(ends), 1.3 * SMALL * scale), area.y0 - 2.0 * scale, area.y1 + 4.0 * scale)
    for (name, value), up in zip(ends, placed, strict=True):
        write(ax, 1.0, (up - area.y0) / area.height, f"{name} {signed(value)} m", points=(5.0, 0.0))
