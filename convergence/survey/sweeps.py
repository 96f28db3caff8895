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
    pairs = np.unique(np.stack([sweep, prism.astype(np.int64)]), axis=1)
    if pairs.shape[1] == len(time):
        return sweep
    counts = np.bincount(sweep)
    distinct = np.bincount(pairs[0], minlength=len(counts))
    for crowded in np.flatnonzero(counts > distinct):
        seen: set[int] = set()
        for row in np.flatnonzero(sweep == crowded):
            if int(prism[row]) in seen:
                new[row] = True
                seen = set()
            seen.add(int(prism[row]))
    return np.cumsum(new).astype(np.int64)
