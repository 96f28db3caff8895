"""Sweeps of an array that come twice: blocks too short to be told of one prism, but the same of most prisms at once.

Told neutrally, as ``copies`` does. One prism repeats a reading now and then; that several do in the same two
sweeps chance does not give, unless rounding hides their noise or the whole array has the same noise.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import comb

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.job.findings import Finding, finding
from convergence.job.schema import Prism
from convergence.job.times import shown
from convergence.survey.copies import (
    CHANCE,
    ENOUGH,
    MOSTLY_SAME,
    TOGETHER,
    agreement,
    aside_line,
    increments_of,
    whole_run,
)  # fmt: skip
from convergence.survey.sweeps import group_sweeps

Ints = npt.NDArray[np.int64]
Instants = npt.NDArray[np.datetime64]

#: Fewest prisms, and least share of those of the array, that repeat themselves in the same two sweeps.
LEAST_PRISMS, LEAST_SHARE = 3, 0.5
#: A prism that repeats itself so often a reading tells nothing: the steps of the numbers hide its noise.
OFTEN = 5


@dataclass(frozen=True)
class _Series:
    """A prism's readings, or increments: first row, a code for each, and the sweep of the array it belongs to."""

    prism: int
    low: int
    codes: Ints
    sweep: Ints


def copied_blocks(readings: pd.DataFrame, prisms: tuple[Prism, ...], told: Sequence[Finding] = ()) -> list[Finding]:
    """Blocks of sweeps in which most prisms of an array repeat themselves to the last digit, as they were another time.

    Readings digit for digit are looked for first, then increments.

    The chance is that of each prism by its own numbers about the block (see ``agreement`` of ``copies``), multiplied
    over the prisms, but no less for each further prism than how often another one of the array repeats itself where
    one does, and multiplied by the number of pairs of sweeps in the job. Worked: five prisms that agree with
    themselves once in 5000 pairs, in one sweep, in 25 arrays of 300 sweeps: 1.1e6 (1/5000)^5 = 3.6e-13.

    Parameters
    ----------
    readings, prisms
        As for ``copied_readings``.
    told : sequence of Finding
        Copies of single prisms that are told already: those are not told again.

    Returns
    -------
    list of Finding
        One for each block of all prisms of the sweeps, with one line for all; else one for each prism of it.
    """
    time = readings["time"].to_numpy(dtype="datetime64[ns]")
    found: list[Finding] = []
    for whole in (True, False):
        arrays = _arrays(readings, prisms, whole)
        ways = sum(float(max(item.sweep.max() for item in array)) ** 2 / 2.0 for array in arrays)
        for array in arrays:
            for block in _blocks(array):
                chance = ways * comb(len(array), len(block.rows)) * block.chance
                if chance <= CHANCE:
                    found += _told(array, block, chance, time, prisms, [*told, *found], whole)
    return found


def _arrays(readings: pd.DataFrame, prisms: tuple[Prism, ...], whole: bool) -> list[list[_Series]]:
    """The series of the sections that have enough prisms: of whole readings, or of increments."""
    time = readings["time"].to_numpy(dtype="datetime64[ns]")
    owner = readings["prism"].to_numpy(dtype=np.int64)
    values = readings[["a", "b", "c"]].to_numpy(dtype=np.float64)
    members: dict[str, list[tuple[int, int, Ints]]] = defaultdict(list)
    for low, steps in increments_of(readings):
        prism = int(owner[low])
        if len(steps):
            codes = _coded(values[low : low + len(steps) + 1]) if whole else steps[:, TOGETHER]
            members[prisms[prism].section].append((low, len(steps) + 1, codes))
    arrays = []
    for mine in members.values():
        if len(mine) < LEAST_PRISMS:
            continue
        rows = np.concatenate([np.arange(low, low + count) for low, count, _ in mine])
        who = np.repeat(np.arange(len(mine)), [count for _, count, _ in mine])
        order = np.argsort(time[rows], kind="stable")
        sweep = np.empty(len(rows), dtype=np.int64)
        sweep[order] = group_sweeps(time[rows[order]], who[order])
        ends = np.append(0, np.cumsum([count for _, count, _ in mine])).tolist()
        arrays.append(
            [
                _Series(int(owner[low]), low, codes, sweep[one:two])
                for (low, _, codes), (one, two) in zip(mine, pairwise(ends), strict=True)
            ]
        )
    return arrays


def _coded(values: npt.NDArray[np.float64]) -> Ints:
    """A number from 1 for each reading, equal for readings that are the same digit for digit."""
    return np.unique(values, axis=0, return_inverse=True)[1].ravel().astype(np.int64) + 1


@dataclass(frozen=True)
class _Block:
    """Where prisms repeat themselves: of each its first places and how many; the chance for these two places."""

    rows: dict[int, tuple[int, int, int]]
    chance: float


