"""One trigger against one measure: which levels are past, which are likely to be reached, and when.

A positive level is passed at or above it, a negative one at or below it. For transverse and longitudinal movement and
for distortion a positive level limits the magnitude, for the direction that harms is not known beforehand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from convergence.job.schema import Level, Trigger
from convergence.laws.path import FacePath
from convergence.measures.rates import Noise, rate
from convergence.measures.series import Series
from convergence.projection.result import SectionProjection
from convergence.triggers.confirmation import confirmed, first_confirmed
from convergence.triggers.crossing import day_reached, reached_by
from convergence.triggers.quantities import TWO_SIDED as TWO_SIDED
from convergence.triggers.quantities import allowance, beyond, days_in_force, history, in_force, placed, scale
from convergence.triggers.range_ends import judged_at_ends
from convergence.triggers.standing import ASKED as ASKED
from convergence.triggers.standing import ASKED_FAR as ASKED_FAR
from convergence.triggers.standing import FEWEST_READINGS as FEWEST_READINGS
from convergence.triggers.standing import LIKELY as LIKELY
from convergence.triggers.standing import REACHED as REACHED
from convergence.triggers.standing import SOON as SOON
from convergence.triggers.standing import LevelOutlook as LevelOutlook

Floats = npt.NDArray[np.float64]

#: What is estimated stands beside readings with the least it can be, at one end of an interval of 90 %: so many
#: standard deviations less.
LEAST_DEVIATIONS = float(ndtri(0.95))
#: A rate leads somewhere if it is more than this many standard errors (common practice, no source).
SURE_RATE = 2.0


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
    unread: SectionProjection | None = None,
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
    unread : SectionProjection, optional
        With a surprise, the projection had that reading not been made; without it no level may be told to be headed
        for.
    """
    faces = series.paths if faces is None else faces
    lost, deviation = _lost(trigger, series, projection)
    known = 0.0 if np.isnan(lost) else lost
    own_noise = noise.scaled(series.measure)
    values = history(trigger, series, known, own_noise, faces)
    least = _least_lost(lost, deviation)
    surely = history(trigger, series, least, own_noise, faces) if least != known else values
    rows = in_force(trigger.valid, series.time, faces)
    within = rows
    current = bool(rows[-1])
    ended = bool(series.time[-1] > days_in_force(trigger.valid, faces)[1])
    # once its range is over a rate is no longer judged; a movement stands as it was when the range ended
    rows = rows & current if trigger.quantity == "rate" else rows
    jumped = ended and int(within.sum()) < trigger.confirm_needed
    others = _witnesses(trigger, series, witnesses, projection, noise, faces)
    start = float(series.time[-1]) if today is None else today
    projected = projection is not None and len(series.time) >= FEWEST_READINGS and placed(trigger, faces)
    # the present rate must not hang on a reading nothing confirms
    read = slice(None, -1) if surprise and len(series.time) > 1 else slice(None)
    # of a deviation, how fast the movement leaves the expected curve
    course = series.value - allowance(trigger, series, series.time, faces)
    speed, speed_error, _ = rate(series.time[read], course[read], series.segment[read], own_noise)
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
        crossing = float(series.time[rows][first_confirmed(standing)]) if past else float("nan")
        unjudged = -1
        if jumped and not past:
            judged = None
            if trigger.quantity != "rate":
                judged = judged_at_ends(
                    trigger, level.value, series.time, surely, series.segment, faces, within
                )  # fmt: skip
            past, crossing = (False, float("nan")) if judged is None else judged
            unjudged = int(within.sum()) if judged is None else -1
        probability = early = late = without = float("nan")
        soon: tuple[float, ...] = (float("nan"),) * len(SOON)
        if past:
            probability, soon, early, late = 1.0, (1.0,) * len(SOON), crossing, crossing
        elif projected and projection is not None:
            dates, reached = reached_by(trigger, level, series, projection, faces)
            # a rate needs two dates some days apart; at the horizon itself there are none left
            if len(reached):
                probability = float(reached[-1])
                # what is reached by an earlier day is reached by the last data, and nothing is expected before them
                crossing, early, late = (
                    float(np.maximum(day_reached(dates, reached, share), start)) for share in (0.5, 0.05, 0.95)
                )
                soon = tuple(float(np.interp(start + days, dates, reached)) for days in SOON)
                if surprise:
                    without = _final_chance(trigger, level, series, unread, faces)
        # where the range is over no other reading can confirm what was read within it
        unconfirmed = 0 if past or ended else int(over[-trigger.confirm_of :].sum())
        by_estimate = not past and known != 0.0 and bool(beyond(values[-1:], level.value, series.measure)[0])
        # a reading that is beyond by itself is unconfirmed, not estimated
        by_estimate = by_estimate and not bool(beyond(surely[-1:], level.value, series.measure)[0])
        days = float("nan")
        if not past and current and not ended and abs(speed) > SURE_RATE * speed_error:
            days = _days_at(speed, trigger, level, series, float(values[read][-1]))
        found.append(
            LevelOutlook(
                trigger=trigger,
                level=level,
                place=place,
                past=past,
                unconfirmed=unconfirmed,
                probability=probability,
                crossing=crossing,
                early=early,
                late=late,
                value=float(values[-1]),
                estimated=lost,
                estimated_deviation=deviation,
                soon=soon,
                in_force=current,
                without_last=without,
                over=ended,
                by_estimate=by_estimate,
                value_without=float(values[-2]) if surprise and len(values) > 1 else float("nan"),
                today=start,
                movement=_as_movement(trigger, level, series, known, faces),
                present_rate=speed,
                present_days=days,
                unjudged=unjudged,
            )
        )
    return found


