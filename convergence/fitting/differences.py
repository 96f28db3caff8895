"""Derivatives by finite differences of sixth order, kept inside the bounds of the parameter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

STEP = 4e-3
"""Step relative to the parameter: truncation (4e-3)^6 = 4e-15, rounding 2e-16 / 4e-3 = 5e-14, both small."""

_OFFSETS = np.arange(-3.0, 4.0)


def stencil(centre: float, low: float = -np.inf, high: float = np.inf) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of a first derivative at a point.

    Seven nodes around the point, the point itself left out where they lie evenly on both sides; near a bound
    the nodes are shifted inside it.

    Parameters
    ----------
    centre : float
        Where the derivative is wanted.
    low, high : float
        Bounds no node may leave, low < high.

    Returns
    -------
    nodes : ndarray, shape (6,) or (7,)
    weights : ndarray, shape as nodes
        ``weights @ f(nodes)`` is the derivative.

    Examples
    --------
    >>> nodes, weights = stencil(2.0)
    >>> round(float(weights @ nodes**5), 9)
    80.0
    """
    step = STEP * (abs(centre) if centre != 0 else 1.0)
    if np.isfinite(high - low):
        step = min(step, (high - low) / 6.0)
    shift = 0.0
    if centre - 3 * step < low:
        shift = np.ceil((low - centre) / step + 3)
    elif centre + 3 * step > high:
        shift = np.floor((high - centre) / step - 3)
    offsets = _OFFSETS + shift
    powers = np.vander(offsets, increasing=True).T
    unit = np.zeros(7)
    unit[1] = 1.0
    weights = np.linalg.solve(powers, unit) / step
    nodes = np.clip(centre + offsets * step, low, high)
    used = np.abs(weights * step) > 1e-12
    return nodes[used], weights[used]


def jacobian(
    function: Callable[[FloatArray], FloatArray], parameters: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Derivative of a vector function by all its parameters.

    Parameters
    ----------
    function : callable
        From parameters, shape (p,), to values, shape (n,).
    parameters : ndarray, shape (p,)
    low, high : ndarray, shape (p,)
        Bounds that no evaluation leaves.

    Returns
    -------
    ndarray, shape (n, p)
    """
    centre = function(parameters)
    columns = []
    for place in range(parameters.size):
        nodes, weights = stencil(float(parameters[place]), float(low[place]), float(high[place]))
        column = 0.0
        for node, weight in zip(nodes, weights, strict=True):
            moved = parameters.copy()
            moved[place] = node
            # less the centre, so that a parameter without effect has a derivative of exactly zero
            column = column + weight * (function(moved) - centre)
        columns.append(np.asarray(column, dtype=np.float64))
    return np.stack(columns, axis=1)
