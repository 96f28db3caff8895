"""Inverse velocity: where a movement that quickens would run away, if it went on as it does.

Fukuzono's law of accelerating creep, v' = A v^alpha in the time left, gives with alpha = 2 a straight line

    1/v = A (t_f - t)

of the inverse rate against time, which meets zero at t_f. It is drawn when a section accelerates and is no forecast by
itself: a line through decaying movement never falls, and a line through noise falls half of the time.

References
----------
1. Fukuzono, T. (1985), A new method for predicting the failure time of a slope, Proc. 4th Int. Conf. and Field Workshop
   on Landslides, Tokyo, 145-150. From memory.
2. Carla, T. et al. (2017), Landslides 14, 517-534. Principle published; check values in the tests computed apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class InverseVelocityLine:
    """A straight line of the inverse rate against time, 1/v = intercept + slope t.

    Attributes
    ----------
    slope : float
        [1/mm]; below 0 where the movement quickens.
    intercept : float
        [day/mm].
    time : float
        Day t_f on which the line meets zero; infinite where it does not fall.
    error : float
        Standard error of t_f [days], from the scatter about the line; NaN with fewer than three points.
    """

    slope: float
    intercept: float
    time: float
    error: float


def fukuzono_rate(time: npt.ArrayLike, failure_time: float, constant: float, exponent: npt.ArrayLike = 2.0) -> Floats:
    """Rate of accelerating creep.

    1/v = [A (alpha - 1)]^(1/(alpha-1)) (t_f - t)^(1/(alpha-1))

    Parameters
    ----------
    time : array_like
        Days, before ``failure_time``.
    failure_time : float
        t_f [days].
    constant : float
        A, above 0 [1/mm for alpha = 2].
    exponent : array_like
        alpha, above 1.

    Returns
    -------
    ndarray
        Rate [mm/day], of the broadcast shape; NaN from ``failure_time`` on.

    Examples
    --------
    >>> fukuzono_rate([0.0, 60.0, 99.0], 100.0, 0.002).round(4).tolist()
    [5.0, 12.5, 500.0]
    """
    power = 1.0 / (np.asarray(exponent, dtype=np.float64) - 1.0)
    left = failure_time - np.asarray(time, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(left > 0, (constant / power * np.where(left > 0, left, np.nan)) ** -power, np.nan))


def inverse_velocity(rate: npt.ArrayLike, least: npt.ArrayLike = 0.0) -> Floats:
    """Inverse of a rate.

    Parameters
    ----------
    rate : array_like
        [mm/day], in the direction of the movement.
    least : array_like
        Rates at or under this are not told from standing still [mm/day].

    Returns
    -------
    ndarray
        1/v [day/mm]; NaN where the rate is not above ``least``.

    Examples
    --------
    >>> inverse_velocity([5.0, 0.2, -1.0], 0.4).tolist()
    [0.2, nan, nan]
    """
    values = np.asarray(rate, dtype=np.float64)
    told = values > np.maximum(np.asarray(least, dtype=np.float64), 0.0)
    return np.asarray(np.where(told, 1.0 / np.where(told, values, 1.0), np.nan))


def inverse_velocity_line(time: Sequence[float] | Floats, rate: Sequence[float] | Floats) -> InverseVelocityLine:
    """Least-squares line through the inverse rates, and where it meets zero.

    Parameters
    ----------
    time : (n,) array_like
        Days.
    rate : (n,) array_like
        [mm/day]; points without a rate above zero are left out.

    Returns
    -------
    InverseVelocityLine
        The line.

    Raises
    ------
    ValueFault
        If fewer than two points at different times have a rate above zero.

    Examples
    --------
    >>> days = [60.0, 70.0, 80.0, 90.0]
    >>> round(inverse_velocity_line(days, fukuzono_rate(days, 100.0, 0.002)).time, 9)
    100.0
    """
    at, inverse = np.asarray(time, dtype=np.float64), inverse_velocity(rate)
    good = np.isfinite(inverse) & np.isfinite(at)
    at, inverse = at[good], inverse[good]
    if len(np.unique(at)) < 2:
        raise ValueFault(
            f"rate: {len(at)} points above zero, expected two or more at different times. To mend: take a longer span."
        )
    centre = float(at.mean())
    away = at - centre
    spread = float(away @ away)
    slope = float(away @ inverse) / spread
    middle = float(inverse.mean())
    intercept = middle - slope * centre
    if not slope < 0:
        return InverseVelocityLine(slope, intercept, float("inf"), float("nan"))
    meets = centre - middle / slope
    error = float("nan")
    if len(at) > 2:
        residual = inverse - middle - slope * away
        variance = float(residual @ residual) / (len(at) - 2)
        # t_f = centre - middle / slope; middle and slope are independent
        error = float(np.sqrt(variance * (1 / len(at) + (meets - centre) ** 2 / spread)) / abs(slope))
    return InverseVelocityLine(slope, intercept, meets, error)
