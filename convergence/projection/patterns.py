"""How much the other sections move, measure by measure: the pattern a section's amplitudes are expected to follow.

The pattern is a weighted mean over the other sections, near and well-known ones counting more. It only says what is
likely: a factor common to all measures of the section stands before it and is found from the section's own readings, so
a section that moves twice as much as its neighbours is followed as soon as its prisms agree on it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from convergence.projection.expected import Pattern
from convergence.projection.pool import FADING
from convergence.projection.prior import AMPLITUDE_SHARE, FACTOR_SPREAD, PATTERN_SPREAD
from convergence.projection.task import SectionTask
from convergence.projection.work import AloneResult

#: Weight of a section however far away, and the sum of weights under which nothing is said.
FAR_WEIGHT, LEAST_WEIGHT = 0.1, 0.15
#: A measure may differ from the pattern by at least this share of the largest measure of the section.
FLOOR_SHARE = 0.12
#: An amplitude known to this share of itself counts half.
HALF_KNOWN = 0.3


def site_patterns(tasks: Sequence[SectionTask], alone: Sequence[AloneResult]) -> list[Pattern]:
    """Pattern of each section from all the others.

    Parameters
    ----------
    tasks : sequence of SectionTask
        The sections.
    alone : sequence of AloneResult
        What each says by itself, in the same order.

    Returns
    -------
    list of Pattern
        In the same order; a measure that no other section has gets the wide prior of a site unseen.
    """
    chainage = np.array([task.chainage for task in tasks])
    known: dict[str, list[tuple[int, float, float]]] = {}
    for place, (task, item) in enumerate(zip(tasks, alone, strict=True)):
        for index, series in enumerate(task.series):
            found = (place, float(item.amplitude[index, 0]), float(item.amplitude_variance[index, 0]))
            known.setdefault(series.label, []).append(found)
    patterns = []
    for place, task in enumerate(tasks):
        near = np.exp(-np.abs(chainage - chainage[place]) / FADING) + FAR_WEIGHT
        mean, total = np.zeros(len(task.series)), np.zeros(len(task.series))
        for index, series in enumerate(task.series):
            for other, amplitude, variance in known[series.label]:
                if other != place:
                    weight = near[other] / (1.0 + variance / (HALF_KNOWN * max(abs(amplitude), 1.0)) ** 2)
                    mean[index] += weight * amplitude
                    total[index] += weight
        told = total > LEAST_WEIGHT
        mean = np.where(told, mean / np.where(told, total, 1.0), 0.0)
        largest = float(np.abs(mean).max(initial=0.0))
        wide = AMPLITUDE_SHARE * task.width * 1e3
        spread = np.where(told, np.maximum(np.hypot(PATTERN_SPREAD * mean, FLOOR_SHARE * largest), 0.5), wide)
        patterns.append(Pattern(mean, spread, FACTOR_SPREAD))
    return patterns
