"""What happened at a section, as marks with words: passages, events, standstills, gaps, jumps, readings unconfirmed or
set aside.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from convergence.job.times import days_since
from convergence.measures.series import Series
from convergence.plots.canvas import axes_box
from convergence.plots.curves import kept_profile
from convergence.plots.labels import Across, Place, Space, TopLabel, point_at
from convergence.plots.style import GREY, INK, PALE, SMALL, STAGE_DASHES
from convergence.plots.view import SectionView, short_name
from convergence.terms import AXES
from convergence.triggers.changes import FAST_READING

#: The finding that most of an array was off for a few sweeps, which are used until somebody decides.
SHARED_SPELL = "shared spell off"
#: The first stage's face stands still if it has not moved for more than this [days].
STANDSTILL = 1.0


def draw_standstills(ax: Axes, view: SectionView) -> None:
    """Shade, lightly, the spells in which the face of the first stage stood still by its log."""
    low, high = view.window
    for start, end in standstills(view):
        if end > low and start < high:
            ax.axvspan(
                view.clock.number(max(start, low)),
                view.clock.number(min(end, high)),
                facecolor=PALE,
                edgecolor="none",
                zorder=0.2,
            )


def standstills(view: SectionView) -> list[tuple[float, float]]:
    """Spells longer than ``STANDSTILL`` in which the first stage's face did not move, as logged."""
    name = next(iter(view.paths), None)
    if name is None:
        return []
    track = view.outlook.projection.tracks[name]
    still = (
        (np.diff(track.chainage) == 0.0)
        & (np.diff(track.time) > STANDSTILL)
        & (track.time[1:] <= track.logged_until + 1e-9)
    )
    return [(float(track.time[row]), float(track.time[row + 1])) for row in np.flatnonzero(still)]


def draw_passages(ax: Axes, view: SectionView) -> list[TopLabel]:
    """Upright lines where each stage passes and at the instant of the analysis; returns the words that
    belong to them.
    """
    low, high = view.window
    found = []
    for place, (name, (at, planned)) in enumerate(view.passages().items()):
        if not low <= at <= high:
            continue
        number = view.clock.number(at)
        ax.axvline(number, color=GREY, linewidth=0.9, linestyle=STAGE_DASHES[place % len(STAGE_DASHES)], zorder=1.2)
        found.append(TopLabel(number, f"{name} passes{', planned' if planned else ''}", weight="bold"))
    number = view.clock.number(view.now)
    ax.axvline(number, color=INK, linewidth=1.3, zorder=1.4)
    found.append(TopLabel(number, f"analysed at {view.clock.minute(view.now)}", weight="bold"))
    return found


def draw_events(ax: Axes, view: SectionView) -> list[TopLabel]:
    """Ticks at the events of the section; returns their words."""
    low, high = view.window
    words: dict[tuple[str, float], list[str]] = {}
    for event in view.outlook.job.folder.events:
        day = view.outlook.job.days(event.time)
        if event.section in ("", view.section) and low <= day <= min(high, view.now):
            words.setdefault((event.event or event.note, day), []).append(event.prism)
    found = []
    for (name, day), prisms in words.items():
        number = view.clock.number(day)
        ax.plot(
            [number],
            [1.0],
            marker="|",
            markersize=7,
            color=INK,
            transform=ax.get_xaxis_transform(),
            clip_on=False,
            zorder=3,
        )
        found.append(TopLabel(number, f"{name} ({', '.join(prisms)})" if all(prisms) else name, colour=GREY))
    return found


