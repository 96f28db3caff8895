"""Noise of the site's own readings: how much is independent, how much is correlated in time.

From second differences x(t-h) - 2 x(t) + x(t+h), in which an even movement cancels. For noise of variance w^2
independent and c^2 exp(-h/T) correlated their variance is

    D(h) = 6 w^2 + c^2 (6 - 8 exp(-h/T) + 2 exp(-2h/T)),

estimated for each lag from the median absolute value (so that spikes and steps do not count) where the
movement is slow, and fitted by least squares in the logarithm.

Values that are rounded stand still and leap; the median of what is rounded is a whole number of steps and may lie well
under, or over, that of what was measured. So each second difference is spread evenly over a step before the median is
taken, and the variance that adds, s^2 / 12, is taken off again. No estimate is under what rounding alone does, nor
under what the files state.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.optimize import least_squares

from convergence.survey.noise_model import Noise
from convergence.survey.resolution import rounding

Floats = npt.NDArray[np.float64]

LAGS = (0.25, 0.5, 1.0, 2.0, 3.0, 4.0)
#: What is taken where the job has too few readings to tell: a total station in a tunnel (+-1 mm
#: for a reading in a railway monitoring plan; published), half of it correlated over a day.
ASSUMED = Noise(0.7, 0.5, 1.0)
FEWEST = 200
#: A step under this share of the scatter of differences does not matter to their median; else each is spread over so
#: many places of its step.
FINE, SPREAD = 0.2, 8


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
    arrays = list(arrays)
    collected: dict[float, list[Floats]] = {lag: [] for lag in LAGS}
    step, stated = rounding_of(arrays)
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
            variances.append(rounded_scale(values, step) ** 2)
            counts.append(len(values))
    if not lags:
        found = ASSUMED
    elif len(lags) < 3:
        total = float(np.sqrt(max(variances) / 6.0))
        found = Noise(0.8 * total, 0.6 * total, 1.0)
    else:
        found = _fit(np.array(lags), np.maximum(np.array(variances), 1e-4))
    return no_less(found, rounding(step), stated)


def rounding_of(arrays: Iterable[xr.Dataset]) -> tuple[float, float]:
    """Step the values are rounded to, and what the files state of one reading [mm]: of the middle prism; 0 for none."""
    arrays = list(arrays)
    steps = [array["resolution"].values for array in arrays if "resolution" in array.coords]
    stated = [array["stated_noise"].values for array in arrays if "stated_noise" in array.coords]
    said = np.concatenate(stated) if stated else np.empty(0)
    said = said[np.isfinite(said)]
    step = float(np.median(np.concatenate(steps))) if steps else 0.0
    return step, float(np.median(said)) if len(said) else 0.0


def no_less(noise: Noise, rounded: float, stated: float) -> Noise:
    """The noise, its independent part no less than that of rounding, the whole no less than stated [mm].

    Below, where the numbers stand still, rounding is an error that stays: it is in the correlated part too.
    """
    white, correlated = noise.white, noise.correlated
    if white < rounded:
        white, correlated = rounded, max(correlated, rounded)
    short = stated / np.hypot(white, correlated)
    grow = float(max(short, 1.0))
    return (
        noise
        if (white, correlated, grow) == (noise.white, noise.correlated, 1.0)
        else Noise(grow * white, grow * correlated, noise.days)
    )


def rounded_scale(values: Floats, step: float) -> float:
    """Standard deviation [mm] from the median absolute value of differences of values rounded to a step [mm].

    The values spread evenly over a step, their robust variance less s^2 / 12, which that has added.
    """
    plain = float(np.median(np.abs(values))) / 0.6745
    if step <= FINE * plain:
        return plain
    spread = (np.arange(SPREAD) + 0.5) / SPREAD - 0.5
    whole = np.median(np.abs(values[:, None] + step * spread).ravel()) / 0.6745
    return float(np.sqrt(max(whole**2 - step**2 / 12.0, 0.0)))


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
