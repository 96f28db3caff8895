"""The forecasts of one past date: what the projection and the baselines said with only what was known then."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.metadata import version

import numpy as np

from convergence.cache import Store, keep
from convergence.errors import JobError
from convergence.hindcasting.baselines import MISSING, Forecast, coupled_alone, last_rate_decays, no_more_movement
from convergence.hindcasting.outcome import LASTING, Outcome
from convergence.hindcasting.until import projection_until
from convergence.job.plain_rows import Parsed
from convergence.job.times import shown
from convergence.measures.series import Series
from convergence.projection.kept import projected
from convergence.projection.result import Projection, SectionProjection
from convergence.survey.job import Job, read_job
from convergence.triggers.outlook import outlook

#: The forecasts beside each other, and how they are called in the text.
METHODS = {
    "ours": "this projection",
    "alone": "own final value, on the pooled course",
    "coupled": "coupled law, one chord at a time",
    "decay": "last rate decays",
    "still": "no more movement",
}
#: Measures the coupled law is fitted to; a fit of every component of every prism would cost more than all the rest.
COUPLED_MEASURES = ("chord",)
#: Columns of the log: what each forecast was made from, what it said of the horizon, then what it said of the day of
#: the outcome, method by method.
COLUMNS = (
    "date",
    "tunnel",
    "fingerprint",
    "version",
    "known_until",
    "confidence",
    "section",
    "place",
    "chainage_m",
    "measure",
    "prisms",
    "zero_time",
    "last_time",
    "days",
    "face_distance_m",
    "widths",
    "final_time",
    "final",
    "final_low",
    "final_high",
    "outcome_time",
    "outcome",
    "outcome_deviation",
    "beyond",
    *(f"{method}{part}" for method in METHODS for part in ("", "_low", "_high")),
    "not_scored",
)
#: Columns of the log of levels.
LEVEL_COLUMNS = (
    "date",
    "section",
    "place",
    "measure",
    "prisms",
    "widths",
    "trigger",
    "level",
    "outcome_time",
    "probability",
    "passed",
    "warning",
)


@dataclass(frozen=True)
class Question:
    """What is asked of each past date; it travels to worker processes.

    Attributes
    ----------
    path : str
        The job folder.
    known_until : datetime64
        The instant of the analysis the outcomes are from.
    places : mapping of str to int
        Place of each section in the drive, from 0.
    outcomes : mapping of (section, label) to Outcome
        What came.
    embargo_days : float
        Days between the last reading a forecast knows and the first of its outcome, at the least.
    coupled : bool
        Whether the coupled law is fitted.
    levels : bool
        Whether the outlook's probabilities are asked for.
    store : Store or None
        Where results are kept, if they are.
    """

    path: str
    known_until: np.datetime64
    places: Mapping[str, int]
    outcomes: Mapping[tuple[str, str], Outcome]
    embargo_days: float
    coupled: bool
    levels: bool
    store: Store | None = None


@dataclass(frozen=True)
class DateForecasts:
    """All forecasts of one date: rows of the two logs, or why there are none."""

    date: np.datetime64
    rows: tuple[dict[str, object], ...]
    level_rows: tuple[dict[str, object], ...]
    refused: str = ""


@dataclass(frozen=True)
class _Asked:
    """One measure that is scored: its place, and the day the outcome is from, in days of the known job."""

    section: SectionProjection
    index: int
    series: Series
    outcome: Outcome
    day: float


def forecast_date(question: Question, date: np.datetime64, parsed: Parsed | None = None) -> DateForecasts:
    """Project a job as it was at a date; nothing later is read.

    Parameters
    ----------
    question : Question
        The job and what came of it.
    date : datetime64
        The date, UTC.
    parsed : dict, optional
        Rows of readings files, kept from date to date; see ``read_job``.

    Returns
    -------
    DateForecasts
        A row for each measure that had a reading, scored or with the reason why it is not.
    """
    with keep(question.store):
        return _forecast(question, date, parsed)


def _forecast(question: Question, date: np.datetime64, parsed: Parsed | None) -> DateForecasts:
    try:
        known = read_job(question.path, date, parsed)
    except JobError as error:
        # a folder that can be used today could not be used before its first reading or round
        return DateForecasts(date, (), (), str(error.faults[0]) if error.faults else str(error))
    projection = projected(known)
    fingerprint = known_fingerprint(known)
    rows: list[dict[str, object]] = []
    asked: list[tuple[int, _Asked]] = []
    for section in projection.sections.values():
        for index, series in enumerate(section.series):
            row = _log_row(question, date, known, fingerprint, projection, section, index)
            outcome = question.outcomes.get((series.section, series.label))
            row["not_scored"] = _why_not(question, known, section, series, outcome)
            if outcome is not None:
                row |= {
                    "outcome_time": shown(outcome.instant),
                    "outcome": outcome.value,
                    "outcome_deviation": outcome.deviation,
                    "beyond": outcome.beyond,
                }
                if not row["not_scored"]:
                    asked.append((len(rows), _Asked(section, index, series, outcome, known.days(outcome.instant))))
            rows.append(row)
    for method, forecasts in _forecasts(question, projection, [item for _, item in asked]).items():
        for (place, _), forecast in zip(asked, forecasts, strict=True):
            rows[place] |= {
                method: forecast.middle,
                f"{method}_low": forecast.low,
                f"{method}_high": forecast.high,
            }
    levels = _level_rows(question, date, known, projection, [item for _, item in asked]) if question.levels else []
    return DateForecasts(date, tuple(rows), tuple(levels))


def known_fingerprint(known: Job) -> str:
    """SHA-256 over what was known at a date: settings, prisms, rounds, events and readings in use.

    Unlike that of the files it stays the same when later readings are added to them.
    """
    folder = known.folder
    total = hashlib.sha256(repr((folder.settings, folder.prisms, folder.events)).encode())
    for name, log in folder.advance.items():
        total.update(name.encode() + log.time.tobytes() + log.chainage.tobytes())
    for column in ("time", "prism", "a", "b", "c"):
        total.update(np.ascontiguousarray(folder.readings[column].to_numpy()).tobytes())
    return total.hexdigest()


def _log_row(
    question: Question,
    date: np.datetime64,
    known: Job,
    fingerprint: str,
    projection: Projection,
    section: SectionProjection,
    index: int,
) -> dict[str, object]:
    """What every forecast is logged with, whether it can be scored or not."""
    series = section.series[index]
    tail = (1 - projection.confidence) / 2
    distance = _face_distance(series)
    row: dict[str, object] = {name: float("nan") for name in COLUMNS if name.partition("_")[0] in ("outcome", *METHODS)}
    return row | {
        "date": shown(date),
        "tunnel": known.settings.tunnel.name,
        "fingerprint": fingerprint,
        "version": version("convergence"),
        "known_until": shown(question.known_until),
        "confidence": projection.confidence,
        "section": section.section,
        "place": question.places.get(section.section, -1),
        "chainage_m": section.site_chainage,
        "measure": series.measure,
        "prisms": series.prisms,
        "zero_time": shown(known.instant(float(series.time[0]))),
        "last_time": shown(known.instant(float(series.time[-1]))),
        "days": series.span,
        "face_distance_m": distance,
        "widths": distance / series.width,
        "final_time": shown(known.instant(float(section.dates[-1]))),
        "final": section.final(index, 0.5),
        "final_low": section.final(index, tail),
        "final_high": section.final(index, 1 - tail),
        "outcome_time": "",
        "beyond": "",
    }


def _why_not(
    question: Question, known: Job, section: SectionProjection, series: Series, outcome: Outcome | None
) -> str:
    """Why a forecast cannot be scored; empty where it can."""
    if outcome is None:
        return "no longer a measure of the job"
    if outcome.undecided != 0.0:
        return "an undecided jump in what came"
    if outcome.zero != known.instant(float(series.time[0])):
        return "zero reading declared anew since"
    last = known.instant(float(series.time[-1]))
    if (outcome.first - last) / np.timedelta64(1, "s") < question.embargo_days * 86_400:
        return f"no reading {question.embargo_days:g} days later"
    if known.days(outcome.instant) > float(section.dates[-1]):
        return "what came is later than the horizon"
    return ""


def _face_distance(series: Series) -> float:
    """Distance [m] of the first stage's face at the last reading; NaN without a log."""
    path = next(iter(series.paths.values()), None)
    return float("nan") if path is None else float(path.at(series.time[-1]))


