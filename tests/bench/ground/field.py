"""How the ground varies along the drive: units with breaks, a smooth random part, now and then a weak zone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.ground.mesh import Floats


def smooth_field(rng: np.random.Generator, z: Floats, length: float) -> Floats:
    """Gaussian field of mean 0 and deviation 1 at z, correlation exp(-(d / length)^2)."""
    distance = (z[:, None] - z[None, :]) / length
    covariance = np.exp(-(distance**2)) + 1e-8 * np.eye(len(z))
    return np.asarray(np.linalg.cholesky(covariance) @ rng.standard_normal(len(z)))


@dataclass(frozen=True)
class Layout:
    """Where units and weak zones lie; breaks in metres from the start of the drive."""

    breaks: tuple[float, ...]
    weak: tuple[tuple[float, float], ...]

    def unit(self, z: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
        """Number of the unit at z."""
        return np.searchsorted(np.array(self.breaks), z).astype(np.int64)

    def weakness(self, z: Floats) -> Floats:
        """1 in a weak zone, 0 outside, over 2 m at either edge."""
        inside = np.zeros_like(z)
        for start, end in self.weak:
            inside = np.maximum(inside, 0.5 * (np.tanh((z - start) / 2.0) - np.tanh((z - end) / 2.0)))
        return inside


def draw_layout(rng: np.random.Generator, length: float) -> Layout:
    """2-4 units at least 30 m long (1 in a short drive); a weak zone of 5-15 m in 4 of 10 drives."""
    wanted = int(rng.integers(1, 4)) if length > 120.0 else int(rng.integers(0, 2))
    breaks: list[float] = []
    while len(breaks) < wanted:
        place = float(rng.uniform(35.0, length - 35.0))
        if all(abs(place - other) >= 30.0 for other in breaks):
            breaks.append(place)
        else:
            wanted -= int(rng.random() < 0.1)
    weak = []
    if rng.random() < 0.4:
        start = float(rng.uniform(0.2, 0.7)) * length
        weak.append((start, start + float(rng.uniform(5.0, 15.0))))
    return Layout(tuple(sorted(breaks)), tuple(weak))
