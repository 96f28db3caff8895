"""A range that faces jump through between two readings: what was read about its ends, so that it is judged or told."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from convergence.job.schema import Trigger
from convergence.laws.path import FacePath
from convergence.triggers.confirmation import confirmed
from convergence.triggers.quantities import beyond, days_in_force

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Readings on both sides of a range's end stand for it if no further apart than this [days] (common practice, no
#: source).
NEAR_END = 1.0


def judged_at_ends(
    trigger: Trigger,
    level: float,
    time: Floats,
    value: Floats,
    segment: Ints,
    faces: Mapping[str, FacePath],
    rows: npt.NDArray[np.bool_],
) -> tuple[bool, float] | None:
    """Whether a level was passed within a range with too few readings for the rule; by what stands about its ends.

    The quantity runs straight between the readings before and after an end. It was passed if it stood beyond the level
    at an end, or in a reading within, and the readings from there on confirm that by the trigger's rule.

    Parameters
    ----------
    trigger : Trigger
        With a range that is over.
    level : float
        In the trigger's unit.
    time, value : (n,) arrays
        Readings of the whole series: days, and the trigger's quantity.
    segment : (n,) array of int
        Nothing is drawn straight across a break.
    faces : mapping of str to FacePath
        Faces past the section.
    rows : (n,) array of bool
        Readings within the range.

    Returns
    -------
    tuple of (bool, float), or None
        Whether it was passed, and the day of the confirmation (NaN where it was not); None where an end has no reading
        on one side of it, or none near it, so that nothing can be said.
    """
    first, last = days_in_force(trigger.valid, faces)
    measure = trigger.measure
    within = beyond(value, level, measure) & rows
    over, begin = bool(within.any()), float("inf")
    for day in (first, last):
        if day == first and not time[0] <= day:
            # before its zero reading a measure had not moved: its first reading stands for the range's begin
            if time[0] <= last:
                continue
            return None
        after = int(np.searchsorted(time, day))
        if after == 0 or after >= len(time):
            return None
        if time[after] - time[after - 1] > NEAR_END or segment[after] != segment[after - 1]:
            return None
        at = np.interp([day], time[after - 1 : after + 1], value[after - 1 : after + 1])
        if not np.isfinite(at[0]):
            return None
        if bool(beyond(at, level, measure)[0]):
            over, begin = True, min(begin, day)
    if not over:
        return False, float("nan")
    begin = min(begin, float(time[within][0])) if within.any() else begin
    # one reading wrong by itself bends both ends: those after it have to say the same
    later = (time >= begin - 1e-9) & (time <= last + NEAR_END * trigger.confirm_of)
    standing = confirmed(trigger, time[later], beyond(value[later], level, measure))
    told = np.flatnonzero(standing)
    return (True, float(time[later][told[0]])) if len(told) else None
