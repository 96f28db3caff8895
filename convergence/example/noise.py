"""Errors of the readings: white, correlated from reading to reading, shared by a sweep, and daily.

All parts are in the axes of the tunnel (longitudinal, transverse, settlement) and in millimetres. The zero
reading carries the same errors as any other.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

WHITE = np.array([0.60, 0.50, 0.45])
CORRELATED = 0.40
CORRELATION_DAYS = 1.5
SWEEP = np.array([0.30, 0.28, 0.30])
DAILY = np.array([0.05, 0.20, 0.18])
DAILY_PHASE_HOURS = np.array([9.0, 8.0, 10.0])


def white(count: int, generator: np.random.Generator) -> FloatArray:
    """Independent errors [mm], shape (count, 3)."""
    return np.asarray(WHITE * generator.standard_normal((count, 3)), dtype=np.float64)


def correlated(days: FloatArray, generator: np.random.Generator) -> FloatArray:
    r"""Errors of one prism that fade from reading to reading: ``e_k = r e_(k-1) + s sqrt(1 - r^2) z_k``.

    ``r = exp(-gap/T)``, so that uneven gaps keep the same spread s = CORRELATED and time scale T =
    CORRELATION_DAYS.

    Parameters
    ----------
    days : ndarray
        Times of the readings [d], rising, shape (readings,).
    generator : numpy.random.Generator
        Source of the innovations.

    Returns
    -------
    ndarray
        Errors [mm], shape (readings, 3). At a gap of 0.25 d the correlation is 0.8465.
    """
    steps = generator.standard_normal((days.size, 3))
    keep = np.exp(-np.diff(days, prepend=days[0]) / CORRELATION_DAYS)
    errors = np.empty((days.size, 3))
    errors[0] = CORRELATED * steps[0]
    for index in range(1, days.size):
        innovation = CORRELATED * np.sqrt(1.0 - keep[index] ** 2)
        errors[index] = keep[index] * errors[index - 1] + innovation * steps[index]
    return errors


def sweep(count: int, generator: np.random.Generator) -> FloatArray:
    """Errors that all prisms read from one station in one sweep share [mm], shape (count, 3)."""
    return np.asarray(SWEEP * generator.standard_normal((count, 3)), dtype=np.float64)


def daily(local_hours: npt.ArrayLike) -> FloatArray:
    """Daily cycle [mm] at local hours 0 to 24, shape (readings, 3): ``A sin(2 pi (h - h0)/24)``."""
    hours = np.asarray(local_hours, dtype=np.float64)[..., np.newaxis]
    return np.asarray(DAILY * np.sin(2.0 * np.pi * (hours - DAILY_PHASE_HOURS) / 24.0), dtype=np.float64)
