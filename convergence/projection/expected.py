"""What is expected of a section's amplitudes before its own readings: from the other sections and from the stages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.projection.prior import AMPLITUDE_SHARE, STAGE_RATIO, STAGE_RATIO_SPREAD

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class StageRatio:
    """What later stages cause, over what the first stage causes: mean and spread of A_k / A_1 by measure label."""

    mean: float
    spread: float


@dataclass(frozen=True)
class Pattern:
    """What the other sections say of a section's amplitudes of the first stage.

    A_j = g mean_j + spread_j e_j, with g common to all measures of the section, N(1, factor_spread^2), and e_j standard
    normal. So the measures of a section tell each other how much it moves, whatever its neighbours do; how far the
    neighbours count is the spread of g.

    Attributes
    ----------
    mean : (j,) array
        Amplitude of each series by the other sections [mm]; 0 where they say nothing.
    spread : (j,) array
        Standard deviation [mm] of the series about g times the mean, above 0.
    factor_spread : float
        Standard deviation of g.
    """

    mean: Floats
    spread: Floats
    factor_spread: float


def no_pattern(count: int, width: float) -> Pattern:
    """The pattern of a site that has said nothing yet: amplitudes within a share of the tunnel's width [m]."""
    return Pattern(np.zeros(count), np.full(count, AMPLITUDE_SHARE * width * 1e3), 1.0)


def default_ratio(share: float | None, first_share: float | None) -> StageRatio:
    """Ratio of a later stage's movement to the first's by the shares of the opening, where the site has not told."""
    mean = STAGE_RATIO * (share / first_share if share and first_share else 0.6)
    return StageRatio(mean, STAGE_RATIO_SPREAD * max(mean, 0.2))
