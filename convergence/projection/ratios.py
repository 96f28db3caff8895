"""What a later stage causes over the first, learnt from the sections it has passed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from convergence.job.schema import Stage
from convergence.projection.expected import StageRatio, default_ratio
from convergence.projection.task import SectionTask
from convergence.projection.work import AloneResult

#: Fewest sections that must have been passed by a later stage before the site's own ratio is believed.
FEWEST_RATIOS = 2


def site_ratios(
    tasks: Sequence[SectionTask], alone: Sequence[AloneResult], stages: Sequence[Stage]
) -> dict[tuple[str, str], StageRatio]:
    """What a later stage causes over the first, by measure label, from the sections it has passed a while ago.

    A precision-weighted mean over the sections, its spread the scatter between them and the error of the mean.
    """
    collected: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for task, item in zip(tasks, alone, strict=True):
        for place, name in enumerate(task.stages[1:], start=1):
            passage = task.paths[place].passage()
            if not passage < task.now - 7.0 or not task.paths[place].at(task.now) > 0.75 * task.width:
                continue
            largest = float(np.abs(item.amplitude[:, 0]).max())
            for index, series in enumerate(task.series):
                first = item.amplitude[index, 0]
                if series.time[0] > passage - 3.0 or abs(first) < 0.2 * largest:
                    continue
                ratio = item.amplitude[index, place] / first
                error = np.sqrt(
                    item.amplitude_variance[index, place] + ratio**2 * item.amplitude_variance[index, 0]
                ) / abs(first)
                collected.setdefault((series.label, name), []).append((float(ratio), float(error)))
    shares = {stage.name: stage.share for stage in stages}
    found = {}
    for (label, name), values in collected.items():
        if len(values) < FEWEST_RATIOS:
            continue
        ratio, error = np.array(values).T
        weight = 1.0 / (error**2 + 0.1**2)
        mean = float((weight * ratio).sum() / weight.sum())
        scatter = float((weight * (ratio - mean) ** 2).sum() / weight.sum())
        fallback = default_ratio(shares[name], shares[stages[0].name])
        # with few sections the scatter is hardly known: the assumed spread counts as two more sections
        count = len(values)
        spread = float(np.sqrt((count * scatter + 2 * (0.5 * fallback.spread) ** 2) / (count + 2) + 1.0 / weight.sum()))
        found[label, name] = StageRatio(mean, spread)
    return found