def draw_gaps(ax: Axes, view: SectionView, chosen: Sequence[Series], space: Space) -> None:
    """A hatched strip, with words, along the edge of the axes where readings are missing for long."""
    low, high = view.window
    who = {name: short_name(series, chosen) for series in chosen for name in series.prisms.split(":")}
    strips: dict[tuple[float, float], list[str]] = {}
    for item in view.findings:
        if item.kind not in ("blind spell", "no recent reading", "prism silent") or (
            item.prism and item.prism not in who
        ):
            continue
        start, end = (view.outlook.job.days(instant) for instant in (item.start, item.end))
        if item.kind != "blind spell":
            end = view.now
        if end <= low or start >= high:
            continue
        subject = f"{who[item.prism]}: " if item.prism else ""
        strips.setdefault((start, end), []).append(f"{subject}no reading for {_duration(end - start)}")
    for (start, end), words in strips.items():
        one, two = view.clock.number(max(start, low)), view.clock.number(min(end, high))
        ax.axvspan(
            one,
            two,
            ymin=0.0,
            ymax=0.03,
            facecolor="white",
            edgecolor=INK,
            hatch="////////",
            linewidth=0.5,
            zorder=3,
        )
        strip = _rising(ax, 0.015)[0]
        places = [
            Place(two, strip, across="left", where="data", points=(3.0, 0.0)),
            Place(one, strip, across="right", where="data", points=(-3.0, 0.0)),
        ]
        sides: tuple[Across, ...] = ("center", "right", "left")
        places += [
            Place((one + two) / 2, up, across=across, up="bottom", where="data")
            for up in _rising(ax, 0.035)
            for across in sides
        ]
        space.place("\n".join(words), places, size=SMALL, weight="bold")


def _rising(ax: Axes, start: float) -> list[float]:
    """Heights in data coordinates, a few shares of the axes up from its lower edge."""
    low, high = ax.get_ylim()
    return [low + share * (high - low) for share in (start, start + 0.07, start + 0.14, start + 0.22)]


def signed(value: float) -> str:
    """A whole number with its sign."""
    return f"{value:+.0f}".replace("-", "\N{MINUS SIGN}")


def _duration(days: float) -> str:
    return f"{24 * days:.0f} h" if days < 4 else f"{days:.0f} d"


def draw_jumps(ax: Axes, view: SectionView, chosen: Sequence[Series], space: Space) -> None:
    """A word and an arrow at every jump that nobody has explained; the movement keeps it until someone
    does.
    """
    job = view.outlook.job
    for item in view.findings:
        if item.kind not in ("jump", "shared jump"):
            continue
        day = job.days(item.end)
        for series in chosen:
            if item.prism not in series.prisms.split(":"):
                continue
            row = int(np.searchsorted(series.time, day - 1e-3))
            if not 0 < row < len(series.time):
                continue
            kept = kept_profile(job, series)
            size = (
                float(kept[row] - kept[row - 1])
                if item.kind == "jump"
                else float(series.value[row] - series.value[row - 1])
            )
            words = f"unconfirmed {item.kind}, {signed(size)} mm in {short_name(series, chosen)}"
            _arrow(ax, space, view.clock.number(day), float(series.value[row]), words)
    _draw_shared_spells(ax, view, chosen, space)


def _draw_shared_spells(ax: Axes, view: SectionView, chosen: Sequence[Series], space: Space) -> None:
    """A word and an arrow at every spell in which most of the array was off, where it shows most; once a panel."""
    for item in view.findings:
        if item.kind != SHARED_SPELL:
            continue
        start, end = (view.outlook.job.days(instant) for instant in (item.start, item.end))
        found: tuple[float, float, float] | None = None
        for series in chosen:
            rows = np.flatnonzero((series.time >= start - 1e-3) & (series.time <= end + 1e-3))
            if not len(rows) or not 0 < rows[0] <= rows[-1] < len(series.time) - 1:
                continue
            usual = np.interp(series.time[rows], series.time[[rows[0] - 1, rows[-1] + 1]],
                              series.value[[rows[0] - 1, rows[-1] + 1]])  # fmt: skip
            off = np.abs(series.value[rows] - usual)
            top = int(np.argmax(off))
            if found is None or off[top] > found[0]:
                found = float(off[top]), float(series.time[rows[top]]), float(series.value[rows[top]])
        if found is not None:
            words = f"{item.kind}, up to {item.size:.0f} mm, to be decided"
            _arrow(ax, space, view.clock.number(found[1]), found[2], words)


