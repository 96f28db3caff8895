"""How much a section moves, by what the other sections do: the pattern its amplitudes are expected to follow.

    A_ij = g_i M_j + s_j e_ij

M is the site's pattern (what each measure moves beside the others), g_i how much section i moves as a whole. Along the
tunnel g is a normal field about 1 whose correlation fades with distance and breaks where the ground changes
(`ground.py`); its spread, and that of the measures about the pattern, are estimated from the site's own sections, with
an assumed spread where there are few. The pattern of a section is the conditional of all that on the others, never on
itself. A section whose own readings contradict it is given as much more room as it takes to make that likely, so a bad
section is not pulled down to its good neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.projection.expected import Pattern
from convergence.projection.ground import FADING, SIZE_OF_GROUNDS, likeness
from convergence.projection.prior import AMPLITUDE_SHARE, FACTOR_SPREAD, PATTERN_SPREAD
from convergence.projection.task import SectionTask
from convergence.projection.work import Refined

Floats = npt.NDArray[np.float64]

#: Weight of a section however far away, and the sum of weights under which nothing is said.
FAR_WEIGHT, LEAST_WEIGHT = 0.1, 0.15
#: A measure may differ from the pattern by as much as one of this share of the largest measure of the section would.
FLOOR_SHARE = 0.4
#: An amplitude known to this share of itself counts half.
HALF_KNOWN = 0.3
#: Spreads of the factor that are tried, and how strongly the assumed one is preferred (spread of the logarithm).
SPREADS, PREFERENCE = np.geomspace(0.08, 1.0, 14), 0.5
#: So many sections' worth of the assumed spread of the measures stands beside what the site shows.
ASSUMED_SECTIONS = 1.0
#: Standard deviations between a section's own amplitudes and its pattern that are nothing unusual.
UNUSUAL = 1.5
#: Times the measures that do not follow their section are given less say in how much it moves.
ROBUST_STEPS = 6


@dataclass(frozen=True)
class _Site:
    """Amplitudes of all sections (n, labels), NaN where a section lacks a measure, and how well they are known."""

    amplitude: Floats
    own_variance: Floats
    along_shape: Floats


def site_sizes(tasks: Sequence[SectionTask], found: Sequence[Refined]) -> tuple[Floats, Floats]:
    """How much each section moves over the site's pattern, and the variance of that, both (n,)."""
    site, known, _ = _told(tasks, found)
    return _factors(site, _mean(site.amplitude, known))


def site_patterns(tasks: Sequence[SectionTask], found: Sequence[Refined], together: Floats) -> list[Pattern]:
    """Pattern of each section from all the others.

    Parameters
    ----------
    tasks : sequence of SectionTask
        The sections.
    found : sequence of Refined
        What each section's readings say with the shape pooled, in the same order.
    together : (n, n) array
        Probability that no change of the ground lies between two of them.

    Returns
    -------
    list of Pattern
        In the same order; a measure that no other section has gets the wide prior of a site unseen.
    """
    site, known, columns = _told(tasks, found)
    everywhere = _mean(site.amplitude, known)
    factor, factor_variance = _factors(site, everywhere)
    chainage = np.array([task.chainage for task in tasks])
    expected, spread = _field(chainage, factor, factor_variance, together)
    form = site.amplitude / np.where(np.abs(factor) > 0.2, factor, np.nan)[:, None]
    within = _within(site, form, factor, everywhere)
    patterns = []
    for index, task in enumerate(tasks):
        near = together[index] * np.exp(-np.abs(chainage - chainage[index]) / FADING) + FAR_WEIGHT
        near[index] = 0.0
        weight = np.where(np.isnan(form), 0.0, known * near[:, None])[:, columns[index]]
        told = weight.sum(axis=0) > LEAST_WEIGHT
        mean = np.where(told, expected[index] * _mean(form[:, columns[index]], weight), 0.0)
        floor = FLOOR_SHARE * float(np.abs(mean).max(initial=0.0))
        room = np.maximum(within * np.hypot(mean, floor), 0.5)
        own, own_variance = site.amplitude[index, columns[index]], site.own_variance[index, columns[index]]
        share = spread[index] / max(abs(expected[index]), 0.2)
        if told.any():
            share = _roomier(
                share, factor[index] / expected[index] - 1.0, factor_variance[index] / expected[index] ** 2
            )
            apart = own - factor[index] / expected[index] * mean
            room = np.maximum(room, np.sqrt(np.maximum((apart / UNUSUAL) ** 2 - own_variance, 0.0)))
        wide = AMPLITUDE_SHARE * task.width * 1e3
        patterns.append(Pattern(mean, np.where(told, room, wide), float(share)))
    return patterns


def _told(tasks: Sequence[SectionTask], found: Sequence[Refined]) -> tuple[_Site, Floats, list[npt.NDArray[np.int64]]]:
    """Amplitudes of the site, how well each is known (0 to 1), and the columns of each section's series."""
    labels = sorted({series.label for task in tasks for series in task.series})
    place = {label: index for index, label in enumerate(labels)}
    columns = [np.array([place[series.label] for series in task.series], dtype=np.int64) for task in tasks]
    site = _gathered(found, columns, len(labels))
    variance = site.own_variance + (site.along_shape**2).sum(axis=1)
    size = np.maximum(np.abs(site.amplitude), 1.0)
    known = np.where(np.isnan(site.amplitude), 0.0, 1.0 / (1.0 + variance / (HALF_KNOWN * size) ** 2))
    return site, known, columns


