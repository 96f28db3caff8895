"""Strain gauges of girders beside the strain by prisms."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from convergence.job.strain_gauges import GaugeReading
from convergence.lining.demand import Demand
from convergence.survey.job import Job


def compare_gauges(job: Job, demand: Demand, readings: Sequence[GaugeReading]) -> pd.DataFrame:
    """Change of strain by each gauge of a section beside the change by its prisms in the same time.

    Only changes are compared: a gauge knows nothing of the strain before its first reading. Warmth is in both. A single
    gauge sits at one point, where bending adds to the hoop strain or takes from it; the mean of gauges around the ring is
    what the prisms' strain stands for.

    Parameters
    ----------
    job : Job
        For its epoch.
    demand : Demand
        Of the section; a refused one has nothing to compare with.
    readings : sequence of GaugeReading
        Readings of any sections, as `convergence.job.strain_gauges.read_strain_gauges` gives them.

    Returns
    -------
    DataFrame
        A row a gauge and one for their mean: change by the gauge, by the prisms with its 5 and 95 % points
        [microstrain], and whether the gauge lies inside.
    """
    columns = ["gauge", "from_day", "to_day", "gauge_change", "prisms", "low", "high", "inside"]
    own = [item for item in readings if item.section == demand.section]
    if demand.refused or not own:
        return pd.DataFrame(columns=columns).set_index("gauge")
    rows: list[list[object]] = []
    times = demand.history.time
    for gauge in dict.fromkeys(item.gauge for item in own):
        series = sorted((job.days(item.time), item.strain) for item in own if item.gauge == gauge)
        inside = [(day, strain) for day, strain in series if times[0] <= day <= times[-1]]
        if len(inside) < 2:
            continue
        start, end = inside[0], inside[-1]
        change = _at(demand, end[0]) - _at(demand, start[0])
        # samples share their offset, so their difference has lost the noise of the prisms: it comes back here
        noise = np.sqrt(2.0) * demand.since_zero_error * np.random.default_rng(0).standard_normal(change.size)
        low, middle, high = np.quantile(change + noise, (0.05, 0.5, 0.95))
        found = end[1] - start[1]
        rows.append([gauge, start[0], end[0], found, middle, low, high, bool(low <= found <= high)])
    table = pd.DataFrame(rows, columns=columns)
    if len(table) > 1:
        numbers = table[["from_day", "to_day", "gauge_change", "prisms", "low", "high"]].astype(float).mean()
        within = bool(numbers["low"] <= numbers["gauge_change"] <= numbers["high"])
        table.loc[len(table)] = ["mean of all", *numbers.tolist(), within]
    return table.set_index("gauge")


def _at(demand: Demand, day: float) -> np.ndarray:
    """Samples of the strain at a day [microstrain]."""
    times, samples = demand.history.time, demand.strain_samples
    right = int(np.clip(np.searchsorted(times, day), 1, len(times) - 1))
    share = (day - times[right - 1]) / (times[right] - times[right - 1])
    return np.asarray(samples[right - 1] * (1.0 - share) + samples[right] * share)
