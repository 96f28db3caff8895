"""What came of each measure by the end of its record: what forecasts are scored against.

The outcome is the mean of the readings of the last two days of the record. It carries an error of reading of its own,
that of the zero reading included, which is kept beside it so that a forecast is not blamed for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from convergence.measures.series import Series
from convergence.measures.tunnel import measure_section
from convergence.survey.job import Job
from convergence.survey.noise import estimate_noise
from convergence.survey.noise_model import Noise
from convergence.triggers.outlook import Outlook

#: Days of readings at the end of a record that make its outcome: a dozen sweeps or so, and little movement so late.
OUTCOME_DAYS = 2.0
#: Quantities of a trigger whose levels stay reached once they are; a rate that has fallen again does not show at the
#: end.
LASTING = ("value", "strain")


@dataclass(frozen=True)
class Outcome:
    """The end of one measure's record.

    Attributes
    ----------
    instant : datetime64
        Mean instant of the readings that make it, UTC.
    first : datetime64
        First of those readings.
    zero : datetime64
        The zero reading.
    value : float
        Movement since the zero reading [mm].
    deviation : float
        Standard deviation of the value's error of reading, that of the zero reading included [mm].
    undecided : float
        Undeclared jumps it holds [mm]: where it is not 0 nobody knows what came.
    beyond : str
        Name of the last level of movement the measure is past at the end; empty where none.
    passed : mapping of (str, str, float) to bool
        For each trigger and level of movement that applies, with its value, whether it is past at the end.
    """

    instant: np.datetime64
    first: np.datetime64
    zero: np.datetime64
    value: float
    deviation: float
    undecided: float
    beyond: str
    passed: Mapping[tuple[str, str, float], bool]


def job_outcomes(job: Job, outlook: Outlook | None = None) -> dict[tuple[str, str], Outcome]:
    """Outcomes of every measure of a job that has a reading, by section and label.

    Parameters
    ----------
    job : Job
        The job with its whole record.
    outlook : Outlook, optional
        Of the same job, for the levels; without it no level is told.
    """
    noise = estimate_noise(job.arrays.values())
    found: dict[tuple[str, str], Outcome] = {}
    for section in job.sections:
        for series in measure_section(job, section):
            if not len(series.time):
                continue
            levels = outlook.levels.get((section, series.label), ()) if outlook is not None else ()
            lasting = [item for item in levels if item.trigger.quantity in LASTING]
            past = [item for item in lasting if item.past]
            worst = max(past, key=lambda item: item.severity, default=None)
            passed = {(item.trigger.name, item.level.name, item.level.value): item.past for item in lasting}
            beyond = "" if worst is None else worst.level.name
            found[section, series.label] = outcome_of(job, series, noise.scaled(series.measure), beyond, passed)
    return found


def outcome_of(
    job: Job,
    series: Series,
    noise: Noise,
    beyond: str = "",
    passed: Mapping[tuple[str, str, float], bool] | None = None,
) -> Outcome:
    """The outcome of one measure with at least one reading; ``noise`` is that of one reading of the measure."""
    rows = series.time >= series.time[-1] - OUTCOME_DAYS
    days = series.time[rows]
    variance = float(noise.covariance(days).mean()) + noise.total**2
    return Outcome(
        instant=job.instant(float(days.mean())),
        first=job.instant(float(days[0])),
        zero=job.instant(float(series.time[0])),
        value=float(series.value[rows].mean()),
        deviation=float(np.sqrt(variance)),
        undecided=series.kept_steps,
        beyond=beyond,
        passed=dict(passed or {}),
    )
