"""The outlook: every measure of every section, what it did, where it ends, and how it stands to its trigger levels."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from convergence.job.stages import acting_widths
from convergence.job.times import shown
from convergence.measures.rates import rate
from convergence.measures.series import Series
from convergence.measures.tunnel import measure_section
from convergence.projection.diagnosis import fit_status, projection_notes
from convergence.projection.kept import projected
from convergence.projection.plan import AdvancePlan
from convergence.projection.result import Projection
from convergence.survey.job import Job
from convergence.terms import CAUTION
from convergence.triggers.changes import FAST_READING, Change, change_rows, changes_table, section_changes
from convergence.triggers.dates import local_minute
from convergence.triggers.passages import passage_rows, passages_table
from convergence.triggers.reasons import state_and_reason
from convergence.triggers.review import Review
from convergence.triggers.settled import settled_row, settled_table
from convergence.triggers.silence import active_stage, never_read, silence
from convergence.triggers.standing import LevelOutlook
from convergence.triggers.states import STATES
from convergence.triggers.unread import without_last_readings
from convergence.triggers.urgency import chosen_level, urgency

COLUMNS = (
    "section",
    "chainage_m",
    "measure",
    "prisms",
    "stage",
    "zero_time",
    "last_time",
    "readings_used",
    "readings_set_aside",
    "face_distance_m",
    "measured",
    "rate_per_day",
    "lost",
    "final",
    "final_low",
    "final_high",
    "fit_status",
    "law",
    "trigger",
    "level",
    "level_value",
    "probability",
    "crossing",
    "crossing_early",
    "crossing_late",
    "outlook",
    "reason",
)
LAW = "hereditary, pooled"


@dataclass(frozen=True)
class Outlook:
    """The outlook table with what it was made from.

    Attributes
    ----------
    table : pandas.DataFrame
        One row for each section and measure, most urgent first; columns as in ``COLUMNS``. Movements in mm, rates in
        mm/day, times in UTC.
    job : Job
        The job.
    projection : Projection
        The projection behind it.
    levels : dict of (section, label) to tuple of LevelOutlook
        Every level of every trigger that applies.
    rate_errors : dict of (section, measure and prisms) to float
        Standard error of each rate [mm/day].
    passages : pandas.DataFrame
        One row for each section, measure, trigger and level, most urgent first; columns as in
        ``passages.COLUMNS``. Probabilities and leads count from the last data.
    changes : pandas.DataFrame
        Accelerations, steps, slope changes and fast readings found lately; columns as in ``changes.COLUMNS``.
    settled : pandas.DataFrame
        One row for each section and measure; columns as in ``settled.COLUMNS``.
    silent : tuple of (section, measure, prisms)
        Measures that were read and have fallen silent, whatever their state: what is past stays past.
    """

    table: pd.DataFrame
    job: Job
    projection: Projection
    levels: dict[tuple[str, str], tuple[LevelOutlook, ...]]
    rate_errors: dict[tuple[str, str], float] = field(default_factory=dict)
    passages: pd.DataFrame = field(default_factory=lambda: passages_table([]))
    changes: pd.DataFrame = field(default_factory=lambda: changes_table([]))
    settled: pd.DataFrame = field(default_factory=lambda: settled_table([]))
    silent: tuple[tuple[str, str, str], ...] = ()

    @property
    def idle_triggers(self) -> tuple[str, ...]:
        """Names of the triggers that apply to no measure that has been read."""
        active = {item.trigger.name for items in self.levels.values() for item in items}
        return tuple(trigger.name for trigger in self.job.settings.triggers if trigger.name not in active)

    @property
    def counts(self) -> dict[str, int]:
        """Rows in each state."""
        found = self.table["outlook"].value_counts()
        return {state: int(found.get(state, 0)) for state in STATES}

    def __repr__(self) -> str:
        told = ", ".join(f"{count} {state}" for state, count in self.counts.items() if count)
        return (
            f"Outlook of {self.job.settings.tunnel.name} at {shown(self.job.now)}: {len(self.table)} measures, {told}"
        )

    def _repr_html_(self) -> str:
        shown_columns = [
            "section",
            "measure",
            "prisms",
            "outlook",
            "measured",
            "final_low",
            "final",
            "final_high",
            "trigger",
            "level",
            "probability",
            "crossing",
            "reason",
        ]
        rows = self.table[self.table["outlook"] != "undetermined"].head(20)[shown_columns]
        # without a width of its own the column of sentences is squeezed to a letter a line
        body = rows.to_html(
            index=False, escape=True, float_format=lambda value: f"{value:.1f}", na_rep="", col_space={"reason": "30em"}
        )
        return (
            f"<p><b>{html.escape(repr(self))}</b>; movements in mm since the zero reading, levels since the datum of "
            f"their trigger</p>{body}<p><small>{CAUTION}</small></p>"
        )


def outlook(
    job: Job,
    plan: AdvancePlan | None = None,
    processes: int = 1,
    progress: Callable[[int, int], None] | None = None,
    projection: Projection | None = None,
) -> Outlook:
    """Project every measure, compare with the trigger levels, rank by urgency.

    Parameters
    ----------
    job : Job
        The job.
    plan : AdvancePlan, optional
        Instead of the job's own plan.
    processes : int
        Worker processes; the numbers do not depend on it.
    progress : callable, optional
        Called with steps done and in all.
    projection : Projection, optional
        One made before, to save making it again.

    Returns
    -------
    Outlook
        A row for each section and measure; where nothing can be said, ``fit_status`` and ``reason`` say why.
    """
    projection = projected(job, plan, processes, progress) if projection is None else projection
    review, widths = Review(job, projection), acting_widths(job.settings)
    rows: list[dict[str, object]] = []
    passages: list[dict[str, object]] = []
    settled: list[dict[str, object]] = []
    changes: list[Change] = []
    levels: dict[tuple[str, str], tuple[LevelOutlook, ...]] = {}
    errors: dict[tuple[str, str], float] = {}
    silent: list[tuple[str, str, str]] = []
    for section in job.sections:
        told = _findings_by_prism(job, section)
        faces = review.faces(section)
        measured = measure_section(job, section)
        noticed = section_changes(measured, faces, projection.noise, projection.data_until, widths)
        carried = projection.sections.get(section)
        fast = {label for label, own in noticed.items() if any(item.kind == FAST_READING for item in own)}
        # a level that hangs on a reading nothing confirms is judged without it
        unread = without_last_readings(job, projection, section, fast) if fast and job.settings.triggers else None
        for series in measured:
            own = noticed.get(series.label, ())
            surprise = next((item.size for item in own if item.kind == FAST_READING), 0.0)
            found = review.level_rows(series, measured, faces, surprise, unread)
            levels[section, series.label] = found
            row, errors[section, f"{series.measure} {series.prisms}"] = _row(
                job, series, projection, found, told, surprise, own
            )
            rows.append(row)
            changes += own
            settled.append(settled_row(job, series, carried, faces, projection))
            if len(series.time):
                passages += passage_rows(job, series, carried, found, projection.data_until, surprise, own)
                if silence(job, series):
                    silent.append((series.section, series.measure, series.prisms))
    table = pd.DataFrame(rows, columns=[*COLUMNS, "_urgency"])
    order = np.lexsort((table["measure"].map({"settlement": 0, "chord": 1}).fillna(2), -table["_urgency"]))
    table = table.iloc[order].drop(columns="_urgency").reset_index(drop=True)
    return Outlook(
        table,
        job,
        projection,
        levels,
        errors,
        passages_table(passages),
        changes_table(change_rows(job, changes)),
        settled_table(settled),
        tuple(silent),
    )


def _findings_by_prism(job: Job, section: str) -> dict[str, list[str]]:
    """Undecided findings that touch a prism's numbers, in short."""
    found: dict[str, list[str]] = {}
    for item in job.findings:
        if item.section == section and item.kind in ("jump", "shared jump") and item.prism:
            when = local_minute(item.end, job.settings.tunnel.time_zone)
            told = f"unconfirmed {item.kind} of {item.size:.0f} mm at {when} in the movement of {item.prism}"
            found.setdefault(item.prism, []).append(told)
    return found


