"""Copied and frozen readings, told neutrally: a copy, a template and an export fault look the same."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.job.findings import Finding, event_line, finding
from convergence.job.schema import Prism
from convergence.job.times import shown

Ints = npt.NDArray[np.int64]

#: So many identical consecutive increments in two series are reported.
COPIED_RUN = 12
#: A run that chance alone would give more often than this in the whole job is not reported.
CHANCE = 1e-3


def copied_readings(readings: pd.DataFrame, prisms: tuple[Prism, ...], run: int = COPIED_RUN) -> list[Finding]:
    """Pairs of series that share ``run`` or more identical consecutive increments in the raw numbers.

    Runs of mostly zero increments do not count, for a settled prism read to the millimetre repeats itself.
    Coarsely rounded readings repeat one another by chance: a run is reported only if the two series, by the
    frequencies of their own increments in pairs, would agree so long less than ``CHANCE`` times in the whole
    job.

    Parameters
    ----------
    readings : pandas.DataFrame
        Raw readings, sorted by prism and instant, as ``JobFolder.readings``.
    prisms : tuple of Prism
        The prisms they belong to.
    run : int
        Shortest run looked for.

    Returns
    -------
    list of Finding
        One for each pair of prisms, with its longest run.
    """
    increments = {low: steps for low, steps in _increments(readings) if len(steps) >= run}
    marks, where = _windows(increments, run)
    # of millions of runs few have a twin; the others need no order
    pairs = float(len(marks)) ** 2 / 2
    ascending = np.sort(marks)
    twins = np.unique(ascending[1:][ascending[1:] == ascending[:-1]])
    if not len(twins):
        return []
    paired = twins[np.minimum(np.searchsorted(twins, marks), len(twins) - 1)] == marks
    marks, where = marks[paired], where[paired]
    order = np.lexsort((where[:, 1], where[:, 0], where[:, 2], marks))
    same = np.flatnonzero(marks[order][1:] == marks[order][:-1])
    one, two = where[order[same]], where[order[same + 1]]
    # a window that overlaps its twin in the same series is a rhythm, not a copy
    apart = (one[:, 0] != two[:, 0]) | (np.abs(one[:, 1] - two[:, 1]) >= run)
    apart &= one[:, 2] == two[:, 2]
    found = []
    time = readings["time"].to_numpy(dtype="datetime64[ns]")
    owner = readings["prism"].to_numpy(dtype=np.int64)
    for (low_one, low_two), (_, axis, *rows) in _longest(one[apart], two[apart], run).items():
        series = increments[low_one][:, axis], increments[low_two][:, axis]
        first, count = _whole_run(series[0], series[1], rows[0] - low_one, rows[1] - low_two)
        row_one, row_two = rows[0] + first, rows[1] + first
        chance = pairs * _agreement(*series, count)
        if chance > CHANCE:
            continue
        names = [prisms[int(owner[low])] for low in (low_one, low_two)]
        who = f"{names[0].name} and {names[1].name}" if low_one != low_two else f"{names[0].name} twice"
        sentence = (
            f"{who}: {count} identical consecutive increments, {names[0].name} from {shown(time[row_one])} "
            f"and {names[1].name} from {shown(time[row_two])}; chance would not do this, ask how the two "
            "came about"
        )
        found.append(
            finding(
                "copied readings",
                sentence,
                section=names[0].section,
                prism=f"{names[0].name}:{names[1].name}",
                start=time[row_one],
                end=time[row_one + count],
                size=float(count),
                line=event_line(time[row_two], names[1].section, names[1].name, "readings set aside"),
            )
        )
    return found


def _increments(readings: pd.DataFrame) -> Iterator[tuple[int, Ints]]:
    """First row and increments (n - 1, 3) of each prism, in whole micrometres for both forms of reading."""
    prism = readings["prism"].to_numpy()
    values = readings[["a", "b", "c"]].to_numpy(dtype=np.float64)
    coordinates = readings["coordinates"].to_numpy(dtype=bool)
    edges = np.flatnonzero(np.diff(prism, prepend=-1, append=-1))
    for low, high in pairwise(edges.tolist()):
        unit = 1e6 if coordinates[low] else 1e3
        yield low, np.rint(np.diff(values[low:high], axis=0) * unit).astype(np.int64)


def _windows(increments: dict[int, Ints], run: int) -> tuple[npt.NDArray[np.uint64], Ints]:
    """A mark for each run of increments, equal for equal runs, and its series, first row and axis."""
    weights = np.array([pow(0x9E3779B97F4A7C15, power, 2**64) for power in range(run)], dtype=np.uint64)
    marks, where = [], []
    for low, steps in increments.items():
        for axis in range(3):
            values = np.ascontiguousarray(steps[:, axis])
            moving = np.concatenate([[0], np.cumsum(values != 0)])
            busy = np.flatnonzero(moving[run:] - moving[:-run] >= run // 2)
            if len(busy):
                count = len(values) - run + 1
                mark = np.zeros(count, dtype=np.uint64)
                with np.errstate(over="ignore"):
                    for power, weight in enumerate(weights):
                        mark += values[power : power + count].view(np.uint64) * weight
                marks.append(mark[busy])
                where.append(np.column_stack([np.full(len(busy), low), low + busy, np.full(len(busy), axis)]))
    if not marks:
        return np.empty(0, dtype=np.uint64), np.empty((0, 3), dtype=np.int64)
    return np.concatenate(marks), np.concatenate(where)


def _longest(one: Ints, two: Ints, run: int) -> dict[tuple[int, int], tuple[int, int, int, int]]:
    """The longest run of each pair of series: its increments, axis and first rows."""
    found: dict[tuple[int, int], tuple[int, int, int, int]] = {}
    if not len(one):
        return found
    swap = one[:, 1] > two[:, 1]
    first, second = np.where(swap[:, None], two, one), np.where(swap[:, None], one, two)
    shift = second[:, 1] - first[:, 1]
    order = np.lexsort((first[:, 1], shift, first[:, 2], second[:, 0], first[:, 0]))
    first, second, shift = first[order], second[order], shift[order]
    keys = np.column_stack([first[:, 0], second[:, 0], first[:, 2], shift])
    new = np.ones(len(keys), dtype=bool)
    new[1:] = (keys[1:] != keys[:-1]).any(axis=1) | (np.diff(first[:, 1]) != 1)
    starts = np.append(np.flatnonzero(new), len(keys)).tolist()
    for low, high in pairwise(starts):
        pair = (int(first[low, 0]), int(second[low, 0]))
        count = high - low - 1 + run
        if pair not in found or count > found[pair][0]:
            found[pair] = (count, int(first[low, 2]), int(first[low, 1]), int(second[low, 1]))
    return found


def _whole_run(one: Ints, two: Ints, at_one: int, at_two: int) -> tuple[int, int]:
    """The whole run of equal increments about two rows: where it begins, counted from them, and its length.

    Windows of mostly zero increments are not looked at, so a run that has some is met in pieces.
    """
    back = min(at_one, at_two)
    ahead = min(len(one) - at_one, len(two) - at_two)
    equal = one[at_one - back : at_one + ahead] == two[at_two - back : at_two + ahead]
    differ = np.flatnonzero(~equal)
    place = int(np.searchsorted(differ, back))
    start = int(differ[place - 1]) + 1 if place else 0
    end = int(differ[place]) if place < len(differ) else len(equal)
    return start - back, end - start


def _agreement(one: Ints, two: Ints, count: int) -> float:
    """Probability that ``count`` increments of two series agree by chance.

    From the frequencies of increments and of pairs of successive increments: P(first) P(next | one
    before)^(count - 1).
    """
    single = _meeting(one[:, None], two[:, None])
    double = _meeting(np.column_stack([one[:-1], one[1:]]), np.column_stack([two[:-1], two[1:]]))
    if not (single > 0.0 and double > 0.0):
        return 0.0
    return float(single * min(double / single, 1.0) ** (count - 1))


def _meeting(one: Ints, two: Ints) -> float:
    """Probability that a row drawn from each is the same."""
    rows, codes = np.unique(np.concatenate([one, two]), axis=0, return_inverse=True)
    codes = codes.ravel()
    shares = [np.bincount(part, minlength=len(rows)) / len(part) for part in (codes[: len(one)], codes[len(one) :])]
    return float(shares[0] @ shares[1])


def frozen_readings(readings: pd.DataFrame, prisms: tuple[Prism, ...], run: int = COPIED_RUN) -> list[Finding]:
    """Runs of ``run`` or more readings of a prism that are identical in all three axes."""
    prism = readings["prism"].to_numpy()
    values = readings[["a", "b", "c"]].to_numpy()
    time = readings["time"].to_numpy(dtype="datetime64[ns]")
    same = (np.diff(values, axis=0) == 0).all(axis=1) & (np.diff(prism) == 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    found = []
    for low, high in zip(edges[::2], edges[1::2], strict=True):
        count = int(high - low) + 1
        if count < run:
            continue
        who = prisms[int(prism[low])]
        span = f"from {shown(time[low])} to {shown(time[high])}"
        sentence = f"{who.name}: {count} readings the same in all three axes {span}"
        found.append(
            finding(
                "frozen readings",
                sentence,
                section=who.section,
                prism=who.name,
                start=time[low],
                end=time[high],
                size=float(count),
                line=event_line(time[low], who.section, who.name, "readings set aside"),
            )
        )
    return found
