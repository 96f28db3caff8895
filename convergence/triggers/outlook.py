"""The outlook: every measure of every section, what it did, where it ends, and how it stands to its trigger levels."""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from convergence.job.times import shown
from convergence.laws.path import FacePath
from convergence.measures.rates import rate
from convergence.measures.series import Series
from convergence.measures.tunnel import measure_section
from convergence.projection.diagnosis import fit_status
from convergence.projection.plan import AdvancePlan
from convergence.projection.project import Projection, SectionProjection, project_job
from convergence.survey.job import Job
from convergence.terms import CAUTION
from convergence.triggers.levels import LIKELY, LevelOutlook, applies, level_outlooks

COLUMNS = (
    "section", "chainage_m", "measure", "prisms", "stage", "zero_time", "last_time", "readings_used", "readings_set_aside", "face_distance_m",
    "measured", "rate_per_day", "lost", "final", "final_low", "final_high", "fit_status", "law", "trigger", "level", "level_value",
    "probability", "crossing", "crossing_early", "crossing_late", "outlook", "reason",
)
#: States in the order of attention, with the mark that tells them apart without colour.
STATES = {"past": "!!", "heading": "! ", "blind": "??", "undetermined": "? ", "clear": "  "}
#: Fewer readings than this tell nothing of a section.
FEWEST_READINGS = 4
#: A section is blind after this many hours without a reading, or this many usual intervals if that is longer.
BLIND_HOURS, BLIND_INTERVALS = 24.0, 4.0
LAW = "hereditary, pooled"


@dataclass(frozen=True)
class Outlook:
    """The outlook table with what it was made from.

    Attributes
    ----------
    table : pandas.DataFrame
        One row for each section and measure, most urgent first; columns as in ``COLUMNS``. Movements in mm, rates in mm/day,
        times in UTC.
    job : Job
        The job.
    projection : Projection
        The projection behind it.
    levels : dict of (section, label) to tuple of LevelOutlook
        Every level of every trigger that applies.
    """

    table: pd.DataFrame
    job: Job
    projection: Projection
    levels: dict[tuple[str, str], tuple[LevelOutlook, ...]]

    @property
    def counts(self) -> dict[str, int]:
        """Rows in each state."""
        found = self.table["outlook"].value_counts()
        return {state: int(found.get(state, 0)) for state in STATES}

    def __repr__(self) -> str:
        told = ", ".join(f"{count} {state}" for state, count in self.counts.items() if count)
        return f"Outlook of {self.job.settings.tunnel.name} at {shown(self.job.now)}: {len(self.table)} measures, {told}"

    def _repr_html_(self) -> str:
        shown_columns = ["section", "measure", "prisms", "outlook", "measured", "final_low", "final", "final_high", "trigger", "level", "probability", "crossing", "reason"]
        rows = self.table[self.table["outlook"] != "undetermined"].head(20)[shown_columns]
        body = rows.to_html(index=False, escape=True, float_format=lambda value: f"{value:.1f}", na_rep="")
        return f"<p><b>{html.escape(repr(self))}</b>; movements in mm since the zero reading unless the trigger says excavation</p>{body}<p><small>{CAUTION}</small></p>"


