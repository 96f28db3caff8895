"""A trigger's quantity reading by reading, in the unit and datum of its levels, and what it expects where."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
import numpy.typing as npt

from convergence.job.schema import ExpectedCurve, Trigger, TriggerRange
from convergence.laws.path import FacePath
from convergence.measures.rates import Noise, rate
from convergence.measures.series import Series

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Measures of which a positive level limits the magnitude, for the direction that harms is not known beforehand.
TWO_SIDED = ("transverse", "longitudinal", "distortion")

#: An instant, a tenth of a second [days].
INSTANT = 1e-6


def beyond(value: Floats, level: float, measure: str) -> Bools:
    """Whether values are at a level or beyond it; NaN never is.

    A positive level is passed at or above it, a negative one at or below it; of two-sided measures a positive level
    limits the magnitude.
    """
    with np.errstate(invalid="ignore"):
        if level < 0:
            return np.asarray(value <= level)
        return np.asarray(np.abs(value) >= level if measure in TWO_SIDED else value >= level)


def position(against: str, stage: str, time: Floats, paths: Mapping[str, FacePath]) -> Floats:
    """Face distance [m] of a stage or its age [days] at each day; NaN where the job has no log of the stage."""
    name = stage or next(iter(paths), "")
    if name not in paths:
        return np.full(len(time), np.nan)
    path = paths[name]
    return np.asarray(path.at(time) if against == "face distance" else path.elapsed(time), dtype=np.float64)


def placed(trigger: Trigger, paths: Mapping[str, FacePath]) -> bool:
    """Whether the job logs the stages along which the trigger's range and expected curve run."""
    stages = [item.stage for item in (trigger.valid, trigger.expected) if item is not None]
    return bool(paths) and all(not stage or stage in paths for stage in stages)


def in_force(valid: TriggerRange | None, time: Floats, paths: Mapping[str, FacePath]) -> Bools:
    """Whether a trigger is in force at each day; nowhere where its stage has no log."""
    if valid is None:
        return np.ones(len(time), dtype=bool)
    at = position(valid.against, valid.stage, time, paths)
    with np.errstate(invalid="ignore"):
        return np.asarray((at >= valid.low) & (at <= valid.high))


def days_in_force(valid: TriggerRange | None, paths: Mapping[str, FacePath]) -> tuple[float, float]:
    """First and last day a trigger is in force, ends included; infinite where it has none, NaN where it never is.

    A round that is blasted across the whole range has it in force at that instant.
    """
    if valid is None:
        return -np.inf, np.inf
    path = paths.get(valid.stage or next(iter(paths), ""))
    if path is None:
        return np.nan, np.nan
    if valid.against == "age":
        return path.passage() + valid.low, path.passage() + valid.high
    if path.distance[-1] < valid.low or path.distance[0] > valid.high:
        return np.nan, np.nan
    # the face stands where it stood before its first node and after its last
    begins = -np.inf if path.distance[0] >= valid.low else _reaches(path, valid.low, "left")
    ends = np.inf if path.distance[-1] <= valid.high else _reaches(path, valid.high, "right")
    return begins, ends


def _reaches(path: FacePath, distance: float, side: Literal["left", "right"]) -> float:
    """Day on which the face comes to a distance ("left") or goes on from it ("right"); its nodes lie on both sides."""
    after = int(np.searchsorted(path.distance, distance, side=side))
    low, high = path.distance[after - 1], path.distance[after]
    share = (distance - low) / (high - low)
    return float(path.time[after - 1] + share * (path.time[after] - path.time[after - 1]))


def bends(trigger: Trigger, paths: Mapping[str, FacePath]) -> Floats:
    """Days on which a trigger's range begins or ends, or its expected curve bends, in any order.

    With the day a range begins stands the instant before, so that nothing is reached by straight lines to that day.
    """
    first, last = days_in_force(trigger.valid, paths)
    found = [first - INSTANT, first, last]
    curve = trigger.expected
    if curve is not None:
        for at in curve.at:
            found += days_in_force(TriggerRange(curve.against, curve.stage, at, at), paths)
    return np.array([day for day in found if np.isfinite(day)])


def expected_movement(curve: ExpectedCurve, time: Floats, paths: Mapping[str, FacePath]) -> Floats:
    """Movement [mm] the design expects at each day; NaN where its stage has no log."""
    at = position(curve.against, curve.stage, time, paths)
    return np.asarray(np.interp(at, curve.at, curve.value))


def scale(trigger: Trigger, series: Series) -> float:
    """Millimetres in one unit of the trigger's levels; 1 for movements, deviations and rates."""
    return {"strain": 10.0 * series.base_length, "distortion": series.base_length}.get(trigger.quantity, 1.0)


def allowance(trigger: Trigger, series: Series, time: Floats, paths: Mapping[str, FacePath]) -> Floats:
    """What is taken off the movement at each day before it stands against the levels [mm].

    For a deviation the expected movement since the trigger's datum, else nothing.
    """
    if trigger.expected is None:
        return np.zeros(len(time))
    found = expected_movement(trigger.expected, time, paths)
    if trigger.since == "zero reading":
        found = found - expected_movement(trigger.expected, series.time[:1], paths)
    return found


def history(
    trigger: Trigger,
    series: Series,
    lost: float,
    noise: Noise,
    paths: Mapping[str, FacePath],
    whole: bool = False,
) -> Floats:
    """The trigger's quantity reading by reading, in the unit of its levels; ``lost`` [mm] is added to the movement.

    Rates go back as far as the passage that now stands, NaN before, unless the whole history is asked for.
    """
    if trigger.quantity == "rate":
        return _rates(trigger, series, noise, whole)
    return np.asarray((series.value + lost - allowance(trigger, series, series.time, paths)) / scale(trigger, series))


def _rates(trigger: Trigger, series: Series, noise: Noise, whole: bool) -> Floats:
    """Rates reading by reading, as far back as the passage that now stands may reach; NaN before.

    A rate costs a fit, and the rule looks at the last readings only; more are worked out only while all of those
    found are beyond the first level, so that the day of the passage is never cut short.
    """
    count = len(series.time)
    found = np.full(count, np.nan)
    first, block = count, max(trigger.confirm_of, 12)
    lowest = min((level.value for level in trigger.levels), key=abs)
    while first > 0:
        rows = range(max(0, first - block), first)
        found[rows.start : first] = [
            rate(series.time, series.value, series.segment, noise, at=float(series.time[row]))[0] for row in rows
        ]
        first, block = rows.start, 2 * block
        window = beyond(found[first : first + trigger.confirm_of], lowest, series.measure)
        if window.sum() < trigger.confirm_needed and not whole:
            break
    return found
