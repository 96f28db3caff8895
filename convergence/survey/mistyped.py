"""Times that contradict the order of their own file: one row out of place in time, or a clock put back.

Pure arrays in, decisions out. A file that is written as readings come is in the order of time. A row whose time lies
hours outside of those of the rows before and after it carries a mistyped time. That is only
believed where its section was read at the place of the row in the file and this prism was not, and where at the time
it claims the section was not read, or this prism was already; a reading added later by hand fulfils neither. A whole
sweep out of place is believed to be mistyped where its section lacks a sweep at its place in the file, by the intervals
of its others, and has one already at the time it claims.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
Instants = npt.NDArray[np.datetime64]

#: A file is in the order of time if so few of its steps go back, and has at least so many rows.
BACK_SHARE, FEWEST_ROWS = 0.02, 20
#: The rows before and after were read within so many hours of each other; a mistyped time is so many outside of them.
TOGETHER, AWAY = 12.0, 6.0
#: Two readings of a section belong to one sweep within this time.
SWEEP = np.timedelta64(25, "m")
TICK = np.timedelta64(1, "ns")
#: Lines are laid out in a table where that has no more than so many places for each row; else they are sorted.
LOOSE = 8
#: A section lacks a sweep, or has one already, where the nearest is farther, or nearer, than these shares of the usual
#: interval, that of so many sweeps around.
LACKS, HAS, AROUND = 0.6, 0.4, 8
#: A clock put back goes back by this much [minutes]; and readings go on from there.
CLOCK_LEAST, CLOCK_MOST = np.timedelta64(5, "m"), np.timedelta64(150, "m")


def out_of_file(time: Instants, file: Ints, line: Ints, section: Ints, prism: Ints) -> tuple[Ints, Instants]:
    """Rows whose time contradicts their place in the file.

    Parameters
    ----------
    time : (n,) array of datetime64
        Instants as written.
    file, line : (n,) arrays of int
        Where each row stands.
    section, prism : (n,) arrays of int
        Of what each row is a reading.

    Returns
    -------
    rows : (m,) array of int
        The rows, in the order of files and lines.
    near : (m,) array of datetime64
        When each of them was read by its place in the file: the instant of a row beside it.
    """
    order = by_file(file, line)
    asked = [item for item in _files(file[order]) if _in_order(time[order[item[0] : item[1]]])]
    places = [(order[low:high], *_away(time[order[low:high]])) for low, high in asked]
    if not any(len(away) for _, away, _ in places):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype="datetime64[ns]")
    by_section = np.lexsort((time, section))
    sorted_section, sorted_time, sorted_prism = section[by_section], time[by_section], prism[by_section]

    def read(row: int, instant: np.datetime64, within: np.timedelta64) -> Ints:
        """Prisms of a row's section read about an instant, the row itself left out."""
        low, high = np.searchsorted(sorted_section, [section[row], section[row] + 1])
        first, last = low + np.searchsorted(sorted_time[low:high], [instant - within, instant + within + TICK])
        return np.asarray(sorted_prism[first:last][by_section[first:last] != row])

    found, near = [], []
    for rows, away, at in places:
        for place in away.tolist():
            row = int(rows[place + 1])
            # a sweep that is only met by its edge goes on beyond
            if len(read(row, time[row], SWEEP)) and prism[row] not in read(row, time[row], 2 * SWEEP):
                continue
            for side in (at[place], at[place + 2]):
                around = read(row, side, SWEEP)
                if len(around) and prism[row] not in around:
                    found.append(row)
                    near.append(side)
                    break
    return np.array(found, dtype=np.int64), np.array(near, dtype="datetime64[ns]")


def _in_order(at: Instants) -> bool:
    """Whether the rows of a file, by line, are as good as in the order of time."""
    return bool(len(at) >= FEWEST_ROWS and (at[1:] < at[:-1]).mean() <= BACK_SHARE)


def _away(at: Instants) -> tuple[Ints, Instants]:
    """Places before rows whose time is far outside of those of the rows around them, and the times, by line."""
    if (at[1:] >= at[:-1]).all():
        # no row is outside of its neighbours
        return np.empty(0, dtype=np.int64), at
    # hours from the row to the nearer of the two around it, where it does not lie between them
    hours = (at - at[0]) / np.timedelta64(1, "h")
    first, last = np.minimum(hours[:-2], hours[2:]), np.maximum(hours[:-2], hours[2:])
    away = np.maximum(first - hours[1:-1], hours[1:-1] - last) > AWAY
    return np.flatnonzero(away & (last - first <= TOGETHER)), at


def by_file(file: Ints, line: Ints) -> Ints:
    """Rows in the order of files and lines; a file has each line once."""
    if not len(file):
        return np.empty(0, dtype=np.int64)
    length = int(line.max()) + 1
    if (int(file.max()) + 1) * length > LOOSE * len(file):
        return np.lexsort((line, file))
    place = np.full((int(file.max()) + 1) * length, -1, dtype=np.int64)
    place[file * np.int64(length) + line] = np.arange(len(file))
    return np.asarray(place[place >= 0])


