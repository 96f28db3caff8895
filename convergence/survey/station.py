"""Movement that whole arrays share and take back: the station or its references, not the ground.

What tells a station's movement from the ground's
-------------------------------------------------
1. It comes back. Ground that moves one way, however fast or unevenly, lies at any instant between where it was before
   and where it is after, so its middle is away from the mean of the two by no more than half of what it moved between
   them. An excursion larger than the whole movement between before and after cannot be that; half is the limit, whole
   is asked for. Where the ground moves more than the station does, nothing is said: the two cannot be told apart.
2. It is rigid. All prisms of the array move alike; ground moves its crown, its shoulders and its walls differently.
3. It is shared. The next array, read from the same station, does the same at the same time.

Nothing is taken out unless ``events.csv`` asks for it (``survey/common.py``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.job.findings import Finding, event_line, finding
from convergence.job.times import shown

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Common movement of arrays [mm] worth reporting, and how long it must last [days].
COMMON_LEAST, COMMON_DAYS = 1.0, 1.0
#: Days over which the common movement is compared with what came before and after.
COMMON_WINDOW = 9.0
#: Prisms agree if their spread is below this share of their mean movement, arrays if their difference is.
PRISMS_AGREE, ARRAYS_AGREE = 0.6, 0.5
#: Two sweeps belong together within this many days.
TOGETHER = 2 / 24


def common_movement(arrays: Mapping[str, xr.Dataset], order: Sequence[str]) -> list[Finding]:
    """Neighbouring arrays that move together as rigid bodies and come back; nothing is removed.

    For each array the mean over its prisms is compared with the middle between what came ``COMMON_WINDOW``
    days before and after; see the head of the module for what is asked of it.

    Parameters
    ----------
    arrays : mapping of str to xarray.Dataset
        The sections' arrays.
    order : sequence of str
        The sections in the order of the drive.

    Returns
    -------
    list of Finding
        One for each spell of two neighbouring arrays.
    """
    excursions = {name: _rigid_excursion(arrays[name]) for name in order}
    found: list[Finding] = []
    for one, two in pairwise(order):
        days_one, move_one = excursions[one]
        days_two, move_two = excursions[two]
        if not len(days_one) or not len(days_two):
            continue
        near = _nearest(days_two, days_one)
        other = move_two[near]
        size_one, size_two = np.linalg.norm(move_one, axis=1), np.linalg.norm(other, axis=1)
        mean = (size_one + size_two) / 2
        hit = np.abs(days_two[near] - days_one) < TOGETHER
        hit &= (size_one > COMMON_LEAST) & (size_two > COMMON_LEAST)
        hit &= np.linalg.norm(move_one - other, axis=1) < ARRAYS_AGREE * mean
        edges = np.flatnonzero(np.diff(np.concatenate([[False], _closed(hit, 3), [False]]).astype(np.int8)))
        for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if days_one[high - 1] - days_one[low] < COMMON_DAYS:
                continue
            epoch = np.datetime64(arrays[one].attrs["epoch"], "ns")
            start, end = (epoch + np.timedelta64(round(days_one[at] * 86_400), "s") for at in (low, high - 1))
            size = float(np.max(mean[low:high]))
            peak = low + int(np.argmax(mean[low:high]))
            line = event_line(start + (end - start) / 2, "", "", "common movement removed")
            apart = float(np.linalg.norm(move_one[peak] - other[peak]))
            sentence = (
                f"{one} and {two} moved together by up to {size:.1f} mm from {shown(start)} to {shown(end)}, "
                f"all prisms alike, the two arrays within {apart:.1f} mm, and came back; check the station and its "
                f"references. Nothing was removed. This line of events.csv takes it out: {line}"
            )
            found.append(
                finding("common movement", sentence, section=f"{one}:{two}", start=start, end=end, size=size, line=line)
            )
    return found


def _closed(hit: Bools, gap: int) -> Bools:
    """Runs of True with gaps of up to ``gap`` False closed."""
    result = hit.copy()
    for one, two in pairwise(np.flatnonzero(hit).tolist()):
        if two - one <= gap + 1:
            result[one:two] = True
    return result


def _rigid_excursion(array: xr.Dataset) -> tuple[Floats, Floats]:
    """Days and mean movement [mm] of the array away from before and after, zero where it is no station's."""
    _, days, mean, station = excursion(array)
    return days, np.where(station[:, None], np.nan_to_num(mean), 0.0)


def excursion(array: xr.Dataset) -> tuple[npt.NDArray[np.int64], Floats, Floats, Bools]:
    """Movement of an array away from the middle between before and after.

    Parameters
    ----------
    array : xarray.Dataset
        A section's array.

    Returns
    -------
    rows : (n,) array of int
        Epochs in which enough prisms were read; none where they are fewer than twelve.
    days : (n,) array
        Their days.
    mean : (n, 3) array
        Mean over the prisms [mm]; NaN where before or after is not known.
    station : (n,) array of bool
        Where it is rigid and comes back, as only a station's movement does.
    """
    used = array["used"].values
    rows = used.sum(axis=1) >= max(3, 0.6 * used.shape[1])
    if rows.sum() < 12:
        none = np.empty(0)
        return none.astype(np.int64), none, np.empty((0, 3)), none.astype(bool)
    days = array["days"].values[rows]
    movement = array["movement"].values[rows]
    # from the window's start to before half of it, and from after half of it to its end
    low, half_low = (np.searchsorted(days, days - edge, side="left") for edge in (COMMON_WINDOW, COMMON_WINDOW / 2))
    half_high, high = (np.searchsorted(days, days + edge, side="right") for edge in (COMMON_WINDOW / 2, COMMON_WINDOW))
    was, became = _means_between(movement, low, half_low), _means_between(movement, half_high, high)
    few = (half_low - low < 3) | (high - half_high < 3)
    was[few] = became[few] = np.nan
    deviation = movement - (was + became) / 2
    ground = _mean((became - was).transpose(1, 0, 2))
    mean = _mean(deviation.transpose(1, 0, 2))
    size = np.linalg.norm(np.nan_to_num(mean), axis=1)
    spread = np.sqrt(_mean(((deviation - mean[:, None]) ** 2).sum(axis=2).T))
    rigid = np.isfinite(mean).all(axis=1) & (spread < PRISMS_AGREE * size)
    back = np.linalg.norm(ground, axis=1) < size
    return np.flatnonzero(rows), days, mean, rigid & back


def _nearest(days: Floats, wanted: Floats) -> npt.NDArray[np.int64]:
    """Index of the day nearest to each that is wanted, the earlier of two equally near; days ascending."""
    after = np.clip(np.searchsorted(days, wanted), 0, len(days) - 1)
    before = np.maximum(after - 1, 0)
    return np.where(np.abs(days[before] - wanted) <= np.abs(days[after] - wanted), before, after)


def _means_between(values: Floats, low: npt.NDArray[np.int64], high: npt.NDArray[np.int64]) -> Floats:
    """Mean over rows low to high - 1, for each pair of them, of what is finite; NaN where nothing is.

    From running sums, so that the work grows with the rows and not with rows times the window.
    """
    good = np.isfinite(values)
    none = np.zeros((1, *values.shape[1:]))
    total = np.concatenate([none, np.cumsum(np.where(good, values, 0.0), axis=0)])
    number = np.concatenate([none, np.cumsum(good, axis=0)])
    count = number[high] - number[low]
    return np.where(count > 0, (total[high] - total[low]) / np.maximum(count, 1), np.nan)


def _mean(values: Floats) -> Floats:
    """Mean over the first axis of what is finite; NaN where nothing is."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    total = np.where(good, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
