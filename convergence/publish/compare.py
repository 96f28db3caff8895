"""Two runs of a notebook side by side: claim by claim and figure by figure, each with its verdict."""

from __future__ import annotations

import io
import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from convergence.publish.claims import Claim
from convergence.publish.notebook import Figure

ClaimVerdict = Literal["same", "within tolerance", "different", "missing", "new"]
FigureVerdict = Literal["same", "differs", "missing", "new"]
#: Two runs agree where they differ by no more than this share of the value.
SAME = 1e-9
#: Slack at the edge of a tolerance, in units of the last binary place of the larger value.
ROUNDING = 2
#: A picture of more pixels is not unpacked: a small file can hold one that fills the memory.
LARGEST_AREA = 50_000_000


@dataclass(frozen=True)
class ClaimReview:
    """A claim as published and as it came out again.

    Attributes
    ----------
    name : str
        The claim.
    before, now : Claim or None
        As published and as rerun; None where it was not made.
    verdict : str
        ``same`` (to 1e-9 of the value), ``within tolerance`` (the published one), ``different``, ``missing`` (no
        longer made) or ``new``.
    difference : float
        Now less before, in the claim's unit; NaN where there is none.
    why : str
        What may have moved it; empty where it is the same.
    """

    name: str
    before: Claim | None
    now: Claim | None
    verdict: ClaimVerdict
    difference: float
    why: str

    @property
    def holds(self) -> bool:
        """Whether the claim stands."""
        return self.verdict in ("same", "within tolerance")


@dataclass(frozen=True)
class FigureReview:
    """A figure as published and as drawn again; ``share`` is the part of its area that differs."""

    cell: int
    number: int
    before: bytes | None
    now: bytes | None
    verdict: FigureVerdict
    share: float


def compare_claims(before: Sequence[Claim], now: Sequence[Claim], why: str) -> tuple[ClaimReview, ...]:
    """Every claim of either run, in the order of publication.

    Parameters
    ----------
    before, now : sequence of Claim
        As published and as rerun.
    why : str
        What differs between the runs and may have moved a claim.
    """
    again = {claim.name: claim for claim in now}
    first = {claim.name: claim for claim in before}
    found = [_compared(claim, again[claim.name], why) for claim in before if claim.name in again]
    missing = [
        ClaimReview(claim.name, claim, None, "missing", math.nan, "published and no longer claimed")
        for claim in before
        if claim.name not in again
    ]
    new = [
        ClaimReview(claim.name, None, claim, "new", math.nan, "not claimed when published")
        for claim in now
        if claim.name not in first
    ]
    return (*found, *missing, *new)


def _compared(before: Claim, now: Claim, why: str) -> ClaimReview:
    name = before.name
    for part, one, two in (
        ("kind", before.kind, now.kind),
        ("unit", before.unit or "none", now.unit or "none"),
        ("tolerance", f"{before.tolerance:g}", f"{now.tolerance:g}"),
    ):
        if one != two:
            return ClaimReview(name, before, now, "different", math.nan, f"its {part} was {one} and is {two}")
    if isinstance(before.value, str) or isinstance(now.value, str):
        if before.value == now.value:
            return ClaimReview(name, before, now, "same", math.nan, "")
        return ClaimReview(name, before, now, "different", math.nan, why)
    difference = now.value - before.value
    # a tolerance that is given is never exceeded by what is called the same
    same = SAME * abs(before.value)
    if abs(difference) <= (min(same, before.tolerance) if before.tolerance > 0.0 else same):
        return ClaimReview(name, before, now, "same", difference, "")
    # 0.8 less 0.7 is more than 0.1 in the last digit of the machine
    slack = ROUNDING * math.ulp(max(abs(before.value), abs(now.value)))
    if before.tolerance > 0.0 and abs(difference) <= before.tolerance + slack:
        return ClaimReview(name, before, now, "within tolerance", difference, why)
    return ClaimReview(name, before, now, "different", difference, why)


def compare_figures(before: Sequence[Figure], now: Sequence[Figure]) -> tuple[FigureReview, ...]:
    """Every figure of either run, in the order of the notebook."""
    first: Mapping[tuple[int, int], bytes] = {item.place: item.png for item in before}
    again: Mapping[tuple[int, int], bytes] = {item.place: item.png for item in now}
    found = []
    for place in sorted(first.keys() | again.keys()):
        one, two = first.get(place), again.get(place)
        if one is None or two is None:
            verdict: FigureVerdict = "new" if one is None else "missing"
            found.append(FigureReview(*place, one, two, verdict, 1.0))
            continue
        share = 0.0 if one == two else _share(one, two)
        found.append(FigureReview(*place, one, two, "differs" if share > 0.0 else "same", share))
    return tuple(found)


def _area(png: bytes) -> int:
    """Pixels of a picture by its head, before anything is unpacked."""
    if len(png) < 24:
        return 0
    width, height = struct.unpack(">II", png[16:24])
    return int(width) * int(height)


def _share(one: bytes, two: bytes) -> float:
    """Part of the area in which two pictures differ; 1 where they have no size in common or one is broken."""
    from matplotlib.image import imread  # only a picture that differs needs it

    if max(_area(one), _area(two)) > LARGEST_AREA:
        return 1.0
    try:
        first, second = (np.atleast_3d(np.asarray(imread(io.BytesIO(data)))) for data in (one, two))
    except (OSError, ValueError, SyntaxError):
        return 1.0
    if first.shape != second.shape:
        # the longer or shorter label of an axis makes another size; nothing can be laid over nothing
        return 1.0
    return float((np.abs(first - second) > 0.5 / 255.0).any(axis=2).mean())
