"""What can be said of many fits at once; only those that are not plainly solved are worded one by one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.fitting.precision import Precision
from convergence.fitting.section_fit import Question
from convergence.fitting.section_precision import SectionFits
from convergence.fitting.status import (
    LARGEST_AMPLITUDE_ERROR,
    LARGEST_CONDITION,
    LARGEST_CORRELATION,
    LARGEST_SHAPE_ERROR,
    SHAPE_CORRELATION,
    Evidence,
    FitStatus,
    diagnose,
)

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def plainly_solved(fits: SectionFits, parameters: int) -> BoolArray:
    """Find the fits of which `diagnose` has nothing to say, by its own limits.

    Parameters
    ----------
    fits : SectionFits
    parameters : int
        Parameters of the law; offsets follow them.

    Returns
    -------
    ndarray of bool, shape (s, m)
    """
    size = fits.correlation.shape[-1]
    pair = np.where(np.isnan(fits.correlation), 0.0, np.abs(fits.correlation)) * (1.0 - np.eye(size))
    closest = pair.max(axis=-1)
    error, value = fits.standard_error, np.abs(fits.estimate)
    with np.errstate(invalid="ignore"):
        vague = error[..., 0] > LARGEST_AMPLITUDE_ERROR * value[..., 0]
        loose = (error > LARGEST_SHAPE_ERROR * value) & (closest > SHAPE_CORRELATION)
    loose = loose[..., 1:parameters].any(axis=-1)
    estimated = fits.free & ~fits.at_bound
    finite = np.all(np.where(estimated, np.isfinite(error) & np.isfinite(fits.estimate), True), axis=-1)
    condition = fits.singular[..., 0] <= LARGEST_CONDITION * fits.singular[..., 1]
    whole = fits.converged & finite & ~fits.at_bound.any(axis=-1) & condition
    return np.asarray(whole & (closest.max(axis=-1) <= LARGEST_CORRELATION) & ~vague & ~loose)


def worded(
    question: Question, fits: SectionFits, at: tuple[int, int], low: FloatArray, high: FloatArray
) -> tuple[FitStatus, str]:
    """Status and reason of one fit.

    Parameters
    ----------
    question : Question
    fits : SectionFits
    at : tuple of int
        Which fit.
    low, high : ndarray, shape (q,)
        Bounds of its shapes.

    Returns
    -------
    status : FitStatus
    reason : str
    """
    law = question.law
    offsets = fits.estimate.shape[-1] - len(law.parameters)
    names = [*(p.name for p in law.parameters), *(f"zero_offset_{k}" for k in range(offsets))]
    units = {p.name: p.unit.strip("-") for p in law.parameters} | {f"zero_offset_{k}": "mm" for k in range(offsets)}
    free, bound = np.flatnonzero(fits.free[at]), fits.at_bound[at]
    estimated = np.flatnonzero(fits.free[at] & ~bound)
    bounds = dict.fromkeys(names, (-np.inf, np.inf))
    bounds |= {name: (float(low[k]), float(high[k])) for k, name in enumerate(question.names)}
    ratios = [p.name for p in law.parameters if p.kind == "ratio"]
    bounds |= {name: (0.0, top) for name, top in zip(ratios, question.upper, strict=True)}
    evidence = Evidence(
        readings=int(fits.readings[at]),
        values={names[k]: float(fits.estimate[at][k]) for k in free},
        bounds={names[k]: bounds[names[k]] for k in free},
        units=units,
        at_bound=[names[k] for k in free if bound[k]],
        amplitudes=[names[0]],
        precision=_precision([names[k] for k in estimated], fits.information[at], estimated, fits.sigma[at]),
        released=_precision([names[k] for k in free], fits.information[at], free, fits.sigma[at])
        if free.size > estimated.size
        else None,
        converged=bool(fits.converged[at]),
    )
    return diagnose(evidence)


def _precision(names: list[str], information: FloatArray, places: npt.NDArray[np.int64], sigma: float) -> Precision:
    """Precision of some of the parameters from the products of their derivatives."""
    small = information[np.ix_(places, places)]
    length = np.sqrt(np.maximum(np.diag(small), 0.0))
    without = length == 0
    live = np.flatnonzero(~without)
    count = places.size
    errors, correlation, weakest = np.full(count, np.nan), np.full((count, count), np.nan), np.zeros(count)
    size, axes = np.linalg.eigh(small[np.ix_(live, live)] / np.outer(length[live], length[live]))
    size = np.maximum(size, 1e-18)
    inverse = (axes / size) @ axes.T
    root = np.sqrt(np.diag(inverse))
    errors[live] = sigma * root / length[live]
    correlation[np.ix_(live, live)] = np.clip(inverse / np.outer(root, root), -1.0, 1.0)
    if live.size:
        weakest[live] = axes[:, 0]
    return Precision(tuple(names), errors, correlation, np.sqrt(size[::-1]), weakest, without)
