"""The claims of two runs of a notebook side by side, each with its verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from convergence.publish.claims import Claim

ClaimVerdict = Literal["same", "within tolerance", "different", "missing", "new"]
#: Two runs agree where they differ by no more than this share of the value.
SAME = 1e-9
#: Slack at the edge of a tolerance, in units of the last binary place of the larger value.
ROUNDING = 2


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
