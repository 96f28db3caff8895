"""What a rerun found: plain data that a sheet shows and an exit code sums up."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from convergence.publish.compare import ClaimReview, FigureReview
from convergence.publish.environment import NUMERICAL, PLATFORM
from convergence.publish.fingerprints import Changes
from convergence.publish.plain import printable
from convergence.publish.verdicts import verdict_table

#: A list of files or versions in a sentence is cut after so many.
MOST_NAMED = 6
UNSEEDED = "drawn without a seed, so it comes out otherwise each time"
NOT_TOLD = "fingerprint not compared with one told to you"
WORDS = ("same", "within tolerance", "different", "missing", "new")
OTHER = "other data, or another instant, than published: conclusions compared, not whether it holds on its own"
Outcome = Literal["holds", "does not hold", "other data, conclusions unchanged", "other data, conclusions changed"]


@dataclass(frozen=True)
class Review:
    """What a rerun of a publication found.

    Attributes
    ----------
    name, title, published : str
        Of the publication: folder name, title, instant.
    fingerprint : str
        Of the publication as it stands.
    reviewed : str
        Instant of the review, UTC.
    faults : tuple of str
        What is wrong with the folder itself, one line each: files changed, missing, added, a fingerprint that is not
        the one told.
    refused : str
        Why the notebook was not run; empty where it was.
    failure : str
        Which cell failed, and how; empty where none did.
    claims : tuple of ClaimReview
        Every claim with its verdict.
    figures : tuple of FigureReview
        Every figure; they are for the eye, only a missing or a new one counts.
    environment : tuple of (what, before, now)
        Differences of the environment.
    stands_on : mapping of str to str
        Platform of this run.
    other_data : bool
        Whether it ran on other data than those published, as asked.
    inputs : Changes
        How the inputs of this run differ from those published.
    dates : (str, str)
        Instant up to which data were read, published and now.
    why : str
        What differs between the two runs and may have moved a claim.
    seconds : float
        Time the rerun took [s].
    told : bool
        Whether the fingerprint was compared with one told by another way.
    unseeded : tuple of str
        Draws of the notebook that no seed holds, by cell.
    """

    name: str
    title: str
    published: str
    fingerprint: str
    reviewed: str
    faults: tuple[str, ...]
    refused: str
    failure: str
    claims: tuple[ClaimReview, ...]
    figures: tuple[FigureReview, ...]
    environment: tuple[tuple[str, str, str], ...]
    stands_on: Mapping[str, str]
    other_data: bool
    inputs: Changes
    dates: tuple[str, str]
    why: str
    seconds: float
    told: bool = False
    unseeded: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether everything holds on the data published: the folder, the run, every claim, the number of figures.

        On other data nothing is shown of that, however the conclusions come out.
        """
        return not self.reasons

    @property
    def outcome(self) -> Outcome:
        """What the review comes to; a folder that is not whole, or a run that failed, comes before anything else."""
        if self.faults or self.refused or self.failure or not self.other:
            return "holds" if self.holds else "does not hold"
        return "other data, conclusions changed" if self.changes else "other data, conclusions unchanged"

    @property
    def other(self) -> bool:
        """Whether it ran, as asked, on other data than those published, or up to another instant."""
        return (self.other_data and bool(self.inputs)) or self.dates[0] != self.dates[1]

    @property
    def moved_by(self) -> str:
        """What may have moved the claims that moved without a reason of their own; empty where none did."""
        return self.why if any(item.why == self.why for item in self.claims) else ""

    @property
    def counts(self) -> dict[str, int]:
        """Claims by verdict."""
        return {word: sum(item.verdict == word for item in self.claims) for word in WORDS}

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it does not hold, one line each; empty where it does."""
        return (*self.changes, *([OTHER] if self.other else []))

    @property
    def changes(self) -> tuple[str, ...]:
        """What is wrong or came out otherwise, whatever the data."""
        moved = [item.name for item in self.claims if not item.holds]
        lost = [f"{item.cell}" for item in self.figures if item.verdict in ("missing", "new")]
        found = [*self.faults]
        found += [self.refused] if self.refused else []
        found += [self.failure] if self.failure else []
        if moved:
            told = "came out otherwise" if self.other else "do not hold"
            found.append(f"{len(moved)} of {len(self.claims)} claims {told}: {named(moved)}")
        if lost:
            found.append(f"figures missing or new in cell {named(lost)}")
        return tuple(found)

    def __repr__(self) -> str:
        return review_text(self)

    def _repr_html_(self) -> str:
        """Show the review in a notebook: the verdict, the reasons, the claims; the sheet has the rest."""
        told = [verdict_line(self), *(f"!! {reason}" for reason in self.reasons)]
        told += [f"What may have moved a claim: {self.moved_by}."] if self.moved_by else []
        lines = "".join(f"<p>{html.escape(printable(line))}</p>" for line in told[1:])
        table = verdict_table(self.claims, self.moved_by) if self.claims else ""
        return f"<p><strong>{html.escape(told[0])}</strong></p>{lines}{table}"


def named(names: Sequence[str]) -> str:
    """Names in a row, the first of them where they are many."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def what_differs(
    inputs: Changes,
    dates: tuple[str, str],
    edited: str,
    environment: Sequence[tuple[str, str, str]],
    unseeded: Sequence[str] = (),
) -> str:
    """What differs between two runs and may have moved a claim, the likeliest first."""
    found = []
    files = [*inputs.changed, *inputs.missing, *inputs.added]
    if files:
        found.append(f"inputs ({named(files)})")
    if dates[0] != dates[1]:
        found.append(f"data read up to {dates[1]}, published up to {dates[0]}")
    if edited:
        found.append(f"the notebook ({edited})")
    library = [row for row in environment if row[0] in ("code of convergence", "convergence")]
    if library:
        found.append("the library's own code")
    numbers = [f"{row[0]} {row[1]} to {row[2]}" for row in environment if row[0] in NUMERICAL[1:]]
    if numbers:
        found.append(named(numbers))
    stands = [row[0] for row in environment if row[0] in PLATFORM]
    if stands:
        found.append(f"platform ({named(stands)})")
    if unseeded:
        found.append(f"random numbers without a seed ({named(unseeded)})")
    if not found:
        return "nothing recorded differs: look in the notebook for random numbers, the clock or the network"
    return "; ".join(found)


def verdict_line(review: Review) -> str:
    """The verdict in one line."""
    told = ", ".join(f"{count} {word}" for word, count in review.counts.items() if count) or "no claim compared"
    told += "" if review.told else f"; {NOT_TOLD}"
    return f"{review.outcome.upper()}: {told}"


def review_text(review: Review) -> str:
    """The review as a person reads it on a terminal."""
    lines = [
        f"{review.title} ({review.name}), published {review.published}",
        f"fingerprint of the publication {review.fingerprint}",
        verdict_line(review),
    ]
    lines += [f"  !! {reason}" for reason in review.reasons]
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
        rows = [f"  {what}: {before} -> {now}" for what, before, now in review.environment[:12]]
        more = [f"  ... and {len(review.environment) - 12} more"] if len(review.environment) > 12 else []
        lines += ["", "environment, against the one published:", *rows, *more]
    if review.unseeded:
        lines += ["", f"{UNSEEDED}: {named(review.unseeded)}"]
    differ = [f"{item.cell} ({item.told})" for item in review.figures if item.verdict == "differs"]
    if differ:
        lines += ["", f"figures that differ, for the eye, in cell {named(differ)}"]
    return printable("\n".join(lines))
