"""A section's projection had surprising last readings not been made.

The section is projected twice about the shape its neighbours lead to expect, with the readings and without them. What
differs between the two is taken off the projection that stands, so that what the readings did to the value, to the
slope ahead and to the width of the band is all gone, and nothing else is.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from convergence.measures.series import Series
from convergence.projection.prior import ShapePrior
from convergence.projection.result import Projection, SectionProjection
from convergence.projection.task import section_task
from convergence.projection.threads import one_thread
from convergence.projection.work import project_pooled
from convergence.survey.job import Job


@one_thread()
def without_last_readings(
    job: Job, projection: Projection, section: str, labels: Collection[str]
) -> SectionProjection | None:
    """The projection of a section without the last reading of some measures.

    Parameters
    ----------
    job : Job
        The job.
    projection : Projection
        As made with all readings.
    section : str
        The section.
    labels : collection of str
        Labels of the measures whose last reading is left out.

    Returns
    -------
    SectionProjection or None
        With the tables of quantiles as they would be; None where there is no projection to start from.
    """
    carried = projection.sections.get(section)
    if carried is None:
        return None
    # of what the other sections say, shape and spread are kept; how they go together falls out of the difference
    prior = ShapePrior(carried.prior_shape, np.diag(carried.prior_deviation**2))
    task = section_task(
        job, section, carried.series, projection.tracks, projection.horizon_days, projection.noise, prior,
        projection.confidence, projection.data_until, projection.shared,
    )  # fmt: skip
    if task is None or not np.array_equal(task.dates, carried.dates):
        return None
    short = tuple(_shortened(item) if item.label in labels else item for item in task.series)
    if not all(len(item.time) for item in short):
        return None
    whole, less = (
        project_pooled((item, carried.alone, carried.own_creep_knowledge))
        for item in (task, replace(task, series=short))
    )
    found = {
        name: np.sort(getattr(carried, name) - getattr(whole, name) + getattr(less, name), axis=-1)
        for name in ("quantiles", "total_quantiles", "rate_quantiles")
    }
    return replace(
        carried,
        quantiles=found["quantiles"],
        total_quantiles=found["total_quantiles"],
        rate_quantiles=found["rate_quantiles"],
    )


def _shortened(series: Series) -> Series:
    """A series without its last reading."""
    return replace(series, time=series.time[:-1], value=series.value[:-1], segment=series.segment[:-1])
