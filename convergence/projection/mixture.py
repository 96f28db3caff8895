"""Quantiles and probabilities of mixtures of normal distributions, many at a time and without drawing numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

Floats = npt.NDArray[np.float64]

#: Components kept for a table of quantiles, and points a component is spread over.
THINNED, POINTS = 150, 10


def _spread_points() -> Floats:
    """Points of the standard normal distribution, shape (THINNED, POINTS), one in each stratum of equal probability.

    Their places in the strata run through the golden ratio's multiples, so that no two components share their points
    and the points of components alike fill the distribution evenly.
    """
    place = np.modf((np.arange(THINNED) + 0.5) * 0.5 * (np.sqrt(5.0) - 1.0))[0]
    return np.asarray(ndtri((np.arange(POINTS) + place[:, None]) / POINTS))


_SPREAD = _spread_points()


def mixture_below(value: npt.ArrayLike, mean: Floats, deviation: Floats, weight: Floats) -> Floats:
    """P(x <= value) for mixtures along the first axis.

    Parameters
    ----------
    value : array_like, shape (e,) or scalar
        Values.
    mean, deviation : (s, e) arrays
        Mean and standard deviation (> 0) of each component.
    weight : (s,) array
        Weights, summing to 1.

    Returns
    -------
    (e,) array
        Probabilities.
    """
    return np.asarray(weight @ ndtr((np.asarray(value) - mean) / deviation))


def mixture_quantile(probability: float, mean: Floats, deviation: Floats, weight: Floats) -> Floats:
    """Quantiles of mixtures along the first axis, by bisection to 1e-9 of the spread; shapes as in
    ``mixture_below``."""
    low = (mean - 9 * deviation).min(axis=0)
    high = (mean + 9 * deviation).max(axis=0)
    for _ in range(60):
        middle = (low + high) / 2
        under = mixture_below(middle, mean, deviation, weight) < probability
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray((low + high) / 2)


def mixture_table(probability: Floats, mean: Floats, variance: Floats, weight: Floats) -> Floats:
    """Quantiles at many probabilities and dates at once, for figures and crossings.

    The components, in the order of their means at the last date, are thinned to ``THINNED`` of equal weight by
    systematic resampling, and each is spread over ``POINTS`` points of equal probability. The order matters: without
    it the draw is no better than a random one. Against ``mixture_quantile`` the probabilities of the quantiles are off
    by about 0.005, 0.02 at worst, the 5 % and 95 % points by about 1 % of the spread between the 1 % and 99 % points,
    3.5 % at worst (computed here, some 300 mixtures of 3 to 300 components).

    Parameters
    ----------
    probability : (q,) array
        Probabilities, ascending.
    mean, variance : (s, e) arrays
        Mean and variance of each component.
    weight : (s,) array
        Weights, summing to 1.

    Returns
    -------
    (e, q) array
        Quantiles.
    """
    if not mean.shape[1]:
        return np.empty((0, len(probability)))
    rank = np.argsort(mean[:, -1], kind="stable")
    chosen = np.searchsorted(np.cumsum(weight[rank]), (np.arange(THINNED) + 0.5) / THINNED * float(weight.sum()))
    chosen = rank[np.minimum(chosen, len(weight) - 1)]
    deviation = np.sqrt(np.maximum(variance[chosen], 1e-10))
    points = mean[chosen][:, None] + deviation[:, None] * _SPREAD[:, :, None]
    points = np.sort(points.reshape(-1, mean.shape[1]), axis=0)
    count = len(points)
    place = np.clip(probability * count - 0.5, 0.0, count - 1.0)
    low = np.minimum(place.astype(np.int64), count - 2)
    share = (place - low)[:, None]
    return np.asarray(((1 - share) * points[low] + share * points[low + 1]).T)


def mixture_moments(mean: Floats, variance: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean, variance within the components and variance between them, along the first axis."""
    centre = weight @ mean
    return centre, weight @ variance, weight @ (mean - centre) ** 2
