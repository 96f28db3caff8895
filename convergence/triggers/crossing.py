"""When a projected movement or rate reaches a level, and how likely."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from convergence.job.schema import Level, Trigger
from convergence.laws.path import FacePath
from convergence.measures.series import Series
from convergence.projection.result import PROBABILITIES, SectionProjection
from convergence.triggers.quantities import TWO_SIDED, allowance, bends, days_in_force, scale

Floats = npt.NDArray[np.float64]


def reached_by(
    trigger: Trigger, level: Level, series: Series, projection: SectionProjection, faces: Mapping[str, FacePath]
) -> tuple[Floats, Floats]:
    """Dates from now on, and the probability that the level has been reached by each.

    Besides those of the projection they are the ends of the trigger's range and the bends of its expected curve, so
    that a range between two dates of the projection is not passed over; between dates the quantiles run straight.
    """
    index = projection.index(series.label)
    rates = trigger.quantity == "rate"
    if rates:
        known, table = projection.rate_dates[0], projection.rate_quantiles[index]
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
        table = (table - allowance(trigger, series, dates, faces)[:, None]) / scale(trigger, series)
    chance = np.array([_chance(row, level.value, series.measure) for row in table])
    first, last = days_in_force(trigger.valid, faces)
    with np.errstate(invalid="ignore"):
        held = (dates >= first - 1e-9) & (dates <= last + 1e-9)
    chance = np.where(held, np.nan_to_num(chance), 0.0)
    # movement that has reached a level once has reached it; the largest chance so far is the least the chance can be
    return dates, np.maximum.accumulate(chance)


def day_reached(dates: Floats, reached: Floats, share: float) -> float:
    """First day by which the level is reached with a probability, straight between the dates; NaN if never."""
    rows = np.flatnonzero(reached >= share)
    if not len(rows):
        return float("nan")
    row = int(rows[0])
    if row == 0 or reached[row] == reached[row - 1]:
        return float(dates[row])
    part = (share - reached[row - 1]) / (reached[row] - reached[row - 1])
    return float(dates[row - 1] + part * (dates[row] - dates[row - 1]))


def _chance(quantiles: Floats, limit: float, measure: str) -> float:
    """P(beyond the limit) from a table of quantiles; the tails beyond the table count as nothing or all."""
    if limit < 0:
        return float(np.interp(limit, quantiles, PROBABILITIES, left=0.0, right=1.0))
    above = 1.0 - float(np.interp(limit, quantiles, PROBABILITIES, left=0.0, right=1.0))
    if measure in TWO_SIDED:
        above += float(np.interp(-limit, quantiles, PROBABILITIES, left=0.0, right=1.0))
    return min(above, 1.0)