def _final_chance(
    trigger: Trigger,
    level: Level,
    series: Series,
    projection: SectionProjection | None,
    faces: Mapping[str, FacePath],
) -> float:
    """Probability of reaching a level within the horizon; 0 where nothing tells it."""
    if projection is None:
        return 0.0
    reached = reached_by(trigger, level, series, projection, faces)[1]
    return float(reached[-1]) if len(reached) else 0.0


def _days_at(speed: float, trigger: Trigger, level: Level, series: Series, value: float) -> float:
    """Days in which a level is reached at a rate [mm/day]; NaN where that leads away or the level is a rate."""
    if trigger.quantity == "rate":
        return float("nan")
    aims = (level.value, -level.value) if series.measure in TWO_SIDED and level.value > 0 else (level.value,)
    days = [(aim - value) * scale(trigger, series) / speed for aim in aims]
    return min((item for item in days if item >= 0.0), default=float("nan"))


def _as_movement(trigger: Trigger, level: Level, series: Series, lost: float, faces: Mapping[str, FacePath]) -> float:
    """Size of a level as movement since the zero reading [mm]; NaN for a rate, or where nothing is known of it."""
    if trigger.quantity == "rate":
        return float("nan")
    # a level of the magnitude stands on the side the movement went to
    back = series.measure in TWO_SIDED and level.value > 0 and series.value[-1] < 0
    expected = float(allowance(trigger, series, series.time[-1:], faces)[0])
    return abs((-1.0 if back else 1.0) * level.value * scale(trigger, series) + expected - lost)


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
    least = _least_lost(lost, deviation)
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


def _least_lost(lost: float, deviation: float) -> float:
    """The least the part lost can be [mm], at one end of 90 %; nothing where it is not known.

    What is estimated cannot confirm a passage. Movement lost has the sign of the movement read, so that what was read
    alone is the least the whole can be.
    """
    if np.isnan(lost):
        return 0.0
    return float(np.sign(lost)) * max(abs(lost) - LEAST_DEVIATIONS * deviation, 0.0)


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
            least = _least_lost(lost, deviation)
            found.append((other.time, history(trigger, other, least, noise.scaled(other.measure), faces)))
    return found
