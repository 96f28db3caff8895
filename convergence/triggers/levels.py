"""One trigger against one measure: which levels are past, which are likely to be reached, and when.

A positive level is passed at or above it, a negative one at or below it. For transverse and longitudinal movement and
for distortion a positive level limits the magnitude, for the direction that harms is not known beforehand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.job.schema import Level, Trigger
from convergence.laws.path import FacePath
from convergence.measures.rates import Noise
from convergence.measures.series import Series
from convergence.projection.result import PROBABILITIES, SectionProjection
from convergence.triggers.confirmation import confirmed, first_confirmed
from convergence.triggers.quantities import TWO_SIDED as TWO_SIDED
from convergence.triggers.quantities import (
    allowance,
    bends,
    beyond,
    days_in_force,
    history,
    in_force,
    placed,
    scale,
)

Floats = npt.NDArray[np.float64]

#: From this probability on, a level counts as likely to be reached within the horizon; a trigger may ask for more
#: before a measure is told to be heading for it.
LIKELY = 0.5
#: Unless the trigger says, so much is asked for while less than this share of a level is reached: a projection that must
#: add half as much again as was read rests on other sections and on what is usual. Chosen on the bench's tunnels 3001 to
#: 3004, where as many passages were told three days ahead with 14 false headings in 20 section-months, not 23 (near
#: levels) or 29 (far).
REACHED, LIKELY_FAR = 0.7, 0.95
#: With fewer readings than this a probability would be that of the prior and not of the section.
FEWEST_READINGS = 4
#: Days from the last data within which the probability of a passage is told besides that within the horizon.
SOON = (1.0, 3.0, 7.0)


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
    soon : tuple of float
        Probability of reaching it within each of ``SOON`` days from the last data.
    in_force : bool
        Whether the trigger's range holds with the last reading.
    over : bool
        Whether the trigger's range ended before the last reading.
    by_estimate : bool
        Whether the value is beyond the level, which is not past, by what is estimated of the part lost.
    without_last : float
        Probability within the horizon were the last reading as the ones before it led to expect; NaN where it is not
        asked, because the last reading is no surprise.
    warning : str
        What is wrong with the level itself; empty where nothing is.
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
    soon: tuple[float, ...] = (float("nan"),) * len(SOON)
    in_force: bool = True
    without_last: float = float("nan")
    warning: str = ""
    over: bool = False
    by_estimate: bool = False

    @property
    def heading(self) -> bool:
        """Whether the level is likely enough to be reached for its trigger."""
        return bool(self.probability >= self.asked)

    @property
    def reached(self) -> float:
        """Share of the level that is reached, 0 or more; NaN where there is no value."""
        share = self.value / self.level.value
        return abs(share) if self.trigger.measure in TWO_SIDED else max(share, 0.0)

    @property
    def asked(self) -> float:
        """Probability from which the measure is told to be heading for the level."""
        if self.trigger.likely is not None:
            return self.trigger.likely
        return LIKELY if self.reached >= REACHED else LIKELY_FAR

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
    trigger: Trigger,
    series: Series,
    projection: SectionProjection | None,
    noise: Noise,
    *,
    faces: Mapping[str, FacePath] | None = None,
    witnesses: Sequence[Series] = (),
    today: float | None = None,
    surprise: float = 0.0,
) -> list[LevelOutlook]:
    """All levels of one trigger against one measure with at least one reading.

    Parameters
    ----------
    trigger : Trigger
        The trigger, with the levels in force.
    series : Series
        The measure.
    projection : SectionProjection or None
        Its section carried to the horizon; None where nothing could be.
    noise : Noise
        Of one reading of one prism.
    faces : mapping of str to FacePath, optional
        Logged and planned faces past the section; those logged unless given.
    witnesses : sequence of Series
        Other series of the section with the same measure; those that share no prism can confirm a passage.
    today : float, optional
        Day from which the next days are counted; that of the last reading unless given.
    surprise : float
        How far the last reading is from what those before it led to expect [mm]; 0 where it is as expected.
    """
    faces = series.paths if faces is None else faces
    lost, deviation = _lost(trigger, series, projection)
    own_noise = noise.scaled(series.measure)
    values = history(trigger, series, lost, own_noise, faces)
    # what is estimated cannot confirm a passage: only the least it can be, at one end of 90 %, stands beside readings
    least = float(np.sign(lost)) * max(abs(lost) - 1.645 * deviation, 0.0)
    surely = history(trigger, series, least, own_noise, faces) if lost else values
    rows = in_force(trigger.valid, series.time, faces)
    current = bool(rows[-1])
    over_since = days_in_force(trigger.valid, faces)[1]
    ended = bool(series.time[-1] > over_since)
    # once its range is over a rate is no longer judged; a movement stands as it was when the range ended
    rows = rows & current if trigger.quantity == "rate" else rows
    others = _witnesses(trigger, series, witnesses, projection, noise, faces)
    found = []
    for place, level in enumerate(trigger.levels):
        over = beyond(surely, level.value, series.measure)[rows]
        standing = confirmed(
            trigger,
            series.time[rows],
            over,
            [(time, beyond(value, level.value, series.measure)) for time, value in others],
        )
        past = bool(len(standing) and standing[-1])
        probability = crossing = early = late = without = float("nan")
        soon: tuple[float, ...] = (float("nan"),) * len(SOON)
        if past:
            probability, soon = 1.0, (1.0,) * len(SOON)
            crossing = early = late = float(series.time[rows][first_confirmed(standing)])
        elif projection is not None and len(series.time) >= FEWEST_READINGS and placed(trigger, faces):
            dates, reached = _reached(trigger, level, series, projection, faces)
            # a rate needs two dates some days apart; at the horizon itself there are none left
            if len(reached):
                probability = float(reached[-1])
                crossing, early, late = (_when(dates, reached, share) for share in (0.5, 0.05, 0.95))
                start = float(series.time[-1]) if today is None else today
                soon = tuple(float(np.interp(start + days, dates, reached)) for days in SOON)
                if surprise:
                    without = float(_reached(trigger, level, series, projection, faces, surprise)[1][-1])
        # where the range is over no other reading can confirm what was read within it
        unconfirmed = 0 if past or ended else int(over[-trigger.confirm_of :].sum())
        by_estimate = not past and lost != 0.0 and bool(beyond(values[-1:], level.value, series.measure)[0])
        # a reading that is beyond by itself is unconfirmed, not estimated
        by_estimate = by_estimate and not bool(beyond(surely[-1:], level.value, series.measure)[0])
        found.append(
            LevelOutlook(
                trigger, level, place, past, unconfirmed, probability, crossing, early, late, float(values[-1]),
                lost, deviation, soon, current, without, "", ended, by_estimate,
            )
        )  # fmt: skip
    return found


def ever_passed(
    trigger: Trigger,
    place: int,
    series: Series,
    projection: SectionProjection | None,
    noise: Noise,
    faces: Mapping[str, FacePath],
    witnesses: Sequence[Series] = (),
) -> bool:
    """Whether a level was passed and confirmed at any time, be it that the movement went back since."""
    if not len(series.time):
        return False
    lost, deviation = _lost(trigger, series, projection)
    least = float(np.sign(lost)) * max(abs(lost) - 1.645 * deviation, 0.0)
    values = history(trigger, series, least, noise.scaled(series.measure), faces, whole=True)
    rows = in_force(trigger.valid, series.time, faces)
    level = trigger.levels[place].value
    others = _witnesses(trigger, series, witnesses, projection, noise, faces)
    seconds = [(time, beyond(value, level, series.measure)) for time, value in others]
    return bool(confirmed(trigger, series.time[rows], beyond(values, level, series.measure)[rows], seconds).any())


def _lost(trigger: Trigger, series: Series, projection: SectionProjection | None) -> tuple[float, float]:
    """Movement before the zero reading that the trigger's datum adds, and its standard deviation [mm]."""
    if trigger.since == "zero reading":
        return 0.0, 0.0
    if projection is None:
        return float("nan"), float("nan")
    index = projection.index(series.label)
    return float(projection.lost[index]), float(projection.lost_deviation[index])


