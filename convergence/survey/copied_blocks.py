"""Sweeps of an array that come twice: blocks too short to be told of one prism, but the same of most prisms at once.

Told neutrally, as ``copies`` does. One prism repeats a reading now and then; that several do in the same two
sweeps chance does not give, unless rounding hides their noise or the whole array has the same noise.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
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
    agreement,
    aside_line,
    whole_run,
)  # fmt: skip
from convergence.survey.increments import TOGETHER, Increments
from convergence.survey.sweeps import group_sweeps

Ints = npt.NDArray[np.int64]
Instants = npt.NDArray[np.datetime64]

#: Fewest prisms, and least share of those of the array, that repeat themselves in the same two sweeps.
LEAST_PRISMS, LEAST_SHARE = 3, 0.5
#: A prism that repeats itself so often a reading tells nothing: the steps of the numbers hide its noise.
OFTEN = 5
NO_CODES = np.empty(0, dtype=np.int64)
#: Shifts and factors that mix bits.
MIXING = tuple(
    (np.uint64(shift), np.uint64(factor))
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB), (31, 0x9E3779B97F4A7C15))
)


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
    series = Increments(readings)
    arrays = _arrays(readings, series, prisms)
    ways = sum(float(max(item.sweep.max() for item in array)) ** 2 / 2.0 for array in arrays)
    found: list[Finding] = []
    for whole in (True, False):
        for array in arrays:
            for block in _blocks(_with_codes(array, series, whole)):
                chance = ways * comb(len(array), len(block.rows)) * block.chance
                if chance <= CHANCE:
                    found += _told(array, block, chance, time, prisms, [*told, *found], whole)
    return found


def _arrays(readings: pd.DataFrame, series: Increments, prisms: tuple[Prism, ...]) -> list[list[_Series]]:
    """The series of the sections that have enough prisms, without codes yet."""
    time = readings["time"].to_numpy(dtype="datetime64[ns]")
    owner = readings["prism"].to_numpy()
    members: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for low, high in series.spans.items():
        if high - low > 1:
            members[prisms[int(owner[low])].section].append((low, high))
    arrays = []
    for mine in members.values():
        if len(mine) < LEAST_PRISMS:
            continue
        rows = np.concatenate([np.arange(low, high) for low, high in mine])
        who = np.repeat(np.arange(len(mine)), [high - low for low, high in mine])
        order = np.argsort(time[rows], kind="stable")
        sweep = np.empty(len(rows), dtype=np.int64)
        sweep[order] = group_sweeps(time[rows[order]], who[order])
        ends = np.append(0, np.cumsum([high - low for low, high in mine])).tolist()
        arrays.append(
            [
                _Series(int(owner[low]), low, NO_CODES, sweep[one:two])
                for (low, _), (one, two) in zip(mine, pairwise(ends), strict=True)
            ]
        )
    return arrays


def _with_codes(array: list[_Series], series: Increments, whole: bool) -> list[_Series]:
    """The series of an array with a code for each reading, or increment; none where nothing comes twice in enough."""
    if not whole:
        return [replace(item, codes=series.steps(item.low, TOGETHER)) for item in array]
    values = [[axis[item.low : item.low + len(item.sweep)] for axis in series.values] for item in array]
    # codes that mix the bits of the numbers are the same where these are; only where they find something are the
    # readings put in order digit by digit
    quick = [replace(item, codes=_mixed(mine)) for item, mine in zip(array, values, strict=True)]
    if not _meetings(quick).several.any():
        return []
    return [replace(item, codes=_coded(np.column_stack(mine))) for item, mine in zip(array, values, strict=True)]


def _coded(values: npt.NDArray[np.float64]) -> Ints:
    """A number from 1 for each reading, equal for readings that are the same digit for digit."""
    return np.unique(values, axis=0, return_inverse=True)[1].ravel().astype(np.int64) + 1


def _mixed(values: Sequence[npt.NDArray[np.float64]]) -> Ints:
    """A number for each reading, equal for equal readings, and for others by a chance of one in 2^64.

    Shifts and odd factors in turn over the bits of the numbers, after the mixing function of SplitMix64 (Steele, Lea
    and Flood 2014, from memory); nothing hangs on its quality but the time that is saved.
    """
    # no reading has the code zero, which means that nothing moved, but by the same chance
    code = np.full(len(values[0]), MIXING[0][1])
    for axis in values:
        # zero has two signs
        code ^= (axis + 0.0).view(np.uint64)
        for shift, factor in MIXING:
            code = (code ^ (code >> shift)) * factor
    return code.view(np.int64)


@dataclass(frozen=True)
class _Block:
    """Where prisms repeat themselves: of each its first places and how many; the chance for these two places."""

    rows: dict[int, tuple[int, int, int]]
    chance: float


@dataclass(frozen=True)
class _Meetings:
    """Pairs of sweeps in which prisms of an array repeat themselves.

    ``keys`` of the pairs, ascending, and the number of prisms of each (``counts``); ``several`` where that is most. Of
    each repetition its key, its series and its two places, by series: ``key``, ``who``, ``one``, ``two``.
    """

    span: int
    keys: Ints
    counts: Ints
    several: npt.NDArray[np.bool_]
    key: Ints
    who: Ints
    one: Ints
    two: Ints


def _meetings(array: Sequence[_Series]) -> _Meetings:
    """All repetitions of an array by their pairs of sweeps; of one prism no two are in the same pair."""
    span = max((int(item.sweep[-1]) for item in array), default=0) + 1
    pairs = [_repeats(item.codes) for item in array]
    one, two = (np.concatenate([pair[side] for pair in pairs] or [NO_CODES]) for side in (0, 1))
    who = np.repeat(np.arange(len(array)), [len(pair[0]) for pair in pairs])
    key = np.concatenate(
        [item.sweep[first] * span + item.sweep[second] for item, (first, second) in zip(array, pairs, strict=True)]
        or [NO_CODES]
    )
    keys, counts = np.unique(key, return_counts=True)
    several = counts >= max(LEAST_PRISMS, LEAST_SHARE * len(array))
    return _Meetings(span, keys, counts, several, key, who, one, two)


def _blocks(array: list[_Series]) -> Iterator[_Block]:
    """The blocks of an array, those of most prisms first where two touch."""
    met = _meetings(array)
    order = np.lexsort((met.keys[met.several], -met.counts[met.several]))
    taken: set[int] = set()
    for key in met.keys[met.several][order].tolist():
        if key in taken:
            continue
        rows, inside = {}, set()
        for place in np.flatnonzero(met.key == key).tolist():
            at, one, two = int(met.who[place]), int(met.one[place]), int(met.two[place])
            series = array[at]
            first, count = whole_run(series.codes, series.codes, one, two)
            # a run that reaches its own copy is a rhythm
            count = min(count, two - one)
            rows[at] = (one + first, two + first, count)
            along = np.arange(first, first + count)
            inside |= set((series.sweep[one + along] * met.span + series.sweep[two + along]).tolist())
        taken |= inside
        yield _Block(rows, _chance(array, rows, met, inside))


def _repeats(codes: Ints) -> tuple[Ints, Ints]:
    """Pairs of places with the same code that is not zero, one before the other; none where they are many."""
    order = np.argsort(codes)
    ordered = codes[order]
    same = (ordered[1:] == ordered[:-1]) & (ordered[1:] != 0)
    ends = np.flatnonzero(np.diff(same.astype(np.int8), prepend=0, append=0))
    sizes = ends[1::2] - ends[::2] + 1
    if int((sizes * (sizes - 1) // 2).sum()) > OFTEN * len(codes):
        return NO_CODES, NO_CODES
    found = [(NO_CODES, NO_CODES)]
    for apart in range(1, int(sizes.max(initial=1))):
        # places of one code stand beside each other in the order; those ``apart`` from each other in it
        low = np.flatnonzero((ordered[apart:] == ordered[:-apart]) & (ordered[apart:] != 0))
        found.append((order[low], order[low + apart]))
    one, two = (np.concatenate(side) for side in zip(*found, strict=True))
    return np.minimum(one, two), np.maximum(one, two)


def _chance(array: list[_Series], rows: dict[int, tuple[int, int, int]], met: _Meetings, inside: set[int]) -> float:
    """Probability that these prisms repeat themselves between two given places."""
    others = met.counts[~np.isin(met.keys, np.array(sorted(inside), dtype=np.int64))]
    once, again = len(others), int((others > 1).sum())
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
