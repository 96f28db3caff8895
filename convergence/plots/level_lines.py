"""Trigger levels as lines: where each stands on an axis of movement since the zero reading, and what is
written on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from convergence.measures.series import Series
from convergence.plots.canvas import axes_box, pixels_per_point
from convergence.plots.clock import Clock
from convergence.plots.labels import Across, Place, Space, Up, around, point_at
from convergence.plots.level_spans import Spans, range_words, spans_in_force
from convergence.plots.style import INK, SMALL
from convergence.plots.view import SectionView, mixed, short_name
from convergence.terms import WARNED
from convergence.triggers import LevelOutlook
from convergence.triggers.amounts import level_text
from convergence.triggers.levels import LIKELY, TWO_SIDED
from convergence.triggers.quantities import scale

Floats = npt.NDArray[np.float64]
#: Turns days since the job's epoch into places on an x axis.
OfDays = Callable[[Floats], Floats]

#: The next level is brought onto an axis if it is no further than this times what is drawn anyway.
REACH = 2.5
#: Quantities that have no place on an axis of movement: a rate is none, and a deviation's level runs along its curve.
NOT_DRAWN = ("rate", "deviation")
#: Share of the axes' width that words on a level may take, and the width of their letters [points].
ROOM, LETTER = 0.72, 0.62 * SMALL
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
    name : str
        Its name, with that of its trigger where two triggers have levels of one name, and a sign where something is
        wrong with it.
    spans : tuple of (float, float), or None
        Days between which its trigger is in force in the window of the figure; None where it always holds.
    owner, remark : str
        Name of its trigger, and where its place hangs on more than its value.
    """

    at: float
    words: str
    short: str
    place: int
    count: int
    outlook: LevelOutlook | None
    name: str = ""
    spans: Spans | None = None
    owner: str = ""
    remark: str = ""

    def comes(self, now: float) -> bool:
        """Whether it is in force at a day or later."""
        return self.spans is None or any(end >= now for _, end in self.spans)

    def label(self, points: float) -> str:
        """What is written on it: its words where they take no more than ``ROOM`` of an axes so wide, else the short."""
        return self.words if len(self.words) * LETTER <= ROOM * points else self.short

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
    shared = _shared_names(view, chosen)
    for series in chosen:
        for item in view.levels(series):
            if item.trigger.quantity in NOT_DRAWN:
                continue
            for sign in (1.0, -1.0) if series.measure in TWO_SIDED and item.level.value > 0 else (1.0,):
                at, remark = _placed(view, series, item, sign)
                limits = f", {', '.join(item.trigger.positions)}" if item.trigger.positions and not remark else ""
                kind = f"{series.measure} " if mixed(chosen) else ""
                value = level_text(item.trigger, replace(item.level, value=sign * item.level.value))
                value = value.replace("-", "\N{MINUS SIGN}")
                owner = f"{item.trigger.name}: " if item.level.name in shared else ""
                sign_of = f" {WARNED}" if item.warning else ""
                short = f"{owner or kind}{item.level.name} {value}{sign_of}"
                since = " since excavation" if item.trigger.since == "excavation" else ""
                remark = f"{limits}{remark}"
                words = f"{short}{remark}"
                chance = -1.0 if np.isnan(item.probability) else item.probability
                key = (item.trigger.name, item.level.name, sign)
                if key not in best or chance > best[key][0]:
                    best[key] = (
                        chance,
                        LevelLine(
                            at,
                            words,
                            f"{short}{since}",
                            item.place,
                            len(item.trigger.levels),
                            item,
                            f"{owner}{item.level.name}{sign_of}",
                            spans_in_force(item.trigger, view.paths, view.window),
                            item.trigger.name,
                            remark,
                        ),
                    )
    return tuple(sorted((line for _, line in best.values()), key=lambda line: (np.isnan(line.at), abs(line.at))))


def _shared_names(view: SectionView, chosen: Sequence[Series]) -> set[str]:
    """Names that levels of more than one of the triggers drawn have."""
    owners: dict[str, set[str]] = {}
    for series in chosen:
        for item in view.levels(series):
            if item.trigger.quantity not in NOT_DRAWN:
                owners.setdefault(item.level.name, set()).add(item.trigger.name)
    return {name for name, found in owners.items() if len(found) > 1}


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


def line_parts(ax: Axes, line: LevelLine, across: OfDays) -> list[tuple[float, float]]:
    """Parts of the x axis a level is drawn over: all of it, or those in which its trigger is in force.

    ``across`` turns days into x; where it gives NaN there is no part.
    """
    low, high = sorted(ax.get_xlim())
    if line.spans is None:
        return [(low, high)]
    found = []
    for span in line.spans:
        one, two = np.sort(np.asarray(across(np.array(span)), dtype=np.float64))
        if two >= low and one <= high:
            found.append((max(float(one), low), min(float(two), high)))
    return found


