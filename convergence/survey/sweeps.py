"""Sweeps: the prisms of one array are read one after the other within minutes, and belong together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.job.times import Instants

Ints = npt.NDArray[np.int64]

#: A pause longer than this [minutes] between two readings of an array begins a new sweep.
PAUSE_MINUTES = 25
#: A table of sweeps by prisms with more places than so many times the readings is not laid out.
SPARSE = 50


def group_sweeps(time: Instants, prism: Ints) -> Ints:
    """Number the sweeps of one section.

    A new sweep begins after a pause of more than ``PAUSE_MINUTES``, and wherever a prism comes round again.

    Parameters
    ----------
    time : (n,) array of datetime64
        Instants of the section's readings, ascending.
    prism : (n,) array of int
        Which prism was read.

    Returns
    -------
    (n,) array of int
        Sweep of each reading, from 0, ascending.
    """
    if not len(time):
        return np.empty(0, dtype=np.int64)
    new = np.concatenate([[False], np.diff(time) > np.timedelta64(PAUSE_MINUTES, "m")])
    sweep = np.cumsum(new).astype(np.int64)
    crowded = _crowded(sweep, prism)
    if not len(crowded):
        return sweep
    for number in crowded:
        seen: set[int] = set()
        for row in np.flatnonzero(sweep == number):
            if int(prism[row]) in seen:
                new[row] = True
                seen = set()
            seen.add(int(prism[row]))
    return np.cumsum(new).astype(np.int64)


def _crowded(sweep: Ints, prism: Ints) -> Ints:
    """Sweeps, ascending, in which a prism was read twice or more."""
    count = int(prism.max()) + 1
    if count * (int(sweep[-1]) + 1) <= SPARSE * len(sweep):
        return np.unique(np.flatnonzero(np.bincount(sweep * count + prism) > 1) // count)
    # a stable sort by prism keeps the sweeps of each prism ascending, so that a prism read twice in one stands together
    order = np.argsort(prism, kind="stable")
    again = (np.diff(prism[order]) == 0) & (np.diff(sweep[order]) == 0)
    return np.unique(sweep[order[1:][again]])
