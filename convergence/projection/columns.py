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
class RoundRows:
    """Times in use at which a round of one stage may have been taken or not.

    Attributes
    ----------
    start, end : (n,) arrays of int
        Rows of the span in which a round was taken, for every time in use; the row itself outside of any.
    part : (n,) array
        Share of the span that has gone by, 0 outside.
    """

    start: Ints
    end: Ints
    part: Floats


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
    rounds : tuple of RoundRows
        For each stage, the times within rounds whose own instant nobody knows.
    """

    bins: tuple[Bins, ...]
    bases: Floats
    spanned: Floats
    at_bins: tuple[Ints, ...]
    at_dates: Ints
    closed: tuple[int, ...]
    rounds: tuple[RoundRows, ...]


def section_columns(
    bins: Sequence[Bins],
    paths: Sequence[FacePath],
    dates: Floats,
    widths: Sequence[float],
    retardation_times: Sequence[float],
    closings: Sequence[float] = (),
    spans: Sequence[Floats] = (),
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
    spans : sequence of (m, 2) arrays, optional
        For each stage, spans [days] in which a round near the section was taken, nobody knows when.
    """
    spans = spans or [np.empty((0, 2)) for _ in paths]
    times = np.unique(
        np.concatenate([dates, list(closings), *(item.time for item in bins), *(item.ravel() for item in spans)])
    )
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
        tuple(_round_rows(times, item) for item in spans),
    )


def _round_rows(times: Floats, spans: Floats) -> RoundRows:
    """Where each time lies within the spans, which follow each other."""
    own = np.arange(len(times))
    if not len(spans):
        return RoundRows(own, own, np.zeros(len(times)))
    place = np.clip(np.searchsorted(spans[:, 0], times, side="right") - 1, 0, len(spans) - 1)
    first, last = spans[place].T
    part = (times - first) / (last - first)
    inside = (part > 0.0) & (part < 1.0)
    return RoundRows(
        np.where(inside, np.searchsorted(times, first), own),
        np.where(inside, np.searchsorted(times, last), own),
        np.where(inside, part, 0.0),
    )
