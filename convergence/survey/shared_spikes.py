"""Sweeps in which most prisms of an array are off together and back in the next: the station's, not the ground's."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.survey.steps import SPIKE_LEAST, SPIKE_SCALES
from convergence.survey.sweeps import group_sweeps

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Fewest prisms of a sweep, and the share of them, that must be off together.
FEWEST, MOST = 3, 0.6
#: A prism is off with the others if it is within this share of their middle excursion.
ALIKE = 0.5
#: The sweeps before and after agree if they are apart by less than this share of it.
BACK = 0.4


def shared_spikes(
    movement: Floats, days: Floats, who: Ints, time: npt.NDArray[np.datetime64], keep: Bools
) -> list[tuple[Ints, Floats, float]]:
    """Sweeps that most prisms share an excursion of.

    For each reading the deviation from the line between the prism's readings before and after it; for each sweep the
    median of it over the prisms, by axis. A sweep is told where the median is longer than ``SPIKE_SCALES`` of its usual
    scatter and than ``SPIKE_LEAST``, where the readings before and after it agree, and where most prisms are off alike.

    Parameters
    ----------
    movement : (n, 3) array
        Movement [mm] of the readings of a section, in the order of time.
    days : (n,) array
        Their instants [days].
    who, time : (n,) arrays
        Their prism, as a number, and instant.
    keep : (n,) array of bool
        Readings in use.

    Returns
    -------
    list of (rows, shift, apart)
        Of each such sweep the rows that are off together, how far [mm] by axis, shape (3,), and how far from that the
        prisms are [mm] at most.
    """
    rows = np.flatnonzero(keep)
    if len(rows) < 5 * FEWEST:
        return []
    away = np.full((len(days), 3), np.nan)
    around = np.full((len(days), 3), np.nan)
    for prism in np.unique(who[rows]):
        mine = rows[who[rows] == prism]
        if len(mine) < 5:
            continue
        share = ((days[mine[1:-1]] - days[mine[:-2]]) / np.maximum(days[mine[2:]] - days[mine[:-2]], 1e-9))[:, None]
        before, after = movement[mine[:-2]], movement[mine[2:]]
        away[mine[1:-1]] = movement[mine[1:-1]] - (before * (1 - share) + after * share)
        around[mine[1:-1]] = after - before
    judged = rows[np.isfinite(away[rows, 0])]
    if not len(judged):
        return []
    sweep = group_sweeps(time[rows], who[rows])
    of = np.full(len(days), -1, dtype=np.int64)
    of[rows] = sweep
    order = judged[np.argsort(of[judged], kind="stable")]
    groups = np.split(order, np.flatnonzero(np.diff(of[order])) + 1)
    groups = [group for group in groups if len(group) >= FEWEST]
    if len(groups) < 5:
        return []
    middle = _medians(away, groups)
    usual = max(float(np.median(np.abs(middle))) / 0.6745, 0.05)
    size = np.linalg.norm(middle, axis=1)
    found = []
    for at in np.flatnonzero(size > max(SPIKE_SCALES * usual, SPIKE_LEAST)).tolist():
        group = groups[at]
        alike = np.linalg.norm(away[group] - middle[at], axis=1) < ALIKE * size[at]
        back = np.linalg.norm(np.median(around[group], axis=0)) < BACK * size[at]
        # the sweeps beside a larger one look like excursions the other way
        smaller = any(0 <= other < len(size) and size[other] > size[at] for other in (at - 1, at + 1))
        if not back or smaller or alike.sum() < max(FEWEST, MOST * len(group)):
            continue
        # a prism that began or ended there has nothing to be judged by but the others
        unjudged = rows[(of[rows] == of[group[0]]) & ~np.isfinite(away[rows, 0])]
        chosen = np.sort(np.concatenate([group[alike], unjudged]))
        apart = float(np.linalg.norm(away[group[alike]] - middle[at], axis=1).max())
        found.append((chosen, middle[at], apart))
    return found


def _medians(values: Floats, groups: list[Ints]) -> Floats:
    """Median of the rows of each group by axis, groups of one size at once."""
    length = np.array([len(group) for group in groups])
    found = np.empty((len(groups), values.shape[1]))
    for size in np.unique(length):
        alike = np.flatnonzero(length == size)
        found[alike] = np.median(values[np.stack([groups[place] for place in alike.tolist()])], axis=1)
    return found
