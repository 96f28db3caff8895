"""Copied, replayed and frozen readings, told neutrally: a copy, a template and an export fault look the same.

What is reported is what chance would not do at the resolution and noise of the readings themselves, however short.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr

from convergence.job.event_notes import until
from convergence.job.findings import Finding, event_line, finding
from convergence.job.schema import Prism
from convergence.job.times import shown
from convergence.survey.increments import TOGETHER, Increments, marks_of

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

#: So many identical consecutive increments of one axis are looked at; of all three, as many as chance asks for.
COPIED_RUN = 12
#: Fewest identical increments of all three axes, and fewest identical readings, that are looked at.
LEAST_INCREMENTS, LEAST_READINGS = 3, 3
#: A run that chance alone would give more often than this in the whole job is not reported.
CHANCE = 1e-3
#: Noise under this share of a step of the numbers is hidden by it; for a while noise may be so much of what it is
#: usually (common practice, no source).
HIDDEN, CALMER = 0.6, 0.5
#: Increments before and after a run, beyond as many as it has, that tell how often two agree.
ABOUT = 40
#: Increments of an axis that are the same more often than this, or of which fewer than this share is not zero, tell
#: nothing (chosen on simulated still prisms).
MOSTLY_SAME, MOVING = 0.33, 0.6
#: So many agreements tell how often one follows another.
ENOUGH = 10


def copied_readings(readings: pd.DataFrame, prisms: tuple[Prism, ...], run: int = COPIED_RUN) -> list[Finding]:
    """Pairs of series, or two spells of one, that share identical consecutive increments in the raw numbers.

    Increments equal in all three axes are looked for in runs as short as chance allows in this job, those of one
    axis alone in runs of ``run``. Runs of mostly zero increments do not count, for a settled prism read to the
    millimetre repeats itself. A run is reported only if the two series, by the frequencies of their own increments
    outside it, would agree so long less than ``CHANCE`` times among all pairs of the job: of two spells of one
    prism, of two prisms in the same sweeps, or of any two.

    Parameters
    ----------
    readings : pandas.DataFrame
        Raw readings, sorted by prism and instant, as ``JobFolder.readings``.
    prisms : tuple of Prism
        The prisms they belong to.
    run : int
        Shortest run looked for in one axis alone.

    Returns
    -------
    list of Finding
        One for each pair of prisms, with its longest run.
    """
    series = Increments(readings)
    time = readings["time"].to_numpy(dtype="datetime64[ns]")
    owner = readings["prism"].to_numpy()
    values = series.values
    lengths = np.array([high - low - 1 for low, high in series.spans.items()], dtype=np.float64)
    every = lengths.sum() ** 2 / 2
    found: dict[tuple[int, int], Finding] = {}
    for axes, window in (((TOGETHER,), _short_run(series, every)), ((0, 1, 2), run)):
        for (low_one, low_two), (_, axis, *rows) in _longest(*_twins(series, axes, window), window).items():
            steps = series.steps(low_one, axis), series.steps(low_two, axis)
            first, count = whole_run(steps[0], steps[1], rows[0] - low_one, rows[1] - low_two)
            at = rows[0] + first, rows[1] + first
            itself = low_one == low_two
            abreast = abs(time[at[0]] - time[at[1]]) <= np.timedelta64(1, "h")
            pairs = (lengths**2).sum() / 2 if itself else every / max(float(lengths.mean()), 1.0) if abreast else every
            pairs *= len(axes)
            often = MOSTLY_SAME ** (3 if axis == TOGETHER else 1)
            chance = pairs * agreement(*steps, at[0] - low_one, at[1] - low_two, count, itself, often)
            if chance > CHANCE or (low_one, low_two) in found:
                continue
            same = all((one[at[0] : at[0] + count + 1] == one[at[1] : at[1] + count + 1]).all() for one in values)
            names = prisms[int(owner[low_one])], prisms[int(owner[low_two])]
            found[low_one, low_two] = _told(names, time, at, count, axis, same and itself)
    return list(found.values())


def _told(
    names: tuple[Prism, Prism],
    time: npt.NDArray[np.datetime64],
    at: tuple[int, int],
    count: int,
    axis: int,
    same: bool,
) -> Finding:
    """The finding of a run of increments: what is the same, of whom, from when."""
    one, two = names
    who = f"{one.name} twice" if one == two else f"{one.name} and {two.name}"
    what = f"{count} identical consecutive increments"
    if same:
        what = f"{count + 1} readings the same digit for digit, {what}"
    elif axis == TOGETHER:
        what += " in all three axes"
    # of a prism's own readings the later ones are the copy
    told = at[1] if one == two else at[0]
    return finding(
        "copied readings",
        f"{who}: {what}, {one.name} from {shown(time[at[0]])} and {two.name} from {shown(time[at[1]])}; chance would "
        "not do this, ask how the two came about",
        section=one.section,
        prism=f"{one.name}:{two.name}",
        start=time[told],
        end=time[told + count],
        size=float(count),
        line=aside_line(time[at[1]], time[at[1] + count], two),
    )


def aside_line(start: np.datetime64, end: np.datetime64, prism: Prism) -> str:
    """The line that sets aside the readings of a prism from one to another, and no later one."""
    last = end.astype("datetime64[s]").astype("datetime64[ns]") + np.timedelta64(1, "s")
    return event_line(start, prism.section, prism.name, "readings set aside") + until(last)


def _short_run(series: Increments, pairs: float) -> int:
    """Fewest increments of all three axes that chance would not repeat in the job, by how often two are the same."""
    codes = np.concatenate([series.steps(low, TOGETHER) for low in series.spans] or [np.empty(0, dtype=np.int64)])
    codes = codes[codes != 0]
    if len(codes) < 2:
        return COPIED_RUN
    codes.sort()
    edges = np.flatnonzero(np.concatenate([[True], codes[1:] != codes[:-1], [True]]))
    counts = np.diff(edges).astype(np.float64)
    likely = max(float((counts * (counts - 1)).sum()) / len(codes) / (len(codes) - 1), 1e-12)
    if likely >= 0.5:
        return COPIED_RUN
    # a hundredth: those looked at are few beside those that chance gives
    need = int(np.ceil(np.log(CHANCE / 100 / max(pairs, 1.0)) / np.log(likely)))
    return int(np.clip(need, LEAST_INCREMENTS, COPIED_RUN))


def _twins(series: Increments, axes: tuple[int, ...], run: int) -> tuple[Ints, Ints]:
    """Pairs of equal windows of ``run`` increments: series, first row and axis of either."""
    pairs = [_twins_along(series, axis, run) for axis in axes]
    one, two = (np.concatenate(side) for side in zip(*pairs, strict=True))
    return one, two


def _twins_along(series: Increments, axis: int, run: int) -> tuple[Ints, Ints]:
    """The pairs of one axis."""
    none = np.empty((0, 3), dtype=np.int64)
    # of millions of runs few have a twin: their marks are put in order in place, and worked out again where some have
    marks = np.concatenate(
        [marks_of(series.steps(low, axis), run)[0] for low in series.spans] or [np.empty(0, np.uint64)]
    )
    marks.sort()
    twins = np.unique(marks[1:][marks[1:] == marks[:-1]])
    del marks
    if not len(twins):
        return none, none
    found, rows = [], []
    for low in series.spans:
        mine, places = marks_of(series.steps(low, axis), run)
        paired = twins[np.minimum(np.searchsorted(twins, mine), len(twins) - 1)] == mine
        if paired.any():
            found.append(mine[paired])
            rows.append(np.column_stack([np.full(int(paired.sum()), low), low + places[paired]]))
    mark, where = np.concatenate(found), np.concatenate(rows)
    order = np.lexsort((where[:, 1], where[:, 0], mark))
    same = np.flatnonzero(mark[order][1:] == mark[order][:-1])
    one, two = where[order[same]], where[order[same + 1]]
    # a window that overlaps its twin in the same series is a rhythm, not a copy
    apart = (one[:, 0] != two[:, 0]) | (np.abs(one[:, 1] - two[:, 1]) >= run)
    along = np.full((int(apart.sum()), 1), axis)
    return np.hstack([one[apart], along]), np.hstack([two[apart], along])


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


def whole_run(one: Ints, two: Ints, at_one: int, at_two: int) -> tuple[int, int]:
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


def agreement(one: Ints, two: Ints, at_one: int, at_two: int, count: int, itself: bool, often: float) -> float:
    """Probability that ``count`` increments of two series agree by chance, by what they do outside the run.

    P(first) P(next | one before)^(count - 1), from how often two increments, and two successive pairs, drawn from
    the series without the run are the same, and no less than how often they are at the run's own shift, for two
    prisms of one sweep share its noise. One agreement more than was met is allowed for. 1 where increments agree more
    often than ``often`` or are mostly zero: the steps of the numbers hide the noise, and what is left has a rhythm.
    """
    keep_one, keep_two = (
        _about(len(one), at_one, at_two, count, itself),
        _about(len(two), at_two, at_one, count, itself),
    )
    rest_one, rest_two = (
        np.column_stack([values[:-1], values[1:]])[keep] for values, keep in ((one, keep_one), (two, keep_two))
    )
    # an increment agrees with itself, which tells nothing
    shared = int((keep_one & keep_two).sum()) if itself else 0
    pairs = max(len(rest_one) * len(rest_two) - shared, 1)
    single = _meeting(rest_one[:, 0], rest_two[:, 0]) - shared
    double = _meeting(*_coded(rest_one, rest_two)) - shared
    share, again = _abreast(one, two, at_one, at_two, count)
    first = max((single + 1.0) / pairs, share)
    if first > often or (one[at_one : at_one + count] != 0).mean() < MOVING:
        return 1.0
    following = max(first, again, double / single if single > 0.0 else 0.0)
    return float(min(first, 1.0) * min(following, 1.0) ** (count - 1))


def _about(length: int, at: int, other: int, count: int, itself: bool) -> npt.NDArray[np.bool_]:
    """Which pairs of successive increments lie about a run without being of it, or of its twin in the same series.

    About the run, for a series that repeats itself once it is still did not before.
    """
    out = np.zeros(length, dtype=bool)
    out[at : at + count] = True
    if itself:
        out[other : other + count] = True
    keep = ~(out[:-1] | out[1:])
    keep[: max(at - ABOUT - count, 0)] = keep[at + 2 * count + ABOUT :] = False
    return np.asarray(keep)


def _coded(one: Ints, two: Ints) -> tuple[Ints, Ints]:
    """A number for each row, equal for equal rows of either."""
    codes = np.unique(np.concatenate([one, two]), axis=0, return_inverse=True)[1].ravel()
    return codes[: len(one)].astype(np.int64), codes[len(one) :].astype(np.int64)


def _meeting(one: Ints, two: Ints) -> float:
    """How many pairs, one value from each, are the same."""
    values, codes = np.unique(np.concatenate([one, two]), return_inverse=True)
    counts = [np.bincount(part, minlength=len(values)) for part in (codes[: len(one)], codes[len(one) :])]
    return float(counts[0] @ counts[1])


def _abreast(one: Ints, two: Ints, at_one: int, at_two: int, count: int) -> tuple[float, float]:
    """Share of the increments outside a run that agree at the run's own shift, and that do so again once they have."""
    back, ahead = min(at_one, at_two), min(len(one) - at_one, len(two) - at_two)
    equal = one[at_one - back : at_one + ahead] == two[at_two - back : at_two + ahead]
    rest = np.delete(equal, slice(back, back + count))
    if not len(rest):
        return 0.0, 0.0
    met = int(rest[:-1].sum())
    again = float((rest[1:] & rest[:-1]).sum()) / met if met >= ENOUGH else 0.0
    return float(rest.mean()), again


