"""What readings still to be taken would tell: the standard error of the final value once a planned stop has been
read.

With a steady advance time and distance rise together and cannot be told apart; a rest day or a stop is the experiment
that separates them. Before it happens its worth can be worked out: the joint covariance of the movement at all dates
is known, the readings of the stop are measurements of some of them, and a measurement takes away a known part of the
covariance whatever it will read.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws import FacePath
from convergence.measures.rates import Noise

Floats = npt.NDArray[np.float64]

#: A stop counts from this many days of a standing face, and is looked for so many days ahead.
SHORTEST_STOP, AHEAD_DAYS = 0.8, 30.0
#: Readings a day are counted over so many days before now.
HABIT_DAYS = 5.0


def next_stop(path: FacePath, now: float) -> tuple[float, float] | None:
    """First day and last day of the next planned stop of a face, or of the one that goes on; None without one.

    Parameters
    ----------
    path : FacePath
        The leading stage's path, logged and planned.
    now : float
        Day of the last data.
    """
    time, distance = path.time, path.distance
    ends = np.append(np.flatnonzero(np.diff(distance) > 1e-9), len(time) - 1)
    for end in ends[:-1].tolist():
        begin = int(np.flatnonzero(distance >= distance[end] - 1e-9)[0])
        first = max(float(time[begin]), now)
        if first > now + AHEAD_DAYS:
            return None
        if float(time[end]) > now and float(time[end]) - first >= SHORTEST_STOP:
            return first, float(time[end])
    return None


def readings_a_day(time: Floats, now: float) -> float:
    """Readings a day lately, no less than one in two days."""
    return max(float((time > now - HABIT_DAYS).sum()) / HABIT_DAYS, 0.5)


def deviation_after(dates: Floats, joint: Floats, now: float, until: float, a_day: float, noise: Noise) -> float:
    """Standard deviation of the final value expected once the days to ``until`` have been read.

    v' = v - c' (S + N)^-1 c; S is the covariance of the movement from now to each date up to ``until``, c its
    covariance with the final value, N the variance of the means of the readings between two dates.

    Parameters
    ----------
    dates : (e,) array
        Days, the last one the horizon's.
    joint : (e, e) array
        Covariance of the movement at the dates [mm2].
    now, until : float
        Days.
    a_day : float
        Readings a day, > 0.
    noise : Noise
        Of one reading.

    Returns
    -------
    float
        Standard deviation [mm].
    """
    here = int(np.argmin(np.abs(dates - now)))
    at = np.flatnonzero((dates > now + 1e-6) & (dates <= until + 1e-6))
    whole = float(joint[-1, -1])
    if not len(at):
        return float(np.sqrt(max(whole, 0.0)))
    moved = joint[np.ix_(at, at)] - joint[at, here][:, None] - joint[here, at][None, :] + joint[here, here]
    span = np.diff(np.concatenate([[dates[here]], dates[at]]))
    count = np.maximum(span * a_day, 1e-3)
    lasting = np.minimum(1.0, 2.0 * noise.days / np.maximum(span, 1e-9))
    error = np.diag(noise.white**2 / count + noise.correlated**2 * lasting)
    # the level the movement starts from is known no better than one lasting error
    error = error + noise.correlated**2
    link = joint[at, -1] - joint[here, -1]
    told = float(link @ np.linalg.solve(moved + error + 1e-9 * np.eye(len(at)), link))
    return float(np.sqrt(max(whole - told, 0.0)))