def _gathered(found: Sequence[Refined], columns: Sequence[npt.NDArray[np.int64]], count: int) -> _Site:
    """The sections' amplitudes in columns of their labels."""
    axes = found[0].along_shape.shape[0]
    amplitude = np.full((len(found), count), np.nan)
    own, along = np.full_like(amplitude, np.nan), np.zeros((len(found), axes, count))
    for index, (item, where) in enumerate(zip(found, columns, strict=True)):
        amplitude[index, where] = item.amplitude
        own[index, where] = item.own_variance
        along[index][:, where] = item.along_shape
    return _Site(amplitude, own, along)


def _mean(values: Floats, weight: Floats) -> Floats:
    """Weighted mean of each column, 0 where nothing counts."""
    total = weight.sum(axis=0)
    summed = np.where(weight > 0.0, values * weight, 0.0).sum(axis=0)
    return np.asarray(np.where(total > 0.0, summed / np.where(total > 0.0, total, 1.0), 0.0))


def _factors(site: _Site, pattern: Floats) -> tuple[Floats, Floats]:
    """How much each section moves over the pattern, and the variance of that; 1 and no knowledge without a measure."""
    floor = FLOOR_SHARE * float(np.abs(pattern).max(initial=0.0))
    usual = np.broadcast_to((PATTERN_SPREAD * np.hypot(pattern, floor)) ** 2 + 0.25, site.amplitude.shape)
    amplitude, own = np.nan_to_num(site.amplitude), np.nan_to_num(site.own_variance)
    scatter = usual
    for _ in range(ROBUST_STEPS):
        weight = np.where(np.isnan(site.amplitude), 0.0, pattern / (scatter + own))
        total = (weight * pattern).sum(axis=1)
        usable = total > 1e-6
        share = weight / np.where(usable, total, 1.0)[:, None]
        factor = np.where(usable, (share * amplitude).sum(axis=1), 1.0)
        # a prism on a loose wedge says little of how much its section moves
        scatter = np.maximum(usual, ((amplitude - factor[:, None] * pattern) / UNUSUAL) ** 2)
    shape = ((site.along_shape * share[:, None, :]).sum(axis=2) ** 2).sum(axis=1)
    return factor, np.where(usable, shape + (share**2 * (own + scatter)).sum(axis=1), 1e6)


def _field(chainage: Floats, factor: Floats, variance: Floats, together: Floats) -> tuple[Floats, Floats]:
    """Factor of each section given all the others, and its standard deviation, the section's own part included."""
    # the field's mean is not known either: a constant of the same spread, and as far as the ground changes one for each
    alike = likeness(chainage, together) + 1.0
    grounds = SIZE_OF_GROUNDS**2 * (1.0 - together.mean()) * together
    away = factor - 1.0
    scores = []
    for spread in SPREADS:
        covariance = spread**2 * alike + grounds + np.diag(variance)
        scores.append(
            -0.5 * np.linalg.slogdet(covariance)[1]
            - 0.5 * away @ np.linalg.solve(covariance, away)
            - 0.5 * (np.log(spread / FACTOR_SPREAD) / PREFERENCE) ** 2
        )
    spread = float(SPREADS[int(np.argmax(scores))])
    covariance = spread**2 * alike + grounds
    # leaving one out needs one inverse: of the readings' covariance, whose diagonal holds what all others leave open
    inverse = np.linalg.inv(covariance + np.diag(variance))
    open_ = 1.0 / np.diag(inverse)
    expected = factor - (inverse @ away) * open_
    left = np.sqrt(np.maximum(open_ - variance, (0.3 * spread) ** 2))
    return np.clip(expected, 0.2, 5.0), left


def _within(site: _Site, form: Floats, factor: Floats, pattern: Floats) -> float:
    """Spread of the measures about their section's pattern, over their size, from the site and from what is assumed."""
    floor = FLOOR_SHARE * float(np.abs(pattern).max(initial=0.0))
    size = np.hypot(pattern, floor)
    usable = ~np.isnan(form) & (
        np.nan_to_num(site.own_variance) < (0.15 * size * np.maximum(factor, 0.2)[:, None]) ** 2
    )
    usable &= size > 1e-6
    squares = np.where(usable, (np.nan_to_num(form) - pattern) / np.where(size > 0, size, 1.0), 0.0) ** 2
    counted = float(usable.sum())
    assumed = ASSUMED_SECTIONS * site.amplitude.shape[1]
    return float(np.sqrt((squares.sum() + assumed * PATTERN_SPREAD**2) / (counted + assumed)))


def _roomier(spread: float, apart: float, variance: float) -> float:
    """The spread, or as much more as makes a section that lies so far apart nothing unusual."""
    needed = (apart / UNUSUAL) ** 2 - variance
    return float(np.sqrt(max(spread**2, needed)))


__all__ = ["site_patterns", "site_sizes"]