def _blocks(array: list[_Series]) -> Iterator[_Block]:
    """The blocks of an array, those of most prisms first where two touch."""
    met: dict[tuple[int, int], dict[int, tuple[int, int]]] = defaultdict(dict)
    for at, series in enumerate(array):
        for one, two in _repeats(series.codes):
            met[int(series.sweep[one]), int(series.sweep[two])].setdefault(at, (one, two))
    least = max(LEAST_PRISMS, LEAST_SHARE * len(array))
    several = {pair for pair, who in met.items() if len(who) >= least}
    taken: set[tuple[int, int]] = set()
    for pair in sorted(several, key=lambda item: (-len(met[item]), item)):
        if pair in taken:
            continue
        rows, inside = {}, set()
        for at, (one, two) in met[pair].items():
            series = array[at]
            first, count = whole_run(series.codes, series.codes, one, two)
            # a run that reaches its own copy is a rhythm
            count = min(count, two - one)
            rows[at] = (one + first, two + first, count)
            places = range(count)
            inside |= {
                (int(series.sweep[one + first + step]), int(series.sweep[two + first + step])) for step in places
            }
        taken |= inside
        yield _Block(rows, _chance(array, rows, met, inside))


def _repeats(codes: Ints) -> list[tuple[int, int]]:
    """Pairs of places with the same code that is not zero, one before the other; none where they are many."""
    order = np.argsort(codes, kind="stable")
    edges = np.flatnonzero(np.concatenate([[True], np.diff(codes[order]) != 0, [True]]))
    groups = [order[low:high] for low, high in pairwise(edges.tolist()) if high - low > 1 and codes[order[low]] != 0]
    if sum(len(group) * (len(group) - 1) // 2 for group in groups) > OFTEN * len(codes):
        return []
    return [(int(one), int(two)) for group in groups for one, two in combinations(np.sort(group), 2)]


def _chance(
    array: list[_Series],
    rows: dict[int, tuple[int, int, int]],
    met: dict[tuple[int, int], dict[int, tuple[int, int]]],
    inside: set[tuple[int, int]],
) -> float:
    """Probability that these prisms repeat themselves between two given places."""
    others = [len(who) for pair, who in met.items() if pair not in inside]
    once, again = len(others), sum(count > 1 for count in others)
    # what the array has in common repeats itself in all its prisms
    shared = again / once if once >= ENOUGH else 0.0
    each = sorted(
        agreement(array[at].codes, array[at].codes, one, two, count, True, MOSTLY_SAME**3)
        for at, (one, two, count) in rows.items()
    )
    return float(each[-1] * np.prod(np.maximum(each[:-1], shared)))


def _told(
    array: list[_Series], block: _Block, chance: float, time: Instants, prisms: tuple[Prism, ...],
    told: Sequence[Finding], whole: bool,
) -> list[Finding]:  # fmt: skip
    """The findings of a block, for the prisms that are not told of already."""
    spans = {
        array[at].prism: tuple(time[array[at].low + np.array([one, two, two + count - whole])])
        for at, (one, two, count) in block.rows.items()
    }
    known = {
        prism
        for prism, (_, start, end) in spans.items()
        for item in told
        if prisms[prism].name in item.prism.split(":") and item.start <= end and item.end >= start
    }
    new = {prism: span for prism, span in spans.items() if prism not in known}
    if not new:
        return []
    earlier, start, end = (function(span[at] for span in spans.values()) for at, function in enumerate((min, min, max)))
    counts = {array[at].prism: run for at, (_, _, run) in block.rows.items()}
    count, section = max(counts.values()), prisms[next(iter(spans))].section
    names = ", ".join(prisms[prism].name for prism in spans)
    shared = (
        f"in the same sweeps and to the last digit in all three axes; chance would do this in less than 1 of "
        f"{_rounded(chance)} such jobs, ask how the two came about"
    )
    read = {item.prism for item in array if _read_within(item, time, start, end)}
    if read == set(spans) and not known and min(counts.values()) == count:
        sentence = (
            f"{section}: all {len(spans)} prisms read ({names}) repeat {_many(count, whole)} each, from "
            f"{shown(earlier)} and again from {shown(start)} to {shown(end)}, {shared}"
        )
        array_itself = Prism("", section, "", 0.0, 0.0, 0.0, 0)
        return [
            finding(
                "copied sweeps", sentence, section=section, prism=":".join(prisms[prism].name for prism in spans),
                start=start, end=end, size=float(count + (not whole)), line=aside_line(start, end, array_itself),
            )
        ]  # fmt: skip
    return [
        finding(
            "copied sweeps",
            f"{prisms[prism].name} of {section}: {_many(counts[prism], whole)} from {shown(span[0])} repeated from "
            f"{shown(span[1])} to {shown(span[2])}; {len(spans)} prisms ({names}) repeat themselves {shared}",
            section=section, prism=prisms[prism].name, start=span[1], end=span[2],
            size=float(counts[prism] + (not whole)), line=aside_line(span[1], span[2], prisms[prism]),
        )
        for prism, span in new.items()
    ]  # fmt: skip


def _many(count: int, whole: bool) -> str:
    """So many readings, or increments."""
    return f"{count} {'reading' if whole else 'increment'}{'s' if count > 1 else ''}"


def _read_within(series: _Series, time: Instants, start: np.datetime64, end: np.datetime64) -> bool:
    """Whether a prism has a reading between two instants."""
    mine = time[series.low : series.low + len(series.sweep)]
    return bool(((mine >= start) & (mine <= end)).any())


def _rounded(chance: float) -> str:
    """One over a chance, as a power of ten."""
    return f"1e{int(min(-np.log10(max(chance, 1e-300)), 99.0))}"
