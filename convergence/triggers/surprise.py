"""How far each reading is from what those before it led to expect, and which kind of change explains it best.

A section's movement is taken as a smooth curve of the family of the hereditary law (every mixture of release and creep
over a range of influence lengths, past the faces as they truly moved), plus what such a curve cannot describe, plus
noise correlated in time. All are normal, so the readings have one covariance

    K = C_noise + B V B' + (O O' + Z Z') s_o^2 + (kappa a)^2 min(L(t), L(t'))

with the bases B, the offsets O of the segments, changes Z that are known already and the share released L, all over the
size a of the movement. The size is that of what was read some time before the reading judged (``known_size``), never of
the reading itself or of later ones, so that a change does not widen the measure it is judged by. With K = R R' the
numbers e = R^-1 y are the one-step surprises in standard deviations: e_n is how far reading n is from its expectation
given all before it. Where nothing but such a curve and the noise is at work they are independent, of mean 0 and
deviation 1: the decay of the curve, a stop of the face, a stage that passes and the drift of the station are all in K.

A change with a shape c(t) (a step, a bend of the slope, a growing rate) has the generalised least squares size
c' K^-1 y / c' K^-1 c with the standard error (c' K^-1 c)^-1/2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cholesky, solve_triangular

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: The size is known so many days before the reading it judges; it is taken this much larger, for the movement goes on,
#: never under a least one [mm], and in steps of this ratio.
KNOWN_BEFORE, GROWTH, LEAST_SIZE, SIZE_STEP = 1.0, 1.5, 6.0, 1.5
#: Offsets have next to no prior [mm].
OFFSET_SPREAD = 1e3
#: Standard deviation of what the family cannot describe over the whole release, over the size of the movement. With the
#: spreads of the family in ``changes`` it was set on simulated series (``tests.bench.changes``, seeds 0 and 5), where
#: false alarms then came every 960 days, and looked at on tunnels 3101 to 3103 of the bench: one in 5,508 days.
UNKNOWN = 0.03


@dataclass(frozen=True)
class Surprises:
    """One-step surprises of one series.

    Attributes
    ----------
    scaled : (n,) array
        In standard deviations.
    error : (n,) array
        Standard deviation [mm] of each reading given those before it.
    factor : (n, n) array
        Lower triangular R of the covariance.
    value : (n,) array
        The readings [mm].
    """

    scaled: Floats
    error: Floats
    factor: Floats
    value: Floats

    def size(self, shape: Floats) -> tuple[Floats, Floats]:
        """Sizes of changes of given shapes and their standard errors.

        Parameters
        ----------
        shape : (n, c) array
            One column a change, at the readings.

        Returns
        -------
        size, error : (c,) arrays
            In mm over the unit of the shape.
        """
        turned = solve_triangular(self.factor, shape, lower=True)
        weight = np.maximum((turned**2).sum(axis=0), 1e-300)
        return np.asarray(turned.T @ self.scaled / weight), np.asarray(1.0 / np.sqrt(weight))


def known_size(time: Floats, value: Floats) -> Floats:
    """Size of the movement as it was known ``KNOWN_BEFORE`` days before each reading [mm].

    a(t) = max(LEAST_SIZE, g max |u(s)| over s <= t - KNOWN_BEFORE), brought up to a step of ``SIZE_STEP``, with g =
    ``GROWTH`` for what is still to come.

    Parameters
    ----------
    time : (n,) array
        Days, ascending.
    value : (n,) array
        Movement since the first reading [mm].

    Returns
    -------
    (n,) array
        Sizes [mm], never falling.
    """
    so_far = np.maximum.accumulate(np.abs(value))
    place = np.searchsorted(time, time - KNOWN_BEFORE, side="right")
    size = np.maximum(GROWTH * np.where(place > 0, so_far[np.maximum(place - 1, 0)], 0.0), LEAST_SIZE)
    return np.asarray(LEAST_SIZE * SIZE_STEP ** np.ceil(np.log(size / LEAST_SIZE) / np.log(SIZE_STEP) - 1e-9))


def surprises(
    value: Floats,
    segment: Ints,
    noise_covariance: Floats,
    columns: Floats,
    released: Floats,
    size: float,
    known: Floats | None = None,
) -> Surprises:
    """Surprises of one series, all judged by one size.

    Parameters
    ----------
    value : (n,) array
        Movement [mm] in the order of time.
    segment : (n,) array of int
        Readings of different segments have offsets of their own.
    noise_covariance : (n, n) array
        Of the readings [mm2].
    columns : (n, c) array
        The family's bases at the readings, each times the spread of its coefficient over the size of the movement.
    released : (n,) array
        Share released at each reading, 0 to 1, rising; summed over the stages.
    size : float
        Size of the movement [mm].
    known : (n, z) array, optional
        Shapes of changes that are known already, whatever their size.

    Returns
    -------
    Surprises
        In the order of the readings.
    """
    return _surprised(value, factor_of(segment, noise_covariance, columns, released, size, known))


def factor_of(
    segment: Ints, noise_covariance: Floats, columns: Floats, released: Floats, size: float, known: Floats | None = None
) -> Floats:
    """Lower triangular factor of the readings' covariance, whatever they read; parameters as in ``surprises``."""
    covariance = noise_covariance + size**2 * columns @ columns.T
    covariance = covariance + OFFSET_SPREAD**2 * (segment[:, None] == segment[None, :])
    covariance = covariance + (UNKNOWN * size) ** 2 * np.minimum(released[:, None], released[None, :])
    if known is not None:
        covariance = covariance + OFFSET_SPREAD**2 * known @ known.T
    covariance[np.diag_indices(len(covariance))] += 1e-6
    return np.asarray(cholesky(covariance, lower=True))


def _surprised(value: Floats, factor: Floats) -> Surprises:
    """Surprises of readings with the factor of their covariance."""
    return Surprises(np.asarray(solve_triangular(factor, value, lower=True)), np.diag(factor).copy(), factor, value)


def causal_surprises(
    value: Floats,
    segment: Ints,
    noise_covariance: Floats,
    columns: Floats,
    released: Floats,
    size: Floats,
    known: Floats | None = None,
    factors: dict[tuple[int, float], Floats] | None = None,
) -> Surprises:
    """Surprises of one series, each reading judged by the size that was known before it.

    Parameters
    ----------
    size : (n,) array
        Size of the movement [mm] by which each reading is judged; the other parameters are those of ``surprises``.
    factors : dict, optional
        Factors by number of readings and size, taken from there or put there: series read at the same instants, in
        the same segments and with the same noise share them as long as no change is known.

    Returns
    -------
    Surprises
        In the order of the readings; the covariance is that of the last size.
    """
    scaled, error = np.empty(len(value)), np.empty(len(value))
    kept = {} if factors is None or (known is not None and known.shape[1]) else factors

    def judged(end: int, by: float) -> Surprises:
        factor = kept.get((end, by))
        if factor is None:
            changes = None if known is None else known[:end]
            factor = factor_of(segment[:end], noise_covariance[:end, :end], columns[:end], released[:end], by, changes)
            kept[end, by] = factor
        return _surprised(value[:end], factor)

    told = judged(len(value), float(size[-1]))
    for each in np.unique(size):
        # a surprise hangs on the readings up to its own alone, so those after the last of this size can be left out
        rows = np.flatnonzero(size == each)
        end = int(rows[-1]) + 1
        own = told if end == len(value) else judged(end, float(each))
        scaled[rows], error[rows] = own.scaled[rows], own.error[rows]
    return Surprises(scaled, error, told.factor, told.value)
