"""Rates over a trailing window, with a standard error that knows noise is correlated in time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.survey.noise_model import Noise

__all__ = ["RATE_WINDOW", "Noise", "rate"]

Floats = npt.NDArray[np.float64]

#: Window [days] of a rate unless another is asked for: a round or two, and a dozen readings at four a day.
RATE_WINDOW = 3.0


def rate(
    time: Floats,
    value: Floats,
    segment: npt.NDArray[np.int64],
    noise: Noise,
    window: float = RATE_WINDOW,
    at: float | None = None,
) -> tuple[float, float, int]:
    """Rate over the window that ends at an instant.

    Least-squares slope of the readings in the window, an offset for each segment; its variance is w' C w with
    the slope's weights w and the noise covariance C, so that correlated noise is not taken for certainty.

    Parameters
    ----------
    time : (n,) array
        Days, ascending.
    value : (n,) array
        Movement [mm].
    segment : (n,) array of int
        Readings of different segments have offsets of their own.
    noise : Noise
        Noise of the readings.
    window : float
        Length of the window [days], above 0.
    at : float, optional
        End of the window [days]; the last reading unless given.

    Returns
    -------
    rate, standard_error : float
        [mm/day]; NaN where the window holds fewer than two readings that can tell a slope.
    readings : int
        Readings in the window.

    Examples
    --------
    Seven daily readings with independent noise of 0.5 mm: the standard error is 0.5 / sqrt(28) = 0.0945
    mm/day, so the 95 % band is +-0.19 mm/day (derived: sum of squared days about their mean is 28).

    >>> days = np.arange(7.0)
    >>> _, error, _ = rate(days, 0.3 * days, np.zeros(7, dtype=np.int64), Noise(0.5, 0.0, 1.0), window=10.0)
    >>> round(error, 4)
    0.0945
    """
    if not window > 0:
        raise ValueFault(
            f"window = {window} days: expected above 0. To mend: give the window in days, as {RATE_WINDOW}."
        )
    end = float(time[-1]) if at is None else at
    rows = (time > end - window - 1e-9) & (time <= end + 1e-9)
    count = int(rows.sum())
    if count < 2:
        return float("nan"), float("nan"), count
    groups = np.unique(segment[rows])
    columns = [time[rows] - end, *((segment[rows] == group).astype(float) for group in groups)]
    design = np.column_stack(columns)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return float("nan"), float("nan"), count
    inverse = np.linalg.pinv(design)
    weights = inverse[0]
    variance = float(weights @ noise.covariance(time[rows]) @ weights)
    slope = float(weights @ value[rows])
    freedom = count - design.shape[1]
    if freedom >= 3:
        # scatter beyond the noise (movement is not straight, noise is worse here) widens the error, never
        # narrows it
        residual = value[rows] - design @ (inverse @ value[rows])
        scatter = float(residual @ residual) / freedom
        variance *= max(1.0, scatter / noise.total**2)
    return slope, float(np.sqrt(variance)), count
