"""What the readings say of their own noise: by prism and axis, what a sweep shares, the daily cycle. As tables."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from scipy.optimize import nnls

from convergence.survey.daily import daily_differences, fit_wave
from convergence.survey.noise import LAGS, estimate_noise, no_less, rounded_scale, rounding_of, second_differences
from convergence.survey.noise_model import Noise
from convergence.survey.resolution import rounding
from convergence.terms import AXES

Floats = npt.NDArray[np.float64]

#: Second differences below this many tell nothing of a prism.
FEWEST = 12
#: So many of a lag tell its variance to about a quarter: 1.17 sqrt(2 / 60), doubled for their overlap.
FEWEST_OF_LAG = 60
#: Readings of an axis before this many days after its first are left out: the movement itself bends there.
SKIP_DAYS = 5.0
#: Standard error of a standard deviation from the median absolute value, over that deviation, times sqrt(n): 1.17 for
#: independent normal values (asymptotic, from memory); second differences overlap and are correlated, so it is doubled.
ROBUST = 2.0 * 1.17


def noise_table(arrays: Mapping[str, xr.Dataset]) -> pd.DataFrame:
    """Noise of one reading, by prism and axis.

    From differences of a reading to the middle of the two around it, which for independent noise s have the standard
    deviation s sqrt(1.5); what is correlated from reading to reading does not show in them, see ``sweep_table``.

    Parameters
    ----------
    arrays : mapping of str to xarray.Dataset
        The sections' arrays, ``job.arrays``.

    Returns
    -------
    pandas.DataFrame
        section, prism, axis, readings, ``noise`` [mm] of one reading against its neighbours, its ``standard_error``
        [mm], ``cycle`` [mm], the amplitude of a daily cycle, its ``cycle_error`` [mm] and ``cycle_hour``, when it is
        largest (h UTC). NaN where the readings are too few. A cycle under two of its errors is no cycle.
        ``independent`` and ``correlated`` [mm] are the two parts of the noise, the second correlated over
        ``correlation_days``, those of the job; ``correlation_of`` says whether the parts are the axis's own or, where
        its readings are too few to part them, those of the whole job. ``resolution`` [mm] is the smallest step of the
        values read (0 where none is seen), ``least`` [mm] the noise that rounding to it, resolution / sqrt(12), or a
        ``sigma`` column of the files allows at the least, and ``at_least`` whether the readings alone said less.
    """
    rows: list[tuple[object, ...]] = []
    model = estimate_noise(arrays.values())
    for section, array in arrays.items():
        for index, prism in enumerate(array["prism"].values):
            step, stated = rounding_of([array.isel(prism=[index])])
            least = max(rounding(step), stated)
            days, values, segment, used = _late(array, index)
            bend = _bends(days, values)
            for axis, name in enumerate(AXES):
                count = len(bend)
                size = rounded_scale(bend[:, axis], step / 2.0) / np.sqrt(1.5) if count >= FEWEST else np.nan
                bound = bool(size < least)
                size = max(size, least) if count >= FEWEST else np.nan
                cycle = _cycle(days, values[:, axis])
                error = ROBUST * size / np.sqrt(max(count, 1))
                parts = _parts(days, values[:, axis], segment, model, step, stated)
                rows.append((section, str(prism), name, used, size, error, *cycle, *parts, step, least, bound))
    columns = ["section", "prism", "axis", "readings", "noise", "standard_error", "cycle", "cycle_error", "cycle_hour"]
    columns += ["independent", "correlated", "correlation_days", "correlation_of", "resolution", "least", "at_least"]
    return pd.DataFrame(rows, columns=columns)


def sweep_table(arrays: Mapping[str, xr.Dataset]) -> pd.DataFrame:
    """Noise pooled over the job by axis: a prism's own, what all prisms of a sweep share, and correlation in time.

    The bends of the prisms of one sweep are compared: for p prisms their mean has the variance shared^2 + own^2 / p.
    A daily cycle that all prisms follow is part of what they share.

    Parameters
    ----------
    arrays : mapping of str to xarray.Dataset
        The sections' arrays, ``job.arrays``.

    Returns
    -------
    pandas.DataFrame
        axis, sweeps, ``own`` and ``shared`` [mm], ``shared_error`` [mm]; ``independent``, ``correlated`` [mm] and
        ``days`` are the job's noise model, one for all axes (``noise.estimate_noise``).
    """
    model = estimate_noise(arrays.values())
    collected: list[Floats] = []
    for array in arrays.values():
        movement = np.where(array["used"].values[:, :, None], array["movement"].values, np.nan)
        days = array["days"].values
        if len(days) < 5 or movement.shape[1] < 3:
            continue
        late = days > days[0] + SKIP_DAYS
        movement, days, segment = movement[late], days[late], array["segment"].values[late]
        even = (np.diff(days[1:]) < 1.0) & (np.diff(days[:-1]) < 1.0) if len(days) > 2 else np.empty(0, dtype=bool)
        bend = (movement[1:-1] - (movement[:-2] + movement[2:]) / 2)[even] / np.sqrt(1.5)
        whole = (segment[2:] == segment[:-2])[even]
        bend[~whole] = np.nan
        bend = bend[np.isfinite(bend[:, :, 0]).sum(axis=1) >= 3]
        collected.append(_moments(bend))
    rows: list[tuple[object, ...]] = []
    table = np.concatenate(collected) if collected else np.empty((0, 3, 3))
    for axis, name in enumerate(AXES):
        own = shared = error = np.nan
        if len(table) >= FEWEST:
            prisms, mean, within = table[:, axis].T
            own = float(np.sqrt(np.median(within) / _median_of_variance(prisms)))
            square = (np.median(np.abs(mean)) / 0.6745) ** 2 - own**2 * float(np.mean(1.0 / prisms))
            shared = float(np.sqrt(max(square, 0.0)))
            spread = (square + own**2 * float(np.mean(1.0 / prisms))) * ROBUST * np.sqrt(2.0 / len(table))
            error = float(spread / max(2.0 * shared, np.sqrt(spread), 1e-12))
        rows.append((name, len(table), own, shared, error, model.white, model.correlated, model.days))
    columns = ["axis", "sweeps", "own", "shared", "shared_error", "independent", "correlated", "days"]
    return pd.DataFrame(rows, columns=columns)


def _late(array: xr.Dataset, index: int) -> tuple[Floats, Floats, npt.NDArray[np.int16], int]:
    """Days, movement and segment of a prism after its first days, and the number of all its readings in use."""
    used = np.flatnonzero(array["used"].values[:, index])
    days = array["read_days"].values[used, index]
    late = days > days[0] + SKIP_DAYS if len(days) else np.empty(0, dtype=bool)
    rows = used[late]
    return days[late], array["movement"].values[rows, index], array["segment"].values[rows, index], len(used)


def _parts(
    days: Floats, values: Floats, segment: npt.NDArray[np.int16], model: Noise, step: float, stated: float
) -> tuple[float, float, float, str]:
    """Independent and correlated noise of one axis, with the job's correlation time; the job's where it cannot tell.

    For a given time T the variance of second differences is linear in the two squares,

        D(h) = 6 w^2 + c^2 (6 - 8 exp(-h/T) + 2 exp(-2h/T)),

    which are fitted to it at each lag, none below zero, weighted by its own error of D sqrt(2 / n).
    """
    lags, variances, weights = [], [], []
    for lag in LAGS:
        found = second_differences(days, values, segment, lag)
        if len(found) >= FEWEST_OF_LAG:
            variance = max(rounded_scale(found, step) ** 2, 1e-6)
            lags.append(lag)
            variances.append(variance)
            weights.append(np.sqrt(len(found)) / variance)
    # one lag under the correlation time and one over it, or the two parts look the same
    if len(lags) < 3 or lags[0] > model.days or lags[-1] < 1.5 * model.days:
        return model.white, model.correlated, model.days, "job"
    decay = np.exp(-np.array(lags) / model.days)
    design = np.column_stack([np.full(len(lags), 6.0), 6.0 - 8.0 * decay + 2.0 * decay**2])
    weight = np.array(weights)
    squares = nnls(design * weight[:, None], np.array(variances) * weight)[0]
    white, correlated = np.sqrt(squares).tolist()
    own = no_less(Noise(white, correlated, model.days), rounding(step), stated)
    return own.white, own.correlated, own.days, "own"


def _bends(days: Floats, values: Floats) -> Floats:
    """Readings less the middle of the two around them, where these are near."""
    if len(days) < 3:
        return np.empty((0, 3))
    near = (days[2:] - days[:-2] < 2.0) & (np.abs(days[2:] + days[:-2] - 2 * days[1:-1]) < 0.15)
    return np.asarray((values[1:-1] - (values[:-2] + values[2:]) / 2)[near])


def _cycle(days: Floats, values: Floats) -> tuple[float, float, float]:
    """Amplitude, its standard error [mm] and hour of the largest value of a daily cycle."""
    cosine, sine, difference, weight = daily_differences(days, values[:, None])
    if len(cosine) < 2 * FEWEST:
        return np.nan, np.nan, np.nan
    (wave,), (error,) = (part.T for part in fit_wave(cosine, sine, difference, weight))
    # days begin at midnight UTC
    hour = float(np.mod(np.arctan2(wave[1], wave[0]) / (2 * np.pi) * 24.0, 24.0))
    return float(np.hypot(*wave)), float(error), hour


def _moments(bend: Floats) -> Floats:
    """Number of prisms, mean and variance among them for each sweep and axis: shape (n, 3, 3)."""
    good = np.isfinite(bend)
    count = good.sum(axis=1)
    mean = np.where(good, bend, 0.0).sum(axis=1) / np.maximum(count, 1)
    square = np.where(good, bend - mean[:, None], 0.0) ** 2
    return np.stack([count.astype(float), mean, square.sum(axis=1) / np.maximum(count - 1, 1)], axis=2)


def _median_of_variance(count: Floats) -> float:
    """Median of a variance from so many normal values over the true one: (1 - 2 / (9 f))^3, f = count - 1.

    Wilson and Hilferty's approximation to the median of chi-squared over its freedom; from memory, checked by
    simulation in the tests.
    """
    freedom = float(np.median(count)) - 1.0
    return float((1.0 - 2.0 / (9.0 * freedom)) ** 3)
