"""Noise of the site's own readings: how much is independent, how much is correlated in time.

From second differences x(t-h) - 2 x(t) + x(t+h), in which an even movement cancels. For noise of variance w^2
independent and c^2 exp(-h/T) correlated their variance is

    D(h) = 6 w^2 + c^2 (6 - 8 exp(-h/T) + 2 exp(-2h/T)),

estimated for each lag from the median absolute value (so that spikes and steps do not count) where the
movement is slow, and fitted by least squares in the logarithm.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.optimize import least_squares

from convergence.survey.noise_model import Noise

Floats = npt.NDArray[np.float64]

LAGS = (0.25, 0.5, 1.0, 2.0, 3.0, 4.0)
#: What is taken where the job has too few readings to tell: a total station in a tunnel (+-1 mm
#: for a reading in a railway monitoring plan; published), half of it correlated over a day.
ASSUMED = Noise(0.7, 0.5, 1.0)
FEWEST = 200


def estimate_noise(arrays: Iterable[xr.Dataset]) -> Noise:
    """Noise of one reading of one prism and axis, pooled over the job.

    Parameters
    ----------
    arrays : iterable of xarray.Dataset
        The sections' arrays.

    Returns
    -------
    Noise
        Estimate; ``ASSUMED`` where the readings are too few to tell.
    """
    collected: dict[float, list[Floats]] = {lag: [] for lag in LAGS}
    for array in arrays:
        for index in range(array.sizes["prism"]):
            movement = array["movement"].values[:, index]
            rows = np.flatnonzero(np.isfinite(movement[:, 0]))
            if len(rows) < 12:
                continue
            days = array["read_days"].values[rows, index]
            segment = array["segment"].values[rows, index]
            # the days right after the zero reading hold curvature of the movement itself
            rows, days, segment = (values[days > days[0] + 5.0] for values in (rows, days, segment))
            for lag in LAGS:
                collected[lag].append(second_differences(days, movement[rows], segment, lag))
    lags, variances, counts = [], [], []
    for lag in LAGS:
        values = np.concatenate(collected[lag]) if collected[lag] else np.empty(0)
        if len(values) >= FEWEST:
            lags.append(lag)
            variances.append((np.median(np.abs(values)) / 0.6745) ** 2)
            counts.append(len(values))
    if not lags:
        return ASSUMED
    if len(lags) < 3:
        total = np.sqrt(max(variances) / 6.0)
        return Noise(0.8 * total, 0.6 * total, 1.0)
    return _fit(np.array(lags), np.maximum(np.array(variances), 1e-4))


def second_differences(days: Floats, movement: Floats, segment: npt.NDArray[np.int16], lag: float) -> Floats:
    """Second differences at a lag, where three readings stand that far apart (within a tenth of a day)."""
    if len(days) < 3:
        return np.empty(0)
    before = _nearest(days, days - lag)
    after = _nearest(days, days + lag)
    good = (
        (np.abs(days[before] - days + lag) < 0.1)
        & (np.abs(days[after] - days - lag) < 0.1)
        & (segment[before] == segment[after])
    )
    at = np.flatnonzero(good)
    return np.asarray((movement[before[at]] - 2 * movement[at] + movement[after[at]]).ravel())


def _nearest(days: Floats, wanted: Floats) -> npt.NDArray[np.int64]:
    right = np.clip(np.searchsorted(days, wanted), 1, len(days) - 1)
    return np.where(np.abs(days[right - 1] - wanted) <= np.abs(days[right] - wanted), right - 1, right)


def _fit(lags: Floats, variances: Floats) -> Noise:
    def model(logs: Floats) -> Floats:
        white, correlated, days = np.exp(logs)
        decay = np.exp(-lags / days)
        return np.asarray(6 * white**2 + correlated**2 * (6 - 8 * decay + 2 * decay**2))

    total = float(np.sqrt(variances[-1] / 6.0))
    start = np.log([0.8 * total, 0.6 * total, 1.0])
    low, high = np.log([0.05 * total, 0.05 * total, 0.2]), np.log([2.0 * total, 2.0 * total, 8.0])

    def misfit(logs: Floats) -> Floats:
        return np.asarray(np.log(model(logs) / variances))

    found = least_squares(misfit, start, bounds=(low, high))
    return Noise(*(float(value) for value in np.exp(found.x)))
