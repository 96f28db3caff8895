"""Bases over one nonlinear parameter as a Chebyshev series: worked out once for a sweep, then nearly free."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev

FloatArray = npt.NDArray[np.float64]

NODES = 56
"""Nodes of the series over the logarithm of the parameter.

The two-sided profile is analytic in the logarithm X of the influence length within a strip of half-width pi/2
(its exponential ahead of the face), and X spans ln 200 = 5.3 between its bounds. The error then falls by the
factor 1.75 a node: 1.75^-56 = 2e-14."""

LARGEST_TAIL = 1e-11
"""Largest of the last coefficients, relative to the largest of all, for the series to count as resolved."""


@dataclass(frozen=True, eq=False)
class BasisTable:
    """Bases of a model as a function of the one nonlinear parameter that is free.

    Attributes
    ----------
    shape : ndarray, shape (q,)
        Values of all nonlinear parameters; that of the free one is not used.
    place : int
        Which of them is free.
    low, high : float
        Range of the free one, above 0.
    coefficients : ndarray, shape (k, s * n * (1 + r))
        Chebyshev coefficients in the logarithm of the free one.
    size : tuple of int
        (s, n, 1 + r).
    """

    shape: FloatArray
    place: int
    low: float
    high: float
    coefficients: FloatArray
    size: tuple[int, ...]

    def at(self, shape: FloatArray) -> FloatArray:
        """Bases at a set of nonlinear parameters, shape (s, n, 1 + r)."""
        weights = self._weights(shape)
        return np.asarray((weights @ self.coefficients).reshape(self.size))

    def slopes(self, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Bases and their derivatives, shapes (s, n, 1 + r) and (q, s, n, 1 + r)."""
        weights = self._weights(shape)
        steep = weights[:-1] @ _DERIVATIVE
        both = np.stack([weights, steep]) @ self.coefficients
        slopes = np.zeros((shape.size, *self.size))
        stretch = 2.0 / (np.log(self.high / self.low) * shape[self.place])
        slopes[self.place] = both[1].reshape(self.size) * stretch
        return both[0].reshape(self.size), slopes

    def _weights(self, shape: FloatArray) -> FloatArray:
        """Chebyshev polynomials at the place between the bounds, -1 to 1 in the logarithm."""
        share = np.log(shape[self.place] / self.low) / np.log(self.high / self.low)
        place = np.clip(2.0 * share - 1.0, -1.0, 1.0)
        return np.asarray(np.cos(np.arange(self.coefficients.shape[0]) * np.arccos(place)))


_DERIVATIVE: FloatArray = np.asarray(chebyshev.chebder(np.eye(NODES)), dtype=np.float64)
"""Row k: the Chebyshev coefficients k of the derivatives of the series 0, 1, 2 ..."""


def basis_table(
    bases: Callable[[FloatArray], FloatArray], shape: FloatArray, place: int, low: float, high: float
) -> BasisTable | None:
    """Work out the table, or give None if so many nodes do not resolve the bases.

    Parameters
    ----------
    bases : callable
        From nonlinear parameters, shape (g, q), to bases, shape (g, s, n, 1 + r).
    shape : ndarray, shape (q,)
        Nonlinear parameters, the held ones at their values.
    place : int
        Which one is free.
    low, high : float
        Its bounds, above 0.

    Returns
    -------
    BasisTable or None
    """
    nodes = chebyshev.chebpts1(NODES)
    trials = np.tile(shape, (NODES, 1))
    trials[:, place] = low * np.exp(0.5 * (nodes + 1.0) * np.log(high / low))
    values = bases(trials)
    transform = chebyshev.chebvander(nodes, NODES - 1).T * (2.0 / NODES)
    transform[0] /= 2.0
    coefficients = transform @ values.reshape(NODES, -1)
    largest = float(np.max(np.abs(coefficients), initial=0.0))
    if not float(np.max(np.abs(coefficients[-3:]), initial=0.0)) <= LARGEST_TAIL * largest:
        return None
    return BasisTable(shape, place, low, high, coefficients, values.shape[1:])