def _witnesses(
    trigger: Trigger,
    series: Series,
    others: Sequence[Series],
    projection: SectionProjection | None,
    noise: Noise,
    faces: Mapping[str, FacePath],
) -> list[tuple[Floats, Floats]]:
    """Days and quantity of the measures that can confirm a passage: the same measure, no prism in common."""
    if not trigger.confirm_prism:
        return []
    own = set(series.prisms.split(":"))
    found = []
    for other in others:
        if other.measure == series.measure and len(other.time) and own.isdisjoint(other.prisms.split(":")):
            lost, deviation = _lost(trigger, other, projection)
            least = float(np.sign(lost)) * max(abs(lost) - 1.645 * deviation, 0.0)
            found.append((other.time, history(trigger, other, least, noise.scaled(other.measure), faces)))
    return found


def _reached(
    trigger: Trigger,
    level: Level,
    series: Series,
    projection: SectionProjection,
    faces: Mapping[str, FacePath],
    less: float = 0.0,
) -> tuple[Floats, Floats]:
    """Dates from now on, and the probability that the level has been reached by each.

    Besides those of the projection they are the ends of the trigger's range and the bends of its expected curve, so
    that a range between two dates of the projection is not passed over; between dates the quantiles run straight.
    ``less`` [mm] is taken off: from movements as it is, from rates as ``_quickened`` says.
    """
    index = projection.index(series.label)
    rates = trigger.quantity == "rate"
    if rates:
        known, table = projection.rate_dates[0], projection.rate_quantiles[index]
        if less and len(known):
            table = table - _quickened(table, less, float(series.value[-1]), np.diff(projection.rate_dates, axis=0)[0])
    else:
        known = projection.dates
        table = (projection.total_quantiles if trigger.since == "excavation" else projection.quantiles)[index]
    ahead = known >= projection.now - 1e-9
    known, table = known[ahead], table[ahead]
    if not len(known):
        return known, known
    more = bends(trigger, faces)
    dates = np.union1d(known, more[(more > known[0]) & (more < known[-1])])
    table = np.stack([np.interp(dates, known, column) for column in table.T], axis=1)
    if not rates:
        table = (table - less - allowance(trigger, series, dates, faces)[:, None]) / scale(trigger, series)
    chance = np.array([_chance(row, level.value, series.measure) for row in table])
    first, last = days_in_force(trigger.valid, faces)
    with np.errstate(invalid="ignore"):
        held = (dates >= first - 1e-9) & (dates <= last + 1e-9)
    chance = np.where(held, np.nan_to_num(chance), 0.0)
    # movement that has reached a level once has reached it; the largest chance so far is the least the chance can be
    return dates, np.maximum.accumulate(chance)


def _quickened(rates: Floats, surprise: float, value: float, days: Floats) -> Floats:
    """What a surprise in the last reading may have added to each projected rate [mm/day]; has its sign.

    Either the surprise as movement of the rate's own days, or its share in what was measured, by which the whole curve
    was taken for larger; whichever is more, for the projection without the reading is not made.

    Parameters
    ----------
    rates : array (n, q)
        Quantiles of the rate by date [mm/day].
    surprise, value : float
        Surprise in the last reading, and the last reading [mm].
    days : array (n,)
        Days over which each rate runs.
    """
    share = float(np.clip(surprise / value, 0.0, 1.0)) if value else 0.0
    own = np.broadcast_to((surprise / days)[:, None], rates.shape)
    return np.maximum(own, rates * share) if surprise > 0 else np.minimum(own, rates * share)


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
