"""The figure of one section: settlement, chords and faces on one time axis, movement against face distance,
the numbers.
"""

from __future__ import annotations

import textwrap

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from convergence.measures.series import Series
from convergence.plots.advance import advance_key, draw_advance
from convergence.plots.against_distance import draw_distance_panel
from convergence.plots.against_time import draw_time_panel, key_words
from convergence.plots.canvas import PaperFigure, add_axes, house_settings, new_figure
from convergence.plots.labels import cut, keep_inside
from convergence.plots.notes import LINE, fitting, note_lines, panel_notes, write_notes
from convergence.plots.style import GREY, LARGE, SMALL, STATE_MARKS, USUAL
from convergence.plots.table import draw_numbers
from convergence.plots.view import SectionView, left_out_words, section_view
from convergence.terms import CAUTION
from convergence.triggers import STATES, Outlook

#: A4 across, and the places of the panels in it [inches].
WIDTH, HEIGHT = 11.69, 8.27
_LEFT, _TIME, _RIGHT, _DISTANCE = 0.72, 5.13, 8.28, 3.1
_ADVANCE, _ADVANCE_UP = 0.8, 1.5
_LOWER, _LOWER_UP = 2.47, 1.6
_UPPER, _UPPER_UP = 4.24, 2.5
_TOP = _UPPER + _UPPER_UP
#: Lines of the reason there is room for without lowering the panels, and the height of one [inches].
_HEAD_LINES, _HEAD_LINE = 3, 0.135
_TABLE, _TABLE_WIDTH, _TABLE_UP = 7.05, 4.33, 1.66


def section_figure(outlook: Outlook, section: str) -> Figure:
    """The figure an engineer reviews a section by, on A4 across.

    Left: settlement of all prisms, chords, and the faces of all stages, on one time axis. Right: the same
    movements against the face distance of the first stage, and the numbers of the outlook with what was
    noticed in the readings. The title names section, chainage, state and reason, the instant of the
    analysis and the datum.

    Parameters
    ----------
    outlook : Outlook
        The outlook.
    section : str
        The section.

    Returns
    -------
    Figure
        A figure without pyplot; a notebook shows it as the last value of a cell, ``savefig`` writes it.

    Raises
    ------
    ValueFault
        If the section is unknown; the message lists those there are.
    """
    return draw_section(section_view(outlook, section))


def draw_section(view: SectionView) -> PaperFigure:
    """The figure of a view."""
    with house_settings():
        figure = new_figure(WIDTH, HEIGHT)
        top = _TOP - _HEAD_LINE * max(_write_head(figure, view) - _HEAD_LINES, 0)
        upper, lower = _panels(view)
        lines = _notes(view, upper, lower)
        room = len(lines) * LINE
        # the panels of movement give the words their room, both alike; the table keeps its letters
        share = (top - _LOWER - room) / (_TOP - _LOWER)

        def raised(bottom: float) -> float:
            return top - share * (_TOP - bottom)

        bottom, up = (_UPPER, _UPPER_UP) if lower else (_LOWER, _TOP - _LOWER)
        _draw_pair(figure, view, upper, raised(bottom), share * up, above=True, label=not lower)
        if lower:
            _draw_pair(figure, view, lower, raised(_LOWER), share * _LOWER_UP, above=False, label=True)
        draw_advance(add_axes(figure, _LEFT, _ADVANCE + room, _TIME, _ADVANCE_UP), view, above=False)
        draw_numbers(add_axes(figure, _TABLE, 0.42 + room, _TABLE_WIDTH, _TABLE_UP), view)
        write_notes(figure, lines, _LEFT, 0.4)
        _write_foot(figure, view)
    return figure


def _notes(view: SectionView, upper: tuple[Series, ...], lower: tuple[Series, ...]) -> list[str]:
    """What stands in words below the panels: of each its notes, and what the lines of the faces mean."""
    across = WIDTH - _LEFT - 0.31
    told = [
        note_lines(panel_notes(view, chosen, 72.0 * _TIME), across, chosen[0].measure)
        for chosen in (upper, lower)
        if chosen
    ]
    lines = list(dict.fromkeys(line for panel in told for line in panel))
    return [*fitting(lines), advance_key(view)]


def _panels(view: SectionView) -> tuple[tuple[Series, ...], tuple[Series, ...]]:
    """Measures of the upper and the lower panel: settlement and chords, or what there is."""
    settlement, chords = view.kind("settlement"), view.kind("chord")
    if settlement:
        return settlement, chords
    return (chords, ()) if chords else (view.choose(None), ())


