"""How far each reading is from what those before it led to expect, and which kind of change explains it best.

A section's movement is taken as a smooth curve of the family of the hereditary law (every mixture of release and creep
over a range of influence lengths, past the faces as they truly moved), plus what such a curve cannot describe, plus
noise correlated in time. All are normal, so the readings have one covariance

    K = C_noise + B V B' + (O O' + Z Z') s_o^2 + (kappa a)^2 min(L(t), L(t'))

with the bases B, the offsets O of the segments, changes Z that are known already and the share released L, all over the
size a of the movement. With K = R R' the numbers e = R^-1 y are the
one-step surprises in standard deviations: e_n is how far reading n is from its expectation given all before it. Where
nothing but such a curve and the noise is at work they are independent, of mean 0 and deviation 1: the decay of the
curve, a stop of the face, a stage that passes and the drift of the station are all in K.

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

#: Offsets have next to no prior [mm].
OFFSET_SPREAD = 1e3
#: Standard deviation of what the family cannot describe over the whole release, over the size of the movement. With the
#: spreads of the family in ``changes`` it was set on development tunnels of the bench (seeds under 400), where the
#: surprises of movement without a change then have a deviation of 1.0 to 1.1.
UNKNOWN = 0.04


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


def surprises(
    value: Floats,
    segment: Ints,
    noise_covariance: Floats,
    columns: Floats,
    released: Floats,
    known: Floats | None = None,
) -> Surprises:
    """Surprises of one series.

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
    known : (n, z) array, optional
        Shapes of changes that are known already, whatever their size.

    Returns
    -------
    Surprises
        In the order of the readings.
    """
    size = max(float(np.ptp(value)), 1.0)
    covariance = noise_covariance + size**2 * columns @ columns.T
    covariance = covariance + OFFSET_SPREAD**2 * (segment[:, None] == segment[None, :])
    covariance = covariance + (UNKNOWN * size) ** 2 * np.minimum(released[:, None], released[None, :])
    if known is not None:
        covariance = covariance + OFFSET_SPREAD**2 * known @ known.T
    covariance[np.diag_indices(len(covariance))] += 1e-6
    factor = cholesky(covariance, lower=True)
    return Surprises(
        np.asarray(solve_triangular(factor, value, lower=True)), np.diag(factor).copy(), np.asarray(factor), value
    )
