"""Increments of raw numbers, by prism, and marks of runs of them: worked out when asked for, never all at once."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

Ints = npt.NDArray[np.int64]

#: In the place of an axis: the code of all three together. Odd numbers without a common pattern; a code of zero means
#: that no axis moved.
TOGETHER, WEIGHTS = 3, np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64)


class Increments:
    """Increments of each prism's readings, in whole micrometres for both forms of reading, worked out when asked for.

    Attributes
    ----------
    spans : dict of int to int
        First row of each prism, and the row after its last.
    values : tuple of three arrays
        The raw numbers, an array an axis.
    """

    def __init__(self, readings: pd.DataFrame) -> None:
        edges = np.flatnonzero(np.diff(readings["prism"].to_numpy(), prepend=-1, append=-1))
        self.spans = dict(pairwise(edges.tolist()))
        self.values = tuple(readings[name].to_numpy(dtype=np.float64) for name in ("a", "b", "c"))
        self._coordinates = readings["coordinates"].to_numpy(dtype=bool)

    def steps(self, low: int, axis: int) -> Ints:
        """Increments of the prism whose first row this is, along an axis; a code of all three for ``TOGETHER``."""
        if axis == TOGETHER:
            one, two, three = (self.steps(low, each).view(np.uint64) * WEIGHTS[each] for each in range(3))
            return np.asarray((one + two + three).view(np.int64))
        unit = 1e6 if self._coordinates[low] else 1e3
        return np.rint(np.diff(self.values[axis][low : self.spans[low]]) * unit).astype(np.int64)


def marks_of(values: Ints, run: int) -> tuple[npt.NDArray[np.uint64], Ints]:
    """A mark for each run of increments of which half or more move, equal for equal runs, and its first place."""
    count = len(values) - run + 1
    if count < 1:
        return np.empty(0, dtype=np.uint64), np.empty(0, dtype=np.int64)
    # sum of value k times the k-th power of a weight, put together from runs of 1, 2, 4 ... values
    mark, done, part, length = np.zeros(count, dtype=np.uint64), 0, values.view(np.uint64), 1
    while True:
        if run & length:
            mark += part[done : done + count] * _weight(done)
            done += length
        if done == run:
            break
        part, length = part[:-length] + part[length:] * _weight(length), 2 * length
    moving = np.concatenate([[0], np.cumsum(values != 0)])
    busy = np.flatnonzero(moving[run:] - moving[:-run] >= run / 2)
    return mark[busy], busy


def _weight(power: int) -> np.uint64:
    return np.uint64(pow(0x9E3779B97F4A7C15, power, 2**64))
