"""Two runs of a notebook side by side: claim by claim and figure by figure, each with its verdict."""

from __future__ import annotations

import io
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from PIL import Image, UnidentifiedImageError

from convergence.publish.claims import Claim
from convergence.publish.notebook import SVG, Figure

ClaimVerdict = Literal["same", "within tolerance", "different", "missing", "new"]
FigureVerdict = Literal["same", "differs", "missing", "new"]
#: Two runs agree where they differ by no more than this share of the value.
SAME = 1e-9
#: Slack at the edge of a tolerance, in units of the last binary place of the larger value.
ROUNDING = 2
#: A picture of more pixels is not unpacked: a small file can hold one that fills the memory.
LARGEST_AREA = 50_000_000
#: Parts of a drawing of lines: what is not drawn, the names of parts, where they are used, and its tags and texts.
_UNSEEN = re.compile(r"<metadata\b.*?</metadata>|<!--.*?-->|<\?.*?\?>|<!DOCTYPE[^>]*>", re.DOTALL | re.IGNORECASE)
_NAME = re.compile(r"\sid\s*=\s*[\"']([^\"']+)[\"']")
_NAMED = re.compile(r"(\sid\s*=\s*[\"']|href\s*=\s*[\"']#|url\(#)([^\"')]+)([\"')])")
_PART = re.compile(r"<[^>]*>|[^<]+")


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
    """A figure as published and as drawn again.

    ``share`` is the part of its area that differs; of a drawing of lines (SVG) the part of its elements.
    """

    cell: int
    number: int
    before: Figure | None
    now: Figure | None
    verdict: FigureVerdict
    share: float

    @property
    def told(self) -> str:
        """How much of it differs, in words."""
        drawn = self.before is not None and self.now is not None and self.before.kind == self.now.kind == SVG
        return f"{self.share:.1%} of its {'elements' if drawn else 'points'}"


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
    first: Mapping[tuple[int, int], Figure] = {item.place: item for item in before}
    again: Mapping[tuple[int, int], Figure] = {item.place: item for item in now}
    found = []
    for place in sorted(first.keys() | again.keys()):
        one, two = first.get(place), again.get(place)
        if one is None or two is None:
            verdict: FigureVerdict = "new" if one is None else "missing"
            found.append(FigureReview(*place, one, two, verdict, 1.0))
            continue
        share = 0.0 if one == two else _lines_share(one, two) if one.kind == two.kind == SVG else _share(one, two)
        found.append(FigureReview(*place, one, two, "differs" if share > 0.0 else "same", share))
    return tuple(found)


def _share(one: Figure, two: Figure) -> float:
    """Part of the area in which two pictures differ; 1 where they have no size in common or one is broken."""
    first, second = _pixels(one.data), _pixels(two.data)
    if first is None or second is None or first.shape != second.shape:
        # the longer or shorter label of an axis makes another size; nothing can be laid over nothing
        return 1.0
    return float((first != second).any(axis=2).mean())


def _pixels(data: bytes) -> npt.NDArray[np.uint8] | None:
    """The picture as rows of points of four channels; None where it is broken, or too large to unpack."""
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as picture:
            # what is opened is its head alone
            if picture.width * picture.height > LARGEST_AREA:
                return None
            return np.asarray(picture.convert("RGBA"), dtype=np.uint8)
    except (OSError, ValueError, SyntaxError, UnidentifiedImageError, Image.DecompressionBombError):
        return None


def _lines_share(one: Figure, two: Figure) -> float:
    """Part of the elements in which two drawings of lines differ, whatever their parts are named."""
    first, second = _elements(one.data), _elements(two.data)
    if first == second:
        return 0.0
    most = max(len(first), len(second))
    # the same elements in another order draw over each other otherwise: one at the least differs
    return max(1, most - (Counter(first) & Counter(second)).total()) / most


def _elements(data: bytes) -> list[str]:
    """The tags and texts of a drawing in order; names that the drawing made up itself are numbered anew.

    A drawing carries the instant it was made and names drawn by lot, neither of which anybody sees.
    """
    text = _UNSEEN.sub("", data.decode("utf-8", "replace"))
    names = {name: f"part{number}" for number, name in enumerate(dict.fromkeys(_NAME.findall(text)))}
    text = _NAMED.sub(
        lambda match: f"{match.group(1)}{names.get(match.group(2), match.group(2))}{match.group(3)}", text
    )
    return [part for part in (" ".join(found.split()) for found in _PART.findall(text)) if part]