def frozen_readings(readings: pd.DataFrame, prisms: tuple[Prism, ...], least: int = LEAST_READINGS) -> list[Finding]:
    """Runs of readings of a prism that are identical in all three axes, longer than chance gives.

    How likely a reading repeats the one before follows from the prism's resolution and noise outside the run, and
    from how often it does; a run is reported if chance would give it less than ``CHANCE`` times in the whole job.

    Parameters
    ----------
    readings, prisms
        As for ``copied_readings``.
    least : int
        Fewest identical readings that are looked at.

    Returns
    -------
    list of Finding
        One for each run.
    """
    prism = readings["prism"].to_numpy()
    axes = [readings[name].to_numpy(dtype=np.float64) for name in ("a", "b", "c")]
    coordinates = readings["coordinates"].to_numpy(dtype=bool)
    time = readings["time"].to_numpy(dtype="datetime64[ns]")
    same = prism[1:] == prism[:-1]
    for values in axes:
        same &= values[1:] == values[:-1]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    found = []
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        count = high - low + 1
        if count < least:
            continue
        start, end = np.searchsorted(prism, [prism[low], prism[low] + 1])
        mine = np.column_stack([values[start:end] for values in axes]) * (1e3 if coordinates[low] else 1.0)
        if len(prism) * _repeat(mine, low - int(start), high - int(start)) ** (count - 1) > CHANCE:
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
                line=aside_line(time[low], time[high], who),
            )
        )
    return found


