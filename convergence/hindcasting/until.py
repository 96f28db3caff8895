"""A section's projection cut at a day, so that probabilities are those of what comes by then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from convergence.projection.result import SectionProjection

Floats = npt.NDArray[np.float64]


def projection_until(section: SectionProjection, day: float) -> SectionProjection:
    """The projection of a section with a day in place of its horizon.

    Parameters
    ----------
    section : SectionProjection
        The projection.
    day : float
        Day since the job's epoch; brought between the last reading and the horizon.

    Returns
    -------
    SectionProjection
        Its dates end at the day; movement there lies straight between the dates about it. Numbers that only speak of
        the horizon (``alone``, the parts of the deviation) are as they were.
    """
    dates = section.dates
    day = float(np.clip(day, section.now, dates[-1]))
    keep = dates < day - 1e-9
    ends_by = section.rate_dates[1] <= day + 1e-9

    def cut(table: Floats) -> Floats:
        """Along the second axis, with the day itself at the end."""
        right = int(np.clip(np.searchsorted(dates, day), 1, len(dates) - 1)) if len(dates) > 1 else 0
        left = max(right - 1, 0)
        gap = dates[right] - dates[left]
        share = (day - dates[left]) / gap if gap > 0 else 1.0
        last = (1.0 - share) * table[:, left] + share * table[:, right]
        return np.concatenate([table[:, keep], last[:, None]], axis=1)

    return replace(
        section,
        dates=np.append(dates[keep], day),
        quantiles=cut(section.quantiles),
        total_quantiles=cut(section.total_quantiles),
        mean=cut(section.mean),
        rate_quantiles=section.rate_quantiles[:, ends_by],
        rate_dates=section.rate_dates[:, ends_by],
    )
