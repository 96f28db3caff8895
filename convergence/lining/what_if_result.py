"""What a what-if hands out: a table of variants, and a map over two things."""

from __future__ import annotations

import html
from dataclasses import dataclass

import numpy as np
import pandas as pd

from convergence.laws.arrays import FloatArray
from convergence.lining.shown import shown
from convergence.terms import CAUTION


@dataclass(frozen=True, repr=False)
class WhatIf:
    """Variants of a section's lining. Plain data: it pickles.

    Attributes
    ----------
    section : str
        The section.
    table : DataFrame
        A row a variant and measure: final movement since the zero reading of the day it was taken [mm], its change, the
        change of the whole with the lost part, thrust at the horizon [MN/m] and utilisation [-] of the variant with
        their bands, the age [days] and date at which the utilisation is worst, that at the horizon, why there is none,
        and the probability of each trigger level at the horizon.
    data_until : str
        Instant of the last data, UTC.
    confidence : float
        Of the bands.
    warning : str
        Why the numbers are not to be trusted; empty where they may be.
    """

    section: str
    table: pd.DataFrame
    data_until: str
    confidence: float
    warning: str = ""

    def of(self, measure: str) -> pd.DataFrame:
        """Rows of one measure, by variant."""
        return self.table[self.table["measure"] == measure].drop(columns="measure").set_index("variant")

    def compact(self, measure: str) -> pd.DataFrame:
        """Rows of one measure with each band in one text."""
        found = self.of(measure)

        def band(name: str) -> list[str]:
            return [
                f"{shown(row[name])} ({shown(row[f'{name}_low'])} to {shown(row[f'{name}_high'])})"
                for _, row in found.iterrows()
            ]

        used = [row["note"] or text for (_, row), text in zip(found.iterrows(), band("utilisation"), strict=True)]
        thrust = [
            row["note"] if np.isnan(row["thrust"]) else text
            for (_, row), text in zip(found.iterrows(), band("thrust"), strict=True)
        ]
        worst = [
            "" if np.isnan(row["worst_age"]) else f"{shown(row['worst_age'])} d, {row['worst_at'] or 'no date'}"
            for _, row in found.iterrows()
        ]
        columns = {
            **({"not to be trusted": [self.warning] * len(found)} if self.warning else {}),
            "final [mm]": band("final"),
            "change, lost part included [mm]": [f"{value:+.1f}" for value in found["total_change"]],
            "thrust [MN/m]": thrust,
            "utilisation, worst": used,
            "worst at age": worst,
            "at the horizon": [shown(value) for value in found["utilisation_end"]],
            "levels at the horizon": list(found["levels"]),
        }
        return pd.DataFrame(columns, index=found.index)

    def __repr__(self) -> str:
        count = self.table["variant"].nunique()
        doubt = f"NOT TO BE TRUSTED, {self.warning}: " if self.warning else ""
        return (
            f"WhatIf({doubt}{count} variants of {self.section}, data until {self.data_until}Z, {self.confidence:.0%} "
            "bands)"
        )

    def _repr_html_(self) -> str:
        labels = [str(label) for label in self.table["measure"].unique()]
        chosen = [label for label in labels if label.startswith(("settlement crown", "chord"))] or labels[:1]
        parts = [f"<p><b>{html.escape(repr(self))}</b>; final since the zero reading</p>"]
        for label in chosen:
            parts += [f"<p>{html.escape(label)}</p>", self.compact(label).to_html()]
        return "".join([*parts, f"<p><small>{CAUTION}</small></p>"])


def quantiles(values: FloatArray, tail: float) -> list[float]:
    """Low, middle and high of numbers some of which may be infinite; NaN if one is not known.

    Parameters
    ----------
    values : ndarray, shape (samples,)
        The numbers.
    tail : float
        Share below the low and above the high one [-].

    Returns
    -------
    list of float
        Three numbers of `values`, nothing between them.
    """
    if np.isnan(values).any():
        return [float("nan")] * 3
    ordered = np.sort(values)
    return [float(ordered[round(share * (ordered.size - 1))]) for share in (tail, 0.5, 1.0 - tail)]


@dataclass(frozen=True)
class WhatIfMap:
    """Medians over a grid of two things; arrays have the shape (up, across).

    Attributes
    ----------
    section, measure : str
        Of what.
    names : tuple of str
        What is varied across and up.
    axes : tuple of tuple of str
        Unit and words of each.
    across, up : ndarray
        Values along the axes.
    final : ndarray
        Final value since the zero reading [mm].
    thrust : ndarray
        Thrust [MN/m].
    utilisation, utilisation_high : ndarray
        Utilisation at its worst over time, its median and the upper end of its band [-]; NaN without strength or
        lining.
    design : tuple of float
        Where the design stands.
    levels : tuple of (str, float)
        Trigger levels of the measure since the zero reading [mm].
    data_until : str
        Instant of the last data, UTC.
    confidence : float
        Of the band.
    warning : str
        Why the numbers are not to be trusted; empty where they may be.
    left_out : tuple of str
        Triggers of the measure that are not among the levels: since excavation, or not in force at the horizon.
    """

    section: str
    measure: str
    names: tuple[str, str]
    axes: tuple[tuple[str, str], ...]
    across: FloatArray
    up: FloatArray
    final: FloatArray
    thrust: FloatArray
    utilisation: FloatArray
    utilisation_high: FloatArray
    design: tuple[float, float]
    levels: tuple[tuple[str, float], ...]
    data_until: str
    confidence: float
    warning: str = ""
    left_out: tuple[str, ...] = ()