def sweeps_out_of_file(time: Instants, file: Ints, line: Ints, section: Ints) -> list[tuple[Ints, np.datetime64]]:
    """Rows of one sweep, two or more, whose times together contradict their place in the file.

    Parameters
    ----------
    time, file, line, section : (n,) arrays
        As for ``out_of_file``.

    Returns
    -------
    list of (rows, near)
        The rows of each such sweep in the order of lines, and when they were read by their place in the file.
    """
    order = by_file(file, line)
    found = []
    for low, high in _files(file[order]):
        rows = order[low:high]
        at = time[rows]
        # in a file that never goes back every row is in its place
        if not _in_order(at) or (at[1:] >= at[:-1]).all():
            continue
        right = _ascending(at)
        places = np.setdiff1d(np.arange(len(rows)), right)
        after = np.searchsorted(right, places)
        inside = (after > 0) & (after < len(right))
        places, after = places[inside], after[inside]
        first, last = at[right[after - 1]], at[right[after]]
        hours = np.maximum(first - at[places], at[places] - last) / np.timedelta64(1, "h")
        out = (hours > AWAY) & ((last - first) / np.timedelta64(1, "h") <= TOGETHER)
        places, first, last = places[out], first[out], last[out]
        for one in np.unique(section[rows[places]]).tolist():
            mine = np.flatnonzero(section[rows[places]] == one)
            # one sweep: read within minutes, by what is written and by the rows around
            parts = (np.abs(np.diff(at[places[mine]])) > SWEEP) | (first[mine][1:] - last[mine][:-1] > SWEEP)
            for group in np.split(mine, np.flatnonzero(parts) + 1):
                block = rows[places[group]]
                near = _lacking(time, section, block, (first[group[0]], last[group[-1]])) if len(group) >= 2 else None
                if near is not None:
                    found.append((block, near))
    return found


def _lacking(
    time: Instants, section: Ints, block: Ints, sides: tuple[np.datetime64, np.datetime64]
) -> np.datetime64 | None:
    """The instant of two where the section of a sweep lacks one, if it has one already where the sweep says it was."""
    others = np.setdiff1d(np.flatnonzero(section == section[block[0]]), block)
    read = np.sort(time[others])
    # the first reading of each sweep
    read = read[np.diff(read, prepend=read[:1] - 2 * SWEEP) > SWEEP]
    if len(read) < AROUND:
        return None
    away = []
    for instant in (*sides, time[block].min()):
        place = int(np.searchsorted(read, instant))
        around = read[max(0, place - AROUND // 2) : place + AROUND // 2]
        usual = np.median(np.diff(around) / np.timedelta64(1, "h"))
        away.append(float(np.abs((read - instant) / np.timedelta64(1, "h")).min() / usual))
    near = sides[int(np.argmax(away[:2]))]
    return near if read[0] < near < read[-1] and max(away[:2]) > LACKS and away[2] < HAS else None


def _ascending(at: Instants) -> Ints:
    """Places of a longest ascending part of a series."""
    values = at.astype("datetime64[ns]").astype(np.int64).tolist()
    tails: list[int] = []
    ends: list[int] = []
    before = [-1] * len(values)
    for place, value in enumerate(values):
        length = bisect_right(tails, value)
        before[place] = ends[length - 1] if length else -1
        tails[length : length + 1] = [value]
        ends[length : length + 1] = [place]
    found = []
    place = ends[-1] if ends else -1
    while place >= 0:
        found.append(place)
        place = before[place]
    return np.array(found[::-1], dtype=np.int64)


def clock_put_back(time: Instants, file: Ints, line: Ints) -> list[tuple[int, int]]:
    """Places where a file that is in the order of time goes back by about an hour and goes on from there.

    Parameters
    ----------
    time, file, line : (n,) arrays
        As for ``out_of_file``.

    Returns
    -------
    list of (int, int)
        The row before and the row after each such place.
    """
    order = by_file(file, line)
    found = []
    for low, high in _files(file[order]):
        rows = order[low:high]
        at = time[rows]
        steps = np.diff(at)
        back = np.flatnonzero(steps < np.timedelta64(0, "s"))
        if len(rows) < FEWEST_ROWS or not 0 < len(back) <= 2:
            continue
        for place in back.tolist():
            size = -steps[place]
            goes_on = 2 <= place < len(steps) - 2 and (steps[place + 1 : place + 3] >= np.timedelta64(0, "s")).all()
            if goes_on and CLOCK_LEAST <= size <= CLOCK_MOST:
                found.append((int(rows[place]), int(rows[place + 1])))
    return found


def _files(file: Ints) -> list[tuple[int, int]]:
    """First and last row but one of each file; rows in the order of files."""
    edges = np.flatnonzero(np.diff(file, prepend=-1, append=-1)).tolist() if len(file) else []
    return list(pairwise(edges))
