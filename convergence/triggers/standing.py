"""How one level of one trigger stands to one measure: plain data."""

from __future__ import annotations

from dataclasses import dataclass

from convergence.job.schema import Level, Trigger
from convergence.triggers.quantities import TWO_SIDED

#: From this probability on, a level is likelier to be reached within the horizon than not: it is told.
LIKELY = 0.5
#: Unless the trigger says, so much is asked for before a measure is told to be heading for a level, and more while less
#: than this share of the level is reached: a projection that must add half as much again as was read rests on other
#: sections and on what is usual. Chosen on the bench's tunnels 3011 to 3034: from even odds on there was more than one
#: false heading in a section-month, and passages three days off were told one and a half times as often
#: (`tests.bench.triggers`).
ASKED, REACHED, ASKED_FAR = 0.85, 0.7, 0.97
#: A level reached within so many days at the present rate is told where the projection says less.
SOON_AT_RATE = 7.0
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
        Days since the job's epoch by which it is reached with probability 50 %, 5 % and 95 %, none before the last
        data; the day of the passage where past; NaN where not expected.
    value : float
        What the readings say now, in the level's unit and datum; with the median of the lost part for "excavation",
        without any where that is not known.
    estimated, estimated_deviation : float
        The part of the value that is estimated and not measured: movement lost before the zero reading, and its
        standard deviation, in mm; 0 for "zero reading", NaN where it is not known.
    soon : tuple of float
        Probability of reaching it within each of ``SOON`` days from the last data.
    in_force : bool
        Whether the trigger's range holds with the last reading.
    without_last : float
        Probability within the horizon had the last reading not been made, 0 where that cannot be told; NaN where it is
        not asked, because the last reading is no surprise.
    warning : str
        What is wrong with the level itself; empty where nothing is.
    over : bool
        Whether the trigger's range ended before the last reading.
    by_estimate : bool
        Whether the value is beyond the level, which is not past, by what is estimated of the part lost.
    value_without : float
        The value without the last reading, where that is a surprise; NaN elsewhere.
    today : float
        Day of the last data; NaN where it is not known.
    movement : float
        Size of the level as movement since the zero reading [mm], so that levels of movement, strain and distortion
        stand in one order; NaN for a rate.
    gravity : float
        Place of the level among all levels of the job with the same measure, quantity and datum, by size, 1 for the
        largest; NaN where only its own trigger is known.
    present_rate, present_days : float
        The rate of the last days [mm/day], of a deviation that at which it leaves the expected curve, and the days in
        which the level would be reached at it; NaN where it leads away, is lost in its error or the level is a rate.
    unjudged : int
        Readings within a range that is over without having been judged; -1 where that is not so.
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
    value_without: float = float("nan")
    today: float = float("nan")
    movement: float = float("nan")
    gravity: float = float("nan")
    present_rate: float = float("nan")
    present_days: float = float("nan")
    unjudged: int = -1

    @property
    def heading(self) -> bool:
        """Whether the level is likely enough to be reached for its trigger."""
        return bool(self.probability >= self.asked)

    @property
    def hangs_on_last(self) -> bool:
        """Whether a level is likely with a surprising last reading and would not be without it.

        Neither the probability nor the share of the level that is reached, by which more or less is asked for, may
        count that reading.
        """
        if self.past or not self.heading or self.without_last != self.without_last:
            return False
        return self.without_last < self._asked(self._share(self.value_without))

    @property
    def reached(self) -> float:
        """Share of the level that is reached, 0 or more; NaN where there is no value."""
        return self._share(self.value)

    @property
    def asked(self) -> float:
        """Probability from which the measure is told to be heading for the level."""
        return self._asked(self.reached)

    @property
    def severity(self) -> float:
        """Place of the level among all of its measure, quantity and datum, of whatever trigger; 1 for the last."""
        return (self.place + 1) / len(self.trigger.levels) if self.gravity != self.gravity else self.gravity

    @property
    def perhaps_already(self) -> bool:
        """Whether the level, which is not past, is as likely as not reached by now already."""
        return not self.past and self.crossing <= self.today

    @property
    def sooner_at_rate(self) -> bool:
        """Whether the present rate leads to the level within days and the projection gives that less than even odds."""
        return not self.past and self.present_days <= SOON_AT_RATE and not self.soon[-1] >= LIKELY

    def _share(self, value: float) -> float:
        share = value / self.level.value
        return abs(share) if self.trigger.measure in TWO_SIDED else max(share, 0.0)

    def _asked(self, reached: float) -> float:
        if self.trigger.likely is not None:
            return self.trigger.likely
        return ASKED if reached >= REACHED else ASKED_FAR
