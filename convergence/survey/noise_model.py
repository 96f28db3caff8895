"""Noise of one reading as plain numbers: what every standard error and band starts from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Noise:
    """Noise of one reading: an independent part and a part correlated over time.

    Covariance of two readings a time h apart: white^2 (h = 0) + correlated^2 exp(-h / days).

    Attributes
    ----------
    white, correlated : float
        Standard deviations [mm].
    days : float
        Correlation time [days].
    """

    white: float
    correlated: float
    days: float

    def covariance(self, time: Floats) -> Floats:
        """Covariance [mm2] of readings at the given days, shape (n, n)."""
        lag = np.abs(time[:, None] - time[None, :])
        return np.asarray(self.white**2 * (lag == 0) + self.correlated**2 * np.exp(-lag / self.days))

    def scaled(self, measure: str) -> Noise:
        """Noise of one reading of a measure: one of two prisms has that of both, independent of each other."""
        factor = 2.0**0.5 if measure in ("chord", "distortion") else 1.0
        return Noise(factor * self.white, factor * self.correlated, self.days)

    @property
    def total(self) -> float:
        """Standard deviation [mm] of one reading."""
        return float(np.hypot(self.white, self.correlated))