def draw_fast_readings(ax: Axes, view: SectionView, chosen: Sequence[Series], space: Space) -> None:
    """A ring about every last reading that nothing confirms, with words at the one that is off most."""
    changes = view.outlook.changes
    fast = changes[(changes["section"] == view.section) & (changes["kind"] == FAST_READING)]
    sizes = {(str(row["measure"]), str(row["prisms"])): float(row["size"]) for row in fast.to_dict("records")}
    found = [(sizes[item.measure, item.prisms], item) for item in chosen if (item.measure, item.prisms) in sizes]
    if not found:
        return
    for _, series in found:
        ax.plot(
            [view.clock.number(float(series.time[-1]))],
            [float(series.value[-1])],
            marker="o",
            markersize=6.5,
            markerfacecolor="none",
            markeredgecolor=INK,
            zorder=5,
            linestyle="none",
        )
    size, series = max(found, key=lambda item: abs(item[0]))
    words = f"last reading {signed(size)} mm off in {short_name(series, chosen)}, unconfirmed: read again"
    if len(found) > 1:
        words += f"; {len(found) - 1} more ringed"
    _arrow(ax, space, view.clock.number(float(series.time[-1])), float(series.value[-1]), words)


def draw_set_aside(ax: Axes, view: SectionView, chosen: Sequence[Series], space: Space) -> None:
    """A cross, with the reason, at every reading of a single prism that was set aside though it had a
    value.
    """
    job = view.outlook.job
    array = job.array(view.section)
    names = [str(name) for name in array["prism"].values]
    aside = job.set_aside
    aside = aside[aside["section"] == view.section]
    low, high = sorted(ax.get_ylim())
    for series in chosen:
        if series.prisms not in names or series.measure not in AXES:
            continue
        column, axis = names.index(series.prisms), AXES.index(series.measure)
        raw = array["raw"].values[:, column, axis] - array["offset"].values[:, column, axis]
        used = array["used"].values[:, column]
        first = raw[np.flatnonzero(used)[0]]
        mine = aside[aside["prism"] == series.prisms]
        instants = days_since(mine["time"].to_numpy(dtype="datetime64[ns]"), job.epoch)
        for row in np.flatnonzero(~used & np.isfinite(raw)):
            day = float(array["read_days"].values[row, column])
            if not view.window[0] <= day <= view.window[1]:
                continue
            value = float(raw[row] - first)
            why = next(
                (str(reason) for reason, at in zip(mine["reason"], instants, strict=True) if abs(at - day) < 1e-4),
                "",
            )
            shown = float(np.clip(value, low, high))
            ax.plot(
                [view.clock.number(day)],
                [shown],
                marker="x",
                markersize=5,
                color=INK,
                zorder=5,
                linestyle="none",
            )
            words = f"{why or 'reading'} at {signed(value)} mm set aside, {short_name(series, chosen)}"
            _arrow(ax, space, view.clock.number(day), shown, words)


def _arrow(ax: Axes, space: Space, x: float, y: float, words: str) -> None:
    """Words near a point, towards the middle of the axes first, with a line from one to the other."""
    area = axes_box(ax)
    upper = float(ax.transData.transform((x, y))[1]) > (area.y0 + area.y1) / 2
    away = [(dx, dy) for dy in (16.0, -16.0, 28.0, -28.0, 44.0, -44.0) for dx in (8.0, -8.0)]
    away.sort(key=lambda item: ((item[1] > 0) == upper, abs(item[1])))
    places = [Place(x, y, across="left" if dx > 0 else "right", where="data", points=(dx, dy)) for dx, dy in away]
    point_at(space, x, y, words, places)
