"""The right edge of a time axis: each measure's value at the horizon as a bar, its name and numbers beside
it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import ScaledTranslation

from convergence.plots.canvas import axes_box, figure_of, pixels_per_point
from convergence.plots.labels import keep_inside, spread, write
from convergence.plots.style import GREY, SMALL, LineStyle

#: Distances in points: the first bar from the axes, bar from bar, words from the last bar.
_FIRST, _STEP, _AFTER = 7.0, 6.0, 12.0
#: Width of a letter on average, as a share of its size.
LETTER = 0.6


@dataclass(frozen=True)
class EdgeLabel:
    """One measure at the right edge.

    Attributes
    ----------
    name : str
        Of the measure.
    numbers : str
        Value and band in words.
    end : float
        Where its line leaves the axes [mm].
    median, low, high : float
        At the horizon [mm]; NaN where nothing is projected.
    style : LineStyle
        Of the measure.
    strong : bool
        Whether the words stand out.
    """

    name: str
    numbers: str
    end: float
    median: float
    low: float
    high: float
    style: LineStyle
    strong: bool = False


def band_words(median: float, low: float, high: float) -> str:
    """Median and band in words, as "32 (28 to 37)"."""
    return f"{_round(median)} ({_round(low)} to {_round(high)})"


def _round(value: float) -> str:
    return f"{value:.0f}".replace("-0", "0") if abs(value) < 0.5 else f"{value:.0f}".replace("-", "\N{MINUS SIGN}")


def edge_labels(ax: Axes, labels: Sequence[EdgeLabel], limit: float | None = None) -> None:
    """Draw bars and words to the right of an axes, the words nudged apart.

    With few measures the numbers stand under the name, else beside it. ``limit`` is the room in inches;
    that to the edge of the figure unless given.
    """
    if not labels:
        return
    area = axes_box(ax)
    scale = pixels_per_point(ax)
    two_lines = len(labels) <= 4
    shown = [item for item in labels if np.isfinite(item.median)]
    words_at = _FIRST + _STEP * len(shown) + _AFTER
    room = limit * 72.0 if limit is not None else (figure_of(ax).bbox.x1 - area.x1) / scale - 2.0
    told = [_told(item, room - words_at, two_lines) for item in labels]
    heights = np.array([(0.1 + 1.3 * (1 + words.count("\n"))) * SMALL * scale for words in told])
    anchors = np.array([item.median if np.isfinite(item.median) else item.end for item in labels])
    wanted = np.array([float(ax.transData.transform((0.0, anchor))[1]) for anchor in anchors])
    wanted = np.clip(wanted, area.y0, area.y1)
    placed = spread(wanted, heights, area.y0 - 4.0 * scale, area.y1 + 2.0 * scale)
    columns = {id(item): _FIRST + _STEP * place for place, item in enumerate(shown)}
    words = []
    for item, text, at, up in zip(labels, told, wanted, placed, strict=True):
        column = columns.get(id(item), 0.0)
        if item in shown:
            _bar(ax, item, column)
        height = (at - area.y0) / area.height
        level = (up - area.y0) / area.height
        _leader(ax, (column + 3.0 if item in shown else 0.0, words_at - 2.0), (height, level))
        words.append(
            write(
                ax,
                1.0,
                level,
                text,
                points=(words_at, 0.0),
                colour=item.style.colour,
                weight="bold" if item.strong else "normal",
                size=SMALL,
            )
        )
    keep_inside(*words, right=None if limit is None else area.x1 + limit * figure_of(ax).dpi)


def _told(item: EdgeLabel, room: float, under: bool) -> str:
    """Name and numbers in their room [points]: the numbers ``under`` the name or beside it, under where it is too long.

    A long chord is broken, as "left wall" and "to right wall"; so numbers are never what is cut.
    """

    def fits(words: str) -> bool:
        return LETTER * SMALL * len(words) <= room

    if not under and fits(f"{item.name}  {item.numbers}"):
        return f"{item.name}  {item.numbers}"
    name = item.name if fits(item.name) else item.name.replace(" to ", "\nto ", 1)
    return f"{name}\n{item.numbers}"


def _bar(ax: Axes, item: EdgeLabel, column: float) -> None:
    """The band at the horizon as an upright bar with the measure's marker at the median."""
    shift = ScaledTranslation(column / 72.0, 0.0, figure_of(ax).dpi_scale_trans)
    transform = ax.get_yaxis_transform() + shift
    ax.add_line(
        Line2D(
            [1.0, 1.0],
            [item.low, item.high],
            transform=transform,
            color=item.style.colour,
            linewidth=1.3,
            clip_on=False,
            marker="_",
            markersize=3.5,
        )
    )
    ax.add_line(
        Line2D(
            [1.0],
            [item.median],
            transform=transform,
            color=item.style.colour,
            marker=item.style.marker,
            markersize=4.2,
            markerfacecolor=item.style.face,
            linestyle="none",
            clip_on=False,
            zorder=5,
        )
    )


def _leader(ax: Axes, across: tuple[float, float], up: tuple[float, float]) -> None:
    """A thin line from a bar to its words: level first, then slanting to the height of the words."""
    width = axes_box(ax).width / pixels_per_point(ax)
    bend = max(across[0], across[1] - 8.0)
    xs = [1.0 + points / width for points in (across[0], bend, across[1])]
    ax.add_line(
        Line2D(
            xs,
            [up[0], up[0], up[1]],
            transform=ax.transAxes,
            color=GREY,
            linewidth=0.45,
            clip_on=False,
            zorder=1.0,
        )
    )
