"""Readings under the name of another prism, and prisms that stand where another stood: found, and said."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.job.account import Account
from convergence.job.event_notes import until
from convergence.job.findings import Finding, event_line, finding
from convergence.job.reading import JobFolder
from convergence.job.times import shown
from convergence.survey.overrules import names_one
from convergence.survey.swaps import find_swaps
from convergence.survey.sweeps import group_sweeps

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

#: A prism that begins this near [m] to one that is read no more, in so many days, may be its successor.
NEAR_PLACE, NEAR_DAYS = 1.5, 30.0
#: Sweeps of the array without a prism after which it counts as read no more.
GONE_SWEEPS = 4


def set_swaps_aside(
    folder: JobFolder, section: str, members: Sequence[int], rows: Ints, movement: Floats, account: Account,
    findings: list[Finding],
) -> Bools:  # fmt: skip
    """Readings of a section that stand under another prism's name are set aside, with the line that exchanges them.

    Parameters
    ----------
    folder : JobFolder
        The folder, its readings renamed by events already.
    section, members : str, sequence of int
        The section and its prisms, as indices into ``folder.prisms``.
    rows : array of int
        Its readings, as rows of ``folder.readings``.
    movement : (n, 3) array
        Reduced raw movement [mm] of all readings.
    account, findings : Account, list of Finding
        Receive rows set aside and what was found.

    Returns
    -------
    (m,) array of bool
        Which of ``rows`` were set aside.
    """
    aside = np.zeros(len(rows), dtype=bool)
    prisms = [folder.prisms[index] for index in members]
    frame = folder.readings
    order = np.argsort(frame["time"].to_numpy()[rows], kind="stable")
    sorted_rows = rows[order]
    time = frame["time"].to_numpy(dtype="datetime64[ns]")[sorted_rows]
    local = np.full(len(folder.prisms), -1, dtype=np.int64)
    local[list(members)] = np.arange(len(prisms))
    who = local[frame["prism"].to_numpy(dtype=np.int64)[sorted_rows]]
    sweep = group_sweeps(time, who)
    if not len(sweep):
        return aside
    grid = np.full((int(sweep[-1]) + 1, len(prisms), 3), np.nan)
    design = None
    grid[sweep, who] = movement[sorted_rows]
    if bool(frame["coordinates"].to_numpy(dtype=bool)[sorted_rows].all()):
        # height is up, settlement down; over one array the curve of the tunnel does not matter
        design = 1e3 * np.array([(prism.chainage, prism.offset, -prism.height) for prism in prisms])
        grid = grid + design[None]
    for swap in find_swaps(grid, design):
        inside = (sweep >= swap.first) & (sweep <= swap.last)
        times = time[inside & np.isin(who, (swap.one, swap.two))]
        start, end = times[0], times[-1]
        names = prisms[swap.one].name, prisms[swap.two].name
        pair = f"{names[0]}:{names[1]}"
        # boundaries between readings: nothing is exchanged in part where a reading is a second off
        both = time[np.isin(who, (swap.one, swap.two))]
        first, last = _between(both, start, end)
        line = event_line(first, section, pair, "prisms swapped") + ("" if swap.open else until(last))
        kept = [names_one(folder.events, "reading kept", section, name, start, end) is not None for name in names]
        hit = inside & (((who == swap.one) & (not kept[0])) | ((who == swap.two) & (not kept[1])))
        action = "set aside" if hit.any() else "kept"
        reach = "to the last reading" if swap.open else f"to {shown(end)}"
        done = "set aside" if action == "set aside" else "kept by events.csv"
        sentence = (
            f"{names[0]} and {names[1]} of {section}: read at each other's place from {shown(start)} {reach}, "
            f"{swap.apart:.0f} mm apart; {done}. This line of events.csv exchanges them: {line}"
        )
        findings.append(
            finding(
                "swapped prisms", sentence, section=section, prism=pair, start=start, end=end, size=swap.apart,
                action=action, line=line,
            )
        )  # fmt: skip
        new = hit & ~aside[order]
        files = np.array(folder.files, dtype=object)[frame["file"].to_numpy()[sorted_rows[new]]]
        who_names = np.array([prisms[index].name for index in who[new]], dtype=object)
        lines = frame["line"].to_numpy()[sorted_rows[new]]
        account.set_aside(files, lines, "swapped prisms", f"with {pair}", section, who_names, time[new])
        aside[order[new]] = True
    return aside


def _between(
    time: npt.NDArray[np.datetime64], start: np.datetime64, end: np.datetime64
) -> tuple[np.datetime64, np.datetime64]:
    """Instants half way between the first and last reading of a spell and the readings before and after it."""
    before, after = time[time < start][-1:], time[time > end][:1]
    first = before[0] + (start - before[0]) / 2 if len(before) else start
    last = end + (after[0] - end + np.timedelta64(1, "s")) / 2 if len(after) else end + np.timedelta64(1, "s")
    return first, last


def successors(folder: JobFolder, section: str, members: Sequence[int], rows: Ints) -> list[Finding]:
    """Prisms that begin where another of the array stood that is read no more; nothing is joined without a person."""
    who = folder.readings["prism"].to_numpy(dtype=np.int64)[rows]
    time = folder.readings["time"].to_numpy(dtype="datetime64[ns]")[rows]
    spans = {index: (time[who == index].min(), time[who == index].max()) for index in members if (who == index).any()}
    found = []
    for old, (_, last) in spans.items():
        for new, (first, _) in spans.items():
            gap = (first - last) / np.timedelta64(1, "D")
            one, two = folder.prisms[old], folder.prisms[new]
            away = float(np.hypot(one.offset - two.offset, one.height - two.height))
            near = away <= NEAR_PLACE or one.position == two.position
            if not (0 < gap <= NEAR_DAYS and near) or sweeps_after(time[who != old], last) < GONE_SWEEPS:
                continue
            line = event_line(first, section, f"{one.name}:{two.name}", "prism replaced")
            sentence = (
                f"{two.name} of {section}: read from {shown(first)}, {away:.1f} m from {one.name}, which was last read "
                f"{shown(last)}; where it took its place, this line of events.csv joins the two: {line}"
            )
            found.append(
                finding(
                    "prism under another name", sentence, section=section, prism=f"{one.name}:{two.name}", start=last,
                    end=first, size=1e3 * away, line=line,
                )
            )  # fmt: skip
    return found


def sweeps_after(time: npt.NDArray[np.datetime64], last: np.datetime64) -> int:
    """Number of sweeps, readings of one prism or more together, after an instant."""
    later = np.sort(time[time > last])
    return len(np.unique(group_sweeps(later, np.arange(len(later), dtype=np.int64))))
