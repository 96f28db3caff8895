"""The daily cycle in readings at any times of the day: against what stands half a day before and after."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: The readings about an instant half a day away must be no farther apart than this [days].
NEAR_DAYS = 0.6
#: A reading within this [days] of the instant stands for it.
NEAR_EDGE = 0.05
#: Of a wave of amplitude one at least this much must be left in a difference, or it tells nothing of it.
LEFT_LEAST = 0.5
#: What is worked out roughly is trusted to this share, where the waves' sums are no worse conditioned than this.
NEARLY, WELL = 0.99, 1e6


def daily_differences(days: Floats, values: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Readings less the middle of what stands half a day before and after, and what that does to a daily wave.

    d(t) = u(t) - (u(t - 1/2) + u(t + 1/2)) / 2, between readings by a straight line. An even movement cancels; a wave
    a cos(2 pi t) + b sin(2 pi t) becomes a c(t) + b s(t) with c and s worked out from the same readings' times, so any
    number of readings a day will do: read every 6 or 12 hours it is doubled, every 8 hours it is 1.5 of itself, and
    of readings once a day nothing is left, which are left out.

    Parameters
    ----------
    days : (n,) array
        Instants of the readings [days], ascending; days begin at midnight.
    values : (n, m) array
        What was read [mm].

    Returns
    -------
    cosine, sine : (k,) arrays
        What is left of cos(2 pi t) and sin(2 pi t) in the differences.
    difference : (k, m) array
        The differences [mm].
    weight : (k,) array
        Sum of the squares of the weights of the readings in each: the variance of a difference is this times that of
        a reading, where these are independent.

    Notes
    -----
    Worked: read every six hours, d = u2 - (u0 + u4) / 2, a wave cos(2 pi t) gives 2 cos(2 pi t), the weight is 1.5.
    """
    none = np.empty(0)
    if len(days) < 3:
        return none, none, np.empty((0, values.shape[1])), none
    angle = 2.0 * np.pi * days
    columns = np.column_stack([np.cos(angle), np.sin(angle), values])
    result, weight, good = columns.copy(), np.ones(len(days)), np.ones(len(days), dtype=bool)
    for away in (-0.5, 0.5):
        wanted = days + away
        # a reading a few minutes off is the one itself and not one between two
        right = np.clip(np.searchsorted(days, wanted), 1, len(days) - 1)
        left = right - 1
        gap = np.maximum(days[right] - days[left], 1e-9)
        share = (wanted - days[left]) / gap
        edge = NEAR_EDGE / gap
        share = np.where(np.abs(share) < edge, 0.0, np.where(np.abs(share - 1.0) < edge, 1.0, share))
        good &= (share >= 0.0) & (share <= 1.0) & ((gap < NEAR_DAYS) | (share == 0.0) | (share == 1.0))
        result -= 0.5 * (columns[left] * (1.0 - share)[:, None] + columns[right] * share[:, None])
        weight += 0.25 * ((1.0 - share) ** 2 + share**2)
    good &= np.hypot(result[:, 0], result[:, 1]) > LEFT_LEAST
    return result[good, 0], result[good, 1], result[good, 2:], weight[good]


def fit_wave(cosine: Floats, sine: Floats, difference: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Coefficients (2, m) of the daily wave by least squares, and the standard error (m,) of its amplitude [mm].

    For n differences of readings with independent noise s the error is s sqrt(2 / n), as for the readings themselves
    (computed: in the tests by simulation); s from what the wave leaves, over the root of the mean weight.
    """
    design = np.column_stack([cosine, sine])
    solution, *_ = np.linalg.lstsq(design, difference, rcond=None)
    noise = (difference - design @ solution).std(axis=0) / np.sqrt(weight.mean())
    return np.asarray(solution), np.asarray(noise * np.sqrt(2.0 / len(design)))


def may_matter(parts: Iterable[tuple[Floats, Floats, Floats, Floats]], least: float, errors: float) -> bool:
    """Whether the wave that ``fit_wave`` finds may be larger than ``least`` [mm] and so many of its standard errors.

    From sums over the parts that ``daily_differences`` gives, which is quick, and so roughly that a wave a hundredth
    smaller may.
    """
    count, weights = 0, 0.0
    gram, along, square, total = np.zeros((2, 2)), np.zeros((2, 3)), np.zeros(3), np.zeros(2 + 3)
    for cosine, sine, difference, weight in parts:
        design = np.column_stack([cosine, sine])
        count, weights = count + len(cosine), weights + float(weight.sum())
        gram, along = gram + design.T @ design, along + design.T @ difference
        square = square + (difference**2).sum(axis=0)
        total = total + np.append(design.sum(axis=0), difference.sum(axis=0))
    if not count:
        return False
    if np.linalg.cond(gram) > WELL:
        return True
    solution = np.linalg.solve(gram, along)
    left = square - (solution * along).sum(axis=0) - (total[2:] - total[:2] @ solution) ** 2 / count
    error = np.sqrt(np.maximum(left, 0.0) / weights * 2.0 / count)
    amplitude = np.hypot(solution[0], solution[1])
    return bool(((amplitude > NEARLY * least) & (amplitude > NEARLY * errors * error)).any())
