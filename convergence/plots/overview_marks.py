"""Marks of the tunnel's map: one measure of one section by band, dash and state, and the key to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import ScaledTranslation

from convergence.plots.canvas import figure_of
from convergence.plots.labels import keep_inside
from convergence.plots.style import INK, SMALL, STATE_MARKS
from convergence.triggers import Outlook

#: What the key calls a marker with a dot.
BAND_REACHES = "clear, band reaches a level"


@dataclass(frozen=True)
class MapPoint:
    """One measure of one section on the map; movements in mm since the zero reading, NaN where not
    projected. ``reaches`` says whether the band reaches a level of movement.
    """

    section: str
    chainage: float
    measured: float
    low: float
    median: float
    high: float
    state: str
    reaches: bool = False

    @property
    def warned(self) -> bool:
        """Whether the point is clear though its band reaches a level."""
        return self.state == "clear" and self.reaches


def band_reaches(low: float, high: float, levels: Sequence[float]) -> bool:
    """Whether a band from low to high reaches one of the levels; false where the band or a level is NaN."""
    return any(high >= level if level > 0 else low <= level for level in levels)


def draw_point(ax: Axes, point: MapPoint) -> None:
    """Band, measured value and state of one section."""
    if not point.state:
        return
    mark = STATE_MARKS[point.state]
    at = point.median if np.isfinite(point.median) else point.measured if np.isfinite(point.measured) else 0.0
    if np.isfinite(point.low):
        ax.plot(
            [point.chainage] * 2,
            [point.low, point.high],
            color=INK,
            linewidth=1.2,
            marker="_",
            markersize=4.5,
            zorder=2.0,
        )
    if np.isfinite(point.measured):
        ax.plot(
            [point.chainage],
            [point.measured],
            marker="_",
            markersize=11,
            markeredgewidth=2.0,
            color="#0072B2",
            zorder=2.5,
        )
    size = 8.5 if point.state == "clear" else 11.5
    ax.plot(
        [point.chainage],
        [at],
        marker=mark.marker,
        markersize=size,
        color=mark.face,
        markeredgecolor=INK,
        markeredgewidth=0.8,
        zorder=3.0,
    )
    ax.annotate(
        mark.letter,
        (point.chainage, at),
        xytext=(0, 1.0 if point.state == "past" else 0),
        textcoords="offset points",
        ha="center",
        va="center",
        fontsize=5.5 if point.state == "clear" else 6.5,
        fontweight="bold",
        color=mark.ink,
        zorder=3.5,
    )
    if point.warned:
        _draw_warning(ax, point.chainage, at)


def _draw_warning(ax: Axes, x: float, y: float) -> None:
    """A black dot at the upper right of a marker: its band reaches a level."""
    shift = ScaledTranslation(5.0 / 72.0, 5.0 / 72.0, figure_of(ax).dpi_scale_trans)
    ax.add_line(
        Line2D(
            [x],
            [y],
            marker="o",
            markersize=4.8,
            color=INK,
            markeredgecolor="white",
            markeredgewidth=0.6,
            linestyle="none",
            transform=ax.transData + shift,
            clip_on=False,
            zorder=3.6,
        )
    )


def draw_key(ax: Axes, outlook: Outlook) -> None:
    """The states by shape, letter and word, and what bars and dashes mean."""
    ax.set_axis_off()
    ax.set_xlim(0, 1)
    ax.set_ylim(0, 1)
    at = 0.0
    entries = [(mark, mark.words, False) for mark in STATE_MARKS.values()]
    entries.append((STATE_MARKS["clear"], BAND_REACHES, True))
    for mark, name, warned in entries:
        ax.plot(
            [at + 0.008],
            [0.5],
            marker=mark.marker,
            markersize=10,
            color=mark.face,
            markeredgecolor=INK,
            markeredgewidth=0.8,
            clip_on=False,
        )
        ax.text(
            at + 0.008,
            0.5,
            mark.letter,
            ha="center",
            va="center",
            fontsize=6,
            fontweight="bold",
            color=mark.ink,
        )
        if warned:
            _draw_warning(ax, at + 0.008, 0.5)
        written = ax.text(at + 0.022, 0.5, name, va="center", fontsize=SMALL)
        at = float(ax.transAxes.inverted().transform((written.get_window_extent().x1, 0.0))[0]) + 0.02
    ax.add_line(Line2D([at + 0.004, at + 0.022], [0.5, 0.5], color="#0072B2", linewidth=2.4))
    horizon = f"{outlook.projection.horizon_days:g} d after the first stage's passage"
    words = f"measured; marker and bar: median and {outlook.projection.confidence:.0%} band\n{horizon}"
    keep_inside(ax.text(at + 0.028, 0.5, words, va="center", fontsize=SMALL))
