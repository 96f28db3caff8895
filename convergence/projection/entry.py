"""Projection asked for from a job or from the fits of one: what notebooks call."""

from __future__ import annotations

import xarray as xr

from convergence.errors import ValueFault
from convergence.projection.plan import AdvancePlan
from convergence.projection.project import project_job
from convergence.projection.result import Projection
from convergence.survey.job import Job, read_job


def project(
    source: Job | xr.Dataset,
    plan: AdvancePlan | None = None,
    horizon: float | None = None,
    confidence: float | None = None,
    processes: int = 1,
) -> Projection:
    """Carry every measure to the horizon.

    Parameters
    ----------
    source : Job or xarray.Dataset
        A job, or the fits of one by ``fit_tunnel``; with fits the job's folder is read again and must not have changed
        since. The projection pools all sections and does not start from the separate fits, which stand beside it.
    plan : AdvancePlan, optional
        Instead of the job's own plan: a what-if.
    horizon : float, optional
        Days after the first stage's passage of each section.
    confidence : float, optional
        Of the bands, between 0.5 and 0.998.
    processes : int
        Worker processes; the numbers do not depend on it.

    Returns
    -------
    Projection
        Final values since the zero reading, with bands.

    Raises
    ------
    ValueFault
        The fits carry no job, the job has changed since, or a number is out of range.
    """
    if horizon is not None and not 1.0 <= horizon <= 40_000.0:
        raise ValueFault(
            f"horizon = {horizon} days: expected 1 to 40000. To mend: give days after the first stage's passage."
        )
    if confidence is not None and not 0.5 <= confidence <= 0.998:
        raise ValueFault(f"confidence = {confidence}: expected 0.5 to 0.998. To mend: give 0.9 for a 90 % band.")
    job = source if isinstance(source, Job) else _job_of(source)
    return project_job(job, plan, horizon, confidence, processes)


def _job_of(fits: xr.Dataset) -> Job:
    if "job" not in fits.attrs:
        raise ValueFault(
            "fits without the name of their job. To mend: give the job itself, or fits made by fit_tunnel(job)."
        )
    job = read_job(str(fits.attrs["job"]), str(fits.attrs.get("as_of", "")) or None)
    if job.folder.fingerprint != fits.attrs.get("fingerprint"):
        raise ValueFault(
            f"the files of {fits.attrs['job']} have changed since these fits were made. To mend: fit again, or give "
            "the job itself."
        )
    return job
