"""Page's cumulative sums: a small change that stays adds up, noise does not.

    S_n = max(0, S_{n-1} + x_n - k),   S_0 = 0;   an alarm once S_n > h

for independent x of mean 0 and standard deviation 1. A change of the mean by more than the allowance k makes S rise
by the difference at every reading. How often noise alone raises an alarm is the average run length; Siegmund's
approximation of it, b = h + 1.166,

    ARL = [exp(-2 d b) + 2 d b - 1] / (2 d^2),   d = shift - k   (b^2 at d = 0)

References
----------
1. Page, E. S. (1954), Continuous inspection schemes, Biometrika 41, 100-115. From memory.
2. Siegmund, D. (1985), Sequential Analysis, Springer, ch. 2. From memory; verified in the tests against a Markov chain
   (Brook and Evans 1972) and against the run lengths printed in textbooks of statistical quality control.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from convergence.errors import ValueFault

Floats = npt.NDArray[np.float64]

#: Half the change of the mean, in standard deviations, that is found fastest.
ALLOWANCE = 0.5
_OVERSHOOT = 1.166


def cumulative_sums(values: npt.ArrayLike, allowance: float = ALLOWANCE) -> Floats:
    """Page's sums of a row of numbers.

    Parameters
    ----------
    values : array_like, shape (..., n)
        Numbers of mean 0 and standard deviation 1 where nothing changes.
    allowance : float
        k, in standard deviations.

    Returns
    -------
    ndarray, shape (..., n)
        S_n, never negative.

    Examples
    --------
    >>> cumulative_sums([1.0, -2.0, 1.5, 1.5]).tolist()
    [0.5, 0.0, 1.0, 2.0]
    """
    total = np.cumsum(np.asarray(values, dtype=np.float64) - allowance, axis=-1)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=-1), 0.0))


def average_run_length(threshold: npt.ArrayLike, shift: npt.ArrayLike = 0.0, allowance: float = ALLOWANCE) -> Floats:
    """Readings until a one-sided sum raises an alarm, on average.

    Parameters
    ----------
    threshold : array_like
        h, in standard deviations, above 0.
    shift : array_like
        Mean of the numbers, in standard deviations; 0 for false alarms.
    allowance : float
        k.

    Returns
    -------
    ndarray
        Readings, of the broadcast shape. A sum on either side halves it.

    Examples
    --------
    h = 5 and k = 0.5: 938.2 readings between false alarms on one side, 469 on two (the exact value is 465).

    >>> round(float(average_run_length(5.0)), 1)
    938.2
    """
    height = np.asarray(threshold, dtype=np.float64) + _OVERSHOOT
    drift = np.asarray(shift, dtype=np.float64) - allowance
    safe = np.where(np.abs(drift) < 1e-6, 1.0, drift)
    length = (np.exp(-2 * safe * height) + 2 * safe * height - 1) / (2 * safe**2)
    return np.asarray(np.where(np.abs(drift) < 1e-6, height**2, length))


def threshold_for(run_length: float, allowance: float = ALLOWANCE) -> float:
    """Threshold of a one-sided sum whose false alarms are so many readings apart on average.

    Examples
    --------
    >>> round(threshold_for(938.2), 3)
    5.0
    """
    least = float(average_run_length(1e-3, 0.0, allowance))
    if not run_length > least:
        raise ValueFault(
            f"run_length = {run_length}: expected above {least:.1f} readings. To mend: ask for rarer false alarms."
        )
    return float(
        brentq(lambda h: float(np.log(average_run_length(h, 0.0, allowance))) - np.log(run_length), 1e-3, 60.0)
    )