def _forecasts(question: Question, projection: Projection, asked: list[_Asked]) -> dict[str, list[Forecast]]:
    """What each method said of the days asked for."""
    confidence = projection.confidence
    found: dict[str, list[Forecast]] = {method: [] for method in METHODS}
    chosen = [item for item in asked if question.coupled and item.series.measure in COUPLED_MEASURES]
    paths = [{name: track.path(item.section.chainage) for name, track in projection.tracks.items()} for item in chosen]
    laws = coupled_alone([item.series for item in chosen], paths, [item.day for item in chosen], confidence)
    fitted = {(item.series.section, item.series.label): law for item, law in zip(chosen, laws, strict=True)}
    for item in asked:
        noise = projection.noise.scaled(item.series.measure)
        found["ours"].append(_ours(item, confidence))
        found["alone"].append(_alone(item))
        found["coupled"].append(fitted.get((item.series.section, item.series.label), MISSING))
        found["decay"].append(last_rate_decays(item.series, item.day, noise, confidence))
        found["still"].append(no_more_movement(item.series, noise, confidence))
    return found


def _ours(item: _Asked, confidence: float) -> Forecast:
    tail = (1 - confidence) / 2
    middle, low, high = (item.section.at(item.index, item.day, share) for share in (0.5, tail, 1 - tail))
    return Forecast(middle, low, high)


