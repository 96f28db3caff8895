"""Writing the daily sheet: find the earlier state, put the page together, write it whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from convergence.errors import JobError, ValueFault
from convergence.job.times import FORM, parse_instant, shown
from convergence.report.files import write_text
from convergence.report.past import PAST_DATES, PastForecasts, past_forecasts
from convergence.report.sheet.page import sheet_html
from convergence.report.sheet.view import DAY, SheetView
from convergence.survey.job import Job, read_job
from convergence.triggers import Outlook, outlook


def write_report(
    source: Job | Outlook,
    path: str | Path,
    *,
    since: str | np.datetime64 | None = None,
    earlier: Outlook | None = None,
    past: PastForecasts | None = None,
    past_dates: int = PAST_DATES,
    processes: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write the daily sheet: one HTML file for the morning review that needs no other file and prints.

    What changed is told against an earlier state. That state is projected anew from what had been read by ``since``,
    so that the page follows from the job alone and not from what else lies in a folder; readings that came in later
    with an earlier date are in both.

    Parameters
    ----------
    source : Job or Outlook
        The job, or its outlook where one has been made.
    path : str or Path
        The file; its folder is made if it is not there.
    since : str or datetime64, optional
        Instant of the earlier state; a day before the analysis unless given. Text is ISO 8601 with an offset or Z.
    earlier : Outlook, optional
        The earlier state itself, to save making it again; ``since`` is then its instant.
    past : PastForecasts, optional
        How past forecasts of this site did, as ``past_forecasts`` tells it; scored from ``past_dates`` unless given.
    past_dates : int
        Dates spread over the record that are projected again to be scored, each at about half the cost of today's
        projection; with 0 the page says that nothing was scored.
    processes : int
        Worker processes for the projections; the page does not depend on it.
    progress : callable, optional
        Called with steps done and in all.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ValueFault
        If ``since`` is no instant before the analysis, or ``past_dates`` is below 0.
    JobError
        If nothing can be said of the instant given as ``since``.
    """
    file = Path(path)
    job = source.job if isinstance(source, Outlook) else source
    instant, why = earlier_instant(job, since, earlier), ""
    found = source if isinstance(source, Outlook) else outlook(source, processes=processes, progress=progress)
    if earlier is None:
        try:
            earlier = outlook(read_job(job.folder.path, instant), processes=processes, progress=progress)
        except JobError as error:
            # a job may be younger than a day; an instant somebody asked for is theirs to mend
            if since is not None:
                raise
            missing = f" (expected {error.faults[0].expected})" if error.faults else ""
            why = f"nothing can be said with what was known by {shown(instant)}{missing}."
    if past is None:
        past = past_forecasts(job, dates=past_dates, processes=processes, progress=progress)
    write_text(file, sheet_html(SheetView(found, earlier, instant, why, past)))
    return file


def earlier_instant(
    job: Job, since: str | np.datetime64 | None = None, earlier: Outlook | None = None
) -> np.datetime64:
    """The instant of the earlier state, checked: that of an outlook, the one asked for, or a day before the analysis.

    Raises
    ------
    ValueFault
        If it is no instant before the analysis.
    """
    if earlier is not None:
        instant = earlier.job.now
    elif since is None:
        instant = job.now - DAY
    else:
        parsed = parse_instant(since) if isinstance(since, str) else since.astype("datetime64[ns]")
        if parsed is None or np.isnat(parsed):
            raise ValueFault(f"since = '{since}': expected {FORM}. To mend: write the instant with its offset.")
        instant = parsed
    if not instant < job.now:
        raise ValueFault(
            f"since = {shown(instant)}: expected an instant before the analysis at {shown(job.now)}. "
            "To mend: give an earlier instant, or a later --as-of."
        )
    return instant
