"""Claims with their verdicts as an HTML table: in a notebook and on the sheet."""

from __future__ import annotations

import html
from collections.abc import Sequence

from convergence.publish.compare import ClaimReview

#: Mark of each verdict; it tells it in print and to whoever sees no colour.
MARKS = {"same": "=", "within tolerance": "≈", "different": "≠", "missing": "−", "new": "+"}
HEADS = ("", "claim", "published", "now", "difference", "tolerance", "unit", "verdict", "why")
TEXTS = ("claim", "unit", "verdict", "why")


def verdict_table(claims: Sequence[ClaimReview], common: str) -> str:
    """The claims as a table, those that do not hold first; everything that came from a file is escaped.

    Parameters
    ----------
    claims : sequence of ClaimReview
        The claims.
    common : str
        A reason that is told above the table and not again in each row; empty where there is none.
    """
    left = " class='text' style='text-align:left'"
    head = "".join(f"<th{left if name in TEXTS else ''}>{name}</th>" for name in HEADS)
    body = "".join(_row(item, common, left) for item in sorted(claims, key=lambda item: item.holds))
    return f"<table><tr>{head}</tr>{body}</table>"


def _row(item: ClaimReview, common: str, left: str) -> str:
    either = item.before or item.now
    why = item.why if not common or item.why != common else "as said above"
    cells = {
        "": MARKS[item.verdict],
        "claim": item.name,
        "published": item.before.shown if item.before else "",
        "now": item.now.shown if item.now else "",
        "difference": f"{item.difference:+.3g}"
        if item.difference == item.difference and item.verdict != "same"
        else "",
        "tolerance": "" if either is None or either.kind == "text" else f"{either.tolerance:g}",
        "unit": either.unit if either else "",
        "verdict": item.verdict,
        "why": why,
    }
    told = "".join(f"<td{left if name in TEXTS else ''}>{html.escape(cell)}</td>" for name, cell in cells.items())
    return f"<tr class='{'' if item.holds else 'not'}'>{told}</tr>"
