"""What the parts of the sheet draw from: the outlook, the one it is compared with, and the spell between them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from convergence.hindcasting import HitRate
from convergence.plots.acceleration import accelerating
from convergence.plots.clock import Clock, clock_of
from convergence.report.past import PastForecasts
from convergence.report.sheet.changes import NewPassage, StateChange, newly_past, state_changes
from convergence.survey.job import Job
from convergence.triggers import Outlook
from convergence.triggers.changes import FAST_READING
from convergence.triggers.reasons import READ_AGAIN

#: Where nobody looked for past forecasts.
NOT_SCORED = PastForecasts(
    None, "Past forecasts of this site are not scored here: convergence hindcast JOB --out DIR scores them."
)
#: What a reason says for a late date that is beyond the horizon.
NEVER = "not within the horizon"
#: The day whose events are told even if the last sheet is younger.
DAY = np.timedelta64(24, "h")


@dataclass(frozen=True, eq=False)
class SheetView:
    """An outlook as the sheet needs it.

    Attributes
    ----------
    outlook : Outlook
        The outlook.
    earlier : Outlook or None
        The outlook it is compared with; None where nothing could be said then.
    since : datetime64
        Instant of the comparison, UTC.
    no_earlier : str
        Why there is no earlier outlook; empty where there is one.
    past : PastForecasts
        How past forecasts of this site did.
    """

    outlook: Outlook
    earlier: Outlook | None
    since: np.datetime64
    no_earlier: str = ""
    past: PastForecasts = NOT_SCORED

    @property
    def job(self) -> Job:
        """The job."""
        return self.outlook.job

    @cached_property
    def clock(self) -> Clock:
        """Days to local dates."""
        return clock_of(self.job)

    @cached_property
    def spell(self) -> np.datetime64:
        """From when events, findings and readings set aside are told: the comparison, and a day at least."""
        return min(self.since, self.job.now - DAY)

    @cached_property
    def changes(self) -> tuple[StateChange, ...]:
        """Measures whose state or level changed; empty without an earlier outlook."""
        return () if self.earlier is None else state_changes(self.earlier.table, self.outlook.table)

    @cached_property
    def passed(self) -> tuple[NewPassage, ...]:
        """Every level of every trigger that is newly past; empty without an earlier outlook."""
        return () if self.earlier is None else newly_past(self.earlier.passages, self.outlook.passages)

    @cached_property
    def place(self) -> dict[str, int]:
        """Place of each section along the drive; anchors are made of it, for a name may hold anything."""
        return {section: index for index, section in enumerate(self.job.sections)}

    @cached_property
    def labels(self) -> dict[tuple[str, str, str], str]:
        """Label of each measure by section, measure and prisms, as "settlement crown"."""
        return {
            (section, series.measure, series.prisms): series.label
            for section, item in self.outlook.projection.sections.items()
            for series in item.series
        }

    @cached_property
    def unbegun(self) -> tuple[str, ...]:
        """Stages declared without a round: what they will cause is in no final value."""
        tracks = self.outlook.projection.tracks
        return tuple(stage.name for stage in self.job.settings.stages if stage.name not in tracks)

    def hit_rate(self, section: str, measure: str) -> HitRate | None:
        """How past forecasts of a measure did with the first stage's face about as far; None where none is scored."""
        path = next(iter(self.job.paths(float(self.job.array(section).attrs["section_chainage"])).values()), None)
        if path is None:
            return None
        distance = float(path.at(self.outlook.projection.data_until))
        return self.past.hit_rate(distance / self.job.settings.tunnel.width, measure)

    @cached_property
    def urgent(self) -> pd.DataFrame:
        """Rows that ask for attention, most urgent first: past, heading, to be read again, a blind row a section."""
        table = self.outlook.table
        doubted = self.outlook.passages[self.outlook.passages["unconfirmed"].astype(bool)]
        keys = set(zip(doubted["section"], doubted["measure"], doubted["prisms"], strict=True))
        told = [key in keys for key in zip(table["section"], table["measure"], table["prisms"], strict=True)]
        read_again = table["reason"].str.contains(READ_AGAIN, regex=False) | np.array(told, dtype=bool)
        acute = table["outlook"].isin(["past", "heading"]) | read_again
        blind = (table["outlook"] == "blind") & ~acute
        first = blind & ~table["section"].where(blind).duplicated()
        return table[acute | first]

    @cached_property
    def accelerating(self) -> tuple[tuple[str, str], ...]:
        """Section and label of every measure in which an acceleration is told, however long before the comparison."""
        return accelerating(self.outlook)

    @cached_property
    def recent_changes(self) -> pd.DataFrame:
        """Changes the outlook tells, and whether each was found since the spell began ("new"), whenever it set in.

        Accelerations, steps and slope changes of the last week, and fast last readings however old they are.
        """
        changes = self.outlook.changes
        instants = pd.to_datetime(changes["found"], utc=True, format="ISO8601", errors="coerce").dt.tz_localize(None)
        return changes.assign(new=(instants > self.spell).to_numpy(dtype=bool))

    @cached_property
    def on_one_reading(self) -> frozenset[tuple[str, str, str]]:
        """Section, measure and prisms whose last reading is fast and unconfirmed, and in every number of theirs."""
        changes = self.outlook.changes
        fast = changes[changes["kind"] == FAST_READING]
        return frozenset(zip(*(fast[name].astype(str) for name in ("section", "measure", "prisms")), strict=True))

    @cached_property
    def sections_that_matter(self) -> tuple[str, ...]:
        """Sections with an urgent row, a graver state, a level newly past or an acceleration; most urgent first."""
        passed = [item.section for item in self.passed]
        changed = [item.section for item in self.changes if item.graver]
        moving = [section for section, _ in self.accelerating]
        return tuple(dict.fromkeys([*self.urgent["section"].astype(str), *passed, *changed, *moving]))

    def reason(self, section: str, measure: str, prisms: str, words: str) -> str:
        """A reason with its instants and dates of crossings in local time; the library's sentences are universal."""
        own = self.outlook.passages
        own = own[(own["section"] == section) & (own["measure"] == measure) & (own["prisms"] == prisms)]
        for row in own[own["crossing"] != ""].itertuples():
            early, when, late = str(row.crossing_early), str(row.crossing), str(row.crossing_late)
            universal = f"about {when[:10]} (early {early[:10]}, late {late[:10] or NEVER}"
            day = self.clock.day
            words = words.replace(universal, f"about {day(when)} (early {day(early)}, late {day(late) or NEVER}")
        return self.clock.words(words)

    def chainage(self, section: str) -> str:
        """Chainage of a section as the site writes it, with its unit."""
        return self.job.stationing.text(float(self.job.array(section).attrs["section_chainage"]), 1)

    def label(self, section: str, measure: str, prisms: str) -> str:
        """A measure's label; measure and prisms where it was never read."""
        return self.labels.get((section, measure, prisms), f"{measure} {prisms}")
