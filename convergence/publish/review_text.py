"""A review as a person reads it: on a terminal, in a notebook, and the verdict in one line."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from convergence.publish.causes import named
from convergence.publish.plain import printable
from convergence.publish.verdicts import verdict_table

if TYPE_CHECKING:
    from convergence.publish.review import Review

UNSEEDED = "drawn without a seed, so it comes out otherwise each time"
NOT_TOLD = "fingerprint not compared with one told to you"
BY_ITSELF = "As far as this folder can tell by itself"
#: Differences of the environment shown; the rest are counted.
MOST_ROWS = 12


def verdict_line(review: Review) -> str:
    """The verdict in one line; a folder that nobody's word stands beside can tell no more than it holds."""
    told = ", ".join(f"{count} {word}" for word, count in review.counts.items() if count) or "no claim compared"
    if review.drawn_otherwise:
        count = len(review.drawn_otherwise)
        told += f"; {count} of {len(review.figures)} figures differ{'s' if count == 1 else ''}, look"
    told += "" if review.told else f"; {NOT_TOLD}"
    first = f"{BY_ITSELF} " if review.holds and not review.told else ""
    return f"{first}{review.outcome.upper()}: {told}"


def dates_told(review: Review) -> str:
    """Up to which instant data were read, then and now, and why; empty where nothing was run on data."""
    before, now = review.dates
    if not before:
        return ""
    both = f"{before}, as when published" if before == now else f"published {before}; now {now}"
    return f"{both} ({review.instant})" if review.instant else both


def review_html(review: Review) -> str:
    """The review in a notebook: the verdict, the reasons, the claims; the sheet has the rest."""
    told = [*(f"!! {reason}" for reason in review.reasons), *review.notes]
    told += [f"Data read up to: {dates_told(review)}."] if review.instant else []
    told += [f"What may have moved a claim: {review.moved_by}."] if review.moved_by else []
    lines = "".join(f"<p>{html.escape(printable(line))}</p>" for line in told)
    table = verdict_table(review.claims, review.moved_by) if review.claims else ""
    return f"<p><strong>{html.escape(printable(verdict_line(review)))}</strong></p>{lines}{table}"


def review_text(review: Review) -> str:
    """The review as a person reads it on a terminal."""
    lines = [
        f"{review.title} ({review.name}), published {review.published}",
        f"fingerprint of the publication {review.fingerprint}",
        verdict_line(review),
    ]
    lines += [f"  !! {reason}" for reason in review.reasons]
    lines += [f"  note: {note}" for note in review.notes]
    lines += [f"  data read up to: {dates_told(review)}"] if review.instant else []
    if review.claims:
        longest = max(len(item.name) for item in review.claims)
        lines += ["", "claims:"]
        for item in review.claims:
            before, now = (side.shown if side is not None else "-" for side in (item.before, item.now))
            unit = next(side.unit for side in (item.before, item.now) if side is not None)
            line = f"  {item.verdict:<17} {item.name:<{longest}}  {before} -> {now} {unit}".rstrip()
            lines.append(
                line + (f"  ({item.difference:+.3g})" if item.why and item.difference == item.difference else "")
            )
            if item.why and item.why != review.moved_by:
                lines.append(f"  {'':<17} {item.why}")
        if review.moved_by:
            lines.append(f"what may have moved a claim: {review.moved_by}")
    if review.inputs:
        lines += ["", "inputs, against those published:", *(f"  {line}" for line in review.inputs.sentences)]
    if review.environment:
        rows = [f"  {what}: {before} -> {now}" for what, before, now in review.environment[:MOST_ROWS]]
        more = [f"  ... and {len(review.environment) - MOST_ROWS} more"] if len(review.environment) > MOST_ROWS else []
        lines += ["", "environment, against the one published:", *rows, *more]
    if review.unseeded:
        lines += ["", f"{UNSEEDED}: {named(review.unseeded)}"]
    differ = [f"{item.cell} ({item.told})" for item in review.figures if item.verdict == "differs"]
    if differ:
        lines += ["", f"figures that differ, on the sheet side by side, in cell {named(differ)}"]
    return printable("\n".join(lines))
