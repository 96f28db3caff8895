"""Fits asked for by job, section and measure: what notebooks call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import xarray as xr

from convergence.errors import ValueFault
from convergence.fitting.curve import CurveFit, fit_series
from convergence.fitting.sections import Shape, fit_sections
from convergence.fitting.setup import DEFAULT_LAW, Zero
from convergence.fitting.tunnel import fit_all
from convergence.job.times import shown
from convergence.laws import Law
from convergence.measures.tunnel import find_series, measure_tunnel
from convergence.survey.job import Job


def fit_curve(
    job: Job,
    *,
    section: str,
    measure: str,
    law: str | Law = DEFAULT_LAW,
    stage: str | None = None,
    free: Sequence[str] | None = None,
    held: Mapping[str, float] | None = None,
    sigma: float | None = None,
    zero: Zero = "free",
) -> CurveFit:
    """Fit one law to one measure of one section, alone, by least squares.

    Parameters
    ----------
    job : Job
        The job.
    section : str
        The section.
    measure : str
        "settlement crown", "chord left wall:right wall", or with prism names "settlement P1", "chord P1:P2".
    law, stage, free, held, sigma, zero
        As in `convergence.fitting.fit_series`.

    Returns
    -------
    CurveFit
        Estimates, standard errors, status and reason, with the lmfit result inside.

    Raises
    ------
    ValueFault
        The section, the measure or an option is not possible.
    """
    series = find_series(job, section, measure)
    return fit_series(series, law, stage=stage, free=free, held=held, sigma=sigma, zero=zero)


def fit_tunnel(
    job: Job,
    law: str | Law = DEFAULT_LAW,
    *,
    stage: str | None = None,
    free: Sequence[str] | None = None,
    held: Mapping[str, float] | None = None,
    sigma: float | None = None,
    zero: Zero = "free",
    shape: Shape | None = None,
) -> xr.Dataset:
    """Fit one law to every measure of every section, each alone or with a shape shared by the section.

    Parameters
    ----------
    job : Job
        The job.
    law, stage, free, held, sigma, zero
        As in `convergence.fitting.fit_series`.
    shape : {None, "section", "series"}, optional
        "section": the series of a section share lengths, times and exponents; "series": each has its own. Both by the
        quick fit of `convergence.fitting.fit_sections`, of one stage and a law of face distance and time. Without it
        each series is fitted for itself and followed to the last digit, for any law.

    Returns
    -------
    xarray.Dataset
        Over section, measure and parameter; fields as in `convergence.fitting.fit_all`. Its attributes name the job
        folder, its fingerprint and the date, so that it can be projected.

    Raises
    ------
    ValueFault
        If an option is not possible.
    """
    if shape is None:
        fits = fit_all(measure_tunnel(job), law, stage=stage, free=free, held=held, sigma=sigma, zero=zero)
    elif free is not None or zero != "free":
        raise ValueFault(
            f"shape: found {shape!r} together with free or zero, expected held alone to say what is not estimated. "
            f"To mend: leave free and zero out, or leave out shape."
        )
    else:
        fits = fit_sections(measure_tunnel(job), law, shape=shape, stage=stage, held=held, sigma=sigma)
    fits.attrs["job"] = job.folder.path
    fits.attrs["as_of"] = "" if job.folder.as_of is None else shown(job.folder.as_of)
    fits.attrs["fingerprint"] = job.folder.fingerprint
    return fits
