"""What of one section's model no shape, prior or pool changes: worked out once and kept for every pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.laws import FacePath
from convergence.projection.bases import mode_columns, spanning_columns
from convergence.projection.bins import Bins

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class SectionColumns:
    """The binned readings of a section and the movement of its stages as columns.

    Attributes
    ----------
    bins : tuple of Bins
        Readings of each series.
    bases : (n, K, c) array
        A few columns that span each stage's modes, at all the times in use.
    spanned : (K, m, c) array
        How the modes are made of them (`convergence.projection.bases.spanning_columns`).
    at_bins : tuple of (b,) arrays
        Rows of the bins of each series.
    at_dates : (e,) array
        Rows of the dates of the projection.
    closed : tuple of int
        Rows of the days on which the ring was closed.
    """

    bins: tuple[Bins, ...]
    bases: Floats
    spanned: Floats
    at_bins: tuple[Ints, ...]
    at_dates: Ints
    closed: tuple[int, ...]


def section_columns(
    bins: Sequence[Bins],
    paths: Sequence[FacePath],
    dates: Floats,
    widths: Sequence[float],
    retardation_times: Sequence[float],
    closings: Sequence[float] = (),
) -> SectionColumns:
    """Columns of one section.

    Parameters
    ----------
    bins : sequence of Bins
        Binned readings of each series.
    paths : sequence of FacePath
        Past and planned path of each stage past the section, the first stage first.
    dates : (e,) array
        Days at which the movement will be asked for, ascending.
    widths : sequence of float
        Acting width of each stage [m], the first stage first (`convergence.job.stages`): a shape is one per width, so
        that a narrow drift's influence length is shorter than the tunnel's in proportion.
    retardation_times : sequence of float
        tau_i [days].
    closings : sequence of float
        Days on which the ring was closed here: from then on the release may go on by another share.
    """
    times = np.unique(np.concatenate([dates, list(closings), *(item.time for item in bins)]))
    modes = [mode_columns(path, times, width, retardation_times) for path, width in zip(paths, widths, strict=True)]
    bases, spanned = spanning_columns(modes)
    # laid out as a copy sent to another process would be, so that the numbers do not hang on the process
    return SectionColumns(
        tuple(bins),
        np.ascontiguousarray(bases),
        np.ascontiguousarray(spanned),
        tuple(np.searchsorted(times, item.time) for item in bins),
        np.searchsorted(times, dates),
        tuple(int(np.searchsorted(times, day)) for day in closings),
    )
