"""Whether a measure is read as it should be: the stage it waits for, its usual interval, its silence."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.measures.series import Series
from convergence.survey.job import Job
from convergence.triggers.dates import local_minute

#: A series is blind after this many hours without a reading, or later by its own habit: this many usual intervals, or
#: this many times its longest interval lately (common practice, no source).
BLIND_HOURS, BLIND_INTERVALS, LATE = 24.0, 4.0, 1.5
#: Its habit is that of its last readings and of its last days, whichever are more.
HABIT_READINGS, HABIT_DAYS = 12, 14.0


def active_stage(series: Series, day: float) -> tuple[str, float]:
    """The stage that passed the section last, and its face distance [m]; the first stage where none has passed."""
    best: tuple[str, float] = ("", float("nan"))
    for name, path in series.paths.items():
        distance = float(path.at(day))
        if not best[0] or distance >= 0:
            best = (name, distance)
    return best


def never_read(series: Series, job: Job) -> tuple[str, str]:
    """State and reason of a measure without a reading.

    A prism whose position names a stage ("left bench") can only be there once that stage has passed; any other once
    the first stage has.
    """
    words = series.label.lower().replace(":", " ").split()[1:]
    named = [item for item in series.paths.items() if item[0].lower() in words]
    first = named[0] if named else next(iter(series.paths.items()), None)
    aside = f" ({series.set_aside} readings set aside)" if series.set_aside else ""
    if first is None:
        return "undetermined", f"no usable reading{aside}, and no face log to say whether the section is excavated"
    name, path = first
    distance = float(path.at(job.days(job.now)))
    if distance < 0:
        return "undetermined", f"not yet excavated: the {name} face is {-distance:.0f} m short of the section{aside}"
    return "blind", f"never read{aside}, though the {name} face is {distance:.0f} m past"


def silence(job: Job, series: Series) -> str:
    """Why a series is blind, or an empty text."""
    hours = 24 * (job.days(job.now) - float(series.time[-1]))
    usual, limit = reading_habit(series.time)
    return f"no reading for {hours:.0f} h (usual interval {usual:.0f} h)" if hours > limit else ""


def silence_since(job: Job, series: Series) -> str:
    """Since when a measure is silent, for one whose state stands all the same; empty where it is not silent."""
    silent = silence(job, series)
    if not silent:
        return ""
    last = local_minute(job.instant(float(series.time[-1])), job.settings.tunnel.time_zone)
    return f"and no reading since {last}: {silent}"


def reading_habit(time: npt.NDArray[np.float64]) -> tuple[float, float]:
    """The usual interval between readings [h], and the silence [h] from which a series is blind.

    The habit is that of its last readings: silence is long past ``BLIND_INTERVALS`` usual intervals, or past half as
    long again as the longest interval lately (which holds nights and rest days), whichever comes first; never under
    ``BLIND_HOURS``.
    """
    if len(time) < 3:
        return 6.0, BLIND_HOURS
    hours = 24 * np.diff(time)
    usual = float(np.median(hours[-HABIT_READINGS:]))
    recent = hours[(time[1:] > time[-1] - HABIT_DAYS) | (np.arange(len(hours)) >= len(hours) - HABIT_READINGS)]
    return usual, max(BLIND_HOURS, min(BLIND_INTERVALS * usual, LATE * float(recent.max())))
