"""Whether a measure has settled: the probability that its rate is under the job's limit, with every stage out of reach.

A face that stands still proves nothing: movement comes back with it. So nothing is said while a stage is within reach;
nor where one that was within reach during the days the rate is taken from stood still in them; nor while the whole site
stands still, or stood still in those days, for then no movement of any kind need show. One stage far past that stands
while others go on moves the section no more than if it went on, and forbids nothing. Published limits differ (0.1 to
0.2 mm/day of a chord, 0.07 to 0.15 of the crown, over 7 days; published, national practice), so the job gives its own.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm

from convergence.job.schema import SettledLimit
from convergence.job.stages import acting_widths
from convergence.laws.path import FacePath
from convergence.measures.rates import Noise, rate
from convergence.measures.series import Series
from convergence.projection.result import Projection, SectionProjection
from convergence.survey.job import Job
from convergence.triggers.silence import silence
from convergence.triggers.standing import FEWEST_READINGS

COLUMNS = ("section", "measure", "prisms", "probability", "limit_mm_per_day", "sentence", "refused")
#: A face stands still once a round is over by so many days and so many usual intervals, beside the days of rest
#: (common practice, no source).
STANDS_DAYS, STANDS_INTERVALS = 1.0, 3.0
#: Readings must span this share of the days asked for.
SPAN_SHARE = 0.6


def settled_row(
    job: Job,
    series: Series,
    section: SectionProjection | None,
    faces: Mapping[str, FacePath],
    projection: Projection,
) -> dict[str, object]:
    """One measure's row: a probability, or NaN with the sentence that says why none is given."""
    limit = job.settings.settled
    row: dict[str, object] = {
        "section": series.section,
        "measure": series.measure,
        "prisms": series.prisms,
        "probability": float("nan"),
        "limit_mm_per_day": float("nan") if limit is None else limit.rate,
        "refused": "",
    }
    if limit is None:
        return row | _refusal("the job gives no [settled] limit")
    today = projection.data_until
    refused = (
        _unread(job, series, limit)
        or _within_reach(job, series, faces, limit, today)
        or _stoppage(job, limit, faces, today)
    )
    if refused:
        return row | _refusal(refused)
    noise = projection.noise.scaled(series.measure)
    chance, speed, error = rate_under(series, noise, limit)
    if np.isnan(chance):
        return row | _refusal("the readings tell no rate")
    past = ", ".join(f"{name} {float(path.at(today)):.0f} m" for name, path in faces.items())
    sentence = (
        f"{speed:.2f}±{error:.2f} mm/day over {limit.days:g} days, {chance:.0%} that it is under {limit.rate:g}; "
        f"every stage out of reach ({past} past){_reached_text(series, section, projection.confidence)}"
    )
    return row | {"probability": chance, "sentence": sentence}


def _refusal(why: str) -> dict[str, object]:
    """Why no probability is given: in a column of its own, and as a sentence."""
    return {"sentence": f"not judged: {why}", "refused": why}


def settled_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """The rows of all measures."""
    return pd.DataFrame(rows, columns=list(COLUMNS))


def rate_under(series: Series, noise: Noise, limit: SettledLimit) -> tuple[float, float, float]:
    """Probability that the rate is under the limit in magnitude, the rate and its standard error [mm/day].

    P = Phi((r - v) / s) - Phi((-r - v) / s), from the readings of the last days alone, so that no law's promise of a
    final value enters.
    """
    speed, error, _ = rate(series.time, series.value, series.segment, noise, window=limit.days)
    if not (np.isfinite(speed) and error > 0):
        return float("nan"), speed, error
    chance = norm.cdf((limit.rate - speed) / error) - norm.cdf((-limit.rate - speed) / error)
    return float(chance), speed, error


def _unread(job: Job, series: Series, limit: SettledLimit) -> str:
    if len(series.time) < FEWEST_READINGS:
        return "too few readings"
    silent = silence(job, series)
    if silent:
        return silent
    last = series.time[series.time > series.time[-1] - limit.days]
    if len(last) < FEWEST_READINGS:
        return f"only {len(last)} readings in the last {limit.days:g} days"
    if last[-1] - last[0] < SPAN_SHARE * limit.days:
        return f"its readings span {last[-1] - last[0]:.1f} of the last {limit.days:g} days only"
    return ""


def _within_reach(job: Job, series: Series, faces: Mapping[str, FacePath], limit: SettledLimit, today: float) -> str:
    """The first stage that may still move the section; empty where none may."""
    widths = acting_widths(job.settings)
    for name in dict.fromkeys([*(stage.name for stage in job.settings.stages), *faces]):
        if name not in faces:
            return f"{name} has no round yet"
        distance, reach = float(faces[name].at(today)), limit.reach * widths.get(name, series.width)
        if distance < 0:
            return f"{name} is {-distance:.0f} m short of the section"
        if distance < reach:
            return f"{name} is {distance:.0f} m past, within reach ({limit.reach:g} widths, {reach:.0f} m)"
    return "" if faces else "no face log"


def _stoppage(job: Job, limit: SettledLimit, faces: Mapping[str, FacePath], today: float) -> str:
    """Which stoppage forbids a judgement: of the whole site, or of a stage lately within reach; empty without one."""
    logs = {
        name: np.array([job.days(instant) for instant in log.time])
        for name in faces
        if name not in limit.finished and (log := job.folder.advance.get(name)) is not None and len(log)
    }
    if not logs:
        return ""
    widths = acting_widths(job.settings)
    for name, ends in logs.items():
        reach = limit.reach * widths.get(name, job.settings.tunnel.width)
        if float(faces[name].at(today - limit.days)) < reach and (told := _stands(job, limit, [ends], today)):
            return f"{name} {told}"
    told = _stands(job, limit, list(logs.values()), today)
    return f"{' and '.join(logs)} {told}" if told else ""


def _stands(job: Job, limit: SettledLimit, logs: list[npt.NDArray[np.float64]], today: float) -> str:
    """How long all of some stages stand still together, or stood within the days the rate is taken from."""
    usual = max(float(np.median(np.diff(ends))) if len(ends) > 2 else 1.0 for ends in logs)
    longest = float(len(job.settings.calendar.rest_days)) + max(STANDS_DAYS, STANDS_INTERVALS * usual)
    rounds = np.append(np.unique(np.concatenate(logs)), today)
    still = np.diff(rounds)
    recent = rounds[1:] > today - limit.days
    verb = "has" if len(logs) == 1 else "have"
    if len(still) and still[-1] > longest:
        return f"{verb} stood still for {still[-1]:.1f} days, and a stoppage proves nothing"
    if (still[recent] > longest).any():
        return f"stood still for {still[recent].max():.1f} days within the last {limit.days:g} days"
    return ""


def _reached_text(series: Series, section: SectionProjection | None, confidence: float) -> str:
    """How much of the projected final value is reached, as an interval."""
    if section is None:
        return ""
    index = section.index(series.label)
    tail = (1 - confidence) / 2
    ends = np.array([section.final(index, share) for share in (tail, 1 - tail)])
    now = float(series.value[-1])
    if not (np.sign(ends) == np.sign(now)).all():
        return ""
    low, high = np.sort(np.minimum(now / ends, 1.0))
    return f"; {low:.0%} to {high:.0%} of the projected final is reached"
