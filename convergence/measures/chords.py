"""Chords: convergence between two prisms of a section from their 3-D positions.

C(t) = |P_i - P_j| at the chord's zero reading - |P_i(t) - P_j(t)|,   + shortening

The chord's zero reading is the first sweep in which both prisms are read. Positions are the design positions
plus the raw movement at the zero reading plus the movement since, all in one Cartesian frame.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.job.schema import ChordPair, Prism

Floats = npt.NDArray[np.float64]

#: Two prisms are level if their heights differ by no more than this [m].
LEVEL = 0.75


def chord_convergence(position_start: Floats, position_end: Floats) -> tuple[Floats, float]:
    """Convergence of a chord.

    Parameters
    ----------
    position_start, position_end : (n, 3) arrays
        Positions [m] of the two prisms in one Cartesian frame, sweep by sweep.

    Returns
    -------
    convergence : (n,) array
        Shortening [mm] since the first sweep.
    length : float
        Chord length [m] at the first sweep.

    Examples
    --------
    Two prisms 10 m apart, each moving 5 mm towards the other:

    >>> a = np.array([[0.0, -5.0, 0.0], [0.0, -4.995, 0.0]])
    >>> convergence, length = chord_convergence(a, -a)
    >>> float(round(convergence[1], 6)), length
    (10.0, 10.0)
    """
    length = np.linalg.norm(position_start - position_end, axis=1)
    return 1e3 * (length[0] - length), float(length[0])


def chord_pairs(section: str, prisms: Sequence[Prism], named: Sequence[ChordPair]) -> list[tuple[int, int]]:
    """Pairs of prisms of a section whose chords are measured.

    The pairs the job names for the section; where it names none for any section, all level pairs left to
    right (one prism left of the axis, one right, heights within ``LEVEL``). Where a position stands twice in
    a section, every prism that bears it is paired with the nearest in height.

    Parameters
    ----------
    section : str
        The section.
    prisms : sequence of Prism
        Its prisms.
    named : sequence of ChordPair
        The pairs the job names.

    Returns
    -------
    list of (int, int)
        Indices into ``prisms``, left first where one is left of the other.
    """
    if named:
        found = []
        for pair in named:
            if pair.section in ("*", section):
                found += _matching(prisms, pair)
        return list(dict.fromkeys(found))
    left = [index for index, prism in enumerate(prisms) if prism.offset < 0]
    right = [index for index, prism in enumerate(prisms) if prism.offset > 0]
    return [(one, two) for one in left for two in right if abs(prisms[one].height - prisms[two].height) <= LEVEL]


def _matching(prisms: Sequence[Prism], pair: ChordPair) -> list[tuple[int, int]]:
    starts = [index for index, prism in enumerate(prisms) if pair.start in (prism.position, prism.name)]
    ends = [index for index, prism in enumerate(prisms) if pair.end in (prism.position, prism.name)]
    if not ends:
        return []
    nearest = [min(ends, key=lambda end: (abs(prisms[end].height - prisms[start].height), end)) for start in starts]
    return [(start, end) for start, end in zip(starts, nearest, strict=True) if start != end]
