"""Which sections have settled, and why nothing is said of the others."""

from __future__ import annotations

import numpy as np
import pandas as pd

from convergence.report.sheet.markup import Markup, element, join, table
from convergence.report.sheet.ranked import section_link
from convergence.report.sheet.view import SheetView
from convergence.report.sheet.words import MOST_ROWS, count_of, percent, small

#: What a refusal begins with in the outlook's sentences.
_REFUSED = "not judged: "


def settled_table(view: SheetView) -> Markup:
    """For each section the least and the largest probability of its measures; and why the others are refused."""
    found = view.outlook.settled
    sentences = list(dict.fromkeys(str(item) for item in found["sentence"]))
    if not sentences:
        return element("p", "No measure to judge.")
    if len(sentences) == 1:
        return element("p", f"No measure is called settled, {sentences[0]}.")
    judged, refused = [], []
    for section in view.job.sections:
        own = found[found["section"] == section]
        chances = own["probability"].to_numpy(dtype=float)
        told = own[np.isfinite(chances)]
        if len(told):
            judged.append(_judged(view, section, told, len(own)))
        refused += [
            (section_link(view, section, ()), "refused", "", _measures(view, section, group, len(own)), _why(view, why))
            for why, group in own[np.isnan(chances)].groupby("sentence", sort=False)
        ]
    rows = [*judged, *refused]
    limit = view.job.settings.settled
    words = "" if limit is None else f"Limit {limit.rate:g} mm/day over {limit.days:g} days. "
    words += "Refused: nothing is said of the measure, which is not the same as moving."
    more = f"... and {len(rows) - MOST_ROWS} more rows." if len(rows) > MOST_ROWS else ""
    heads = ("section", "P settled, least", "largest", "measures", "why; where judged, of the measure with the least")
    return join(
        [
            element("p", small(words), "lead"),
            table(heads, rows[:MOST_ROWS], numbers=(1, 2), kind="narrow"),
            element("p", more) if more else "",
        ]
    )


def _judged(view: SheetView, section: str, told: pd.DataFrame, measures: int) -> tuple[object, ...]:
    """Cells of a section with measures that are judged: the least settled of them speaks for it."""
    chances = told["probability"].to_numpy(dtype=float)
    least = told.iloc[int(np.argmin(chances))]
    label = view.label(section, str(least["measure"]), str(least["prisms"])).replace(":", " to ")
    return (
        section_link(view, section, ()),
        percent(float(chances.min())),
        percent(float(chances.max())) if len(told) > 1 else "",
        _measures(view, section, told, measures),
        f"{label}: {_why(view, least['sentence'])}" if len(told) > 1 else _why(view, least["sentence"]),
    )


def _why(view: SheetView, sentence: object) -> str:
    return view.clock.words(str(sentence)).removeprefix(_REFUSED)


def _measures(view: SheetView, section: str, group: pd.DataFrame, measures: int) -> object:
    """A few measures by name, many by number, or all."""
    if len(group) == measures and measures > 1:
        return element("span", f"all {measures}", "kept")
    labels = [view.label(section, str(row.measure), str(row.prisms)).replace(":", " to ") for row in group.itertuples()]
    return ", ".join(labels) if len(labels) <= 3 else element("span", count_of(len(labels), "measure"), "kept")
