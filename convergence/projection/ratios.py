"""What a later stage causes over the first, learnt from the sections it has passed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from convergence.projection.expected import StageRatio, default_ratio
from convergence.projection.task import SectionTask
from convergence.projection.work import AloneResult

#: Fewest sections that must have been passed by a later stage before the site's own ratio is believed.
FEWEST_RATIOS = 2


def site_ratios(
    tasks: Sequence[SectionTask], alone: Sequence[AloneResult], shares: Mapping[str, float | None]
) -> list[dict[tuple[str, str], StageRatio]]:
    """What a later stage causes over the first, from the other sections it has passed a while ago.

    A precision-weighted mean over the sections, its spread the scatter between them and the error of the mean; never
    from the section it is for, whose own readings speak for themselves. Where fewer have been passed the ratio is that
    of the stages' shares of the opening, by name in the order of the job.

    Returns
    -------
    list of dict
        For each section, in their order, the ratio by measure label and stage.
    """
    collected: dict[tuple[str, str], list[tuple[int, float, float]]] = {}
    for number, (task, item) in enumerate(zip(tasks, alone, strict=True)):
        for place, name in enumerate(task.stages[1:], start=1):
            passage = task.paths[place].passage()
            if not passage < task.now - 7.0 or not task.paths[place].at(task.now) > 0.75 * task.stage_widths[place]:
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
                collected.setdefault((series.label, name), []).append((number, float(ratio), float(error)))
    first = next(iter(shares))
    fallback = {name: default_ratio(share, shares[first]) for name, share in shares.items()}
    return [
        {
            key: _combined(others, fallback[key[1]])
            for key, values in collected.items()
            if len(others := [(ratio, error) for owner, ratio, error in values if owner != number]) >= FEWEST_RATIOS
        }
        for number in range(len(tasks))
    ]


def _combined(values: Sequence[tuple[float, float]], fallback: StageRatio) -> StageRatio:
    """One ratio from those of several sections, each with its standard error."""
    ratio, error = np.array(values).T
    weight = 1.0 / (error**2 + 0.1**2)
    mean = float((weight * ratio).sum() / weight.sum())
    scatter = float((weight * (ratio - mean) ** 2).sum() / weight.sum())
    # with few sections the scatter is hardly known: the assumed spread counts as two more sections
    count = len(values)
    assumed = 2 * (0.5 * fallback.spread) ** 2
    return StageRatio(mean, float(np.sqrt((count * scatter + assumed) / (count + 2) + 1.0 / weight.sum())))
