"""What each stage of excavation has caused and will cause, with how sure that is, as a table."""

from __future__ import annotations

import pandas as pd

from convergence.projection.result import Projection

COLUMNS = ("section", "measure", "prisms", "stage", "part", "standard_deviation", "correlated_most", "correlation")


def stage_parts(projection: Projection, section: str | None = None) -> pd.DataFrame:
    """Parts of the final values by the stage that causes them.

    The stages superpose to the movement by the law. A part is only as sure as its standard deviation, and where two
    parts have a correlation near -1 the readings know their sum and not the split. What the law does not describe, and
    the error of the zero reading, belong to no stage: the parts may miss the final value by that, and their sum may be
    less sure than it. A job of one stage has no correlation.

    Parameters
    ----------
    projection : Projection
        All sections.
    section : str, optional
        This section only.

    Returns
    -------
    pandas.DataFrame
        A row for each section, measure and stage: ``part`` of the movement since the zero reading at the horizon and
        its ``standard_deviation`` [mm], the stage it is ``correlated_most`` with by absolute value, and that
        ``correlation``.
    """
    rows = []
    for name, item in projection.sections.items():
        if section not in (None, name):
            continue
        for index, series in enumerate(item.series):
            for place, stage in enumerate(item.stages):
                others = {
                    other: float(item.stage_correlation[index, place, at])
                    for at, other in enumerate(item.stages)
                    if at != place
                }
                most = max(others, key=lambda other: abs(others[other]), default="")
                rows.append(
                    (
                        name, series.measure, series.prisms, stage, float(item.by_stage[index, place]),
                        float(item.stage_deviation[index, place]), most, others.get(most, float("nan")),
                    )
                )  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))
