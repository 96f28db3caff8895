"""Hindcast: project again from every past date, with only what was known then, and score what came of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
import pandas as pd

from convergence.cache import keeping
from convergence.errors import ValueFault
from convergence.hindcasting.forecast import COLUMNS, LEVEL_COLUMNS, DateForecasts, Question, forecast_date
from convergence.hindcasting.outcome import job_outcomes
from convergence.hindcasting.result import Hindcast
from convergence.job.times import shown
from convergence.survey.job import Job
from convergence.triggers.outlook import Outlook, outlook

#: Days between the last reading a forecast knows and the first reading of its outcome, at the least. Nearer ones share
#: the wanderings of the station (correlated over up to a few days), so that a forecast would be scored against its own
#: error of reading; and a forecast of tomorrow tells nothing.
EMBARGO_DAYS = 7.0
#: Days of readings before the first date that is projected from.
FIRST_DAYS = 2.0


def hindcast(
    job: Job,
    every: float = 7.0,
    start: np.datetime64 | None = None,
    end: np.datetime64 | None = None,
    dates: Sequence[np.datetime64] | None = None,
    embargo: float = EMBARGO_DAYS,
    coupled: bool = True,
    levels: bool = True,
    processes: int = 1,
    progress: Callable[[int, int], None] | None = None,
    latest: Outlook | None = None,
) -> Hindcast:
    """Project a job again from past dates, with only what was known then, and score each forecast.

    What a forecast is scored against is the measure's own last readings (the mean of the last two days of its record);
    the forecast is asked for that same day, with the faces where the plan of the time put them, so an advance that
    went otherwise than planned counts against it, as it does in life. Left out, and said in the log, are measures whose
    record ends less than the embargo after the forecast's last reading, whose end holds an undecided jump, or whose
    zero reading was declared anew since.

    Parameters
    ----------
    job : Job
        The job, with its whole record; its folder is read again for each date.
    every : float
        Days between the dates, above 0.
    start, end : datetime64, optional
        First and last date at the most, UTC; the whole record unless given.
    dates : sequence of datetime64, optional
        Dates instead of those, UTC.
    embargo : float
        Days between the last reading a forecast knows and the first of its outcome, 0 or more.
    coupled : bool
        Whether the coupled law is fitted to each chord as a baseline; it costs about as much as the projection.
    levels : bool
        Whether the outlook's probabilities of passing levels are scored.
    processes : int
        Worker processes, by date; the numbers do not depend on it.
    progress : callable, optional
        Called with dates done and in all.
    latest : Outlook, optional
        The outlook of the job as it is now, to save making it again; it tells which levels were passed.

    Returns
    -------
    Hindcast
        The log of forecasts and what came of them; its repr says how they did.

    Raises
    ------
    ValueFault
        A number is out of range, or the first date is after the last.
    """
    if not (np.isfinite(every) and every > 0):
        raise ValueFault(f"every = {every} days: expected above 0. To mend: give the days between two dates.")
    if not (np.isfinite(embargo) and embargo >= 0):
        raise ValueFault(f"embargo = {embargo} days: expected 0 or more. To mend: give days, as {EMBARGO_DAYS:g}.")
    if start is not None and end is not None and start > end:
        raise ValueFault(f"from {shown(start)} to {shown(end)}: the first is after the last. To mend: exchange them.")
    chosen = [date.astype("datetime64[ns]") for date in dates] if dates is not None else _dates(job, every, embargo)
    chosen = [
        date for date in chosen if (start is None or date >= start) and (end is None or date <= min(end, job.now))
    ]
    if levels and job.settings.triggers and chosen and latest is None:
        latest = outlook(job, processes=processes)
    question = Question(
        path=job.folder.path,
        known_until=job.now,
        places={section: place for place, section in enumerate(job.sections)},
        outcomes=job_outcomes(job, latest),
        embargo_days=embargo,
        coupled=coupled,
        levels=levels and latest is not None,
        store=keeping(),
    )
    found = _each_date(question, chosen, processes, progress)
    return Hindcast(
        table=_frame([row for item in found for row in item.rows], COLUMNS),
        levels=_frame([row for item in found for row in item.level_rows], LEVEL_COLUMNS),
        confidence=job.settings.projection.confidence,
        refused=tuple((shown(item.date), item.refused) for item in found if item.refused),
    )


def _dates(job: Job, every: float, embargo: float) -> list[np.datetime64]:
    """Evenly spaced dates from soon after the first reading to the last that may have an outcome."""
    days = [array["days"].values for array in job.arrays.values() if array.sizes["epoch"]]
    first, last = min(float(item[0]) for item in days), max(float(item[-1]) for item in days)
    return [job.instant(float(day)) for day in np.arange(first + FIRST_DAYS, last - embargo + 1e-9, every)]


def _each_date(
    question: Question,
    dates: Sequence[np.datetime64],
    processes: int,
    progress: Callable[[int, int], None] | None,
) -> list[DateForecasts]:
    work = partial(forecast_date, question)

    def gather(results: Iterable[DateForecasts]) -> list[DateForecasts]:
        found = []
        for result in results:
            found.append(result)
            if progress is not None:
                progress(len(found), len(dates))
        return found

    if processes <= 1 or len(dates) < 2:
        # files are parsed for the first date and cut for the others; screens hang on what had come by then
        return gather(map(partial(work, parsed={}), dates))
    with ProcessPoolExecutor(min(processes, len(dates))) as pool:
        # later dates hold more readings and take longer: they go first, so that no worker is left with the longest
        return gather(pool.map(work, reversed(dates)))[::-1]


def _frame(rows: list[dict[str, object]], columns: Sequence[str]) -> pd.DataFrame:
    """A log; an empty one keeps its columns and the kinds of their values."""
    if rows:
        return pd.DataFrame(rows, columns=list(columns))
    text = ("date", "section", "measure", "prisms", "beyond", "not_scored", "outcome_time", "known_until", "tunnel")
    empty = {name: pd.Series(dtype="object" if name in text else "float64") for name in columns}
    return pd.DataFrame(empty, columns=list(columns))
