"""The state of a measure and the sentence that gives its reason in numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from convergence.measures.series import Series
from convergence.projection.result import SectionProjection
from convergence.survey.job import Job
from convergence.triggers.amounts import percent_text
from convergence.triggers.changes import FAST_READING, UNITS, Change
from convergence.triggers.dates import local_minute
from convergence.triggers.reason_words import READ_AGAIN as READ_AGAIN
from convergence.triggers.reason_words import (
    at_rate_text,
    by_estimate_text,
    cause_text,
    chance_text,
    level_words,
    others_text,
    past_text,
    range_text,
    unconfirmed_text,
    unjudged_text,
    value_text,
)
from convergence.triggers.silence import silence, silence_since
from convergence.triggers.standing import ASKED_FAR, FEWEST_READINGS, LIKELY, LevelOutlook
from convergence.triggers.urgency import gravest, quickened


def state_and_reason(
    job: Job,
    series: Series,
    chosen: LevelOutlook | None,
    levels: tuple[LevelOutlook, ...],
    section: SectionProjection | None,
    surprise: float = 0.0,
    changes: Sequence[Change] = (),
) -> tuple[str, str]:
    """State of a measure with readings, and one sentence of reason in numbers.

    Parameters
    ----------
    job : Job
        The job.
    series : Series
        The measure.
    chosen : LevelOutlook or None
        The level the sentence is about.
    levels : tuple of LevelOutlook
        All levels of the measure that the state and the sentence hang on.
    section : SectionProjection or None
        Its section carried to the horizon.
    surprise : float
        How far the last reading is from what those before it led to expect [mm]; 0 where it is as expected.
    changes : sequence of Change
        What was found in its readings lately; with an acceleration, a step or a change of slope nothing is clear.

    Returns
    -------
    state, reason : str
        One of ``STATES``, and the sentence.
    """
    silent = silence(job, series)
    lasting = [item for item in changes if item.kind != FAST_READING]
    if levels and all(item.over for item in levels):
        # nothing hangs on another reading where every trigger's range is over
        surprise = 0.0
    noticed = [_change_text(job, item) for item in lasting]
    if chosen is None:
        if silent:
            return "blind", "; ".join([silent, *noticed])
        now = f"measured {series.value[-1]:.1f} mm since the zero reading"
        return "undetermined", "; ".join([f"no trigger level for {series.measure} here; {now}", *noticed])
    rushing = at_rate_text(levels)
    if chosen.past:
        parts = [past_text(job, chosen, levels), chosen.warning, *_doubts(chosen, levels, surprise)]
        return "past", "; ".join(part for part in (*parts, *noticed, rushing, silence_since(job, series)) if part)
    parts = [
        f"{value_text(chosen)}, {level_words(chosen, ' at ')}: {chance_text(job, chosen)}",
        by_estimate_text() if chosen.by_estimate else "",
        range_text(chosen, series),
        chosen.warning,
        *_doubts(chosen, levels, surprise),
        *noticed,
        rushing,
        *others_text(job, chosen, levels),
        *(unjudged_text(item) for item in levels if item.unjudged >= 0 and item is not chosen),
    ]
    text = "; ".join(dict.fromkeys(part for part in parts if part))
    if silent:
        return "blind", f"{silent}; {text}"
    if len(series.time) < FEWEST_READINGS:
        count = len(series.time)
        return "blind", f"only {count} reading{'' if count == 1 else 's'}; {text}"
    return _state_ahead(series, chosen, levels, section, surprise, lasting, text)


def _state_ahead(
    series: Series,
    chosen: LevelOutlook,
    levels: tuple[LevelOutlook, ...],
    section: SectionProjection | None,
    surprise: float,
    lasting: list[Change],
    text: str,
) -> tuple[str, str]:
    """State of a measure that is read and past no level, and its sentence so far with what the state rests on."""
    rushed = any(quickened(item, lasting) for item in levels) and not surprise
    if rushed and not (chosen.heading and not chosen.hangs_on_last):
        return "heading", f"{text}; heading by the present rate, for the readings left the course projected from"
    if np.isnan(chosen.probability):
        return "undetermined", f"{text}: nothing to project with"
    if chosen.hangs_on_last:
        return "undetermined", f"{text}; without that reading {percent_text(chosen.without_last)}"
    if not chosen.heading and chosen.probability >= LIKELY:
        why = "of this trigger"
        if chosen.trigger.likely is None:
            why = "asked for" + (f" while {chosen.reached:.0%} of the level is reached" * (chosen.asked == ASKED_FAR))
        return "undetermined", f"{text}; likelier than not, under the {chosen.asked:.0%} {why}"
    if chosen.heading:
        return "heading", f"{text}{cause_text(series, chosen, section)}"
    # neither a reading beyond a level that is not confirmed nor an undecided jump is an alarm or the all-clear
    if series.kept_steps:
        return "undetermined", f"{text}; {READ_AGAIN}: the band holds the jump both as movement and as a knocked prism"
    open_ = surprise or lasting or any(item.unconfirmed or item.unjudged >= 0 for item in levels)
    return ("undetermined" if open_ else "clear"), text


def _change_text(job: Job, change: Change) -> str:
    """A change of the readings' course: what, how much and when it was found."""
    found = local_minute(job.instant(change.found), job.settings.tunnel.time_zone)
    return f"{change.kind} of {change.size:+.2f}±{change.error:.2f} {UNITS[change.kind]} found {found}"


def _doubts(chosen: LevelOutlook, levels: tuple[LevelOutlook, ...], surprise: float) -> list[str]:
    """What has to be read again: readings beyond a level that is not confirmed, and a fast last reading.

    With the fast reading stands the gravest other level that is likely by it alone.
    """
    unconfirmed = gravest(item for item in levels if item.unconfirmed)
    found = [] if unconfirmed is None else [unconfirmed_text(unconfirmed)]
    if unconfirmed is not None and unconfirmed.warning and unconfirmed is not chosen:
        found.append(unconfirmed.warning)
    if not surprise:
        return found
    text = f"last reading {surprise:+.1f} mm off what those before it led to expect, unconfirmed: {READ_AGAIN}"
    text += "; it is in every number here"
    if np.isfinite(chosen.without_last) and not chosen.past and not chosen.hangs_on_last:
        text += f", without it {chosen.level.name} is {percent_text(chosen.without_last)}"
    graver = gravest(item for item in levels if item is not chosen and item.hangs_on_last)
    if graver is not None:
        text = (
            f"{text}; {level_words(graver, ' at ')} is {percent_text(graver.probability)} with that reading, "
            f"{percent_text(graver.without_last)} without"
        )
        text = f"{text}; {graver.warning}" if graver.warning else text
    return [*found, text]
