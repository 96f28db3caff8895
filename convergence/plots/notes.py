"""What a panel of movements says in words, outside its axes so that it hides nothing: levels that are not drawn,
ranges, warnings, fits in doubt.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from convergence.measures.series import Series
from convergence.plots.canvas import axes_box, figure_of, pixels_per_point
from convergence.plots.labels import write
from convergence.plots.level_lines import LevelLine, level_lines, level_notes, shown_levels
from convergence.plots.style import USUAL
from convergence.plots.view import SectionView, short_name
from convergence.terms import WARNED

#: Height of a line of notes [inches], and letters an inch of it holds.
LINE, LETTERS = 1.22 * USUAL / 72.0, 16.5
#: Bold letters are wider: so many stand where one of the usual ones does.
BOLD = 0.82
#: More lines than this would leave the panels too low to be read; what is left is counted.
MOST_LINES = 12
#: Below an axes its dates and label stand first [inches].
UNDER_AXIS = 0.46
_UNIT = re.compile(r"(?<=\d) (?=(?:mm|m|in|ft|d|%)(?![a-z]))")


def panel_extent(
    view: SectionView, chosen: Sequence[Series], leading: Series | None
) -> tuple[float, float, list[LevelLine], list[LevelLine]]:
    """Lowest and highest movement of a panel against time, the levels within it and those beyond."""
    values = [np.zeros(1), *(series.value for series in chosen)]
    for series in chosen:
        curve = view.curves.get(series.label)
        if curve is not None and view.projection is not None:
            values.append(curve.median)
            index, tail = view.projection.index(series.label), (1.0 - view.outlook.projection.confidence) / 2.0
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
    return low - pad, high + pad, lines, beyond


def panel_notes(view: SectionView, chosen: Sequence[Series], points: float) -> list[str]:
    """The notes of a panel so many points wide: warnings first, then levels not drawn, ranges and doubtful fits."""
    if not chosen:
        return []
    _, _, lines, beyond = panel_extent(view, chosen, view.most_urgent(chosen))
    shortened = dict.fromkeys(f"{line.owner}:{line.remark}" for line in lines if line.label(points) != line.words)
    return [*level_notes(view, chosen, beyond), *_doubts(view, chosen), *shortened]


def note_lines(notes: Sequence[str], inches: float, name: str = "") -> list[str]:
    """Notes as lines so wide: each warning on lines of its own, the others one after the other."""
    # a number and its unit stay on one line
    notes = [_UNIT.sub("\N{NO-BREAK SPACE}", note) for note in notes]
    warned = [note for note in notes if note.startswith(WARNED)]
    others = "; ".join(note for note in notes if not note.startswith(WARNED))
    told = [*warned, f"{name}: {others}" if name and others else others]
    lines: list[str] = []
    for words in told:
        letters = int(inches * LETTERS * (BOLD if words.startswith(WARNED) else 1.0))
        lines += textwrap.wrap(words, letters, subsequent_indent="   ")
    return lines


def fitting(lines: Sequence[str], most: int = MOST_LINES) -> list[str]:
    """Lines there is room for; the last one tells how many are left out."""
    if len(lines) <= most:
        return list(lines)
    return [*lines[: most - 1], f"... and {len(lines) - most + 1} more lines of notes: see the register of triggers"]


def write_notes(figure: Figure, lines: Sequence[str], left: float, bottom: float) -> None:
    """Write lines into a figure, the last one so high above its lower edge [inches]."""
    width, height = figure.get_size_inches()
    for place, words in enumerate(lines):
        figure.text(
            left / width,
            (bottom + (len(lines) - 1 - place) * LINE) / height,
            words,
            fontsize=USUAL,
            va="bottom",
            weight="bold" if words.startswith(WARNED) else "normal",
            parse_math=False,
        )


def make_room(ax: Axes, lines: Sequence[str]) -> None:
    """Take the room that lines of notes need off the lower end of an axes somebody else made."""
    height = float(figure_of(ax).get_size_inches()[1])
    box = ax.get_position()
    taken = min(len(lines) * LINE / height, 0.5 * box.height)
    ax.set_position((box.x0, box.y0 + taken, box.width, box.height - taken))


def write_below(ax: Axes, lines: Sequence[str]) -> None:
    """Write lines below an axes, under its dates and its label."""
    for place, words in enumerate(lines):
        weight = "bold" if words.startswith(WARNED) else "normal"
        shift = (0.0, -72.0 * (UNDER_AXIS + place * LINE))
        write(ax, 0.0, 0.0, words, up="top", points=shift, weight=weight, size=USUAL)


def inches_across(ax: Axes) -> float:
    """Width of an axes [inches]."""
    return axes_box(ax).width / pixels_per_point(ax) / 72.0


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