def _alone(item: _Asked) -> Forecast:
    """The un-pooled final at the day: as much of its way there as the pooled median has gone by then."""
    section, index = item.section, item.index
    low, middle, high = (float(value) for value in section.alone[index])
    now, end = section.at(index, section.now, 0.5), section.final(index, 0.5)
    gone = (section.at(index, item.day, 0.5) - now) / (end - now) if abs(end - now) > 0.1 else 1.0
    still = 1.0 - float(np.clip(gone, 0.0, 1.0))
    return Forecast(*(value + still * (now - value) for value in (middle, low, high)))


def _level_rows(
    question: Question, date: np.datetime64, known: Job, projection: Projection, asked: list[_Asked]
) -> list[dict[str, object]]:
    """The outlook's probability of each level by the day of the outcome, and whether it was passed by then.

    Levels past at the date are left out, for of them nothing was foretold; so are rates, which fall again.
    """
    days: dict[str, float] = {}
    for item in asked:
        days[item.series.section] = max(days.get(item.series.section, -np.inf), item.day)
    if not days or not known.settings.triggers:
        return []
    cut = {name: projection_until(projection.sections[name], day) for name, day in days.items()}
    levels = outlook(known, projection=replace(projection, sections={**projection.sections, **cut})).levels
    rows: list[dict[str, object]] = []
    for item in asked:
        series, outcome = item.series, item.outcome
        for level in levels.get((series.section, series.label), ()):
            # a level that was changed since is another level
            passed = outcome.passed.get((level.trigger.name, level.level.name, level.level.value))
            if level.trigger.quantity not in LASTING or level.past or passed is None:
                continue
            if not np.isfinite(level.probability):
                continue
            rows.append(
                {
                    "date": shown(date),
                    "section": series.section,
                    "place": question.places.get(series.section, -1),
                    "measure": series.measure,
                    "prisms": series.prisms,
                    "widths": _face_distance(series) / series.width,
                    "trigger": level.trigger.name,
                    "level": level.level.name,
                    "outcome_time": shown(outcome.instant),
                    "probability": level.probability,
                    "passed": passed,
                    "warning": level.warning,
                }
            )
    return rows
