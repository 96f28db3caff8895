"""The steps of an incremental calculation along a real advance log: round by round, finer where the lining is young."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, floats
from convergence.laws.path import FacePath

FIRST_AGE = 0.005
"""Age [days] of the first step after spraying, seven minutes."""
GROWTH = 1.25
"""Each later step after spraying is longer by this factor of age."""


def time_at_distance(path: FacePath, distance: npt.ArrayLike) -> FloatArray:
    """When the face reached a distance past the section.

    Parameters
    ----------
    path : FacePath
        How the face moved.
    distance : array_like
        Face distance [m].

    Returns
    -------
    ndarray, shape of `distance`
        Time [days] at which the face first came so far, by straight lines between the nodes; NaN where it has not come
        so far by the last node, and minus infinity where it was past at the first: it came there before the log.

    Examples
    --------
    >>> time_at_distance(FacePath(np.array([0.0, 10.0]), np.array([-10.0, 10.0])), 2.0)
    array(6.)
    """
    wanted = floats(distance)
    after = np.searchsorted(path.distance, wanted, side="left")
    inside = (after < path.distance.size) & (wanted >= path.distance[0])
    right = np.clip(after, 0, path.distance.size - 1)
    left = np.maximum(right - 1, 0)
    rise = path.distance[right] - path.distance[left]
    share = np.where(rise > 0.0, (wanted - path.distance[left]) / np.where(rise > 0.0, rise, 1.0), 0.0)
    outside = np.where(wanted < path.distance[0], -np.inf, np.nan)
    return np.where(inside, path.time[left] + share * (path.time[right] - path.time[left]), outside)


def advance_steps(
    path: FacePath,
    until: float,
    marks: Sequence[npt.ArrayLike] = (),
    longest_advance: float = 0.5,
    longest_days: float = 10.0,
) -> tuple[FloatArray, FloatArray]:
    """Times and face distances of the steps of a calculation.

    Every node of the path is one, twice where a round jumps; between them no step is longer than asked, and after each
    mark steps begin short and grow with the age.

    Parameters
    ----------
    path : FacePath
        How the face moved; begins far ahead of the section, or what came before the first node is taken at once.
    until : float
        Last time [days], after the first node.
    marks : sequence of array_like
        Times [days] at which something is installed or closed; those not finite or outside are left out.
    longest_advance : float
        Longest advance in a step [m], > 0.
    longest_days : float
        Longest step [days], > 0.

    Returns
    -------
    tuple of ndarray, shape (steps,)
        Times [days], non-decreasing, and face distances [m].

    Raises
    ------
    ValueFault
        If the last time is not after the first node, or a longest step is not positive.
    """
    start = float(path.time[0])
    if not start < until < np.inf or not longest_advance > 0.0 or not longest_days > 0.0:
        raise ValueFault(
            f"steps: until {until} d, longest advance {longest_advance} m and longest step {longest_days} d; expected "
            f"a time after {start} d and positive lengths. To mend: give a time after the first node of the face path."
        )
    given = [np.ravel(floats(mark)) for mark in marks]
    installed = np.unique(np.concatenate([*given, np.empty(0)]))
    installed = installed[np.isfinite(installed) & (installed > start) & (installed < until)]
    most = int(np.ceil(np.log(max((until - start) / FIRST_AGE, GROWTH)) / np.log(GROWTH)))
    ages = np.concatenate([[0.0], FIRST_AGE * GROWTH ** np.arange(most + 1)])
    # samples with marks of their own would each ask for a ladder of steps; the span of the marks serves all of them
    ladder = installed if installed.size <= 4 * max(len(marks), 1) else installed[[0, installed.size // 2, -1]]
    young = (ladder[:, None] + ages[None, :]).ravel()
    extra = np.concatenate([ladder, young, [until]])
    nodes = path.time[path.time <= until]
    times = np.concatenate([nodes, extra[(extra > start) & (extra <= until)]])
    distances = np.concatenate([path.distance[: nodes.size], path.at(times[nodes.size :])])
    # a stable sort by time, then by distance, keeps both sides of a jump
    order = np.lexsort((distances, times))
    times, distances = times[order], distances[order]
    keep = np.concatenate([[True], (np.diff(times) > 0.0) | (np.diff(distances) > 0.0)])
    return _refined(times[keep], distances[keep], longest_advance, longest_days)


def _refined(times: FloatArray, distances: FloatArray, advance: float, days: float) -> tuple[FloatArray, FloatArray]:
    """Straight steps between the nodes, none longer than asked; a jump is cut in distance alone."""
    parts = np.ceil(np.maximum(np.diff(distances) / advance, np.diff(times) / days) - 1e-9)
    counts = np.maximum(parts, 1.0).astype(np.int64)
    first = np.repeat(np.arange(counts.size), counts)
    place = np.arange(first.size) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (place + 1) / counts[first]
    later = times[first] + share * np.diff(times)[first]
    further = distances[first] + share * np.diff(distances)[first]
    return np.concatenate([times[:1], later]), np.concatenate([distances[:1], further])
