"""Two prisms of an array read under each other's name: pure arrays in, stretches of sweeps out.

Between two sweeps the readings of both prisms exchange places: a_k is where b_{k-1} was and b_k where a_{k-1} was,
while the two places are far apart. Ground does not do that. Movements along the axes hold no place, so there the
exchange shows only once the prisms have moved apart by more than the scatter of readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from convergence.survey.steps import scatter

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

#: Exchanged readings miss each other's places by less than this share of the distance between them, which is at
#: least so many times the scatter of readings, and so many millimetres.
MISS, SCALES, LEAST = 0.25, 12.0, 8.0
#: Readings put right that the next one is held against.
LAST = 4
#: Prisms this far apart [mm] are told by their places, not only by what changed.
PLACES_APART = 500.0


@dataclass(frozen=True)
class Swap:
    """A stretch of sweeps in which two prisms stand under each other's name.

    Attributes
    ----------
    one, two : int
        The prisms.
    first, last : int
        First and last sweep of the stretch.
    open : bool
        Whether the stretch reaches to the last sweep that has both.
    apart : float
        Distance between what the two read when it began [mm].
    """

    one: int
    two: int
    first: int
    last: int
    open: bool
    apart: float


def find_swaps(place: Floats, design: Floats | None = None) -> list[Swap]:
    """Stretches of exchanged readings of one array.

    Parameters
    ----------
    place : (n, p, 3) array
        Place or movement [mm] of each prism by sweep, in one set of axes; NaN where it was not read.
    design : (p, 3) array, optional
        Where each prism should stand [mm], in the same axes; tells which of two stretches is the wrong one. Without
        it the earlier one is taken for right.

    Returns
    -------
    list of Swap
        By prisms and sweeps.
    """
    found: list[Swap] = []
    read: Bools = np.asarray(np.isfinite(place).all(axis=2))
    scales: dict[int, float] = {}
    for one, two in _may_meet(place, read):
        sweeps = np.flatnonzero(read[:, one] & read[:, two])
        if len(sweeps) < 4:
            continue
        a, b = place[sweeps, one], place[sweeps, two]
        apart = np.linalg.norm(b[:-1] - a[:-1], axis=1)
        miss = np.maximum(np.linalg.norm(a[1:] - b[:-1], axis=1), np.linalg.norm(b[1:] - a[:-1], axis=1))
        for index in (one, two):
            if index not in scales:
                scales[index] = scatter(place[read[:, index], index])
        far = max(SCALES * max(scales[one], scales[two]), LEAST)
        turns = np.flatnonzero((apart > far) & (miss < MISS * apart)) + 1
        if not len(turns):
            continue
        missed = None if design is not None else _missed_turn(a, b, int(turns[0]))
        wrong = _exchanged(a, b, int(turns[0]) if missed is None else missed, far, missed is not None)
        if _rather_the_others(a, b, wrong, None if design is None else design[[one, two]]):
            wrong = ~wrong
        edges = np.flatnonzero(np.diff(wrong.astype(np.int8), prepend=0, append=0))
        for low, high in list(pairwise(edges.tolist()))[::2]:
            size = float(np.linalg.norm(b[low] - a[low]))
            found.append(Swap(one, two, int(sweeps[low]), int(sweeps[high - 1]), high == len(sweeps), size))
    return found


def _may_meet(place: Floats, read: Bools) -> list[tuple[int, int]]:
    """Pairs of prisms that may have come so near to each other's places as an exchange asks for.

    One that stays within r of a middle, and one that stays within s of another a distance D away, miss each other's
    places by D - r - s at least and are apart by D + r + s at most.
    """
    middles, reaches = [], []
    for index in range(place.shape[1]):
        mine = place[read[:, index], index]
        low, high = (mine.min(axis=0), mine.max(axis=0)) if len(mine) else (np.zeros(3), np.zeros(3))
        middles.append((low + high) / 2.0)
        reaches.append(float(np.linalg.norm(high - low)) / 2.0)
    found = []
    for one, two in combinations(range(place.shape[1]), 2):
        apart, reach = float(np.linalg.norm(middles[two] - middles[one])), reaches[one] + reaches[two]
        # a little more, for rounding
        if apart - reach <= 1.001 * MISS * (apart + reach) + 1e-6:
            found.append((one, two))
    return found


def _missed_turn(a: Floats, b: Floats, turn: int) -> int | None:
    """The sweep at which an exchange began that a clear turn ends, where its own turn was drowned by noise.

    Before it the two lay apart as they do after the clear turn, and from it to there the other way round. Where the
    clear turn begins an exchange they lay one way, growing apart, all the time before it.
    """
    apart = b - a
    after = apart[turn : turn + LAST].mean(axis=0)
    size = float(np.linalg.norm(after))
    found, least = None, MISS * size
    for at in range(1, turn):
        was, became = apart[max(0, at - LAST) : at].mean(axis=0), apart[at : min(at + LAST, turn)].mean(axis=0)
        away = max(float(np.linalg.norm(was - after)), float(np.linalg.norm(became + after)))
        if away < least:
            found, least = at, away
    return found


def _exchanged(a: Floats, b: Floats, first: int, far: float, known: bool = False) -> Bools:
    """Which readings of a pair are exchanged, from the first turn on, each held against the last ones put right.

    ``known`` says that the first one is, by what comes later.
    """
    wrong = np.zeros(len(a), dtype=bool)
    right = np.stack([a, b], axis=1).copy()
    for at in range(first, len(a)):
        usual = right[max(0, at - LAST) : at].mean(axis=0)
        own = float(((right[at] - usual) ** 2).sum())
        other = float(((right[at, ::-1] - usual) ** 2).sum())
        # to begin takes clear numbers, to go on or to end only the better of the two
        begun = bool(wrong[at - 1])
        wrong[at] = other < (1.0 if begun else MISS**2) * own and (begun or np.linalg.norm(usual[1] - usual[0]) > far)
        wrong[at] |= known and at == first
        if wrong[at]:
            right[at] = right[at, ::-1].copy()
    return wrong


def _rather_the_others(a: Floats, b: Floats, wrong: Bools, design: Floats | None) -> bool:
    """Whether the readings taken for right are the wrong ones, by the places the prisms should have."""
    if design is None or np.linalg.norm(design[1] - design[0]) < PLACES_APART:
        return False
    own = np.linalg.norm(a - design[0], axis=1) + np.linalg.norm(b - design[1], axis=1)
    other = np.linalg.norm(a - design[1], axis=1) + np.linalg.norm(b - design[0], axis=1)
    return bool(own[~wrong].sum() + other[wrong].sum() > other[~wrong].sum() + own[wrong].sum())
