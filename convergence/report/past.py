"""How past forecasts of this site did, to stand beside today's: from a hindcast or a log at hand, or from a few past
dates projected again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from convergence.errors import ConvergenceError, ValueFault
from convergence.hindcasting import EMBARGO_DAYS, Hindcast, HitRate, age_sentence, hindcast, read_hindcast
from convergence.hindcasting.forecast_log import LOG_NAME, read_forecasts
from convergence.hindcasting.hindcast import FIRST_DAYS
from convergence.hindcasting.log_score import score_forecasts
from convergence.hindcasting.table import LOG_FILE
from convergence.job.times import parse_instant
from convergence.survey.job import Job
from convergence.triggers import Outlook

#: Past dates that are projected again where there is no hindcast; each costs about half of today's projection.
PAST_DATES = 6
#: A forecast log speaks for the site once runs of so many dates are scored.
LOGGED_DATES = 3
#: How to have all dates scored.
COMMAND = "convergence hindcast JOB --out DIR"


@dataclass(frozen=True)
class PastForecasts:
    """Past forecasts of a site as a sheet tells them; never silently absent.

    Attributes
    ----------
    hindcast : Hindcast or None
        The forecasts scored; None where none are.
    sentence : str
        How they did and what that rests on; or that nothing is scored, why, and the command that would.
    """

    hindcast: Hindcast | None
    sentence: str

    def hit_rate(self, widths: float, measure: str) -> HitRate | None:
        """How forecasts of one measure did with the face about as far; None where none could be scored."""
        if self.hindcast is None:
            return None
        found = self.hindcast.hit_rate(widths, measure)
        return found if found.forecasts else None


def past_forecasts(
    job: Job,
    *,
    folder: str | Path | None = None,
    nearby: Path | None = None,
    latest: Outlook | None = None,
    dates: int = PAST_DATES,
    processes: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> PastForecasts:
    """Past forecasts of a job: from a hindcast, from the log of earlier runs, or from a few dates projected again.

    Parameters
    ----------
    job : Job
        The job.
    folder : str or Path, optional
        Folder of a hindcast somebody named; one that cannot be read is their fault.
    nearby : Path, optional
        Folder where one may lie, or a forecast log. What is of another tunnel, or knows more than the analysis, is
        not used.
    latest : Outlook, optional
        The outlook of the job as it is now, to save making it again for the scoring of a log.
    dates : int
        Dates to project from where no hindcast is found, 0 for none.
    processes : int
        Worker processes; the numbers do not depend on it.
    progress : callable, optional
        Called with dates done and in all.

    Returns
    -------
    PastForecasts
        What came of them.

    Raises
    ------
    ValueFault
        If ``folder`` holds no hindcast, or ``dates`` is below 0.
    """
    if dates < 0:
        raise ValueFault(f"dates = {dates}: expected 0 or more. To mend: give a count, as {PAST_DATES}.")
    tunnel = job.settings.tunnel.name
    if folder is not None:
        known = read_hindcast(folder)
        # another tunnel's errors say nothing of a row of this one
        return PastForecasts(known if known.of_tunnel(tunnel) else None, age_sentence(known, tunnel, job.now))
    beside = None if nearby is None else _nearby(nearby, job)
    if beside is not None:
        return PastForecasts(beside, age_sentence(beside, tunnel, job.now))
    logged = None if nearby is None else _logged(nearby, job, latest, processes)
    if logged is not None:
        count = logged.scored["date"].nunique()
        return PastForecasts(logged, f"{logged.sentence()} They are those of {count} dates in the forecast log.")
    chosen = coarse_dates(job, dates)
    if not chosen:
        why = "no hindcast or log at hand" if not dates else "the record is too short for a date to forecast from"
        return PastForecasts(None, f"Past forecasts of this site are not scored ({why}): {COMMAND} scores them.")
    found = hindcast(job, dates=chosen, coupled=False, levels=False, processes=processes, progress=progress)
    words = f"{found.sentence()} This rests on {len(chosen)} past dates only: {COMMAND} scores all."
    return PastForecasts(found if len(found.scored) else None, words)


def coarse_dates(job: Job, count: int) -> list[np.datetime64]:
    """So many dates evenly over the record, the last as late as an outcome allows; none where the record is short."""
    days = [array["days"].values for array in job.arrays.values() if array.sizes["epoch"]]
    if not days or not count:
        return []
    first, last = min(float(item[0]) for item in days), max(float(item[-1]) for item in days)
    low, high = first + FIRST_DAYS, last - EMBARGO_DAYS
    return [job.instant(float(day)) for day in np.linspace(low, high, count + 1)[1:]] if high > low else []


def _nearby(folder: Path, job: Job) -> Hindcast | None:
    """A hindcast that lies in a folder, if it is of this tunnel and of no later day than the analysis."""
    if not (folder / LOG_FILE).is_file():
        return None
    try:
        found = read_hindcast(folder)
    except ConvergenceError:
        # nobody asked for it, so it does not stop the day's work
        return None
    until = parse_instant(found.known_until)
    fits = found.of_tunnel(job.settings.tunnel.name) and until is not None and until <= job.now
    return found if fits else None


def _logged(folder: Path, job: Job, latest: Outlook | None, processes: int) -> Hindcast | None:
    """The scored forecasts of a log that lies in a folder, if they are of enough dates."""
    if not (folder / LOG_NAME).is_file():
        return None
    try:
        found = score_forecasts(read_forecasts(folder / LOG_NAME), job, latest, processes=processes).hindcast
    except ConvergenceError:
        # nobody asked for it, so it does not stop the day's work
        return None
    return found if found.scored["date"].nunique() >= LOGGED_DATES else None
