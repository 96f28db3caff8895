"""Spikes and jumps of one prism's raw movement: pure arrays in, decisions out.

A spike is one reading away from both its neighbours while these agree; the following reading has decided, so
it may be set aside. So may a short spell off: a few readings in a row away from those before and after, once two
readings came back. A jump is a step between two readings that stays; nothing in one prism's numbers can tell
a knocked prism from a genuine step, so a jump is only ever reported, and the array around it is compared. The
last reading of a series is never judged: there is no reading after it to decide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

#: A spike stands out by this many times the usual three-point scatter, and by no less than this [mm].
SPIKE_SCALES, SPIKE_LEAST = 8.0, 3.0
#: Readings before and after a spike or a short spell agree if they are apart by less than this share of it.
BACK = 0.4
#: A short spell off has at most so many readings; it is over once so many came back, and so many on either side say
#: which of two levels is the odd one.
SPELL_MOST, SPELL_BACK, SPELL_AROUND = 4, 2, 6
#: A jump stands out by this many times the usual scatter of a difference, and by no less than this [mm].
JUMP_SCALES, JUMP_LEAST = 8.0, 4.0
#: A jump is larger than so many times the largest difference of the readings around it.
AROUND = 3.0
#: Where nothing moves but noise for so many readings on either side, a smaller jump is told: one of so many times the
#: scatter, and no less than this [mm].
QUIET_READINGS, QUIET_SCALES, QUIET_LEAST = 8, 7.0, 1.5
#: A step is sized over so many days on either side, and no more readings than those; one that is worked out roughly and
#: is smaller than this share of a limit is under it.
STEP_DAYS, NEARLY = 2.5, 0.99
#: Noise alone keeps the length of a difference in three axes, each sqrt(2) times the scatter, under this many of it
#: (99.9 %: 4.03 of chi with three degrees of freedom, from memory; checked in the tests).
OF_NOISE = 4.03 * math.sqrt(2.0)
#: A step sized from fewer readings has the scatter of the whole series at least.
FEW = 6
#: Neighbours of the array that move more than this share of a jump take part in it.
SHARED = 0.25


def scatter(movement: Floats) -> float:
    """Robust scatter [mm] of one reading about its neighbours, from three-point differences.

    For independent errors of standard deviation s the three-point difference x_k - (x_{k-1}+x_{k+1})/2 has
    the standard deviation s sqrt(1.5); the median absolute value over 0.6745 estimates it and ignores the few
    faults.

    Parameters
    ----------
    movement : (n, 3) array
        Movement [mm] by axis, in the order of time.

    Returns
    -------
    float
        Pooled over the axes [mm]; 0.5 where there are fewer than five readings.
    """
    if len(movement) < 5:
        return 0.5
    bend = movement[1:-1] - (movement[:-2] + movement[2:]) / 2
    return max(float(np.median(np.abs(bend))) / 0.6745 / math.sqrt(1.5), 0.05)


def find_spikes(movement: Floats, days: Floats) -> Bools:
    """Readings away from both neighbours, which agree.

    Parameters
    ----------
    movement : (n, 3) array
        Movement [mm] by axis, in the order of time, without NaN.
    days : (n,) array
        Instants [days], ascending.

    Returns
    -------
    (n,) array of bool
        True for spikes; never for the first and the last reading.
    """
    found = np.zeros(len(movement), dtype=bool)
    if len(movement) < 5:
        return found
    scale = scatter(movement)
    share = ((days[1:-1] - days[:-2]) / np.maximum(days[2:] - days[:-2], 1e-9))[:, None]
    between = movement[:-2] * (1 - share) + movement[2:] * share
    away = np.linalg.norm(movement[1:-1] - between, axis=1)
    apart = np.linalg.norm(movement[2:] - movement[:-2], axis=1)
    limit = max(SPIKE_SCALES * scale, SPIKE_LEAST)
    found[1:-1] = (away > limit) & (apart < BACK * away)
    # of two neighbours that both look like spikes of each other, the one farther away is
    for first in np.flatnonzero(found[:-1] & found[1:]):
        found[first if away[first - 1] < away[first] else first + 1] = False
    return found


def find_short_spells(movement: Floats, days: Floats) -> list[tuple[int, int, Floats]]:
    """Two to ``SPELL_MOST`` readings in a row that are off by about the same, where those before and after agree.

    What goes one way, however fast, is never found: none of its readings is farther from the line between two others
    than these are apart. Nor is what has not come back, for two readings: it may be the ground's.

    Parameters
    ----------
    movement, days : (n, 3) and (n,) arrays
        As for ``find_spikes``; spikes must have been taken out before.

    Returns
    -------
    list of (first, end, away)
        Rows ``first`` to ``end - 1``, and how far [mm] each is from the line between the readings around them.
    """
    count = len(movement)
    limit = max(SPIKE_SCALES * scatter(movement), SPIKE_LEAST)
    found: list[tuple[int, int, Floats]] = []
    for length in range(2, SPELL_MOST + 1):
        if count < length + SPELL_BACK + 3:
            break
        # nearly all places fall by the first reading of the spell; the others are asked for the rest
        first_off = _off_line(movement, days, np.arange(count - length - 1), length, 1)[0]
        asked = np.flatnonzero(np.linalg.norm(first_off, axis=1) > limit)
        if not len(asked):
            continue
        off = _off_line(movement, days, asked, length, length)
        middle = off.mean(axis=0)
        size = np.linalg.norm(middle, axis=1)
        good = (np.linalg.norm(off, axis=2).min(axis=0) > limit) & (size > limit)
        good &= np.linalg.norm(off - middle, axis=2).max(axis=0) < BACK * size
        good &= np.linalg.norm(movement[asked + length + 1] - movement[asked], axis=1) < BACK * size
        if not good.any():
            continue
        # as large as no other spell of this length, so that neither slow noise nor a daily cycle makes one
        every = _off_line(movement, days, np.arange(count - length - 1), length, length).mean(axis=0)
        good &= size > SPIKE_SCALES * float(np.median(np.linalg.norm(every, axis=1))) / 1.54
        for at in np.flatnonzero(good).tolist():
            first, end = int(asked[at]) + 1, int(asked[at]) + 1 + length
            if end + SPELL_BACK <= count and _odd_level(movement, days, first, end, float(size[at])):
                found.append((first, end, np.linalg.norm(off[:, at], axis=1)))
    return sorted(found, key=lambda spell: spell[0])


def _off_line(movement: Floats, days: Floats, before: Ints, length: int, most: int) -> Floats:
    """The first ``most`` of ``length`` readings off the line between those around them, (most, places, 3).

    ``before`` is the reading before them; the one after them is the other end of the line.
    """
    after = before + length + 1
    span = np.maximum(days[after] - days[before], 1e-9)
    inner = np.arange(1, most + 1)[:, None] + before
    share = ((days[inner] - days[before]) / span)[:, :, None]
    return np.asarray(movement[inner] - (movement[before] + (movement[after] - movement[before]) * share))


def _odd_level(movement: Floats, days: Floats, first: int, end: int, size: float) -> bool:
    """Whether the readings beside a spell hold the level of those around it, rather than the spell itself."""
    rows = np.r_[max(0, first - SPELL_AROUND) : first, end : min(len(days), end + SPELL_AROUND)]
    beside = np.r_[max(0, first - SPELL_BACK) : first, end : end + SPELL_BACK]
    level = np.median(movement[rows], axis=0)
    return bool(np.linalg.norm(movement[beside] - level, axis=1).max() < BACK * size)


@dataclass(frozen=True)
class Step:
    """A step between two readings: index of the reading after it, size by axis and standard error [mm]."""

    index: int
    size: Floats
    error: float


def usual_limit(movement: Floats) -> float:
    """Size [mm] from which a step counts as a jump among readings that move; movement as for ``scatter``."""
    return _jump_limit(scatter(movement))


def _jump_limit(scale: float) -> float:
    return max(JUMP_SCALES * scale, JUMP_LEAST)


def find_jumps(movement: Floats, days: Floats, breaks: Sequence[int] = ()) -> list[Step]:
    """Steps that stay, larger than the scatter and than what the movement around them does anyway.

    Parameters and shapes as for ``find_spikes``; spikes must have been taken out before. ``breaks`` are readings before
    which a step is known; none of them is told, and no step is sized across them or across another.
    """
    found = [step for step in _stand_out(movement, days) if step.index not in breaks]
    edges = sorted({*breaks, *(step.index for step in found)})
    return [step_at(movement, days, step.index, edges) for step in found] if len(edges) > 1 else found


def _stand_out(movement: Floats, days: Floats) -> list[Step]:
    """Steps that stand out of the readings around them, each as if there were no other."""
    if len(movement) < 6:
        return []
    scale = scatter(movement)
    limit = _jump_limit(scale)
    difference = np.linalg.norm(np.diff(movement, axis=0), axis=1)
    gap = np.maximum(np.diff(days), 1e-6)
    asked = np.flatnonzero(difference > min(limit, max(0.7 * QUIET_SCALES * scale, QUIET_LEAST))) + 1
    asked = asked[asked + 1 < len(movement)]
    quiet = _may_be_quiet(movement, days, difference, asked, scale)
    steps = []
    for index, may_be in zip(asked.tolist(), quiet.tolist(), strict=True):
        if may_be and _in_quiet(movement, days, index, scale):
            steps.append(step_at(movement, days, index))
            continue
        if difference[index - 1] <= limit:
            continue
        step = step_at(movement, days, index)
        size = float(np.linalg.norm(step.size))
        around = np.concatenate([difference[max(0, index - 5) : index - 1], difference[index : index + 4]])
        # a fast real movement is fast before and after the step too, and goes on while nothing is read
        fastest = _fastest(movement, days, index) * _longer(gap, index)
        if size > limit and size > AROUND * (fastest + (np.max(around) if len(around) else 0.0)):
            steps.append(step)
    return steps


def _may_be_quiet(movement: Floats, days: Floats, difference: Floats, asked: Ints, scale: float) -> Bools:
    """Which steps ``_in_quiet`` has to look at, for all at once: noise alone on either side, and nearly large enough.

    ``difference`` (n - 1,) [mm] between readings, ``asked`` the readings after the steps.
    """
    may_be = (asked >= QUIET_READINGS) & (asked + QUIET_READINGS <= len(movement))
    if not may_be.any():
        return may_be
    largest = sliding_window_view(difference, QUIET_READINGS - 1).max(axis=1)
    inner = asked[may_be]
    calm = np.maximum(largest[inner - QUIET_READINGS], largest[inner]) < OF_NOISE * scale
    may_be[may_be] = calm
    if calm.any():
        may_be[may_be] = _rough_sizes(movement, days, asked[may_be]) > NEARLY * _quiet_limit(scale)
    return may_be


def _quiet_limit(scale: float) -> float:
    return max(QUIET_SCALES * scale, QUIET_LEAST)


def _rough_sizes(movement: Floats, days: Floats, asked: Ints) -> Floats:
    """Sizes [mm] of the steps before some readings, as ``step_at`` has them but for rounding; infinite where in doubt.

    The readings have ``QUIET_READINGS`` on either side, as many as ``step_at`` takes.
    """
    rows = asked[:, None] + np.arange(-QUIET_READINGS, QUIET_READINGS)
    low = np.minimum(np.searchsorted(days, days[asked] - STEP_DAYS), asked - 1)[:, None]
    high = np.searchsorted(days, days[asked] + STEP_DAYS, side="right")[:, None]
    time, place = days[rows] - days[asked][:, None], movement[rows] - movement[asked][:, None]
    sides = (rows >= low) & (rows < asked[:, None]), (rows < high) & (rows >= asked[:, None])
    counts = [side.sum(axis=1) for side in sides]
    spread, along = np.zeros(len(asked)), np.zeros((len(asked), 3))
    means = []
    for side, count in zip(sides, counts, strict=True):
        mean_time = (time * side).sum(axis=1) / count
        mean_place = (place * side[:, :, None]).sum(axis=1) / count[:, None]
        away = (time - mean_time[:, None]) * side
        spread += (away**2).sum(axis=1)
        along += (away[:, :, None] * (place - mean_place[:, None])).sum(axis=1)
        means.append((mean_time, mean_place))
    sloping = (counts[0] + counts[1] >= 5) & ((counts[0] >= 2) | (counts[1] >= 4))
    known = spread > 1e-6 * np.abs(time).max(axis=1) ** 2
    slope = along / np.where(sloping & known, spread, np.inf)[:, None]
    size = means[1][1] - means[0][1] - slope * (means[1][0] - means[0][0])[:, None]
    return np.where(sloping & ~known, np.inf, np.linalg.norm(size, axis=1))


def _in_quiet(movement: Floats, days: Floats, index: int, scale: float) -> bool:
    """Whether a step stands out of readings that do nothing but scatter, or go slowly the same way, on either side."""
    low, high = index - QUIET_READINGS, index + QUIET_READINGS
    if low < 0 or high > len(movement):
        return False
    # what is asked first costs least: most readings that are looked at fall there
    sides = [slice(low, index), slice(index, high)]
    if not all(np.linalg.norm(np.diff(movement[side], axis=0), axis=1).max() < OF_NOISE * scale for side in sides):
        return False
    step = float(np.linalg.norm(step_at(movement, days, index).size))
    if step <= _quiet_limit(scale):
        return False
    # what either side goes in a quarter of its readings, by the means of its halves, is little beside the step
    half = QUIET_READINGS // 2
    gone = [(movement[side][half:].mean(axis=0) - movement[side][:half].mean(axis=0)) / 2 for side in sides]
    # and no interval is so long that this could be the step
    usual = float(np.median(np.diff(days[low:high])))
    return bool(
        AROUND * max(float(np.linalg.norm(way)) for way in gone) < step and days[index] - days[index - 1] < 1.5 * usual
    )


def _longer(gap: Floats, index: int) -> float:
    """Days by which the gap before a reading is longer than the gaps around it."""
    around = np.concatenate([gap[max(0, index - 5) : index - 1], gap[index : index + 4]])
    return max(float(gap[index - 1] - np.median(around)), 0.0) if len(around) else 0.0


def _fastest(movement: Floats, days: Floats, index: int) -> float:
    """Rate [mm/day] of the movement before or after a step, whichever is larger; four intervals on either side."""
    low, high = max(0, index - 5), min(len(days) - 1, index + 4)
    sides = [(low, index - 1), (index, high)]
    rates = [
        float(np.linalg.norm(movement[two] - movement[one]) / max(days[two] - days[one], 1e-6))
        for one, two in sides
        if two > one
    ]
    return max(rates, default=0.0)


def step_at(
    movement: Floats,
    days: Floats,
    index: int,
    edges: Sequence[int] = (),
    most: int = QUIET_READINGS,
    window: float = STEP_DAYS,
) -> Step:
    """Size of the step before reading ``index``, movement on either side continued with one common slope.

    Least squares of level before, level after and a common slope over at most ``most`` readings and
    ``window`` days on each side, and not beyond ``edges``, the first readings after other steps.
    """
    low = max(0, index - most, int(np.searchsorted(days, days[index] - window)))
    high = min(len(days), index + most, int(np.searchsorted(days, days[index] + window, side="right")))
    low = max([min(low, index - 1), *(edge for edge in edges if edge < index)])
    high = min([high, *(edge for edge in edges if edge > index)])
    rows = slice(low, high)
    after = (np.arange(low, high) >= index).astype(float)
    columns = [1 - after, after]
    # one reading before is enough where the slope can be had from those after: a young section moves
    if high - low >= 5 and (index - low >= 2 or high - index >= 4):
        columns.append(days[rows] - days[index])
    design = np.column_stack(columns)
    solution, *_ = np.linalg.lstsq(design, movement[rows], rcond=None)
    residual = movement[rows] - design @ solution
    freedom = max(len(design) - design.shape[1], 1)
    scale = max(float(np.sqrt((residual**2).sum() / (3 * freedom))), 0.3)
    if len(design) < FEW:
        # so few readings say little of their own scatter
        scale = max(scale, scatter(movement))
    contrast = np.zeros(design.shape[1])
    contrast[:2] = (-1.0, 1.0)
    spread = float(contrast @ np.linalg.pinv(design.T @ design) @ contrast)
    return Step(index, solution[1] - solution[0], scale * float(np.sqrt(spread)))
