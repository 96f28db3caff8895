"""What a rerun found: plain data that a sheet shows and an exit code sums up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from convergence.publish.causes import named
from convergence.publish.compare import ClaimReview
from convergence.publish.figures import FigureReview
from convergence.publish.fingerprints import Changes
from convergence.publish.review_text import review_html, review_text

WORDS = ("same", "within tolerance", "different", "missing", "new")
OTHER = "other data, or another instant, than published: conclusions compared, not whether it holds on its own"
Verdict = Literal["holds", "does not hold", "other data, conclusions unchanged", "other data, conclusions changed"]


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
        Every figure; a missing or a new one counts, and in the environment of the publication one that differs.
    environment : tuple of (what, before, now)
        Differences of the environment.
    stands_on : mapping of str to str
        Platform of this run.
    data_given : bool
        Whether a job folder was given to run on; ``inputs`` tell whether it is the one published.
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
    notes : tuple of str
        What is no fault and worth knowing, one line each.
    instant : str
        Why data were read up to the instant they were, where a job folder was given.
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
    data_given: bool
    inputs: Changes
    dates: tuple[str, str]
    why: str
    seconds: float
    told: bool = False
    unseeded: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    instant: str = ""

    @property
    def holds(self) -> bool:
        """Whether everything holds on the data published: the folder, the run, every claim, the number of figures.

        On other data nothing is shown of that, however the conclusions come out.
        """
        return not self.reasons

    @property
    def outcome(self) -> Verdict:
        """What the review comes to; a folder that is not whole, or a run that failed, comes before anything else."""
        if self.faults or self.refused or self.failure or not self.other:
            return "holds" if self.holds else "does not hold"
        return "other data, conclusions changed" if self.changes else "other data, conclusions unchanged"

    @property
    def other(self) -> bool:
        """Whether it ran, as asked, on other data than those published, or up to another instant."""
        return (self.data_given and bool(self.inputs)) or self.dates[0] != self.dates[1]

    @property
    def drawn_otherwise(self) -> tuple[FigureReview, ...]:
        """Figures that are not as published."""
        return tuple(item for item in self.figures if item.verdict != "same")

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
        differ = [f"{item.cell} ({item.told})" for item in self.figures if item.verdict == "differs"]
        if differ and not self.environment and not self.other:
            found.append(f"the environment is the one published and figures differ in cell {named(differ)}")
        return tuple(found)

    def __repr__(self) -> str:
        return review_text(self)

    def _repr_html_(self) -> str:
        """Show the review in a notebook: the verdict, the reasons, the claims; the sheet has the rest."""
        return review_html(self)
