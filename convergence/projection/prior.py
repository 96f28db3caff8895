"""What is known of a section's shape before any reading: the physical prior.

The shape is theta = (ln X, ln n, ln m_1 .. ln m_p): influence length of the face, tail power of its profile
(`convergence.laws.face_modes`) and creep ratios of the hereditary law.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.laws import DEFAULT_RETARDATION_TIMES

Floats = npt.NDArray[np.float64]

#: Influence length over the tunnel's half width: X = 0.84 R_p (Panet and Guenot 1982, from memory), with the plastic
#: radius R_p from R to 2.5 R, so 0.84 to 2.1 half widths; the middle in the logarithm, and a spread that holds the
#: range at about one and a half standard deviations.
LENGTH_MEDIAN, LENGTH_SPREAD = 1.3, 0.30
#: Influence lengths, in widths, that are taken seriously: 0.4 to 5 half widths; no published profile lies outside.
SHORTEST_LENGTH, LONGEST_LENGTH = 0.2, 2.5
#: Tail power of the face's profile: 2 in the profiles of Panet and Guenot and of Unlu and Gercek, exponential (a
#: large power) in that of Vlachopoulos and Diederichs, between them that of Corbetta (all from memory).
POWER_MEDIAN, POWER_SPREAD = 3.0, 0.6
#: Modes of the release: shortest decay length in widths, and their number; the longest is then 7 widths.
SHORTEST_MODE, MODES = 0.06, 10
#: Decay length ahead of the face in widths: 4/3 of an influence length of 0.9 half widths, as in the Unlu-Gercek
#: profile at nu = 0.25 (from memory).
AHEAD = 0.6
#: Creep over the instantaneous movement for the retardation times of 1, 6, 36 and 216 days. Its sum of three tenths
#: lies just under the 0.33 to 1.0 of 25 to 50 % time-dependent movement in flysch (Terron-Almenara and Panthi 2025,
#: published), for better ground creeps less; a lining that relaxes for weeks adds to the later part. Most of it comes
#: early: 70 to 80 % of a crown's settlement within some 20 days in weathered granite, an end of movement with the face
#: six widths past (published abstracts). So wide in the logarithm that next to none, and four times as much, are both
#: likely.
CREEP_MEDIANS, CREEP_SPREAD = (0.12, 0.10, 0.06, 0.03), 1.2
#: Part of the creep's spread that all retardation times share: ground that creeps little in days does so in months.
CREEP_COMMON = 0.5
#: Spread of one section's shape about its neighbours', where the site has not told yet: in ln X and in each ln m.
BETWEEN_LENGTH, BETWEEN_POWER, BETWEEN_CREEP = 0.06, 0.10, 0.18
#: Spread of one measure's shape about its section's (assumed: as much as neighbours differ).
WITHIN_LENGTH, WITHIN_POWER, WITHIN_CREEP = 0.05, 0.08, 0.15
#: Share of the release ahead of the face: 0.234 to 0.308 in the published profiles of
#: `convergence.laws.profiles` (from memory).
FACE_SHARE_SPREAD = 0.025
#: Standard deviation of the instantaneous movement, as a share of the tunnel's width: one percent is much for a
#: tunnel that is to stand (controlled closure of about 1 %, Kontogianni and Stiros 2003, published).
AMPLITUDE_SHARE = 0.010
#: A final value beyond this share of the tunnel's width is no forecast: no opening that stands closes by a tenth.
LARGEST_SHARE = 0.1
#: Movement a later stage causes over that of the first, where no section of the site has shown it yet: this much of
#: the ratio of the shares of the opening, and its spread as a share of itself (assumed, no source: the later stages
#: widen an opening that has found its arch).
STAGE_RATIO, STAGE_RATIO_SPREAD = 0.4, 0.6
#: How unlike a section may be to the pattern of the others, where the site has told little: spread of the factor common
#: to all its measures, and of each measure about it (assumed: neighbours differ by a quarter, the measures of a section
#: by a seventh; both are estimated from the site's own sections as soon as there are some).
FACTOR_SPREAD, PATTERN_SPREAD = 0.25, 0.15
#: The movement still to come may differ from the law's by this share of itself, whatever the readings say: profiles
#: and creep curves that fit the same readings alike go on differently (the four certified curves of one data set in
#: the tests, NIST Misra1, end at 239, 338, 437 and 637 after fitting alike).
TAIL = 0.3
#: Once the ring is closed, what is still to come may differ by this share of itself from what the law says (assumed:
#: a stiff ring may stop most of it, a soft one hardly any).
CLOSING = 0.5
#: A final value that the other sections move by more than this many standard deviations of the move expected is told
#: in a wider band, by no more than this factor.
DISAGREEMENT, MOST_WIDENING = 1.64, 2.5
#: Standard deviation of the movement that the law does not describe, as a share of the amplitude, over the whole
#: release.
DISCREPANCY = 0.04


@dataclass(frozen=True)
class ShapePrior:
    """A normal prior for the shape.

    Attributes
    ----------
    mean : (d,) array
        Mean of theta.
    covariance : (d, d) array
        Covariance of theta.
    """

    mean: Floats
    covariance: Floats


def physical_prior(width: float, retardation_times: tuple[float, ...] = DEFAULT_RETARDATION_TIMES) -> ShapePrior:
    """The prior for a section of a tunnel of this width [m]; dimension 1 + number of retardation times."""
    count = len(retardation_times)
    medians = CREEP_MEDIANS if count == len(CREEP_MEDIANS) else (sum(CREEP_MEDIANS) / count,) * count
    mean = np.log([LENGTH_MEDIAN * width / 2, POWER_MEDIAN, *medians])
    return ShapePrior(mean, _covariance(LENGTH_SPREAD, POWER_SPREAD, CREEP_SPREAD, count))


def creep_share_deviation(theta: Floats, weight: Floats) -> tuple[float, float]:
    """Mean and standard deviation of the creep share sum m / (1 + sum m) over weighted samples of theta (s, d)."""
    creep = np.exp(theta[:, 2:]).sum(axis=1)
    share = creep / (1.0 + creep)
    mean = float(weight @ share)
    return mean, float(np.sqrt(weight @ (share - mean) ** 2))


def unread_creep_deviation(prior: ShapePrior) -> float:
    """Standard deviation of the creep share before any reading, from a fixed sample of the prior."""
    generator = np.random.default_rng(7)
    theta = generator.multivariate_normal(prior.mean, prior.covariance, 4000, method="cholesky")
    return creep_share_deviation(theta, np.full(len(theta), 1.0 / len(theta)))[1]


def between_sections(count: int) -> Floats:
    """Covariance of one section's shape about its neighbours', for so many retardation times, shape (d, d)."""
    return _covariance(BETWEEN_LENGTH, BETWEEN_POWER, BETWEEN_CREEP, count)


def within_section(count: int) -> Floats:
    """Covariance of one measure's shape about its section's, for so many retardation times, shape (d, d)."""
    return _covariance(WITHIN_LENGTH, WITHIN_POWER, WITHIN_CREEP, count)


def _covariance(length: float, power: float, creep: float, count: int) -> Floats:
    """Covariance of a shape: creep ratios of all retardation times rise and fall together, neighbours the more so."""
    index = np.arange(count)
    covariance = np.zeros((count + 2, count + 2))
    covariance[0, 0], covariance[1, 1] = length**2, power**2
    covariance[2:, 2:] = creep**2 * (CREEP_COMMON + (1 - CREEP_COMMON) * 0.6 ** np.abs(index[:, None] - index[None, :]))
    return covariance
