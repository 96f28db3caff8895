"""How many independent series the readings of a section are worth: what all prisms of a sweep share is read once.

    effective = sum over the axes of p / (1 + (p - 1) r)

for p prisms whose errors are correlated by r: the station that wanders takes all its prisms with it. Of the site's
noise (`convergence.survey.noise`) the part that is correlated in time counts as shared, and of the rest what the
sweeps themselves show (`convergence.survey.noise_table.sweep_table`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

import numpy as np
import xarray as xr

from convergence.measures.series import Series
from convergence.survey.noise_model import Noise
from convergence.survey.noise_table import sweep_table

#: Ground that moves beside its law does so in all prisms of a section, too: their evidence together is counted as that
#: of so many independent series at the most (chosen by how often bands hold, `tests.bench.projection`).
MOST_SERIES = 6.0


def shared_by_sweep(arrays: Mapping[str, xr.Dataset], noise: Noise) -> dict[str, float]:
    """Correlation of the errors of two prisms of one sweep, by axis; what is correlated in time only, where untold."""
    found = {}
    for row in sweep_table(arrays).itertuples():
        shared = float(str(row.shared))
        square = min(shared**2, noise.white**2) if np.isfinite(shared) else 0.0
        whole = noise.white**2 + noise.correlated**2
        found[str(row.axis)] = (noise.correlated**2 + square) / whole if whole > 0.0 else 0.0
    return found


def effective_series(series: Iterable[Series], shared: Mapping[str, float]) -> float:
    """Number of independent series that those of a section are worth; at least one, ``MOST_SERIES`` at the most."""
    prisms = Counter(item.measure for item in series if item.measure in shared and len(item.time))
    worth = sum(count / (1.0 + (count - 1) * shared[axis]) for axis, count in prisms.items())
    return float(np.clip(worth, 1.0, MOST_SERIES))
