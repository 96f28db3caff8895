"""What belongs to a back-analysis: the errors its numbers may have, and a section that was kept back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from convergence.laws.arrays import FloatArray
from convergence.lining.back_analysis_data import SectionData


@dataclass(frozen=True)
class Errors:
    """What the numbers may be off by, under the model.

    Attributes
    ----------
    own : ndarray, shape (n, n)
        Covariance of readings and projection, prism by prism [mm2].
    common : ndarray, shape (n, n)
        Covariance of a shift of the whole section [mm2].
    model : ndarray, shape (n, n)
        Covariance for a model error of 1 at each prism [mm2].
    relative : ndarray, shape (n, k)
        Errors that numbers share in proportion to what is predicted [-].
    """

    own: FloatArray
    common: FloatArray
    model: FloatArray
    relative: FloatArray


@dataclass(frozen=True)
class HeldOut:
    """A section that was kept back, and what the others predict of it.

    The bands are wide on purpose. Most of the width of a settlement is the sinking of the section as a whole, which the
    plane model does not know and another section does not tell; most of that of a chord is what sections of the same
    ground are taken to differ by. `python -m tests.bench.lining` holds six sections of
    the sample job out one by one and counts the true finals inside; settlements lie above the middle there, for those
    sections sink alike. The sinking stays centred on nothing all the same: that a section only sinks is no law, a ring
    in shallow ground may rise as the ground below is unloaded, and the bands must hold either without having been told.
    Learning the sinking from a handful of sections would make them narrower and fail where one sinks otherwise.

    Attributes
    ----------
    data : SectionData
        Its own numbers.
    predicted : ndarray, shape (samples, rows)
        Draws of the prediction [mm], everything but the section's own readings in them.
    confidence : float
        Of the bands.
    parts : mapping of str to ndarray, shape (rows,)
        Standard deviation of the prediction by each source alone [mm].
    warning : str
        Why the prediction is not to be trusted; empty where it may be.
    """

    data: SectionData
    predicted: FloatArray
    confidence: float
    parts: Mapping[str, FloatArray] = field(default_factory=dict)
    warning: str = ""

    def table(self) -> pd.DataFrame:
        """Every number of the section with its predicted band, and whether it lies inside [mm]."""
        tail = 0.5 * (1.0 - self.confidence)
        low, middle, high = np.quantile(self.predicted, [tail, 0.5, 1.0 - tail], axis=0)
        rows = self.data.rows
        values = self.data.values
        doubt = {"said": [self.warning] * len(rows)} if self.warning else {}
        return pd.DataFrame(
            {
                **doubt,
                "measure": [row.label for row in rows],
                "kind": [row.kind for row in rows],
                "found": values,
                "found_deviation": [row.deviation for row in rows],
                "predicted": middle,
                "low": low,
                "high": high,
                "inside": (values >= low) & (values <= high),
            }
        )

    def widths(self) -> pd.DataFrame:
        """What makes the bands wide: standard deviation of every final by each source alone [mm]."""
        final = [row.kind == "final" for row in self.data.rows]
        labels = [row.label for row in self.data.rows if row.kind == "final"]
        return pd.DataFrame({name: part[final] for name, part in self.parts.items()}, index=labels)

    @property
    def inside(self) -> float:
        """Share of the finals inside their predicted band."""
        table = self.table()
        return float(table.loc[table["kind"] == "final", "inside"].mean())
