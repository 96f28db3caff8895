"""The release against face distance as a sum of exponentials, with a free form of its tail.

Behind the face, what is still to be released at the distance x is

    1 - (L - s) / (1 - s) = (1 + x / c)^(-n),   c = X / (4^(1/n) - 1)

s is the share at the face. X is the distance by which three quarters of the release behind the face have come, and n
says how the tail goes on: n = 2 is the profile of Panet and Guenot, whose influence length is then X; a large n is
exponential, as the profile of Vlachopoulos and Diederichs is; a small n goes on far behind the face. Readings near the
face tell X soon and n late, so a form fixed beforehand would be sure of a tail that nobody has seen.

A power is a mixture of exponentials: (1 + x/c)^(-n) is the mean of exp(-r x) over r of the gamma density of shape n
and rate c. On fixed decay lengths (``exponential_modes``) the law is therefore linear in weights that depend on (X, n)
alone (``mode_weights``), and all work on readings and face logs is done once for every form.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from convergence.laws.arrays import FloatArray, floats, positive_values

#: Decay lengths of the modes stand in this ratio. An exponential between two of them is met within 1.1 % of the
#: release.
RATIO = 1.7
#: Forms that are tabulated: n from very slow to all but exponential.
LEAST_POWER, MOST_POWER = 0.7, 20.0
_POWERS = 41
_STEPS = 20
_REACH = 24


def exponential_modes(
    face_distance: npt.ArrayLike, decay_lengths: npt.ArrayLike, face_share: float, ahead_length: float
) -> FloatArray:
    """Releases that decay exponentially behind the face, one for each decay length.

    L_k(x) = s exp(x / Y) for x <= 0, and s + (1 - s) [1 - exp(-x / l_k)] for x >= 0

    Parameters
    ----------
    face_distance : array_like, shape (n,)
        Face distance x [m], any value.
    decay_lengths : array_like, shape (k,)
        Decay lengths l_k [m], > 0.
    face_share : float
        Share s released with the face at the section [-], 0 to 1.
    ahead_length : float
        Decay length Y ahead of the face [m], > 0.

    Returns
    -------
    ndarray, shape (n, k)
        Shares [-] from 0 to 1.

    Examples
    --------
    s = 0.27, l = 4 m, x = 4 m: 0.27 + 0.73 (1 - 1/e) = 0.731448.

    References
    ----------
    .. [1] Derived here.
    """
    distance = floats(face_distance)[:, np.newaxis]
    lengths = positive_values("decay lengths [m]", decay_lengths)
    ahead = face_share * np.exp(np.minimum(distance, 0.0) / ahead_length)
    return np.asarray(ahead - (1.0 - face_share) * np.expm1(-np.maximum(distance, 0.0) / lengths))


def mode_lengths(shortest: float, count: int) -> FloatArray:
    """Decay lengths in the ratio the weights are made for, shape (count,) [m]."""
    return shortest * RATIO ** np.arange(count, dtype=np.float64)


def mode_weights(influence_length: npt.ArrayLike, power: npt.ArrayLike, shortest: float, count: int) -> FloatArray:
    """Weights of the modes that make up the release of influence length X and tail power n.

    w_k = integral of h(ln(1/r) - ln l_k) f(r; n, c) dr,   c = X / (4^(1/n) - 1)

    f is the gamma density of shape n and rate c, h the hat that shares an exponential out to its two neighbours in the
    logarithm of the length; what lies beyond the shortest or longest mode goes to that mode.

    Parameters
    ----------
    influence_length : array_like, shape (s,)
        X [m], > 0: three quarters of the release behind the face have come.
    power : array_like, shape (s,)
        n [-], taken as no less than 0.7 and no more than 20.
    shortest : float
        Shortest decay length of the modes [m].
    count : int
        Number of modes.

    Returns
    -------
    ndarray, shape (s, count)
        Weights [-], >= 0, summing to 1.

    Examples
    --------
    X = 5 m, n = 2: the weighted modes follow 1 - [5 / (x + 5)]^2 within 0.011 at any x.

    References
    ----------
    .. [1] The mixture is the Laplace transform of the gamma density; any table of transforms.
    """
    length, order = np.broadcast_arrays(floats(influence_length), floats(power))
    order = np.clip(order, LEAST_POWER, MOST_POWER)
    scale = length / (4.0 ** (1.0 / order) - 1.0)
    table, powers = _table()
    # place of the scale among the modes, in steps of the ratio of two neighbours
    place = np.log(scale / shortest) / np.log(RATIO)
    modes = np.arange(-_REACH, count + _REACH)
    offset = (modes[None, :] - place[:, None]) * _STEPS + _REACH * _STEPS
    offset = np.clip(offset, 0.0, table.shape[1] - 1.001)
    low = offset.astype(np.int64)
    share = offset - low
    form = (np.log(order) - np.log(powers[0])) / (np.log(powers[1]) - np.log(powers[0]))
    form = np.clip(form, 0.0, len(powers) - 1.001)
    row = form.astype(np.int64)
    between = (form - row)[:, None]
    rows = row[:, None]

    def looked_up(at: npt.NDArray[np.int64]) -> FloatArray:
        return np.asarray((1 - share) * table[at, low] + share * table[at, low + 1])

    every = (1 - between) * looked_up(rows) + between * looked_up(rows + 1)
    weights = every[:, _REACH : _REACH + count].copy()
    weights[:, 0] += every[:, :_REACH].sum(axis=1)
    weights[:, -1] += every[:, _REACH + count :].sum(axis=1)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


@lru_cache(maxsize=1)
def _table() -> tuple[FloatArray, FloatArray]:
    """Weight of a mode by tail power and by its distance from the scale c, and the powers."""
    powers = np.geomspace(LEAST_POWER, MOST_POWER, _POWERS)
    step = np.log(RATIO)
    offsets = np.arange(-_REACH * _STEPS, _REACH * _STEPS + 1) / _STEPS * step
    # v = ln(r c), of density exp(n v - e^v) / Gamma(n); an exponential of decay length 1/r lies at ln(1/r) = ln c - v
    inner = np.linspace(-step, step, 241)
    hat = 1.0 - np.abs(inner) / step
    v = -(offsets[:, None] + inner[None, :])
    spacing = inner[1] - inner[0]
    table = np.stack([(np.exp(n * v - np.exp(v) - gammaln(n)) * hat).sum(axis=1) * spacing for n in powers])
    return table, powers


__all__ = ["LEAST_POWER", "MOST_POWER", "RATIO", "exponential_modes", "mode_lengths", "mode_weights"]
