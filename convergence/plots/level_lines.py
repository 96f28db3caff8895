"""Trigger levels as lines: where each stands on an axis of movement since the zero reading, and what is
written on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from convergence.measures.series import Series
from convergence.plots.clock import Clock
from convergence.plots.labels import Across, Place, Space, Up, around, point_at
from convergence.plots.style import INK, SMALL
from convergence.plots.view import SectionView, mixed, short_name
from convergence.triggers import LevelOutlook
from convergence.triggers.levels import LIKELY, TWO_SIDED
from convergence.triggers.quantities import scale

#: The next level is brought onto an axis if it is no further than this times what is drawn anyway.
REACH = 2.5
#: Quantities that have no place on an axis of movement: a rate is none, and a deviation's level runs along its curve.
NOT_DRAWN = ("rate", "deviation")
_SHADES = ("#8C6D00", "#A84300", "#7A0019")


@dataclass(frozen=True)
class LevelLine:
    """One level as a line.

    Attributes
    ----------
    at : float
        Where it stands [mm since the zero reading]; NaN where the part lost before it is unknown.
    words : str
        Name, value and, where they differ from the axis, datum and measure.
    short : str
        Name, value and datum, the same for all measures.
    place, count : int
        Its place among the levels of its trigger, and how many there are.
    outlook : LevelOutlook or None
        The level's outlook for the measure nearest to reaching it.
    """

    at: float
    words: str
    short: str
    place: int
    count: int
    outlook: LevelOutlook | None

    @property
    def colour(self) -> str:
        """Darker for graver levels."""
        return _SHADES[round((self.place + 1) / self.count * len(_SHADES)) - 1 if self.count else 0]

    @property
    def width(self) -> float:
        """Heavier for graver levels."""
        return 0.7 + 0.6 * (self.place + 1) / max(self.count, 1)


def level_lines(view: SectionView, chosen: Sequence[Series]) -> tuple[LevelLine, ...]:
    """Levels of movement and strain that apply to the measures, each once, nearest to zero first.

    A level since the zero reading stands at its value. One that includes the lost part, or is a strain or a
    distortion, stands at another place for every measure; the measure most likely to reach it is taken, and named.
    Rates and deviations from an expected curve are left out; ``level_notes`` tells them.
    """
    best: dict[tuple[str, str, float], tuple[float, LevelLine]] = {}
    for series in chosen:
        for item in view.levels(series):
            if item.trigger.quantity in NOT_DRAWN:
                continue
            for sign in (1.0, -1.0) if series.measure in TWO_SIDED and item.level.value > 0 else (1.0,):
                at, remark = _placed(view, series, item, sign)
                limits = f", {', '.join(item.trigger.positions)}" if item.trigger.positions and not remark else ""
                kind = f"{series.measure} " if mixed(chosen) else ""
                value = f"{sign * item.level.value:g}".replace("-", "\N{MINUS SIGN}")
                short = f"{kind}{item.level.name} {value} {item.trigger.unit}"
                since = " since excavation" if item.trigger.since == "excavation" else ""
                words = f"{short}{limits}{remark}"
                chance = -1.0 if np.isnan(item.probability) else item.probability
                key = (item.trigger.name, item.level.name, sign)
                if key not in best or chance > best[key][0]:
                    best[key] = (
                        chance,
                        LevelLine(at, words, f"{short}{since}", item.place, len(item.trigger.levels), item),
                    )
    return tuple(sorted((line for _, line in best.values()), key=lambda line: (np.isnan(line.at), abs(line.at))))


def _placed(view: SectionView, series: Series, item: LevelOutlook, sign: float) -> tuple[float, str]:
    """Where a level stands on the axis of a measure, and the remark that says why it is not at its value."""
    at, remark = sign * item.level.value, ""
    if item.trigger.quantity in ("strain", "distortion"):
        at *= scale(item.trigger, series)
        remark = f" of {series.base_length:.2f} m"
    if item.trigger.since == "excavation" and view.projection is not None:
        lost = float(view.projection.lost[view.projection.index(series.label)])
        at -= lost
        part = "the part" if np.isnan(lost) else f"{lost:.1f} mm of it"
        remark += f" since excavation, {part} lost before the zero reading{' unknown' if np.isnan(lost) else ''}"
    return at, f"{remark} ({short_name(series)})" if remark else ""


def shown_levels(lines: Sequence[LevelLine], low: float, high: float) -> tuple[list[LevelLine], list[LevelLine]]:
    """Levels to draw and levels beyond the axis, where what is drawn anyway runs from low to high.

    Drawn are those within, and the next one on either side if it is within ``REACH``.
    """
    drawn = [line for line in lines if low <= line.at <= high]
    beyond = [line for line in lines if not low <= line.at <= high]
    for side in ([line for line in beyond if line.at > high], [line for line in beyond if line.at < low]):
        limit = REACH * max(abs(low), abs(high), 1.0)
        if side and abs(side[0].at) <= limit:
            drawn.append(side[0])
    return sorted(drawn, key=lambda line: line.at), [line for line in lines if line not in drawn]


def draw_levels(ax: Axes, lines: Sequence[LevelLine], space: Space) -> None:
    """Draw levels across the axes, name and value on each."""
    for line in lines:
        ax.axhline(line.at, color=line.colour, linewidth=line.width, dashes=(9, 2.5), zorder=1.6)
    above: tuple[Up, float] = ("bottom", 1.5)
    below: tuple[Up, float] = ("top", -1.5)
    for line in lines:
        towards_zero = above if (line.at < 0) != ax.yaxis_inverted() else below
        places = [
            Place(x, line.at, across, up, "data", (0.0, shift))
            for up, shift in ((above, below) if line.at >= 0 else (towards_zero, below, above))
            for x, across in _stations(ax)
        ]
        space.place(line.words, places, colour=line.colour, size=SMALL, weight="bold")


def _stations(ax: Axes) -> list[tuple[float, Across]]:
    """Places along an axes where a level may be named, the left end first."""
    low, high = ax.get_xlim()
    return [
        (low + share * (high - low), "left" if share < 0.9 else "right")
        for share in (0.012, 0.18, 0.34, 0.5, 0.66, 0.985)
    ]


def draw_crossings(ax: Axes, lines: Sequence[LevelLine], clock: Clock, now: float, end: float, space: Space) -> None:
    """On each level likely to be reached in view, when: a diamond at even odds, a bar from the early to the
    late date.
    """
    for line in lines:
        item = line.outlook
        if item is None or item.past or np.isnan(item.crossing) or item.probability < LIKELY or item.crossing > end:
            continue
        early = item.early if np.isfinite(item.early) else now
        late = item.late if np.isfinite(item.late) else end
        ax.plot(
            clock.numbers([max(early, now), min(late, end)]),
            [line.at, line.at],
            color=INK,
            linewidth=2.6,
            alpha=0.55,
            solid_capstyle="butt",
            zorder=4.2,
        )
        ax.plot(
            clock.numbers([item.crossing]),
            [line.at],
            marker="D",
            markersize=4.5,
            color=INK,
            markerfacecolor="white",
            zorder=4.4,
        )
        places = around(
            clock.number(item.crossing),
            line.at,
            [("left", 4.0), ("right", -4.0), ("left", 30.0)],
            [("top", -3.5), ("bottom", 3.5), ("top", -14.0), ("bottom", 14.0), ("top", -26.0), ("bottom", 26.0)],
        )
        words = f"{item.level.name}: even odds by {clock.date(item.crossing)}"
        point_at(space, clock.number(item.crossing), line.at, words, places, SMALL - 0.5)


def level_notes(view: SectionView, chosen: Sequence[Series], beyond: Sequence[LevelLine]) -> list[str]:
    """What stands in words: levels beyond the axis, levels without a known place, and those of ``NOT_DRAWN``."""
    notes = []
    placed = [line.words for line in beyond if not np.isnan(line.at)]
    if placed:
        notes.append("beyond this axis: " + ", ".join(placed))
    notes += [f"not drawn: {line.words}" for line in beyond if np.isnan(line.at)]
    others: dict[tuple[str, str], list[str]] = {}
    for series in chosen:
        for item in view.levels(series):
            if item.trigger.quantity not in NOT_DRAWN:
                continue
            curve = item.trigger.expected
            unit = item.trigger.unit + ("" if curve is None else f" beyond the expected curve {curve.name}")
            words, told = f"{item.level.name} {item.level.value:g}", others.setdefault((item.trigger.name, unit), [])
            if words not in told:
                told.append(words)
    notes += [f"not drawn: {name}, {', '.join(words)} {unit}" for (name, unit), words in others.items()]
    return notes
