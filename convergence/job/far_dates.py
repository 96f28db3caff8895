"""Rows far away in time from everything else in the job: mistyped dates."""

from __future__ import annotations

import re
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
#: A date with another year is where it should be if it lies between the rows around it, or so near to them.
AROUND = np.timedelta64(1, "D")
#: What is said of a row whose date fits with another year.
_FITS = "it fits the rows around it in the year"


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
    if not _may_have_gaps(time):
        return far
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


def _may_have_gaps(time: Instants) -> bool:
    """Whether there may be ``FAR_DAYS`` without an instant, told by the days that have one and without any order."""
    if not len(time):
        return False
    day = (time - time.min()) // np.timedelta64(1, "D")
    read = np.flatnonzero(np.bincount(day.astype(np.int64)))
    return bool((np.diff(read) > FAR_DAYS - 1.0).any())


def _is_sweep(time: Instants, section: Ints, prism: Ints) -> bool:
    """Whether two prisms of one section were read one after the other; rows in the order of time."""
    for first in range(len(time)):
        for second in range(first + 1, len(time)):
            together = time[second] - time[first] <= np.timedelta64(SWEEP_MINUTES, "m")
            if together and section[first] == section[second] >= 0 and prism[first] != prism[second]:
                return True
    return False


def years_that_fit(time: Instants, file: Ints, line: Ints, far: Bools) -> list[int]:
    """The year with which each far row lies in time where it stands in its file; 0 where none does, or several do.

    Parameters
    ----------
    time : (n,) array of datetime64
        Instants of readings and rounds, any order.
    file, line : (n,) array of int
        Where each row stands.
    far : (n,) array of bool
        The rows far away in time.

    Returns
    -------
    list of int
        One for each far row, in their order.
    """
    return [_year_that_fits(time, file, line, far, int(row)) for row in np.flatnonzero(far)]


def _year_that_fits(time: Instants, file: Ints, line: Ints, far: Bools, row: int) -> int:
    near = np.flatnonzero(~far & (file == file[row]))
    sides = (near[line[near] < line[row]], near[line[near] > line[row]])
    ends = [time[side[int(np.argmin(np.abs(line[side] - line[row])))]] for side in sides if len(side)]
    found = set()
    for year in {_year(end) for end in ends}:
        moved = in_year(time[row], year)
        if moved is not None and min(ends) - AROUND <= moved <= max(ends) + AROUND:
            found.add(year)
    return found.pop() if len(found) == 1 else 0


def _year(instant: np.datetime64) -> int:
    return int(instant.astype("datetime64[Y]").astype(np.int64)) + 1970


def in_year(instant: np.datetime64, year: int) -> np.datetime64 | None:
    """The same day and hour of another year; None where that year has no such day."""
    try:
        return np.datetime64(f"{year:04d}{np.datetime_as_string(instant, unit='ns')[4:]}", "ns")
    except ValueError:
        # the 29th of February
        return None


def fitting_words(year: int) -> str:
    """What is said of a row that fits in another year."""
    return f"{_FITS} {year}" if year else ""


def corrected_time(detail: str, instant: np.datetime64, text: str) -> tuple[np.datetime64, str] | None:
    """The instant and the text of a time with the year its row fits in; None where nothing was said of one.

    Parameters
    ----------
    detail : str
        What was said of the row, with ``fitting_words`` in it or not.
    instant : datetime64
        Its instant as written.
    text : str
        Its time as written, which begins with the year.
    """
    said = re.search(rf"{_FITS} (\d{{4}})", detail)
    if said is None or not re.match(r"\d{4}-", text):
        return None
    moved = in_year(instant, int(said.group(1)))
    if moved is None:
        return None
    # about New Year the year of the text may be another than the universal one
    own = int(text[:4]) + int(said.group(1)) - _year(instant)
    return moved, f"{own:04d}{text[4:]}"