def _repeat(values: Floats, low: int, high: int) -> float:
    """Probability that a reading (n, 3) [mm] repeats the one before, from those outside rows low to high.

    For noise s and steps r of the numbers it is the sum of the squares of what a normal value in the middle of a step
    has in each, r / (2 s sqrt(pi)) where s is much larger (worked: r = 0.1, s = 0.5 give 0.056 an axis). Half the
    noise of the series is taken, for it may be calmer for a while; an axis whose noise the steps hide tells nothing.
    No less than how often the series repeats itself, and repeats itself again once it has.
    """
    rest = np.delete(values, slice(low + 1, high + 1), axis=0)
    if len(rest) < 12:
        return 1.0
    again = (np.diff(rest, axis=0) == 0).all(axis=1)
    often = float(again.mean())
    met = int(again[:-1].sum())
    if met >= ENOUGH:
        often = max(often, float((again[1:] & again[:-1]).sum()) / met)
    bend = rest[1:-1] - (rest[:-2] + rest[2:]) / 2
    chance = 1.0
    for axis in range(3):
        steps = np.diff(np.unique(np.round(rest[:, axis], 6)))
        if not len(steps):
            continue
        width = float(steps.min())
        # rounding has a variance of a twelfth of the square of a step; of the readings' own noise it tells nothing
        square = _middle(bend[:, axis]) ** 2 / 1.5 - width**2 / 12.0
        if square < (HIDDEN * width) ** 2:
            continue
        noise = CALMER * float(np.sqrt(square))
        cells = np.arange(-200, 201)
        inside = np.diff(ndtr(np.append(cells - 0.5, 200.5) * width / noise))
        # of noise much wider than the cells the formula itself
        chance *= float((inside**2).sum()) if noise < 40.0 * width else float(width / (2.0 * noise * np.sqrt(np.pi)))
    return min(max(chance, often), 1.0)


def _middle(values: Floats) -> float:
    """Standard deviation by the median absolute value: no fault counts."""
    return float(np.median(np.abs(values))) / 0.6745
