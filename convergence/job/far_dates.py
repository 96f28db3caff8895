"""Rows far away in time from everything else in the job: mistyped dates."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from convergence.job.times import Instants

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

#: Rows this many days away from all others of the job, and so few, carry a mistyped date.
FAR_DAYS, FAR_ROWS = 120.0, 3
#: Readings of two prisms of a section within so many minutes were taken on purpose.
SWEEP_MINUTES = 25


def days_from(time: Instants, others: Instants) -> npt.NDArray[np.float64]:
    """Days from each instant to the nearest of the others, shape as ``time``; others not empty."""
    known = np.sort(others)
    above = np.clip(np.searchsorted(known, time), 0, len(known) - 1)
    below = np.maximum(above - 1, 0)
    apart = np.minimum(np.abs(known[above] - time), np.abs(time - known[below]))
    return np.asarray(apart / np.timedelta64(1, "D"), dtype=np.float64)


def far_rows(time: Instants, section: Ints, prism: Ints) -> Bools:
    """Rows that lie alone in time.

    A mistyped date moves one row by months or years. Up to ``FAR_ROWS`` rows more than ``FAR_DAYS`` days away
    from all others are taken for that, unless two prisms of one section were read within ``SWEEP_MINUTES``:
    that is a sweep, such as a follow-up long after the work. Readings and rounds count together, so that a
    reading during a long stop, or a round while nothing is read, is not alone.

    Parameters
    ----------
    time : (n,) array of datetime64
        Instants of readings and rounds, any order.
    section, prism : (n,) array of int
        Section and prism read; -1 for a round.

    Returns
    -------
    (n,) array of bool
        True for the rows to set aside; never all of them.
    """
    far = np.zeros(len(time), dtype=bool)
    order = np.argsort(time, kind="stable")
    gaps = np.flatnonzero(np.diff(time[order]) > np.timedelta64(int(FAR_DAYS * 24), "h"))
    if not len(gaps):
        return far
    edges = [0, *(gaps + 1).tolist(), len(time)]
    for low, high in pairwise(edges):
        rows = order[low:high]
        if (
            len(rows) <= FAR_ROWS
            and len(rows) < len(time) / 2
            and not _is_sweep(time[rows], section[rows], prism[rows])
        ):
            far[rows] = True
    return far


def _is_sweep(time: Instants, section: Ints, prism: Ints) -> bool:
    """Whether two prisms of one section were read one after the other; rows in the order of time."""
    for first in range(len(time)):
        for second in range(first + 1, len(time)):
            together = time[second] - time[first] <= np.timedelta64(SWEEP_MINUTES, "m")
            if together and section[first] == section[second] >= 0 and prism[first] != prism[second]:
                return True
    return False
