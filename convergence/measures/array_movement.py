"""Rigid movement and deformation of a section's array, sweep by sweep, with standard errors."""

from __future__ import annotations

import numpy as np
import xarray as xr

from convergence.measures.rigid import PARTS, RIGID, split_array
from convergence.survey.job import Job
from convergence.survey.noise import estimate_noise
from convergence.survey.noise_model import Noise
from convergence.terms import AXES

UNITS = ("mm", "mm", "mm/m", "mm/m", "mm/m", "mm/m")


def array_movement(job: Job, section: str, noise: Noise | None = None) -> xr.Dataset:
    """Settlement, shift and rotation of an array apart from contraction, ovalisation and skew.

    Parameters
    ----------
    job : Job
        The job.
    section : str
        The section; an unknown one is an error that lists the names.
    noise : Noise, optional
        Noise of one reading; estimated from all the job's arrays unless given.

    Returns
    -------
    xarray.Dataset
        ``value`` and ``standard_error`` (epoch, part), ``residual`` (epoch) [mm] and ``prisms`` (epoch), the number
        read; units by part in the coordinate ``unit``. The parts are those of ``rigid.PARTS``; the deformation is NaN
        where fewer than three prisms were read, or all in one line, and then the rigid parts are those of a rigid
        array. Movements are since the zero reading, so the standard error has the noise of both readings, with their
        correlation. Breaks are spliced as in ``job.arrays``.

    Notes
    -----
    A station's movement shows in shift and settlement and in nothing else: neighbouring sections tell it from the
    ground's, see ``job.decisions``.
    """
    array = job.array(section)
    noise = estimate_noise(job.arrays.values()) if noise is None else noise
    used = array["used"].values
    right, down = (
        np.where(used, array["movement"].values[:, :, AXES.index(axis)], np.nan)
        for axis in ("transverse", "settlement")
    )
    days = array["read_days"].values
    first = np.array([days[used[:, at], at][0] if used[:, at].any() else np.nan for at in range(used.shape[1])])
    since = np.nan_to_num(days - first)
    # of a difference of two readings: independent parts add, the correlated part of near readings cancels
    variance = 2.0 * noise.white**2 + 2.0 * noise.correlated**2 * -np.expm1(-np.maximum(since, 0.0) / noise.days)
    error = np.sqrt(np.maximum(variance, 1e-12))
    places = array["offset_design"].values, array["height_design"].values
    value, standard_error, residual = split_array(*places, right, down, error)
    rigid, rigid_error, rigid_left = split_array(*places, right, down, error, parts=RIGID)
    lone = np.isnan(value[:, 0])
    value[lone, :RIGID], standard_error[lone, :RIGID] = rigid[lone], rigid_error[lone]
    residual[lone] = rigid_left[lone]
    return xr.Dataset(
        {
            "value": (("epoch", "part"), value, {"long_name": "movement of the array since its zero readings"}),
            "standard_error": (("epoch", "part"), standard_error, {"long_name": "standard error of value"}),
            "residual": (("epoch",), residual, {"units": "mm", "long_name": "scatter left by reading"}),
            "prisms": (("epoch",), used.sum(axis=1), {"long_name": "prisms read"}),
        },
        coords={
            "time": array["time"],
            "days": array["days"],
            "part": list(PARTS),
            "unit": ("part", list(UNITS)),
        },
        attrs={"section": section},
    )
