"""Amplitudes and ratios of many series solved exactly from Gram matrices, each ratio at zero, free or at its bound."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

RIDGE = 1e-13
"""Added to the normalised normal equations, so that a column without effect does not divide by zero."""

NOTHING = 1e-10
"""A ratio whose release lowers the sum of squares by less than this share of it is left on its bound."""


@dataclass(frozen=True, eq=False)
class Linear:
    """The best linear coefficients of each series.

    Attributes
    ----------
    weights : ndarray, shape (s, m, 1 + r)
        Amplitude, and amplitude times each ratio.
    gain : ndarray, shape (s, m)
        By how much they lower the sum of squares.
    state : ndarray of int, shape (s, m, r)
        0 where a ratio rests at zero, 1 where it is free, 2 where it rests on its upper bound.
    inverse : ndarray, shape (s, m, 1 + r, 1 + r)
        Covariance of the weights per unit variance of a reading, at given nonlinear parameters.
    """

    weights: FloatArray
    gain: FloatArray
    state: IntArray
    inverse: FloatArray


@lru_cache(maxsize=8)
def merges(upper: tuple[float, ...]) -> tuple[IntArray, FloatArray]:
    """State of each ratio in each set, shape (g, r), and how it merges the columns, shape (g, 1 + r, 1 + r).

    The amplitude's column takes those at their upper bound with it; ratios not free have a dead column.
    """
    count = len(upper)
    states = np.array(list(itertools.product((0, 1, 2), repeat=count)), dtype=np.int64).reshape(3**count, count)
    merge = np.zeros((states.shape[0], 1 + count, 1 + count))
    merge[:, 0, 0] = 1.0
    inner = np.arange(1, 1 + count)
    merge[:, inner, 0] = np.where(states == 2, np.array(upper), 0.0)
    merge[:, inner, inner] = states == 1
    return states, merge


def solve_linear(gram: FloatArray, right: FloatArray, square: FloatArray, upper: tuple[float, ...]) -> Linear:
    r"""Find amplitude A and ratios m of each series, 0 <= m <= M, at given nonlinear parameters.

    .. math:: \min_{A, m} |v - A (B_0 + \sum_i m_i B_i)|^2

    is linear in A and c_i = A m_i once it is said which ratios rest on which bound. Every such set is tried, and the
    best whose ratios stay within their bounds is the exact solution.

    Parameters
    ----------
    gram : ndarray, shape (s, m or 1, 1 + r, 1 + r)
        Products of the columns B.
    right : ndarray, shape (s, m, 1 + r)
        Products of columns and values.
    square : ndarray, shape (s, m)
        Sum of squares of the values.
    upper : tuple of float, length r
        M.

    Returns
    -------
    Linear
    """
    if len(upper) == 1:
        return _solve_pair(gram, right, square, upper[0])
    return solve_sets(gram, right, square, upper)


def solve_sets(gram: FloatArray, right: FloatArray, square: FloatArray, upper: tuple[float, ...]) -> Linear:
    """`solve_linear` for any number of ratios, every set by an inverse."""
    states, merge = merges(upper)
    turned = merge.transpose(0, 2, 1)
    small = turned @ gram[:, :, np.newaxis] @ merge
    target = np.einsum("gji,smj->smgi", merge, right)
    scale = np.sqrt(np.maximum(np.einsum("smgii->smgi", small), 0.0))
    dead = scale == 0
    scale = np.where(dead, 1.0, scale)
    unit = small / (scale[..., :, np.newaxis] * scale[..., np.newaxis, :])
    unit = unit + (RIDGE + dead)[..., np.newaxis] * np.eye(unit.shape[-1])
    inverse = np.linalg.inv(unit) * (~dead)[..., np.newaxis, :] * (~dead)[..., np.newaxis]
    inverse = inverse / (scale[..., :, np.newaxis] * scale[..., np.newaxis, :])
    found = (inverse @ target[..., np.newaxis])[..., 0]
    gain = np.einsum("smgi,smgi->smg", found, target)
    amplitude = found[..., :1]
    inside = (found[..., 1:] * amplitude >= 0) & (np.abs(found[..., 1:]) <= np.array(upper) * np.abs(amplitude))
    admissible = np.all(inside | (states != 1), axis=-1)
    reached = np.where(admissible, gain, -np.inf)
    best = np.max(reached, axis=-1, keepdims=True)
    slack = NOTHING * np.maximum(square[..., np.newaxis] - best, 0.0) + 1e-15 * square[..., np.newaxis]
    # of those equally good the one with the fewest free ratios
    rank = np.where(reached >= best - slack, np.sum(states == 1, axis=1), states.shape[1] + 1)
    chosen = np.argmin(rank, axis=-1)
    sections, series = np.indices(chosen.shape)
    place = sections, (series if inverse.shape[1] > 1 else np.zeros_like(series)), chosen
    picked, combine = inverse[place], merge[chosen]
    weights = (combine @ found[sections, series, chosen][..., np.newaxis])[..., 0]
    return Linear(
        weights,
        gain[sections, series, chosen],
        states[chosen],
        combine @ picked @ combine.transpose(0, 1, 3, 2),
    )


def _pair_sets(gram: FloatArray, right: FloatArray, upper: float) -> tuple[FloatArray, ...]:
    """Solve one amplitude and one ratio in closed form: gains of the three sets and what they need."""
    first, both, second = gram[..., 0, 0], gram[..., 0, 1], gram[..., 1, 1]
    one, two = right[..., 0], right[..., 1]
    top = first + 2 * upper * both + upper * upper * second
    alone = one / np.where(first > 0, first, np.inf)
    merged = (one + upper * two) / np.where(top > 0, top, np.inf)
    determinant = first * second - both * both
    determinant = np.where(determinant > RIDGE * first * second, determinant, np.inf)
    amplitude = (second * one - both * two) / determinant
    creep = (first * two - both * one) / determinant
    inside = (amplitude * creep >= 0) & (np.abs(creep) <= upper * np.abs(amplitude)) & np.isfinite(determinant)
    free = np.where(inside, amplitude * one + creep * two, -np.inf)
    return alone * one, free, merged * (one + upper * two), alone, amplitude, creep, merged, determinant, top


def best_gain(gram: FloatArray, right: FloatArray, square: FloatArray, upper: tuple[float, ...]) -> FloatArray:
    """By how much the best linear coefficients lower the sum of squares, shape (s, m); as `solve_linear`."""
    if len(upper) != 1:
        return solve_linear(gram, right, square, upper).gain
    none, free, most = _pair_sets(gram, right, upper[0])[:3]
    return np.asarray(np.maximum(np.maximum(none, free), most))


def _solve_pair(gram: FloatArray, right: FloatArray, square: FloatArray, upper: float) -> Linear:
    """`solve_linear` for one ratio."""
    none, free, most, alone, amplitude, creep, merged, determinant, top = _pair_sets(gram, right, upper)
    best = np.maximum(np.maximum(none, free), most)
    slack = NOTHING * np.maximum(square - best, 0.0) + 1e-15 * square
    state = np.where(none >= best - slack, 0, np.where(most >= best - slack, 2, 1))
    weights = np.stack(
        [
            np.where(state == 0, alone, np.where(state == 1, amplitude, merged)),
            np.where(state == 0, 0.0, np.where(state == 1, creep, upper * merged)),
        ],
        axis=-1,
    )
    first, both, second = gram[..., 0, 0], gram[..., 0, 1], gram[..., 1, 1]
    inverse = np.zeros((*state.shape, 2, 2))
    least = 1.0 / np.where(first > 0, first, np.inf)
    much = 1.0 / np.where(top > 0, top, np.inf)
    inverse[..., 0, 0] = np.where(state == 0, least, np.where(state == 1, second / determinant, much))
    inverse[..., 1, 1] = np.where(state == 0, 0.0, np.where(state == 1, first / determinant, upper * upper * much))
    inverse[..., 0, 1] = np.where(state == 0, 0.0, np.where(state == 1, -both / determinant, upper * much))
    inverse[..., 1, 0] = inverse[..., 0, 1]
    gain = np.where(state == 0, none, np.where(state == 1, free, most))
    return Linear(weights, gain, state[..., np.newaxis], inverse)
