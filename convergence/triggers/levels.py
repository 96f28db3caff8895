"""One trigger against one measure: which levels are past, which are likely to be reached, and when.

A positive level is passed at or above it, a negative one at or below it. For transverse and longitudinal movement a
positive level limits the magnitude, for the direction that harms is not known beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.job.schema import Level, Trigger
from convergence.measures.rates import Noise, rate
from convergence.measures.series import Series
from convergence.projection.result import PROBABILITIES, SectionProjection

Floats = npt.NDArray[np.float64]

#: From this probability on, a level counts as likely to be reached within the horizon.
LIKELY = 0.5
TWO_SIDED = ("transverse", "longitudinal")
#: With fewer readings than this a probability would be that of the prior and not of the section.
FEWEST_READINGS = 4


@dataclass(frozen=True)
class LevelOutlook:
    """One level of one trigger for one measure.

    Attributes
    ----------
    trigger : Trigger
        The trigger.
    level : Level
        The level, in the trigger's unit.
    place : int
        Its place among the trigger's levels, from 0.
    past : bool
        Passed and confirmed by the trigger's rule.
    unconfirmed : int
        Readings beyond the level among the last ones the rule looks at, where it is not confirmed.
    probability : float
        Of reaching it within the horizon; 1 where past, NaN where nothing can be projected.
    crossing, early, late : float
        Days since the job's epoch by which it is reached with probability 50 %, 5 % and 95 %; the day of the passage
        where past; NaN where not expected.
    value : float
        What the readings say now, in the level's unit and datum; with the median of the lost part for "excavation".
    estimated, estimated_deviation : float
        The part of the value that is estimated and not measured: movement lost before the zero reading, and its
        standard deviation, in mm; 0 for "zero reading".
    """

    trigger: Trigger
    level: Level
    place: int
    past: bool
    unconfirmed: int
    probability: float
    crossing: float
    early: float
    late: float
    value: float
    estimated: float = 0.0
    estimated_deviation: float = 0.0

    @property
    def severity(self) -> float:
        """Place of the level in its trigger, 1 for the last one."""
        return (self.place + 1) / len(self.trigger.levels)


def applies(trigger: Trigger, series: Series, positions: tuple[str, ...]) -> bool:
    """Whether a trigger applies to a measure; ``positions`` are those of its prisms.

    A trigger may name positions or prisms, and for a chord the pair "a:b" of either, in any order.
    """
    prisms = tuple(series.prisms.split(":"))
    names = {*positions, *prisms}
    for ends in (positions, prisms):
        names |= {":".join(ends), ":".join(reversed(ends))}
    return (
        trigger.measure == series.measure
        and (not trigger.sections or series.section in trigger.sections)
        and (not trigger.positions or not names.isdisjoint(trigger.positions))
    )


def level_outlooks(
    trigger: Trigger, series: Series, projection: SectionProjection | None, noise: Noise
) -> list[LevelOutlook]:
    """All levels of one trigger against one measure with at least one reading."""
    index = projection.index(series.label) if projection is not None else -1
    lost = deviation = 0.0
    if trigger.since == "excavation":
        lost = float("nan") if projection is None else float(projection.lost[index])
        deviation = float("nan") if projection is None else float(projection.lost_deviation[index])
    noise = noise.scaled(series.measure)
    history = _history(trigger, series, lost, noise)
    # what is estimated cannot confirm a passage: only the least it can be, at one end of 90 %, stands beside readings
    surely = (
        _history(trigger, series, np.sign(lost) * max(abs(lost) - 1.645 * deviation, 0.0), noise) if lost else history
    )
    found = []
    for place, level in enumerate(trigger.levels):
        beyond = _beyond(surely, level.value, series.measure)
        needed, of = trigger.confirm_needed, trigger.confirm_of
        recent = beyond[-of:]
        past = bool(recent.sum() >= needed)
        probability = crossing = early = late = float("nan")
        if past:
            probability = 1.0
            crossing = early = late = float(series.time[_first_confirmed(beyond, needed, of)])
        elif projection is not None and len(series.time) >= FEWEST_READINGS:
            dates, reached = _reached(trigger, level, series, projection, index)
            # a rate needs two dates some days apart; at the horizon itself there are none left
            if len(reached):
                probability = float(reached[-1])
                crossing, early, late = (_when(dates, reached, share) for share in (0.5, 0.05, 0.95))
        found.append(
            LevelOutlook(
                trigger,
                level,
                place,
                past,
                0 if past else int(recent.sum()),
                probability,
                crossing,
                early,
                late,
                float(history[-1]),
                lost,
                deviation,
            )
        )
    return found


def _history(trigger: Trigger, series: Series, lost: float, noise: Noise) -> Floats:
    """The trigger's quantity reading by reading, in the unit of its levels."""
    if trigger.quantity == "rate":
        return _rate_history(trigger, series, noise)
    value = series.value + lost
    return value / (10.0 * series.base_length) if trigger.quantity == "strain" else value


