"""The state of a measure and the sentence that gives its reason in numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.job.times import shown
from convergence.measures.rates import RATE_WINDOW
from convergence.measures.series import Series
from convergence.projection.result import SectionProjection
from convergence.survey.job import Job
from convergence.triggers.amounts import amount_text, level_text
from convergence.triggers.confirmation import rule_text
from convergence.triggers.levels import FEWEST_READINGS, LIKELY, LevelOutlook

#: States in the order of attention, with the mark that tells them apart without colour.
STATES = {"past": "!!", "heading": "! ", "blind": "??", "undetermined": "? ", "clear": "  "}
#: A series is blind after this many hours without a reading, or later by its own habit: this many usual intervals, or
#: this many times its longest interval lately (common practice, no source).
BLIND_HOURS, BLIND_INTERVALS, LATE = 24.0, 4.0, 1.5
#: Its habit is that of its last readings and of its last days, whichever are more.
HABIT_READINGS, HABIT_DAYS = 12, 14.0
#: What is asked for where a reading stands alone beyond a level.
READ_AGAIN = "read again now"
#: Days of lead after which a coming passage counts half.
LEAD_SCALE = 30.0


def active_stage(series: Series, day: float) -> tuple[str, float]:
    """The stage that passed the section last, and its face distance [m]; the first stage where none has passed."""
    best: tuple[str, float] = ("", float("nan"))
    for name, path in series.paths.items():
        distance = float(path.at(day))
        if not best[0] or distance >= 0:
            best = (name, distance)
    return best


def never_read(series: Series, job: Job) -> tuple[str, str]:
    """State and reason of a measure without a reading.

    A prism whose position names a stage ("left bench") can only be there once that stage has passed; any other once
    the first stage has.
    """
    words = series.label.lower().replace(":", " ").split()[1:]
    named = [item for item in series.paths.items() if item[0].lower() in words]
    first = named[0] if named else next(iter(series.paths.items()), None)
    aside = f" ({series.set_aside} readings set aside)" if series.set_aside else ""
    if first is None:
        return "undetermined", f"no usable reading{aside}, and no face log to say whether the section is excavated"
    name, path = first
    distance = float(path.at(job.days(job.now)))
    if distance < 0:
        return "undetermined", f"not yet excavated: the {name} face is {-distance:.0f} m short of the section{aside}"
    return "blind", f"never read{aside}, though the {name} face is {distance:.0f} m past"


def chosen_level(levels: tuple[LevelOutlook, ...]) -> LevelOutlook | None:
    """The level a row is about: the gravest one past, else the gravest likely one, else the one nearest to likely.

    Likely levels that stay so without a fast last reading come before those that hang on it.
    """
    past = [item for item in levels if item.past]
    if past:
        return max(past, key=lambda item: (item.severity, item.place))
    projected = [item for item in levels if not np.isnan(item.probability)]
    likely = [item for item in projected if item.heading]
    likely = [item for item in likely if not _hangs_on_last(item)] or likely
    if likely:
        return max(likely, key=lambda item: (item.severity, item.probability))
    if projected:
        return max(projected, key=lambda item: (item.probability, -item.place))
    return levels[0] if levels else None


def state_and_reason(
    job: Job,
    series: Series,
    chosen: LevelOutlook | None,
    levels: tuple[LevelOutlook, ...],
    section: SectionProjection | None,
    surprise: float = 0.0,
) -> tuple[str, str]:
    """State of a measure with readings, and one sentence of reason in numbers.

    ``surprise`` is how far the last reading is from what those before it led to expect [mm]; 0 where it is as expected.
    """
    silent = silence(job, series)
    if levels and all(item.over for item in levels):
        # nothing hangs on another reading where every trigger's range is over
        surprise = 0.0
    if chosen is None:
        if silent:
            return "blind", silent
        now = f"measured {series.value[-1]:.1f} mm since the zero reading"
        return "undetermined", f"no trigger level for {series.measure} here; {now}"
    if chosen.past:
        text = _past_text(job, chosen, levels)
        doubts = _doubts(chosen, levels, surprise)
        return "past", "; ".join(part for part in (text, chosen.warning, *doubts, silent) if part)
    text = f"{_value_text(chosen)}, {_level_words(chosen, ' at ')}: {_chance_text(job, chosen)}"
    if chosen.by_estimate:
        text = f"{text}; {_by_estimate_text(chosen)}"
    if chosen.trigger.valid is not None:
        text = f"{text}; {_range_text(chosen, series)}"
    if chosen.warning:
        text = f"{text}; {chosen.warning}"
    text = "; ".join(dict.fromkeys([text, *_doubts(chosen, levels, surprise)]))
    if silent:
        return "blind", f"{silent}; {text}"
    if len(series.time) < FEWEST_READINGS:
        return "blind", f"only {len(series.time)} readings; {text}"
    if np.isnan(chosen.probability):
        return "undetermined", f"{text}: nothing to project with"
    if _hangs_on_last(chosen):
        return "undetermined", f"{text}; without that reading {chosen.without_last:.0%}"
    if not chosen.heading and chosen.probability >= LIKELY:
        far = chosen.trigger.likely is None
        why = f"asked for while {chosen.reached:.0%} of the level is reached" if far else "of this trigger"
        return "undetermined", f"{text}; likelier than not, under the {chosen.asked:.0%} {why}"
    if chosen.heading:
        return "heading", f"{text}{_cause(series, chosen, section)}"
    # neither a reading beyond a level that is not confirmed nor an undecided jump is an alarm or the all-clear
    if series.kept_steps:
        return "undetermined", f"{text}; {READ_AGAIN}: the band holds the jump both as movement and as a knocked prism"
    return ("undetermined" if surprise or any(item.unconfirmed for item in levels) else "clear"), text


def _hangs_on_last(item: LevelOutlook) -> bool:
    """Whether a level is likely with a fast last reading and would not be without it."""
    return not item.past and item.heading and item.without_last < item.asked


def _doubts(chosen: LevelOutlook, levels: tuple[LevelOutlook, ...], surprise: float) -> list[str]:
    """What has to be read again: readings beyond a level that is not confirmed, and a fast last reading.

    With the fast reading stands the gravest other level that is likely by it alone.
    """
    unconfirmed = next((item for item in reversed(levels) if item.unconfirmed), None)
    found = [] if unconfirmed is None else [_unconfirmed_text(unconfirmed)]
    if unconfirmed is not None and unconfirmed.warning and unconfirmed is not chosen:
        found.append(unconfirmed.warning)
    if not surprise:
        return found
    text = f"last reading {surprise:+.1f} mm off what those before it led to expect, unconfirmed: {READ_AGAIN}"
    others = [item for item in levels if item is not chosen and _hangs_on_last(item)]
    if others:
        graver = max(others, key=lambda item: (item.severity, item.probability))
        text = (
            f"{text}; {_level_words(graver, ' at ')} is {graver.probability:.0%} with that reading, "
            f"{graver.without_last:.0%} without"
        )
        text = f"{text}; {graver.warning}" if graver.warning else text
    return [*found, text]


def _past_text(job: Job, chosen: LevelOutlook, levels: tuple[LevelOutlook, ...]) -> str:
    since = shown(job.instant(chosen.crossing))[:16]
    text = f"{_value_text(chosen)}, past {_level_words(chosen, ' (')}) since {since}Z"
    if chosen.estimated and chosen.trigger.quantity != "rate":
        text += ", counting no more of the part lost than the least of it (the end of 90 %)"
    coming = following_level(chosen, levels)
    if coming is not None:
        text += f"; next {_level_words(coming, ' (')}): {_chance_text(job, coming)}"
        text += f"; {coming.warning}" if coming.warning else ""
    return text


def following_level(chosen: LevelOutlook, levels: tuple[LevelOutlook, ...]) -> LevelOutlook | None:
    """The next level of the same trigger that is projected; None where there is none."""
    own = (item for item in levels if item.trigger is chosen.trigger and item.place > chosen.place)
    return next((item for item in own if not np.isnan(item.probability)), None)


def _value_text(item: LevelOutlook) -> str:
    """What the quantity is now, since when, and which part of it is estimated."""
    # one reading, or readings on both sides of a break, tell no rate
    value = amount_text(item.value, item.trigger, item.level)
    if item.trigger.quantity == "rate":
        return value if np.isnan(item.value) else f"{value} over {RATE_WINDOW:g} days"
    curve = item.trigger.expected
    beyond = "" if curve is None else f" beyond the expected curve {curve.name}"
    return f"{value}{beyond} since {item.trigger.since}{_estimated_text(item)}"


def _level_words(item: LevelOutlook, between: str) -> str:
    """A level by name and value."""
    return f"{item.level.name}{between}{level_text(item.trigger, item.level)}"


def _estimated_text(item: LevelOutlook) -> str:
    """Which part of the value is an estimate, where one is."""
    if item.trigger.since == "zero reading" or np.isnan(item.estimated):
        return ""
    return f" (of it {item.estimated:.1f}±{item.estimated_deviation:.1f} mm lost before the zero reading, estimated)"


def _by_estimate_text(item: LevelOutlook) -> str:
    """What it means that a value is beyond a level that is not past."""
    return (
        "beyond the level only with what is estimated of the part lost: no passage until the readings pass it with "
        "no more than the least of it (the end of 90 %)"
    )


def _range_text(item: LevelOutlook, series: Series) -> str:
    """Where the trigger is in force, and whether it is now."""
    valid = item.trigger.valid
    if valid is None:
        return ""
    stage, unit = valid.stage or next(iter(series.paths), "the first stage"), "m"
    of = f"face distance of {stage}"
    if valid.against == "age":
        unit, of = "d", f"days since {stage} passed"
    ends = [f"{word} {end:g} {unit}" for word, end in (("from", valid.low), ("to", valid.high)) if np.isfinite(end)]
    return f"{'in force' if item.in_force else 'not in force now, but'} {' '.join(ends)} ({of})"


def _unconfirmed_text(item: LevelOutlook) -> str:
    rule = item.trigger
    return (
        f"{item.unconfirmed} of the last {rule.confirm_of} readings beyond {item.level.name}, unconfirmed "
        f"({rule_text(rule)}): {READ_AGAIN}"
    )


def _chance_text(job: Job, item: LevelOutlook) -> str:
    if np.isnan(item.probability):
        return "not projected"
    chance = f"{item.probability:.0%} within the horizon"
    if np.isnan(item.crossing):
        return f"{chance}, not expected"
    early = shown(job.instant(item.early))[:10]
    late = shown(job.instant(item.late))[:10] or "not within the horizon"
    return f"{chance}, about {shown(job.instant(item.crossing))[:10]} (early {early}, late {late})"


def causing_stage(series: Series, item: LevelOutlook, section: SectionProjection | None) -> str:
    """The stage that brings the crossing; empty where none is expected.

    Of the stages still to pass the section before it, the one that causes the largest part of the final value; where
    none passes before, the one that passed last, whose face the section still feels.
    """
    if section is None or np.isnan(item.crossing):
        return ""
    coming = [name for name, passage in section.future_passages.items() if passage <= item.crossing]
    if not coming:
        return active_stage(series, float(series.time[-1]))[0]
    part = dict(zip(section.stages, np.abs(section.by_stage[section.index(series.label)]), strict=True))
    # of equal parts the later stage, for it is the one still to be decided on
    return max(reversed(coming), key=lambda name: float(part.get(name, 0.0)))


def _cause(series: Series, chosen: LevelOutlook, section: SectionProjection | None) -> str:
    """Which stage brings the crossing, if it has not passed yet."""
    stage = causing_stage(series, chosen, section)
    if section is None or not stage:
        return ""
    if stage in section.future_passages:
        days = section.future_passages[stage] - float(series.time[-1])
        return f"; {stage} passes before, in about {days:.0f} days"
    return "; before any further stage passes" if section.future_passages else ""


def silence(job: Job, series: Series) -> str:
    """Why a series is blind, or an empty text."""
    hours = 24 * (job.days(job.now) - float(series.time[-1]))
    usual, limit = reading_habit(series.time)
    return f"no reading for {hours:.0f} h (usual interval {usual:.0f} h)" if hours > limit else ""


def reading_habit(time: npt.NDArray[np.float64]) -> tuple[float, float]:
    """The usual interval between readings [h], and the silence [h] from which a series is blind.

    The habit is that of its last readings: silence is long past ``BLIND_INTERVALS`` usual intervals, or past half as
    long again as the longest interval lately (which holds nights and rest days), whichever comes first; never under
    ``BLIND_HOURS``.
    """
    if len(time) < 3:
        return 6.0, BLIND_HOURS
    hours = 24 * np.diff(time)
    usual = float(np.median(hours[-HABIT_READINGS:]))
    recent = hours[(time[1:] > time[-1] - HABIT_DAYS) | (np.arange(len(hours)) >= len(hours) - HABIT_READINGS)]
    return usual, max(BLIND_HOURS, min(BLIND_INTERVALS * usual, LATE * float(recent.max())))


def urgency(state: str, chosen: LevelOutlook | None, today: float, levels: tuple[LevelOutlook, ...] = ()) -> float:
    """Rank of a row: states first; within a state the level's probability, its gravity and how soon it comes.

    Where a level is past, half counts how grave it is and half what comes next: of the levels not past, the one with
    the most weight; past its trigger's last level, nothing graver is left to come and it counts in full.

    Parameters
    ----------
    state : str
        State of the row.
    chosen : LevelOutlook or None
        The level the row is about.
    today : float
        Day of the last data, so that the rank does not hang on the hour of the analysis.
    levels : tuple of LevelOutlook
        All levels of the measure.
    """
    base = {"past": 4.0, "heading": 3.0, "blind": 2.0, "clear": 1.0, "undetermined": 0.0}[state]
    if chosen is None or np.isnan(chosen.probability):
        return base
    if state == "past":
        coming = max((_weight(item, today) for item in levels if not item.past), default=0.0)
        last = chosen.place == len(chosen.trigger.levels) - 1
        return base + 0.99 * (0.5 * chosen.severity + 0.5 * (1.0 if last else coming))
    if state == "undetermined":
        # a level that may have been passed, unconfirmed, asks for more attention than one that is far
        base = 1.5
    return base + 0.99 * _weight(chosen, today)


def _weight(item: LevelOutlook, today: float) -> float:
    """A level's gravity times its probability, less the later it comes; 0 to 1."""
    if np.isnan(item.probability):
        return 0.0
    lead = 365.0 if np.isnan(item.crossing) else max(item.crossing - today, 0.0)
    return item.severity * item.probability / (1.0 + lead / LEAD_SCALE)
