"""Readings gathered into bins that widen with time: far fewer numbers, the same information for a slow movement.

The bins of a section are shared by its measures. A bin is never wider than a share of the time since the section's
first reading, never holds two segments of a series, and the zero reading of a series stands alone. The covariance of
the bin means is exact for the noise model given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.measures.rates import Noise
from convergence.measures.series import Series

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Width of a bin as a share of the time since the first reading, the least and the most it may be [days].
SHARE, NARROWEST, WIDEST = 0.06, 0.02, 5.0
NO_BREAKS = np.empty(0)
#: A series' own mean time in a bin may differ from the bin's by this share of the time since the first reading, plus
#: this many days (the minutes between the prisms of a sweep), before it is given a time of its own.
TIME_SHARE, TIME_SLACK = 0.01, 0.012


@dataclass(frozen=True)
class Bins:
    """Bin means of one series.

    Attributes
    ----------
    time, value : (n,) arrays
        Mean day and mean movement [mm], the zero reading first.
    segment : (n,) array of int
        Segment of each bin.
    covariance : (n, n) array
        Noise covariance [mm2] of the bin means.
    """

    time: Floats
    value: Floats
    segment: Ints
    covariance: Floats


def bin_section(series: Sequence[Series], noise: Noise, breaks: Floats = NO_BREAKS) -> list[Bins]:
    """Bin the measures of one section on common bins; a series without readings gives empty bins.

    No bin reaches over one of the ``breaks`` [days]: the mean of readings before and after a round near the section is
    not the movement at their mean time.
    """
    every = np.unique(np.concatenate([item.time for item in series]))
    if not len(every):
        return [Bins(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64), np.empty((0, 0))) for _ in series]
    edges = _edges(every, np.sort(breaks))
    label = np.searchsorted(edges, every, side="right")
    centre = np.bincount(label, every) / np.maximum(np.bincount(label), 1)
    return [_bin_one(item, edges, centre, float(every[0]), noise) for item in series]


def _edges(time: Floats, breaks: Floats) -> Floats:
    """Times at which a new bin begins."""
    edges = [float(time[0])]
    passed = np.searchsorted(breaks, time)
    since = passed[0]
    for at, broken in zip(time.tolist(), passed.tolist(), strict=True):
        if broken != since or at - edges[-1] > min(WIDEST, max(NARROWEST, SHARE * (edges[-1] - time[0]))):
            edges.append(at)
            since = broken
    return np.array(edges)


def _bin_one(series: Series, edges: Floats, centre: Floats, start: float, noise: Noise) -> Bins:
    time, value, segment = series.time, series.value, series.segment
    if not len(time):
        return Bins(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64), np.empty((0, 0)))
    shared = np.searchsorted(edges, time, side="right")
    new = (np.diff(shared, prepend=-1) != 0) | (np.diff(segment, prepend=-1) != 0)
    new[1:2] = True
    label = np.cumsum(new) - 1
    count = np.bincount(label).astype(np.float64)
    first = np.flatnonzero(new)
    own = np.bincount(label, time) / count
    common = centre[shared[first]]
    bin_time = np.where(np.abs(own - common) < TIME_SLACK + TIME_SHARE * (own - start), common, own)
    # the zero reading and the reading after it must not fall together
    bin_time = own if (np.diff(bin_time) <= 0).any() else bin_time
    return Bins(
        bin_time,
        np.bincount(label, value) / count,
        segment[first],
        _covariance(time, label, first, noise.scaled(series.measure)),
    )


def _covariance(time: Floats, label: Ints, first: Ints, noise: Noise) -> Floats:
    """Noise covariance [mm2] of the means of bins that follow each other in time.

    Between two bins exp(-(t - s) / T) is a product of a factor of s and a factor of t, so the mean over all pairs is
    the product of two means; both are taken from the bins' inner edges, where neither can overflow.
    """
    last = np.append(first[1:], len(time)) - 1
    count = (last - first + 1).astype(np.float64)
    to_end = np.bincount(label, np.exp((time - time[last][label]) / noise.days)) / count
    from_start = np.bincount(label, np.exp((time[first][label] - time) / noise.days)) / count
    gap = np.maximum(time[first][None, :] - time[last][:, None], 0.0)
    later = np.triu(to_end[:, None] * from_start[None, :] * np.exp(-gap / noise.days), 1)
    covariance: Floats = noise.correlated**2 * (later + later.T)
    # inside a bin the correlated part does not average out: its mean over all pairs of readings in the bin
    for index in range(len(first)):
        members = time[first[index] : last[index] + 1]
        lag = np.abs(members[:, None] - members[None, :])
        covariance[index, index] = (
            noise.correlated**2 * np.exp(-lag / noise.days).mean() + noise.white**2 / count[index]
        )
    return covariance
