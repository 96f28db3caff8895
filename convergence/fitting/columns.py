"""A law as columns that enter linearly, with their slopes, for many sections at once and without labels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from convergence.laws.registry import Law

FloatArray = npt.NDArray[np.float64]

STEP = 1e-4
"""Step of the central differences in a logarithm: truncation STEP^2 / 6 = 2e-9, rounding 2e-16 / STEP = 2e-12."""

QUICK_FAMILIES = ("face", "time", "coupled")
"""Families of laws that are functions of face distance and time; the hereditary law needs the whole path."""


def law_columns(
    law: Law,
    distance: FloatArray,
    elapsed: FloatArray,
    names: Sequence[str],
    shapes: FloatArray,
    held: Mapping[str, float],
    slopes: bool = True,
) -> FloatArray:
    r"""Columns of which a law is a linear combination, and their derivatives by the logarithms of what bends them.

    .. math:: S(\theta, m) = B_0(\theta) + \sum_i m_i B_i(\theta), \qquad
              D_{ji} = \partial B_i / \partial \ln \theta_j

    Laws that are the product of a face part F and a time part G have B_0 = F and B_1 = F G, and their derivatives in
    closed form; the others are differenced.

    Parameters
    ----------
    law : Law
        Of the families "face", "time" or "coupled".
    distance, elapsed : ndarray, shape (s, n)
        Face distance [m] and time since the face passed [d] of each section's epochs.
    names : Sequence of str, length q
        Nonlinear parameters that are free, all above 0.
    shapes : ndarray, shape (s, q)
        Their values in each section.
    held : Mapping of str to float
        The other nonlinear parameters.
    slopes : bool
        Whether the derivatives are wanted.

    Returns
    -------
    ndarray, shape (s, (1 + q)(1 + r), n)
        The 1 + r columns [-], then those of the derivative by each parameter; without ``slopes`` the columns alone.

    Examples
    --------
    "coupled" with X = 10 m, T = 6 d, n = 0.3 at x = 20 m, t = 10 d: 1 - (10/30)^2 = 0.888889 and
    0.888889 (1 - (6/16)^0.3) = 0.226586.

    References
    ----------
    .. [1] Derivatives of the equations in `convergence.laws.coupled`; held against differences by the tests.
    """
    if law.name in _PRODUCTS and set(names) <= {"influence_length", "characteristic_time"}:
        return _product_columns(law.name, distance, elapsed, names, shapes, held, slopes)
    centre = _evaluated(law, distance, elapsed, names, shapes, held)
    if not slopes:
        return centre
    steep = []
    for place in range(len(names)):
        factor = np.ones(len(names))
        factor[place] = np.exp(STEP)
        above = _evaluated(law, distance, elapsed, names, shapes * factor, held)
        below = _evaluated(law, distance, elapsed, names, shapes / factor, held)
        steep.append((above - below) / (2 * STEP))
    return np.concatenate([centre, *steep], axis=1)


def _evaluated(
    law: Law,
    distance: FloatArray,
    elapsed: FloatArray,
    names: Sequence[str],
    shapes: FloatArray,
    held: Mapping[str, float],
) -> FloatArray:
    """Call the law's function with amplitude 1, once with all ratios zero and once for each ratio, (s, 1 + r, n)."""
    taken = {"face": (distance,), "time": (elapsed,), "coupled": (distance, elapsed)}[law.family]
    ratios = [parameter.name for parameter in law.parameters if parameter.kind == "ratio"]
    known = {name: shapes[:, [place]] for place, name in enumerate(names)}
    columns: list[FloatArray] = []
    for unit in (None, *ratios):
        arguments: list[npt.ArrayLike] = []
        for parameter in law.parameters:
            if parameter.kind == "amplitude":
                arguments.append(1.0)
            elif parameter.kind == "ratio":
                arguments.append(float(parameter.name == unit))
            else:
                arguments.append(known[parameter.name] if parameter.name in known else held[parameter.name])
        column = np.broadcast_to(np.asarray(law.function(*taken, *arguments), dtype=np.float64), distance.shape)
        columns.append(column - columns[0] if columns else column)
    return np.stack(columns, axis=1)


def _power_parts(u: FloatArray, x: FloatArray, exponent: float) -> tuple[FloatArray, ...]:
    """1 - (X/(x + X))^2 and 1 - (T/(t + T))^n from x/X and t/T, each with its derivative by the logarithm."""
    rest = 1.0 / (1.0 + x)
    square = rest * rest
    grown = 1.0 + u
    left = np.exp(-exponent * np.log(grown))
    return 1.0 - square, -2.0 * square * (1.0 - rest), 1.0 - left, -exponent * left * (u / grown)


def _exponential_parts(u: FloatArray, x: FloatArray, exponent: float) -> tuple[FloatArray, ...]:
    """1 - exp(-x/X) and 1 - exp(-t/T) from x/X and t/T, each with its derivative by the logarithm."""
    near, left = np.exp(-x), np.exp(-u)
    return 1.0 - near, -x * near, 1.0 - left, -u * left


_PRODUCTS = {"coupled": _power_parts, "coupled_exponential": _exponential_parts}


def _product_columns(
    name: str,
    distance: FloatArray,
    elapsed: FloatArray,
    names: Sequence[str],
    shapes: FloatArray,
    held: Mapping[str, float],
    slopes: bool,
) -> FloatArray:
    """Columns and derivatives of a product of a face part and a time part."""

    def value(parameter: str) -> FloatArray | float:
        return shapes[:, [list(names).index(parameter)]] if parameter in names else held[parameter]

    # ahead of the face nothing has moved: x = 0 gives a face part of 0
    x = np.maximum(distance, 0.0) / value("influence_length")
    u = np.maximum(elapsed, 0.0) / value("characteristic_time")
    face, steep, creep, slow = _PRODUCTS[name](u, x, held.get("exponent", 1.0))
    count = len(names) if slopes else 0
    columns = np.zeros((distance.shape[0], 2 * (1 + count), distance.shape[1]))
    columns[:, 0] = face
    np.multiply(face, creep, out=columns[:, 1])
    for place, parameter in enumerate(names if slopes else ()):
        first = 2 * (1 + place)
        if parameter == "influence_length":
            columns[:, first] = steep
            np.multiply(steep, creep, out=columns[:, first + 1])
        else:
            np.multiply(face, slow, out=columns[:, first + 1])
    return columns
