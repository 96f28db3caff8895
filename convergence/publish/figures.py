"""The figures of two runs of a notebook side by side, and how much of each differs."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from PIL import Image, UnidentifiedImageError

from convergence.publish.notebook import SVG, Figure

FigureVerdict = Literal["same", "differs", "missing", "new"]
#: A picture of more pixels is not unpacked: a small file can hold one that fills the memory.
LARGEST_AREA = 50_000_000
#: A smaller share is told as smaller than this.
LEAST_SHARE = 0.001
#: Parts of a drawing of lines: what is not drawn, the names of parts, where they are used, and its tags and texts.
_UNSEEN = re.compile(r"<metadata\b.*?</metadata>|<!--.*?-->|<\?.*?\?>|<!DOCTYPE[^>]*>", re.DOTALL | re.IGNORECASE)
_NAME = re.compile(r"\sid\s*=\s*[\"']([^\"']+)[\"']")
_NAMED = re.compile(r"(\sid\s*=\s*[\"']|href\s*=\s*[\"']#|url\(#)([^\"')]+)([\"')])")
_PART = re.compile(r"<[^>]*>|[^<]+")


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
        share = f"{self.share:.1%}" if self.share >= LEAST_SHARE else f"under {LEAST_SHARE:.1%}"
        return f"{share} of its {'elements' if drawn else 'points'}"


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
