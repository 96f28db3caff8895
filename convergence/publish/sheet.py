"""The review sheet: one page that a reviewer reads, prints and signs; figures side by side where they differ."""

from __future__ import annotations

import base64
import html
from collections.abc import Iterable, Sequence

from convergence.publish.figures import FigureReview
from convergence.publish.notebook import Figure
from convergence.publish.page import page
from convergence.publish.plain import printable
from convergence.publish.review import Review
from convergence.publish.review_text import NOT_TOLD, dates_told, verdict_line
from convergence.publish.verdicts import verdict_table

STYLE = """
.verdict { border: 2px solid #111; padding: 0.5em 0.8em; font-size: 1.25em; font-weight: bold }
.fails { border-width: 5px; border-style: double }
td.text, th.text { text-align: left } .not td { font-weight: bold } .not td:last-child { font-weight: normal }
.pair { display: flex; gap: 1em } .pair figure { flex: 1; margin: 0 } .pair img { border: 1px solid #ccc }
.sign td { height: 2.4em; text-align: left } .sign td:first-child { width: 14em; white-space: nowrap }
.sign { width: 100% } code { overflow-wrap: anywhere }
"""
#: Differences of the environment shown; the rest are counted.
MOST_ROWS = 40


def review_sheet(review: Review) -> str:
    """The review as a page that stands alone; everything that came from a file is escaped."""
    what = "Review on other data" if review.other else "Review by a rerun"
    parts = [
        f"<h1>{_e(what)}: {_e(review.title)}</h1>",
        f'<p class="verdict{"" if review.holds else " fails"}">{_e(verdict_line(review))}</p>',
        *(f"<p>!! {_e(reason)}</p>" for reason in review.reasons),
        *(f"<p>{_e(note)}</p>" for note in review.notes),
        _facts(review),
        _claims(review),
        _inputs(review),
        _environment(review),
        _seeds(review),
        _figures(review.figures),
        _signature(),
    ]
    return page(printable(f"{what}: {review.title}"), "\n".join(part for part in parts if part), STYLE)


def _e(text: str) -> str:
    return html.escape(printable(text))


def _rows(rows: Iterable[Sequence[str]], head: Sequence[str] = (), style: str = "") -> str:
    """A table; cells are escaped here, text to the left."""
    top = "<tr>" + "".join(f'<th class="text">{_e(cell)}</th>' for cell in head) + "</tr>" if head else ""
    body = "".join("<tr>" + "".join(f'<td class="text">{_e(cell)}</td>' for cell in row) + "</tr>" for row in rows)
    return f'<table class="{style}">{top}{body}</table>'


def _facts(review: Review) -> str:
    stands = review.stands_on
    rows = [
        ("publication", f"{review.name}, published {review.published}"),
        ("its fingerprint", f"{review.fingerprint} ({'the one told' if review.told else NOT_TOLD})"),
        ("reviewed", review.reviewed),
        ("on", ", ".join(stands.get(name, "") for name in ("implementation", "python", "system", "machine"))),
    ]
    if review.dates[0]:
        rows.append(("data read up to", dates_told(review)))
    if review.seconds == review.seconds:
        rows.append(("time of the rerun", f"{review.seconds:.0f} s"))
    return _rows(rows)


def _claims(review: Review) -> str:
    if not review.claims:
        return ""
    why = f"<p>What may have moved a claim: {_e(review.moved_by)}.</p>" if review.moved_by else ""
    return f"<h2>Claims</h2>{why}{verdict_table(review.claims, review.moved_by)}"


def _inputs(review: Review) -> str:
    if review.refused or (review.failure and not review.dates[0]):
        return ""
    if not review.inputs:
        return "<h2>Inputs</h2><p>Every file is the one published.</p>"
    return f"<h2>Inputs, against those published</h2>{_rows([(line,) for line in review.inputs.sentences])}"


def _environment(review: Review) -> str:
    if not review.environment:
        return "<h2>Environment</h2><p>Python, platform and every package are as published.</p>"
    rows = review.environment[:MOST_ROWS]
    more = len(review.environment) - len(rows)
    note = f'<p class="small">... and {more} more packages</p>' if more else ""
    return f"<h2>Environment</h2>{_rows(rows, ('', 'published', 'now'))}{note}"


def _seeds(review: Review) -> str:
    if not review.unseeded:
        return ""
    rows = _rows([(line,) for line in review.unseeded])
    return f"<h2>Random numbers without a seed</h2><p>They come out otherwise each time.</p>{rows}"


def _figures(figures: Sequence[FigureReview]) -> str:
    if not figures:
        return ""
    apart = [item for item in figures if item.verdict != "same"]
    if not apart:
        return f"<h2>Figures</h2><p>All {len(figures)} are as published.</p>"
    parts = [
        f"<h2>Figures that differ: {len(apart)} of {len(figures)}</h2>",
        '<p class="small">The drawing of letters and lines also changes between versions; in the same '
        "environment it does not. Left as published, right as drawn now.</p>",
    ]
    for item in apart:
        told = f"{item.told} differ" if item.verdict == "differs" else item.verdict
        parts.append(
            f"<h3>Cell {item.cell}, figure {item.number}: {_e(told)}</h3><div class='pair'>"
            f"{_picture(item.before, 'as published')}{_picture(item.now, 'now')}</div>"
        )
    return "".join(parts)


def _picture(figure: Figure | None, caption: str) -> str:
    if figure is None:
        return f"<figure><figcaption class='small'>{caption}: none</figcaption></figure>"
    data = base64.b64encode(figure.data).decode("ascii")
    # as a picture, a drawing of lines runs nothing and fetches nothing
    return (
        f"<figure><img alt='figure {caption}' src='data:{figure.kind};base64,{data}'>"
        f"<figcaption class='small'>{caption}</figcaption></figure>"
    )


def _signature() -> str:
    rows = [("remarks", ""), ("reviewed by, organisation", ""), ("date and signature", "")]
    return f"<h2>Reviewer</h2>{_rows(rows, style='sign')}"