def outlook(
    job: Job, plan: AdvancePlan | None = None, processes: int = 1, progress: Callable[[int, int], None] | None = None,
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
    projection = project_job(job, plan, processes=processes, progress=progress) if projection is None else projection
    rows: list[dict[str, object]] = []
    levels: dict[tuple[str, str], tuple[LevelOutlook, ...]] = {}
    for section in job.sections:
        positions = {prism.name: prism.position for prism in job.folder.prisms if prism.section == section}
        told = _findings_by_prism(job, section)
        for series in measure_section(job, section):
            found = _level_rows(job, series, projection.sections.get(section), projection, positions)
            levels[section, series.label] = found
            rows.append(_row(job, series, projection, found, told))
    table = pd.DataFrame(rows, columns=[*COLUMNS, "_urgency"])
    order = np.lexsort((table["measure"].map({"settlement": 0, "chord": 1}).fillna(2), -table["_urgency"]))
    table = table.iloc[order].drop(columns="_urgency").reset_index(drop=True)
    return Outlook(table, job, projection, levels)


def _findings_by_prism(job: Job, section: str) -> dict[str, list[str]]:
    """Undecided findings that touch a prism's numbers, in short."""
    found: dict[str, list[str]] = {}
    for item in job.findings:
        if item.section == section and item.kind in ("jump", "shared jump") and item.prism:
            found.setdefault(item.prism, []).append(f"unconfirmed {item.kind} of {item.size:.0f} mm at {shown(item.end)[:16]}Z in the movement of {item.prism}")
    return found


def _level_rows(
    job: Job, series: Series, section: SectionProjection | None, projection: Projection, positions: dict[str, str]
) -> tuple[LevelOutlook, ...]:
    if not len(series.time):
        return ()
    own = tuple(positions[name] for name in series.prisms.split(":") if name in positions)
    return tuple(
        found for trigger in job.settings.triggers if applies(trigger, series, own)
        for found in level_outlooks(trigger, series, section, projection.noise)
    )


def _row(job: Job, series: Series, projection: Projection, levels: tuple[LevelOutlook, ...], told: dict[str, list[str]]) -> dict[str, object]:
    section = projection.sections.get(series.section)
    row: dict[str, object] = dict.fromkeys(COLUMNS, "")
    row |= {
        "section": series.section, "chainage_m": series.chainage, "measure": series.measure, "prisms": series.prisms,
        "readings_used": len(series.time), "readings_set_aside": series.set_aside, "law": LAW,
    }
    for name in ("face_distance_m", "measured", "rate_per_day", "lost", "final", "final_low", "final_high", "level_value", "probability"):
        row[name] = float("nan")
    row["stage"], row["face_distance_m"] = _active_stage(series, job.days(job.now))
    if not len(series.time):
        state, why = _never_read(series, job)
        row |= {"fit_status": "too few readings", "law": "none", "outlook": state, "reason": why, "_urgency": _urgency(state, None, job)}
        return row
    last = float(series.time[-1])
    row["zero_time"], row["last_time"] = shown(job.instant(float(series.time[0]))), shown(job.instant(last))
    row["stage"], row["face_distance_m"] = _active_stage(series, last)
    row["measured"] = float(series.value[-1])
    row["rate_per_day"], rate_error, _ = rate(series.time, series.value, series.segment, projection.noise)
    status, why_status = fit_status(series, section)
    row["fit_status"] = status
    if section is not None:
        index = section.index(series.label)
        tail = (1 - projection.confidence) / 2
        row |= {
            "lost": float(section.lost[index]), "final": section.final(index, 0.5),
            "final_low": section.final(index, tail), "final_high": section.final(index, 1 - tail),
        }
    else:
        row["law"] = "none"
    chosen = _choose(levels)
    if chosen is not None:
        row |= {
            "trigger": chosen.trigger.name, "level": chosen.level.name, "level_value": chosen.level.value, "probability": chosen.probability,
            "crossing": shown(job.instant(chosen.crossing)), "crossing_early": shown(job.instant(chosen.early)), "crossing_late": shown(job.instant(chosen.late)),
        }
    state, reason = _state(job, series, chosen, levels, section)
    notes = [note for name in series.prisms.split(":") for note in told.get(name, [])]
    if status != "solved":
        notes.append(f"{status}: {why_status}")
    row |= {"outlook": state, "reason": "; ".join([reason, *notes]), "_urgency": _urgency(state, chosen, job)}
    return row


def _active_stage(series: Series, day: float) -> tuple[str, float]:
    """The stage that passed the section last, and its face distance; the first stage where none has."""
    best: tuple[str, float] = ("", float("nan"))
    for name, path in series.paths.items():
        distance = float(path.at(np.array([day]))[0])
        if not best[0] or distance >= 0:
            best = (name, distance)
    return best


def _passed(path: FacePath, day: float) -> bool:
    return bool(path.at(np.array([day]))[0] >= 0)


def _never_read(series: Series, job: Job) -> tuple[str, str]:
    first = next(iter(series.paths.items()), None)
    if first is None:
        return "undetermined", "no reading, and no face log to say whether the section is excavated"
    name, path = first
    distance = float(path.at(np.array([job.days(job.now)]))[0])
    if distance < 0:
        return "undetermined", f"not yet excavated: {name} face {-distance:.0f} m short of the section"
    aside = f", {series.set_aside} set aside" if series.set_aside else ""
    return "blind", f"never read{aside}, though the {name} face is {distance:.0f} m past"


def _choose(levels: tuple[LevelOutlook, ...]) -> LevelOutlook | None:
    """The level a row is about: the gravest one past, else the next one of the trigger nearest to being reached."""
    past = [item for item in levels if item.past]
    if past:
        return max(past, key=lambda item: (item.severity, item.place))
    open_levels = [item for item in levels if not np.isnan(item.probability)]
    likely = [item for item in open_levels if item.probability >= LIKELY]
    if likely:
        return max(likely, key=lambda item: (item.severity, item.probability))
    if open_levels:
        return max(open_levels, key=lambda item: (item.probability, -item.place))
    return levels[0] if levels else None


def _state(
    job: Job, series: Series, chosen: LevelOutlook | None, levels: tuple[LevelOutlook, ...], section: SectionProjection | None
) -> tuple[str, str]:
    """State and one sentence of reason in numbers."""
    silent = _silent(job, series)
    if chosen is None:
        if silent:
            return "blind", silent
        return "undetermined", f"no trigger level for {series.measure} here; measured {series.value[-1]:.1f} mm since the zero reading"
    unit = chosen.trigger.unit
    datum = f"since {chosen.trigger.since}"
    if chosen.past:
        text = f"{chosen.value:.1f} {unit} {datum}, past {chosen.level.name} ({chosen.level.value:g} {unit}) since {shown(job.instant(chosen.crossing))[:16]}Z"
        following = [item for item in levels if item.trigger is chosen.trigger and item.place > chosen.place and not np.isnan(item.probability)]
        if following:
            text += f"; next {following[0].level.name} ({following[0].level.value:g} {unit}): {_chance_text(job, following[0])}"
        return "past", f"{text}; {silent}" if silent else text
    text = f"{chosen.value:.1f} {unit} {datum}, {chosen.level.name} at {chosen.level.value:g} {unit}: {_chance_text(job, chosen)}"
    unconfirmed = next((item for item in reversed(levels) if item.unconfirmed), None)
    if unconfirmed is not None:
        text += (
            f"; {unconfirmed.unconfirmed} of the last {unconfirmed.trigger.confirm_of} readings beyond {unconfirmed.level.name}, unconfirmed "
            f"({unconfirmed.trigger.confirm_needed} needed): read again now"
        )
    if silent:
        return "blind", f"{silent}; {text}"
    if np.isnan(chosen.probability):
        return "undetermined", f"{text}: nothing to project with"
    if len(series.time) < FEWEST_READINGS:
        return "blind", f"only {len(series.time)} readings; {text}"
    if chosen.probability >= LIKELY:
        cause = _cause(series, chosen, section)
        return "heading", f"{text}{cause}"
    if unconfirmed is not None:
        return "undetermined", text
    return "clear", text


def _chance_text(job: Job, item: LevelOutlook) -> str:
    if np.isnan(item.probability):
        return "not projected"
    if np.isnan(item.crossing):
        return f"{item.probability:.0%} within the horizon, not expected"
    early = shown(job.instant(item.early))[:10]
    late = shown(job.instant(item.late))[:10] or "not within the horizon"
    return f"{item.probability:.0%} within the horizon, about {shown(job.instant(item.crossing))[:10]} (early {early}, late {late})"


def _cause(series: Series, chosen: LevelOutlook, section: SectionProjection | None) -> str:
    """Which stage brings the crossing: the last one to pass the section before it, if it has not passed yet."""
    if section is None or np.isnan(chosen.crossing):
        return ""
    now = float(series.time[-1])
    coming = [name for name, path in series.paths.items() if not _passed(path, now)]
    for name in reversed(coming):
        track = section.future_passages.get(name, float("nan"))
        if track <= chosen.crossing:
            return f"; {name} passes before, about day {track - now:+.0f}"
    return "; before any further stage passes" if coming else ""


def _silent(job: Job, series: Series) -> str:
    """Why a series is blind, or an empty text."""
    last = float(series.time[-1])
    hours = 24 * (job.days(job.now) - last)
    usual = 24 * float(np.median(np.diff(series.time[-13:]))) if len(series.time) > 2 else 6.0
    limit = max(BLIND_HOURS, BLIND_INTERVALS * usual)
    return f"no reading for {hours:.0f} h (usual interval {usual:.0f} h)" if hours > limit else ""


def _urgency(state: str, chosen: LevelOutlook | None, job: Job) -> float:
    """Rank of a row: states first, within a state the probability of the level, its gravity and how soon it comes."""
    base = {"past": 4.0, "heading": 3.0, "blind": 2.0, "undetermined": 0.0, "clear": 1.0}[state]
    if chosen is None or np.isnan(chosen.probability):
        return base if chosen is None and state == "blind" else base - (0.5 if state == "undetermined" else 0.0)
    lead = max(chosen.crossing - job.days(job.now), 0.0) if not np.isnan(chosen.crossing) else 365.0
    return base + 0.99 * chosen.severity * chosen.probability / (1.0 + lead / 30.0)
