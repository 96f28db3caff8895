"""Inverses of many small matrices at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def inverse_of(matrices: Floats) -> tuple[Floats, Floats]:
    """Inverses and log determinants of many small positive definite matrices at once, shape (..., K, K).

    Elimination without pivots, over all matrices together; that many calls of a library made for large matrices take
    longer.
    """
    count = matrices.shape[-1]
    work = matrices.copy()
    logdet = np.zeros(matrices.shape[:-2])
    for pivot in range(count):
        value = work[..., pivot, pivot].copy()
        logdet += np.log(value)
        row = work[..., pivot, :] / value[..., None]
        row[..., pivot] = 1.0 / value
        column = work[..., :, pivot].copy()
        work -= column[..., :, None] * row[..., None, :]
        work[..., :, pivot] = -column / value[..., None]
        work[..., pivot, :] = row
    return work, logdet
