"""Sweeps: the prisms of one array are read one after the other within minutes, and belong together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.job.times import Instants

Ints = npt.NDArray[np.int64]

#: A pause longer than this [minutes] between two readings of an array begins a new sweep.
PAUSE_MINUTES = 25


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
    # a stable sort by prism keeps the sweeps of each prism ascending, so that a prism read twice in one stands together
    small = prism.max() < np.iinfo(np.int16).max
    order = np.argsort(prism.astype(np.int16) if small else prism, kind="stable")
    again = (np.diff(prism[order]) == 0) & (np.diff(sweep[order]) == 0)
    if not again.any():
        return sweep
    for crowded in np.unique(sweep[order[1:][again]]):
        seen: set[int] = set()
        for row in np.flatnonzero(sweep == crowded):
            if int(prism[row]) in seen:
                new[row] = True
                seen = set()
            seen.add(int(prism[row]))
    return np.cumsum(new).astype(np.int64)
