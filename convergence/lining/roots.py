"""Roots of rising functions, many at a time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from convergence.laws.arrays import FloatArray

MOST_STEPS = 200


def rising_root(
    function: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    low: FloatArray,
    high: FloatArray,
    guess: FloatArray,
    tolerance: FloatArray,
) -> FloatArray:
    """Where rising functions cross zero: Newton's rule inside a bracket, halved where the rule would leave it.

    x' = x - f(x) / f'(x)

    Parameters
    ----------
    function : callable
        Value and slope of each function at each place of an array; each must rise.
    low, high : ndarray
        Bracket; where a function does not change its sign between them the nearer end is the answer.
    guess : ndarray
        Where to begin.
    tolerance : ndarray
        A place is found when it moves by no more than this.

    Returns
    -------
    ndarray
        The roots, in the broadcast shape of the arguments.

    Examples
    --------
    x^2 - 2 between 0 and 2: 1.41421356.

    References
    ----------
    .. [1] Newton's rule with bisection; any text on numerical analysis.
    """
    left, right, place = np.broadcast_arrays(low, high, guess)
    place = np.clip(place, left, right)
    for _ in range(MOST_STEPS):
        value, slope = function(place)
        left = np.where(value < 0.0, place, left)
        right = np.where(value < 0.0, right, place)
        with np.errstate(invalid="ignore", divide="ignore"):
            newton = place - value / slope
        following = np.where((newton >= left) & (newton <= right), newton, 0.5 * (left + right))
        moved = np.abs(following - place)
        place = following
        if not np.any(moved > tolerance):
            break
    return np.asarray(place)
