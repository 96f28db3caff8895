"""A clock that was put back or forward, from the hours at which sections are read.

Pure arrays in, decisions out. Sections are read at much the same hours day after day. Put a clock back during a pause
and nothing goes back in the order of times, but from then on every section is read an hour off its hours, all of them
from one instant on. What is compared is each sweep with the one of its section nearest to one, two and three days
before it. For an instant, the mean over all such pairs with one sweep on either side of it is the change of the hours
there: the change itself at the instant of a clock's change, and nothing three days away from it on either side.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.survey.sweeps import PAUSE_MINUTES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Instants = npt.NDArray[np.datetime64]

#: Sweeps are compared with those so many days before.
LAGS = (1.0, 2.0, 3.0)
#: A pair of sweeps is further apart in the hours than this [minutes] only where a sweep is missing.
FARTHEST = 150.0
#: Least change told [minutes], and how many of its standard errors it must be.
LEAST, ERRORS = 15.0, 6.0
#: Share of the sections that must follow the change, and how many of them there must be; a job with fewer has all
#: of them follow, which a crew with other hours does as well as a clock.
FOLLOWING, FEWEST = 0.7, 3
#: Of the pairs about an instant that are usual, so many are enough; and so many there must be in any case.
ENOUGH, FEWEST_PAIRS = 0.3, 12
#: Changes looked for in one job.
MOST = 4


#: Section, minutes since the first reading, and instant of the first reading of each sweep, by section and time.
Sweeps = tuple[Ints, Floats, Instants]


def hours_changed(
    time: Instants, section: Ints, sweeps: Sweeps | None = None
) -> list[tuple[np.datetime64, np.datetime64, float]]:
    """Instants from which all sections are read earlier or later in the day than before.

    Parameters
    ----------
    time : (n,) array of datetime64[ns]
        Instants of readings, any order.
    section : (n,) array of int
        Section of each reading.
    sweeps : tuple, optional
        What ``sweeps_of`` says of these, where it is known already.

    Returns
    -------
    list of (datetime64, datetime64, float)
        Last reading before the change, first one after it, and the change [minutes], + where the times as written run
        later than before. In the order of time.
    """
    if len(time) < 2 * FEWEST_PAIRS:
        return []
    home, minutes, instants = sweeps_of(time, section) if sweeps is None else sweeps
    shift = np.zeros(len(minutes))
    found = []
    for _ in range(MOST):
        change = _largest(minutes + shift, home)
        if change is None:
            break
        at, size = change
        after = minutes + shift > at
        # sweeps are told by their own times, which the changes found before this one have not touched
        found.append((instants[~after].max(), instants[after].min(), size))
        shift[after] -= size
    return sorted(found, key=lambda item: item[0])


def least_told(time: Instants, section: Ints, sweeps: Sweeps | None = None) -> float:
    """The least change of the hours [minutes] that would be told half way through a record; infinite for no hours.

    ``ERRORS`` standard errors of the mean over as many pairs as there usually are about an instant; parameters as for
    ``hours_changed``.
    """
    if len(time) < 2 * FEWEST_PAIRS:
        return float("inf")
    home, minutes, _ = sweeps_of(time, section) if sweeps is None else sweeps
    later, earlier, apart = _pairs(minutes, home)
    if len(apart) < FEWEST_PAIRS:
        return float("inf")
    places = np.sort(minutes)
    count, _ = _about((places[1:] + places[:-1]) / 2.0, minutes[earlier], minutes[later], apart)
    usual = float(np.median(count))
    spread = 1.4826 * float(np.median(np.abs(apart - np.median(apart))))
    return max(LEAST, ERRORS * spread / np.sqrt(usual / 2.0)) if usual >= FEWEST_PAIRS else float("inf")


def sweeps_of(time: Instants, section: Ints) -> Sweeps:
    """Section, minutes since the first reading, and instant of the first reading of each sweep, by section and time."""
    if not len(time):
        return section, np.empty(0), time
    order = np.lexsort((time, section))
    home, minutes = section[order], (time[order] - time.min()) / np.timedelta64(1, "ns") / 60e9
    new = np.concatenate([[True], (np.diff(home) != 0) | (np.diff(minutes) > PAUSE_MINUTES)])
    return home[new], minutes[new], time[order][new]


def _largest(minutes: Floats, home: Ints) -> tuple[float, float] | None:
    """The instant and the size [minutes] of the largest change of the hours; None where none is beyond doubt."""
    later, earlier, apart = _pairs(minutes, home)
    if len(apart) < FEWEST_PAIRS:
        return None
    places = np.sort(minutes)
    places = (places[1:] + places[:-1]) / 2.0
    usual = float(np.median(apart))
    count, total = _about(places, minutes[earlier], minutes[later], apart - usual)
    good = count >= max(FEWEST_PAIRS, ENOUGH * float(np.median(count)))
    if not good.any():
        return None
    mean = np.where(good, total / np.maximum(count, 1.0), 0.0)
    level = float(np.median(mean[good]))
    peak = int(np.argmax(np.where(good, np.abs(mean - level), 0.0)))
    size = float(mean[peak] - level)
    far = good & (np.abs(places - places[peak]) > 1440.0 * max(LAGS))
    # the mean about an instant wanders; where the record is long enough that is seen, else it follows from the pairs
    spread = 1.4826 * float(np.median(np.abs(apart - np.median(apart))))
    error = spread / np.sqrt(max(count[peak] / 2.0, 1.0))
    if far.sum() > 0.3 * good.sum():
        error = max(error, 1.4826 * float(np.median(np.abs(mean[far] - level))))
    if abs(size) < max(LEAST, ERRORS * error):
        return None
    # the size known, the instant is where most pairs on either side of it say so
    at = float(places[int(np.argmax(size * (2.0 * (total - level * count) - size * count)))])
    across = (minutes[earlier] < at) & (minutes[later] > at)
    if not across.any():
        return None
    sections, index = np.unique(home[later[across]], return_inverse=True)
    own = np.bincount(index, apart[across] - usual - level) / np.bincount(index)
    following = int((np.abs(own - size) < max(0.5 * abs(size), LEAST / 2.0)).sum())
    if len(sections) < min(FEWEST, len(np.unique(home))) or following < FOLLOWING * len(sections):
        return None
    return at, float(own[np.abs(own - size) < max(0.5 * abs(size), LEAST / 2.0)].mean())


def _pairs(minutes: Floats, home: Ints) -> tuple[Ints, Ints, Floats]:
    """Pairs of sweeps of a section whole days apart: the later, the earlier, and how much later in the day [minutes].

    Sweeps come by section, each section's in the order of time.
    """
    later: list[Ints] = []
    earlier: list[Ints] = []
    apart: list[Floats] = []
    # sections are laid end to end on one line, far enough from each other that a pair never reaches into the next
    span = float(np.ptp(minutes)) + 1440.0 * (max(LAGS) + 2.0)
    line = minutes - minutes.min() + home * span
    every = np.arange(len(line))
    for lag in LAGS:
        wanted = line - 1440.0 * lag
        above = np.clip(np.searchsorted(line, wanted), 0, len(line) - 1)
        below = np.maximum(above - 1, 0)
        near = np.where(wanted - line[below] <= line[above] - wanted, below, above)
        away = wanted - line[near]
        good = (np.abs(away) <= FARTHEST) & (home[near] == home)
        later.append(every[good])
        earlier.append(near[good])
        apart.append(away[good])
    return np.concatenate(later), np.concatenate(earlier), np.concatenate(apart)


def _about(places: Floats, start: Floats, end: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Number of pairs that begin before a place and end after it, and the sum of their values; for each place."""
    opened, closed = np.searchsorted(places, start), np.searchsorted(places, end)
    length = len(places) + 1
    count = np.bincount(opened, minlength=length) - np.bincount(closed, minlength=length)
    total = np.bincount(opened, value, minlength=length) - np.bincount(closed, value, minlength=length)
    return np.cumsum(count)[:-1].astype(np.float64), np.cumsum(total)[:-1]