def _draw_pair(
    figure: Figure,
    view: SectionView,
    chosen: tuple[Series, ...],
    bottom: float,
    up: float,
    *,
    above: bool,
    label: bool,
) -> None:
    """One kind of measure against time and, beside it on the same movement axis, against face distance."""
    left = add_axes(figure, _LEFT, bottom, _TIME, up)
    draw_time_panel(left, view, chosen, above=above, dates=False, room=_RIGHT - _LEFT - _TIME - 0.33)
    right: Axes = add_axes(figure, _RIGHT, bottom, _DISTANCE, up)
    right.set_ylim(left.get_ylim())
    draw_distance_panel(right, view, chosen, label=label, names=False, above=above)
    if not chosen:
        right.set_yticks([])


def _write_head(figure: Figure, view: SectionView) -> int:
    """Section, chainage, state by shape and word, the reason, the date and the datum; returns lines of the reason."""
    job = view.outlook.job
    row = view.rows.iloc[0] if len(view.rows) else None
    state = str(row["outlook"]) if row is not None else "undetermined"
    mark = STATE_MARKS[state]
    top = HEIGHT - 0.3
    head = figure.text(
        _LEFT / WIDTH,
        top / HEIGHT,
        f"{cut(view.section, 36)}   chainage {view.chainage_text}",
        fontsize=LARGE,
        fontweight="bold",
        va="center",
        parse_math=False,
    )
    edge = head.get_window_extent().x1 / figure.dpi + 0.35
    badge = add_axes(figure, edge - 0.14, top - 0.14, 0.28, 0.28)
    badge.set_axis_off()
    badge.set_xlim(-1, 1)
    badge.set_ylim(-1, 1)
    badge.plot([0], [0], marker=mark.marker, markersize=18, color=mark.face, markeredgecolor="black", clip_on=False)
    badge.text(0, -0.05, mark.letter, ha="center", va="center", fontsize=USUAL, fontweight="bold", color=mark.ink)
    words = figure.text(
        (edge + 0.3) / WIDTH,
        top / HEIGHT,
        mark.words.upper(),
        fontsize=LARGE,
        fontweight="bold",
        va="center",
    )
    after = words.get_window_extent().x1 / figure.dpi + 0.3
    tunnel = cut(job.settings.tunnel.name, 90)
    name = figure.text(after / WIDTH, top / HEIGHT, tunnel, fontsize=USUAL, va="center", color=GREY, parse_math=False)
    keep_inside(name)
    name.set_x(max(after, WIDTH - 0.31 - name.get_window_extent().width / figure.dpi) / WIDTH)
    reason = (
        f"{row['measure']} {row['prisms']}: {row['reason']}" if row is not None and row["reason"] else "no reason given"
    )
    if len(view.rows) and not len(view.series):
        reason = str(view.rows.iloc[0]["reason"])
    lines = textwrap.wrap(view.clock.words(reason), 178)
    figure.text(
        _LEFT / WIDTH,
        (top - 0.24) / HEIGHT,
        "\n".join(lines),
        fontsize=USUAL,
        va="top",
        linespacing=1.25,
        parse_math=False,
    )
    under = top - 0.24 - _HEAD_LINE * len(lines) - 0.03
    dates = figure.text(
        _LEFT / WIDTH, under / HEIGHT, _dates(view), fontsize=USUAL, va="top", color=GREY, parse_math=False
    )
    keep_inside(dates, right=(WIDTH - 0.31) * figure.dpi)
    return len(lines)


def _dates(view: SectionView) -> str:
    """When the analysis was made, from when movements count, and how many measures stand in which state."""
    words = [f"analysed at {view.clock.minute(view.now)}"]
    if view.series:
        first = min(float(item.time[0]) for item in view.series)
        last = max(float(item.time[-1]) for item in view.series)
        words.append(f"movements since zero reading, the first {view.clock.minute(first)}")
        words.append(f"last reading {view.clock.minute(last)}")
    states = [str(state) for state in view.rows["outlook"][view.rows["trigger"] != ""]]
    told = ", ".join(f"{states.count(state)} {state}" for state in STATES if state in states)
    words.append(f"measures with a level: {told or 'none'}")
    if view.unbegun:
        words.append(left_out_words(view.unbegun))
    return "  \N{MIDDLE DOT}  ".join(words)


def _write_foot(figure: Figure, view: SectionView) -> None:
    """The key in words and the caution."""
    words = f"{key_words(view)} In the table: \N{PLUS-MINUS SIGN}s.e. is one standard error."
    keep_inside(figure.text(_LEFT / WIDTH, 0.25 / HEIGHT, words, fontsize=SMALL, va="bottom"))
    figure.text(_LEFT / WIDTH, 0.1 / HEIGHT, CAUTION, fontsize=SMALL, va="bottom", color=GREY)