def _row(
    job: Job,
    series: Series,
    projection: Projection,
    levels: tuple[LevelOutlook, ...],
    told: dict[str, list[str]],
    surprise: float,
    changes: Sequence[Change],
) -> tuple[dict[str, object], float]:
    """One row, and the standard error of its rate [mm/day]."""
    section = projection.sections.get(series.section)
    row: dict[str, object] = dict.fromkeys(COLUMNS, "")
    row |= {
        "section": series.section,
        "chainage_m": series.chainage,
        "measure": series.measure,
        "prisms": series.prisms,
        "readings_used": len(series.time),
        "readings_set_aside": series.set_aside,
        "law": LAW,
    }
    for name in (
        "face_distance_m",
        "measured",
        "rate_per_day",
        "lost",
        "final",
        "final_low",
        "final_high",
        "level_value",
        "probability",
    ):
        row[name] = float("nan")
    row["stage"], row["face_distance_m"] = active_stage(series, job.days(job.now))
    if not len(series.time):
        state, why = never_read(series, job)
        row |= {
            "fit_status": "too few readings",
            "law": "none",
            "outlook": state,
            "reason": why,
            "_urgency": urgency(state, None, projection.data_until),
        }
        return row, float("nan")
    last = float(series.time[-1])
    row["zero_time"], row["last_time"] = shown(job.instant(float(series.time[0]))), shown(job.instant(last))
    row["stage"], row["face_distance_m"] = active_stage(series, last)
    row["measured"] = float(series.value[-1])
    noise = projection.noise.scaled(series.measure)
    row["rate_per_day"], rate_error, _ = rate(series.time, series.value, series.segment, noise)
    status, why_status = fit_status(series, section)
    row["fit_status"] = status
    if section is not None:
        index = section.index(series.label)
        tail = (1 - projection.confidence) / 2
        row |= {
            "lost": float(section.lost[index]),
            "final": section.final(index, 0.5),
            "final_low": section.final(index, tail),
            "final_high": section.final(index, 1 - tail),
        }
    else:
        row["law"] = "none"
    chosen = chosen_level(levels)
    if chosen is not None:
        row |= {
            "trigger": chosen.trigger.name,
            "level": chosen.level.name,
            "level_value": chosen.level.value,
            "probability": chosen.probability,
            "crossing": shown(job.instant(chosen.crossing)),
            "crossing_early": shown(job.instant(chosen.early)),
            "crossing_late": shown(job.instant(chosen.late)),
        }
    state, reason = state_and_reason(job, series, chosen, levels, section, surprise, changes)
    notes = [note for name in series.prisms.split(":") for note in told.get(name, [])]
    if section is not None and np.isnan(section.lost[section.index(series.label)]):
        notes.append("the part lost before the zero reading is not known along the axis")
    if status != "solved":
        notes.append(f"{status}: {why_status}")
    unbegun = [stage.name for stage in job.settings.stages if stage.name not in projection.tracks]
    if section is not None and unbegun:
        notes.append(f"final leaves out {' and '.join(unbegun)}: no round yet")
    if section is not None:
        notes += projection_notes(
            series, section, lambda day: local_minute(job.instant(day), job.settings.tunnel.time_zone)
        )
    row |= {
        "outlook": state,
        "reason": "; ".join([reason, *notes]),
        "_urgency": urgency(state, chosen, projection.data_until, levels, () if surprise else changes),
    }
    return row, rate_error
