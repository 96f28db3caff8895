"""The same advance blasted in longer or shorter rounds."""

from __future__ import annotations

import numpy as np

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray
from convergence.laws.path import FacePath

SAME = 1e-9
"""Factors so near to 1 leave the rounds as they were."""


def usual_round(path: FacePath, reach: float) -> float:
    """Median length of the steps of a face near a section [m]; NaN where it made none.

    Parameters
    ----------
    path : FacePath
        How the face moved; a step goes from one distance at which it stood, or had a node, to the next.
    reach : float
        How far ahead of and behind the section steps are looked at [m].

    Returns
    -------
    float
        Round length [m].
    """
    ends = np.unique(path.distance)
    steps = np.diff(ends)[np.abs(ends[1:]) <= reach]
    return float(np.median(steps)) if steps.size else float("nan")


def path_in_rounds(path: FacePath, factor: float) -> FacePath:
    """The same advance with every round longer by a factor, the section at the same place within its round.

    x' = f x, reached when the old face, evened out between the ends of its rounds, came to x'; each round takes f times
    as long to dig as its own did

    A factor of 1 gives the path itself. Where rounds stretched by less than 1 do not reach, the old ones stand; the
    first and the last distance stay. The section keeps its place in its round because that place is known: how much is
    let go before the lining hangs on it, and moving it would mix another change into that of the length.

    Parameters
    ----------
    path : FacePath
        How the face moved.
    factor : float
        New over old length of every round [-], > 0.

    Returns
    -------
    FacePath
        Stands until the next round is dug, as the old one did.

    Raises
    ------
    ValueFault
        If the factor is not above 0.

    Examples
    --------
    Rounds from -0.5 m to 0.5 m and to 1.5 m, factor 2: from -1 m to 1 m, reached when the old face was 1 m past.
    """
    if not (np.isfinite(factor) and factor > 0.0):
        raise ValueFault(f"rounds: factor {factor}; expected above 0. To mend: give a round length above 0.")
    if abs(factor - 1.0) <= SAME:
        return path
    old, first, last = _stands(path)
    low, high = float(old[0]), float(old[-1])
    scaled = factor * old
    beyond = old[(old < scaled[0]) | (old > scaled[-1])]
    ends = np.unique(np.concatenate([[low], scaled[(scaled > low) & (scaled < high)], beyond, [high]]))
    # evened out from one end of a round to the next, or a little more of a round would wait for all of the next one
    arrives = np.interp(ends, old, first)
    pace = (first[1:] - last[:-1]) / np.maximum(np.diff(old), SAME)
    place = np.clip(np.searchsorted(scaled, ends[1:], side="left") - 1, 0, max(pace.size - 1, 0))
    digging = pace[place] * np.diff(ends) if pace.size else np.zeros(ends.size - 1)
    starts = np.maximum(arrives[1:] - digging, arrives[:-1])
    time = np.concatenate([[arrives[0]], np.stack([starts, arrives[1:]], axis=1).ravel(), [path.time[-1]]])
    distance = np.concatenate([[low], np.stack([ends[:-1], ends[1:]], axis=1).ravel(), [high]])
    return FacePath(np.maximum.accumulate(time), distance)


def _stands(path: FacePath) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distances at which the face has nodes, and when it first and last was there."""
    ends, begin = np.unique(path.distance, return_index=True)
    final = np.concatenate([begin[1:] - 1, [path.distance.size - 1]])
    return ends, path.time[begin], path.time[final]