def _rate_history(trigger: Trigger, series: Series, noise: Noise) -> Floats:
    """Rates reading by reading, as far back as the passage that now stands may reach; NaN before.

    A rate costs a fit, and the rule looks at the last readings only; more are worked out only while all of those
    found are beyond the first level, so that the day of the passage is never cut short.
    """
    count = len(series.time)
    found = np.full(count, np.nan)
    first, block = count, max(trigger.confirm_of, 12)
    while first > 0:
        rows = range(max(0, first - block), first)
        found[rows.start : first] = [
            rate(series.time, series.value, series.segment, noise, at=float(series.time[row]))[0] for row in rows
        ]
        first, block = rows.start, 2 * block
        window = _beyond(found[first : first + trigger.confirm_of], trigger.levels[0].value, series.measure)
        if window.sum() < trigger.confirm_needed:
            break
    return found


def _beyond(value: Floats, level: float, measure: str) -> npt.NDArray[np.bool_]:
    """Whether values are beyond a level; NaN never is."""
    with np.errstate(invalid="ignore"):
        if level < 0:
            return np.asarray(value <= level)
        return np.asarray(np.abs(value) >= level if measure in TWO_SIDED else value >= level)


def _first_confirmed(beyond: npt.NDArray[np.bool_], needed: int, of: int) -> int:
    """The reading with which the passage that now stands was first confirmed."""
    counts = np.convolve(beyond.astype(int), np.ones(of, dtype=int))[: len(beyond)]
    unconfirmed = np.flatnonzero(counts < needed)
    return int(unconfirmed[-1]) + 1 if len(unconfirmed) else 0


def _reached(
    trigger: Trigger, level: Level, series: Series, projection: SectionProjection, index: int
) -> tuple[Floats, Floats]:
    """Dates from now on, and the probability that the level has been reached by each."""
    limit = level.value
    dates = projection.dates
    if trigger.quantity == "rate":
        table = projection.rate_quantiles[index]
        dates = projection.rate_dates[0]
    else:
        table = (projection.total_quantiles if trigger.since == "excavation" else projection.quantiles)[index]
        if trigger.quantity == "strain":
            limit = limit * 10.0 * series.base_length
    ahead = dates >= projection.now - 1e-9
    chance = np.array([_chance(row, limit, series.measure) for row in table[ahead]])
    # movement that has reached a level once has reached it; the largest chance so far is the least the chance can be
    return dates[ahead], np.maximum.accumulate(chance)


def _chance(quantiles: Floats, limit: float, measure: str) -> float:
    """P(beyond the limit) from a table of quantiles; the tails beyond the table count as nothing or all."""
    if limit < 0:
        return float(np.interp(limit, quantiles, PROBABILITIES, left=0.0, right=1.0))
    above = 1.0 - float(np.interp(limit, quantiles, PROBABILITIES, left=0.0, right=1.0))
    if measure in TWO_SIDED:
        above += float(np.interp(-limit, quantiles, PROBABILITIES, left=0.0, right=1.0))
    return min(above, 1.0)


def _when(dates: Floats, reached: Floats, share: float) -> float:
    """First day by which the level is reached with a probability, straight between the dates; NaN if never."""
    rows = np.flatnonzero(reached >= share)
    if not len(rows):
        return float("nan")
    row = int(rows[0])
    if row == 0 or reached[row] == reached[row - 1]:
        return float(dates[row])
    part = (share - reached[row - 1]) / (reached[row] - reached[row - 1])
    return float(dates[row - 1] + part * (dates[row] - dates[row - 1]))
