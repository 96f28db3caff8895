"""Words that do not lie on one another: nudging along a line, free places in an area, rows above an axes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke
from matplotlib.text import Text
from matplotlib.transforms import Bbox, ScaledTranslation
from scipy.optimize import isotonic_regression

from convergence.plots.canvas import axes_box, figure_of, pixels_per_point
from convergence.plots.style import GREY, INK, SMALL

Floats = npt.NDArray[np.float64]

#: Words are not made smaller than this [points].
LEAST = 5.3
#: A line is not cut to fewer letters than this.
FEWEST_LETTERS = 6
Across = Literal["left", "center", "right"]
Up = Literal["top", "center", "bottom"]


def spread(wanted: npt.ArrayLike, size: npt.ArrayLike, low: float, high: float) -> Floats:
    """Places for labels along a line: apart by their sizes, as near as possible to where they are wanted.

    With the labels in order, the offsets of stacked labels are taken off; the nearest places in the sense
    of least squares are then the isotonic regression of what is left, and clipping it to the line keeps it
    the nearest.

    Parameters
    ----------
    wanted : (n,) array
        Wanted centres, any unit.
    size : (n,) array
        Extent of each label along the line, in the same unit.
    low, high : float
        Ends of the line. Where the labels need more room than there is they run beyond the upper end.

    Returns
    -------
    (n,) array
        Centres, in the order given.

    Examples
    --------
    Two labels of 2 wanted at 5 move 1 to either side; the third has no reason to move:

    >>> spread([5.0, 5.0, 20.0], [2.0, 2.0, 2.0], 0.0, 30.0).tolist()
    [4.0, 6.0, 20.0]
    """
    centre, extent = np.asarray(wanted, dtype=np.float64), np.asarray(size, dtype=np.float64)
    if not len(centre):
        return centre.copy()
    order = np.argsort(centre, kind="stable")
    half = extent[order] / 2
    stacked = np.concatenate([[0.0], np.cumsum(half[:-1] + half[1:])])
    free = np.asarray(isotonic_regression(centre[order] - stacked).x, dtype=np.float64)
    first, last = low + half[0], high - half[-1] - stacked[-1]
    places = np.clip(free, first, max(first, last)) + stacked
    found = np.empty_like(centre)
    found[order] = places
    return found


def write(
    ax: Axes,
    x: float,
    y: float,
    words: str,
    *,
    across: Across = "left",
    up: Up = "center",
    size: float = SMALL,
    colour: str = INK,
    weight: str = "normal",
    where: Literal["data", "axes"] = "axes",
    points: tuple[float, float] = (0.0, 0.0),
    backed: bool = False,
    zorder: float = 6.0,
) -> Text:
    """Write words in data or axes coordinates, shifted by points; names with dollar signs stay as they are."""
    transform = ax.transData if where == "data" else ax.transAxes
    shift = ScaledTranslation(points[0] / 72.0, points[1] / 72.0, figure_of(ax).dpi_scale_trans)
    # a rim about the letters and no box behind them, so that what is drawn there can still be followed
    rim = [withStroke(linewidth=1.8, foreground="white", alpha=0.85)] if backed else None
    return ax.text(
        x,
        y,
        words,
        transform=transform + shift,
        ha=across,
        va=up,
        fontsize=size,
        color=colour,
        fontweight=weight,
        path_effects=rim,
        zorder=zorder,
        parse_math=False,
        clip_on=False,
    )


def cut(words: str, longest: int) -> str:
    """Words cut to a length, with dots where something is missing."""
    return words if len(words) <= longest else f"{words[: longest - 1].rstrip()}\N{HORIZONTAL ELLIPSIS}"


def keep_inside(*texts: Text, right: float | None = None) -> None:
    """Make words smaller, all alike and down to legible, where one runs over the right edge; then cut what still does.

    The edge is that of the figure, or ``right`` [pixels]. A line that is cut ends with dots.
    """
    shares = []
    for text in texts:
        figure = text.get_figure(root=True)
        edge = right if right is not None else figure.bbox.x1 - 2.0 if figure is not None else float("inf")
        box = text.get_window_extent()
        if box.x1 > edge > box.x0:
            shares.append((edge - box.x0) / box.width)
    for text in texts if shares else ():
        text.set_fontsize(max(text.get_fontsize() * min(shares), LEAST))
    for text in texts if shares else ():
        _cut_at(text, right)


def _cut_at(text: Text, right: float | None) -> None:
    """Cut the longest line of words until they end before the right edge."""
    figure = text.get_figure(root=True)
    edge = right if right is not None else figure.bbox.x1 - 2.0 if figure is not None else float("inf")
    lines = text.get_text().split("\n")
    while text.get_window_extent().x1 > edge and max(map(len, lines)) > FEWEST_LETTERS:
        longest = max(range(len(lines)), key=lambda place: len(lines[place]))
        lines[longest] = cut(lines[longest], len(lines[longest]) - 1)
        text.set_text("\n".join(lines))


@dataclass(frozen=True)
class Place:
    """A place words may take: coordinates, alignment and a shift in points."""

    x: float
    y: float
    across: Across = "left"
    up: Up = "center"
    where: Literal["data", "axes"] = "data"
    points: tuple[float, float] = (0.0, 0.0)


def around(x: float, y: float, across: Sequence[tuple[Across, float]], up: Sequence[tuple[Up, float]]) -> list[Place]:
    """Places about a point in data coordinates: alignment and shift [points] across, for each of those up."""
    return [Place(x, y, side, level, "data", (dx, dy)) for level, dy in up for side, dx in across]


class Space:
    """The area of one axes: what is drawn there, and which words stand where."""

    def __init__(self, ax: Axes) -> None:
        self.ax = ax
        self.area = axes_box(ax)
        self._points: list[Floats] = []
        self._boxes: list[Bbox] = []

    def keep_clear(self, x: npt.ArrayLike, y: npt.ArrayLike) -> None:
        """Tell of points, in data coordinates, that words should not cover."""
        points = np.column_stack([np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)])
        points = points[np.isfinite(points).all(axis=1)]
        if len(points):
            self._points.append(np.asarray(self.ax.transData.transform(points)))

    def place(
        self,
        words: str,
        places: Sequence[Place],
        *,
        size: float = SMALL,
        colour: str = INK,
        weight: str = "normal",
    ) -> Text:
        """Write words at the first place that is free, or the one where they hide least."""
        best: tuple[float, Place] | None = None
        text = write(self.ax, 0.0, 0.0, words, size=size, colour=colour, weight=weight, backed=True)
        extent = text.get_window_extent()
        text.remove()
        for place in places:
            cost = self._cost(self._box(place, extent.width, extent.height))
            if best is None or cost < best[0] - 1e-9:
                best = (cost, place)
            if cost == 0.0:
                break
        if best is None:
            raise AssertionError("words need at least one place")
        chosen = best[1]
        self._boxes.append(self._box(chosen, extent.width, extent.height))
        return write(
            self.ax,
            chosen.x,
            chosen.y,
            words,
            across=chosen.across,
            up=chosen.up,
            size=size,
            colour=colour,
            weight=weight,
            where=chosen.where,
            points=chosen.points,
            backed=True,
        )

    def _box(self, place: Place, width: float, height: float) -> Bbox:
        """Where words of a size would stand, in display units."""
        transform = self.ax.transData if place.where == "data" else self.ax.transAxes
        x, y = transform.transform((place.x, place.y))
        scale = pixels_per_point(self.ax)
        x, y = float(x) + place.points[0] * scale, float(y) + place.points[1] * scale
        left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[place.across] * width
        bottom = y - {"bottom": 0.0, "center": 0.5, "top": 1.0}[place.up] * height
        return Bbox.from_bounds(left, bottom, width, height)

    def _cost(self, box: Bbox) -> float:
        """Nothing for a free place; words on words are worst, then words cut off, then points covered."""
        padded = box.padded(1.5)
        cost = 1e4 * sum(padded.overlaps(other) for other in self._boxes)
        inside = self.area.x0 <= box.x0 and box.x1 <= self.area.x1 and self.area.y0 <= box.y0 and box.y1 <= self.area.y1
        cost += 0.0 if inside else 3e3
        for points in self._points:
            hit = (
                (points[:, 0] > padded.x0)
                & (points[:, 0] < padded.x1)
                & (points[:, 1] > padded.y0)
                & (points[:, 1] < padded.y1)
            )
            cost += float(hit.sum())
        return cost


def point_at(space: Space, x: float, y: float, words: str, places: Sequence[Place], size: float = SMALL) -> None:
    """Words at one of some places about a point, with a line from them to the point."""
    ax = space.ax
    box = space.place(words, places, size=size, weight="bold").get_window_extent()
    at = ax.transData.transform((x, y))
    nearest = (float(np.clip(at[0], box.x0, box.x1)), float(np.clip(at[1], box.y0, box.y1)))
    if np.hypot(at[0] - nearest[0], at[1] - nearest[1]) < 5.0 * pixels_per_point(ax):
        return
    end = ax.transData.inverted().transform(nearest)
    ax.plot([x, float(end[0])], [y, float(end[1])], color=INK, linewidth=0.6, zorder=4.5)


@dataclass(frozen=True)
class TopLabel:
    """A word above an axes that belongs to a place on its x axis."""

    x: float
    words: str
    weight: str = "normal"
    colour: str = INK


def top_labels(ax: Axes, labels: Sequence[TopLabel], rows: int = 3) -> list[Text]:
    """Write words above an axes in as few rows as they need, each with a line down to its place.

    A word goes into the lowest row in which it does not touch the one before it; with all rows taken it is
    moved to the right in the least crowded one.
    """
    area = axes_box(ax)
    scale = pixels_per_point(ax)
    height = 1.25 * SMALL
    ends = [area.x0 - 2.0] * rows
    low, high = sorted(ax.get_xlim())
    found: list[Text] = []
    for label in sorted(labels, key=lambda item: item.x):
        if not low <= label.x <= high:
            continue
        at = float(ax.transData.transform((label.x, 0.0))[0])
        text = write(ax, 0.0, 1.0, label.words, up="bottom", colour=label.colour, weight=label.weight, backed=True)
        width = text.get_window_extent().width
        left = min(max(at - 3.0 * scale, area.x0), area.x1 - width)
        row = next((index for index, end in enumerate(ends) if left >= end), int(np.argmin(ends)))
        left = max(left, ends[row])
        ends[row] = left + width + 5.0 * scale
        rise = 3.0 + row * height
        shift = ScaledTranslation(0.0, rise / 72.0, figure_of(ax).dpi_scale_trans)
        text.set_transform(ax.transAxes + shift)
        text.set_x((left - area.x0) / area.width)
        line = Line2D(
            [label.x, label.x],
            [1.0, 1.0 + (rise + 0.5) * scale / area.height],
            transform=ax.get_xaxis_transform(),
            color=GREY,
            linewidth=0.5,
            clip_on=False,
            zorder=1.5,
        )
        ax.add_line(line)
        found.append(text)
    return found
