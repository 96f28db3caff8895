"""Fits of a labelled array of sections, in this process or spread over dask workers by xarray."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.errors import ValueFault
from convergence.fitting.gram import readings_of
from convergence.fitting.section_fit import Question, fitted
from convergence.fitting.section_precision import section_fits
from convergence.fitting.sections import Shape, question_of
from convergence.fitting.setup import check_sigma
from convergence.laws.registry import Law

FloatArray = npt.NDArray[np.float64]

_NEEDED = {
    "face_distance": ("epoch",),
    "elapsed": ("epoch",),
    "movement": ("measure", "epoch"),
}


def fit_dataset(
    readings: xr.Dataset,
    law: str | Law = "coupled",
    *,
    width: float,
    shape: Shape = "section",
    held: Mapping[str, float] | None = None,
    sigma: float | None = None,
) -> xr.Dataset:
    """Fit one law to every series of a Dataset of readings, by the same kernel as `fit_sections`.

    Where the Dataset is chunked along ``section`` (or a dimension above it, as of tunnels or of simulations) the fits
    are lazy and run on dask, chunk by chunk, when they are computed; the numbers are those of one process. The series
    of a section share its epochs and must be in one chunk.

    Parameters
    ----------
    readings : xarray.Dataset
        ``face_distance`` [m] and ``elapsed`` since the face passed [d] over (..., epoch), ``movement`` since the zero
        reading [mm] over (..., measure, epoch); nan where there is no reading or no further epoch.
    law : str or Law
        Of the families "face", "time" or "coupled".
    width : float
        Tunnel width [m], from which the bounds of lengths follow.
    shape : {"section", "series"}
        Whether the measures of a section share the shape.
    held : Mapping of str to float, optional
        Lengths, times and exponents not to be estimated.
    sigma : float, optional
        Standard deviation of a reading [mm]; taken from the residuals unless given.

    Returns
    -------
    xarray.Dataset
        ``estimate`` and ``standard_error`` over (..., measure, parameter), in the unit of each parameter; ``rss``
        [mm^2], ``sigma`` [mm] and ``converged`` over (..., measure). nan where a series has too few readings. What a
        fit may be used for is not judged here: `fit_sections` does that.

    Raises
    ------
    ValueFault
        If a variable or dimension is missing, or an option is not possible.
    """
    check_sigma(sigma)
    question = question_of(law, held)
    if shape not in ("section", "series"):
        raise ValueFault(f"shape: found {shape!r}, expected 'section' or 'series'. To mend: give one of the two.")
    for name, dims in _NEEDED.items():
        if name not in readings or readings[name].dims[-len(dims) :] != dims:
            found = f"dimensions {readings[name].dims}" if name in readings else "no such variable"
            raise ValueFault(
                f"{name} of the readings: found {found}, expected it over (..., {', '.join(dims)}). "
                f"To mend: name and order the dimensions so."
            )
    names = [parameter.name for parameter in question.law.parameters] + ["zero_offset_0"]
    each, cell = ["measure", "parameter"], ["measure"]
    estimate, error, rss, spread, converged = xr.apply_ufunc(
        _fit_chunk,
        *(readings[name] for name in _NEEDED),
        kwargs={"question": question, "width": width, "shared": shape == "section", "sigma": sigma},
        input_core_dims=[list(dims) for dims in _NEEDED.values()],
        output_core_dims=[each, each, cell, cell, cell],
        dask="parallelized",
        output_dtypes=[np.float64, np.float64, np.float64, np.float64, np.bool_],
        dask_gufunc_kwargs={"output_sizes": {"parameter": len(names)}},
    )
    units = [parameter.unit for parameter in question.law.parameters] + ["mm"]
    table = xr.Dataset(
        {"estimate": estimate, "standard_error": error, "rss": rss, "sigma": spread, "converged": converged}
    )
    table = table.assign_coords(parameter=names, parameter_unit=("parameter", np.array(units, dtype=object)))
    table["rss"].attrs["units"], table["sigma"].attrs["units"] = "mm2", "mm"
    table.attrs = {"law": question.law.name, "equation": question.law.equation, "shape": f"one for each {shape}"}
    return table


def _fit_chunk(
    distance: FloatArray,
    elapsed: FloatArray,
    movement: FloatArray,
    *,
    question: Question,
    width: float,
    shared: bool,
    sigma: float | None,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Fit the sections of one chunk, whatever dimensions stand above the section's own."""
    measures, epochs = movement.shape[-2:]
    above = movement.shape[:-2]
    value = movement.reshape(-1, measures, epochs)
    distance = np.broadcast_to(distance, (*above, epochs)).reshape(-1, epochs)
    elapsed = np.broadcast_to(elapsed, (*above, epochs)).reshape(-1, epochs)
    read = np.isfinite(value) & np.isfinite(distance + elapsed)[:, np.newaxis]
    enough = np.sum(read, axis=2) >= len(question.names) + len(question.upper) + 4
    read &= enough[:, :, np.newaxis]
    value = np.where(read, value, np.nan)
    low, high = _bounds(question, elapsed, read, width)
    parameters = len(question.law.parameters) + 1
    estimate, error = (np.full((*enough.shape, parameters), np.nan) for _ in range(2))
    rss, spread = (np.full(enough.shape, np.nan) for _ in range(2))
    converged = np.zeros(enough.shape, dtype=np.bool_)
    # complete sections, those that end early and those with gaps are summed up in different ways; kept apart, a
    # section has the same numbers whatever stands beside it in its chunk
    kind = np.where(read.all(axis=(1, 2)), 0, np.where((read == read[:, :1]).all(axis=(1, 2)), 1, 2))
    for each in range(3):
        rows = np.flatnonzero((kind == each) & enough.any(axis=1))
        if rows.size == 0:
            continue
        some = readings_of(distance[rows], elapsed[rows], value[rows], None)
        found = section_fits(question, *fitted(question, some, low[rows], high[rows], shared), sigma)
        shape = rows.size, measures
        good = enough[rows]
        estimate[rows] = np.where(good[..., np.newaxis], found.estimate.reshape(*shape, -1), np.nan)
        error[rows] = np.where(good[..., np.newaxis], found.standard_error.reshape(*shape, -1), np.nan)
        rss[rows] = np.where(good, found.rss.reshape(shape), np.nan)
        spread[rows] = np.where(good, found.sigma.reshape(shape), np.nan)
        converged[rows] = good & found.converged.reshape(shape)
    cell = (*above, measures)
    return (
        estimate.reshape(*cell, parameters),
        error.reshape(*cell, parameters),
        rss.reshape(cell),
        spread.reshape(cell),
        converged.reshape(cell),
    )


def _bounds(
    question: Question, elapsed: FloatArray, read: npt.NDArray[np.bool_], width: float
) -> tuple[FloatArray, FloatArray]:
    """Bounds of the shapes of each series from the span of its readings, shape (s, m, q)."""
    age = elapsed[:, np.newaxis]
    first = np.min(np.where(read, age, np.inf), axis=2)
    last = np.max(np.where(read, age, -np.inf), axis=2)
    spans, places = np.unique(np.where(last > first, last - first, 1.0), return_inverse=True)
    known = np.array([[question.law.bounds(name, width, float(days)) for name in question.names] for days in spans])
    each = known[places.reshape(first.shape)]
    return each[..., 0], each[..., 1]
