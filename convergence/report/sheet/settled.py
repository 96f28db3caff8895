"""Which measures have settled, and why nothing is said of the others."""

from __future__ import annotations

import numpy as np

from convergence.report.sheet.markup import Markup, element, join, table
from convergence.report.sheet.ranked import section_link
from convergence.report.sheet.view import SheetView
from convergence.report.sheet.words import MOST_ROWS, count_of, percent, small

#: What a refusal begins with in the outlook's sentences.
_REFUSED = "not judged: "


def settled_table(view: SheetView) -> Markup:
    """A row for each section and sentence: the probability of having settled, or why it is refused."""
    found = view.outlook.settled
    sentences = list(dict.fromkeys(str(item) for item in found["sentence"]))
    if not sentences:
        return element("p", "No measure to judge.")
    if len(sentences) == 1:
        return element("p", f"No measure is called settled, {sentences[0]}.")
    rows = []
    for section in view.job.sections:
        own = found[found["section"] == section]
        for sentence, group in own.groupby("sentence", sort=False):
            chances = group["probability"].to_numpy(dtype=float)
            told = [
                view.label(section, str(row.measure), str(row.prisms)).replace(":", " to ")
                for row in group.itertuples()
            ]
            refused = bool(np.isnan(chances).all())
            rows.append(
                (
                    section_link(view, section, ()),
                    "refused" if refused else percent(float(np.nanmin(chances))),
                    "all" if len(group) == len(own) and len(own) > 1 else _named(told),
                    view.clock.words(str(sentence)).removeprefix(_REFUSED),
                )
            )
    rows.sort(key=lambda row: row[1] == "refused")
    limit = view.job.settings.settled
    words = "" if limit is None else f"Limit {limit.rate:g} mm/day over {limit.days:g} days. "
    words += "Refused: nothing is said of the measure, which is not the same as moving."
    more = f"... and {len(rows) - MOST_ROWS} more rows." if len(rows) > MOST_ROWS else ""
    heads = ("section", "P settled", "measures", "why")
    return join(
        [
            element("p", small(words), "lead"),
            table(heads, rows[:MOST_ROWS], numbers=(1,), kind="narrow"),
            element("p", more) if more else "",
        ]
    )


def _named(labels: list[str]) -> str:
    """A few measures by name, many by number."""
    return ", ".join(labels) if len(labels) <= 3 else count_of(len(labels), "measure")
