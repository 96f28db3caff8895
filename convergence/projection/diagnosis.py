"""What a section's readings can and cannot tell of its own future, in one status and one sentence."""

from __future__ import annotations

import numpy as np

from convergence.measures.series import Series
from convergence.projection.result import SectionProjection

#: Readings under which a series adds nothing to what the site says.
FEWEST = 4
#: The creep share counts as told apart from the advance if its standard deviation is under this.
SEPARATED = 0.10


def fit_status(series: Series, section: SectionProjection | None) -> tuple[str, str]:
    """Status of a projected measure and the reason in numbers.

    Parameters
    ----------
    series : Series
        The measure.
    section : SectionProjection or None
        Its section's projection; None where nothing could be projected.

    Returns
    -------
    tuple of (str, str)
        "solved", "at bound", "not separable", "too few readings" or "failed", and a sentence; empty for "solved".
    """
    if section is None:
        return "failed", "no face log of any stage, so neither advance nor time can be projected"
    if len(series.time) < FEWEST:
        return (
            "too few readings",
            f"{len(series.time)} readings; the band comes from the other sections and the physical prior",
        )
    if not np.isfinite(section.quantiles[section.index(series.label)]).all():
        return "failed", "the projection gave no finite number"
    if section.at_bound:
        return "at bound", f"influence length {section.influence_length:.1f} m at the end of its range"
    if section.creep_share_deviation > SEPARATED:
        return (
            "not separable",
            f"readings cannot tell time from advance: creep {section.creep_share:.0%} of the movement, standard "
            f"deviation {section.creep_share_deviation:.0%}; "
            "readings through the next rest day or stop would tell",
        )
    return "solved", ""