def draw_level(ax: Axes, line: LevelLine, across: OfDays) -> None:
    """Draw one level over the parts of the axes where it is in force, an upright end where one is in the axes."""
    low, high = sorted(ax.get_xlim())
    for one, two in line_parts(ax, line, across):
        ax.plot([one, two], [line.at] * 2, color=line.colour, linewidth=line.width, dashes=(9, 2.5), zorder=1.6)
        for end in (end for end in (one, two) if low < end < high):
            ax.plot([end], [line.at], "|", color=line.colour, markersize=7, markeredgewidth=line.width, zorder=1.6)


def draw_levels(ax: Axes, lines: Sequence[LevelLine], space: Space, across: OfDays) -> None:
    """Draw levels across the axes where they are in force, name and value on each; ``across`` turns days into x."""
    lines = [line for line in lines if line_parts(ax, line, across)]
    for line in lines:
        draw_level(ax, line, across)
    points = axes_box(ax).width / pixels_per_point(ax)
    above: tuple[Up, float] = ("bottom", 1.5)
    below: tuple[Up, float] = ("top", -1.5)
    for line in lines:
        towards_zero = above if (line.at < 0) != ax.yaxis_inverted() else below
        places = [
            Place(x, line.at, side, up, "data", (0.0, shift))
            for up, shift in ((above, below) if line.at >= 0 else (towards_zero, below, above))
            for x, side in _stations(ax, line_parts(ax, line, across))
        ]
        if line.spans is not None:
            # a short line may have a curve across it; beside its ends is as clear
            for one, two in line_parts(ax, line, across):
                places.append(Place(two, line.at, "left", "center", "data", (5.0, 0.0)))
                places.append(Place(one, line.at, "right", "center", "data", (-5.0, 0.0)))
        space.place(line.label(points), places, colour=line.colour, size=SMALL, weight="bold")


def _stations(ax: Axes, parts: Sequence[tuple[float, float]]) -> list[tuple[float, Across]]:
    """Places along an axes where a level may be named, the left end first; where it is in force, if not everywhere."""
    low, high = sorted(ax.get_xlim())
    shares = (0.012, 0.18, 0.34, 0.5, 0.66, 0.985)
    places = [low + share * (high - low) for share in shares]
    inside = [place for place in places if any(one <= place <= two for one, two in parts)]
    inside += [one for one, _ in parts if one > low]
    return [(place, "left" if place < low + 0.6 * (high - low) else "right") for place in inside or places]


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
        words = f"{line.name or item.level.name}: even odds by {clock.date(item.crossing)}"
        point_at(space, clock.number(item.crossing), line.at, words, places, SMALL - 0.5)


def level_notes(view: SectionView, chosen: Sequence[Series], beyond: Sequence[LevelLine]) -> list[str]:
    """What stands in words: levels beyond the axis, levels without a known place, and those of ``NOT_DRAWN``."""
    notes = list(
        dict.fromkeys(f"{WARNED} {item.warning}" for series in chosen for item in view.levels(series) if item.warning)
    )
    placed = [line.words for line in beyond if not np.isnan(line.at)]
    if placed:
        notes.append("beyond this axis: " + ", ".join(placed))
    notes += [f"not drawn: {line.words}" for line in beyond if np.isnan(line.at)]
    notes += [f"not in force in this figure: {line.words}" for line in level_lines(view, chosen) if line.spans == ()]
    first = next(iter(view.paths), "first stage's")
    ranges = {
        item.trigger.name: range_words(item.trigger, first)
        for series in chosen
        for item in view.levels(series)
        if item.trigger.valid is not None
    }
    notes += [f"{name}: {words}" for name, words in ranges.items()]
    others: dict[tuple[str, str], list[str]] = {}
    for series in chosen:
        for item in view.levels(series):
            if item.trigger.quantity not in NOT_DRAWN:
                continue
            curve = item.trigger.expected
            unit = "" if curve is None else f" beyond the expected curve {curve.name}"
            words = f"{item.level.name} {level_text(item.trigger, item.level)}{f' {WARNED}' if item.warning else ''}"
            told = others.setdefault((item.trigger.name, unit), [])
            if words not in told:
                told.append(words)
    notes += [f"not drawn: {name}, {', '.join(words)}{unit}" for (name, unit), words in others.items()]
    return notes
