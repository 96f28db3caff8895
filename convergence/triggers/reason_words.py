"""The parts of the sentence that gives the reason of a state, in numbers; dates in the time zone of the job."""

from __future__ import annotations

import numpy as np

from convergence.measures.rates import RATE_WINDOW
from convergence.measures.series import Series
from convergence.projection.result import SectionProjection
from convergence.survey.job import Job
from convergence.triggers.amounts import amount_text, level_text, percent_text
from convergence.triggers.confirmation import rule_text
from convergence.triggers.dates import local_date, local_minute
from convergence.triggers.silence import active_stage
from convergence.triggers.standing import LevelOutlook
from convergence.triggers.urgency import gravest, next_levels, past_levels

#: What is asked for where a reading stands alone beyond a level.
READ_AGAIN = "read again now"
#: A level that is only one among others is told from this probability on.
WORTH_TELLING = 0.05


def past_text(job: Job, chosen: LevelOutlook, levels: tuple[LevelOutlook, ...]) -> str:
    """What is past, by the gravest level of every trigger, and what comes next of every trigger."""
    text = f"{value_text(chosen)}, {_past_words(job, chosen)}"
    if chosen.estimated and np.isfinite(chosen.estimated) and chosen.trigger.quantity != "rate":
        text += ", counting no more of the part lost than the least of it (the end of 90 %)"
    parts = [text]
    told = {chosen.trigger.name}
    for other in past_levels(levels):
        if other.trigger.name != chosen.trigger.name:
            parts += [f"also {_past_words(job, other)}{_of_trigger(other, chosen)}", other.warning]
            told.add(other.trigger.name)
    for coming in next_levels(levels):
        own = coming.trigger.name == chosen.trigger.name
        if not own and not coming.probability >= WORTH_TELLING:
            continue
        words = f"next {level_words(coming, ' (')}): {chance_text(job, coming)}"
        # what a trigger is, and who acts on it, is told once
        known = f" [trigger {coming.trigger.name}]" if coming.trigger.name in told else _of_trigger(coming, chosen)
        parts += [words if own else f"{words}{known}", coming.warning]
    return "; ".join(dict.fromkeys(part for part in parts if part))


def others_text(job: Job, chosen: LevelOutlook, levels: tuple[LevelOutlook, ...]) -> list[str]:
    """Likely levels of other triggers, the gravest of each, for a row that is about one level of one of them."""
    names = dict.fromkeys(item.trigger.name for item in levels if item.heading and not item.past)
    found = []
    for name in names:
        own = [item for item in levels if item.heading and not item.past and item.trigger.name == name]
        coming = gravest([item for item in own if not item.hangs_on_last])
        if coming is not None and name != chosen.trigger.name:
            found.append(f"also {level_words(coming, ' at ')}: {chance_text(job, coming)}{_of_trigger(coming, chosen)}")
    return found


def _past_words(job: Job, item: LevelOutlook) -> str:
    since = local_minute(job.instant(item.crossing), job.settings.tunnel.time_zone)
    return f"past {level_words(item, ' (')}) since {since}"


def _of_trigger(item: LevelOutlook, chosen: LevelOutlook) -> str:
    """Which trigger a level is of, its value where the datum or quantity is another, who acts and how."""
    parts = [f"trigger {item.trigger.name}"]
    if (item.trigger.quantity, item.trigger.since) != (chosen.trigger.quantity, chosen.trigger.since):
        parts.append(f"now {value_text(item)}")
    acts = ": ".join(part for part in (item.trigger.owner, item.trigger.action) if part)
    if acts:
        parts.append(f"acts: {acts}")
    return f" [{'; '.join(parts)}]"


def value_text(item: LevelOutlook) -> str:
    """What the quantity is now, since when, and which part of it is estimated."""
    # one reading, or readings on both sides of a break, tell no rate
    value = amount_text(item.value, item.trigger, item.level)
    if item.trigger.quantity == "rate":
        return value if np.isnan(item.value) else f"{value} over {RATE_WINDOW:g} days"
    curve = item.trigger.expected
    beyond = "" if curve is None else f" beyond the expected curve {curve.name}"
    told = f"{value}{beyond} since {item.trigger.since}{_estimated_text(item)}"
    return f"at least {told}" if np.isnan(item.estimated) else told


def level_words(item: LevelOutlook, between: str) -> str:
    """A level by name and value."""
    return f"{item.level.name}{between}{level_text(item.trigger, item.level)}"


def _estimated_text(item: LevelOutlook) -> str:
    """Which part of the value is an estimate, where one is."""
    if item.trigger.since == "zero reading":
        return ""
    if np.isnan(item.estimated):
        return " (as measured: the part lost before the zero reading is not known)"
    return f" (of it {item.estimated:.1f}±{item.estimated_deviation:.1f} mm lost before the zero reading, estimated)"


def by_estimate_text() -> str:
    """What it means that a value is beyond a level that is not past."""
    return (
        "beyond the level only with what is estimated of the part lost: no passage until the readings pass it with "
        "no more than the least of it (the end of 90 %)"
    )


def range_text(item: LevelOutlook, series: Series) -> str:
    """Where the trigger is in force, whether it is now, and whether it was judged."""
    valid = item.trigger.valid
    if valid is None:
        return ""
    stage, unit = valid.stage or next(iter(series.paths), "the first stage"), "m"
    of = f"face distance of {stage}"
    if valid.against == "age":
        unit, of = "d", f"days since {stage} passed"
    ends = [f"{word} {end:g} {unit}" for word, end in (("from", valid.low), ("to", valid.high)) if np.isfinite(end)]
    begin = "its range is over, in force" if item.over else "in force" if item.in_force else "not in force now, but"
    told = f"{begin} {' '.join(ends)} ({of})"
    return f"{told}; {unjudged_text(item)}" if item.unjudged >= 0 else told


def unjudged_text(item: LevelOutlook) -> str:
    """That a range is over and nothing can be said of its level."""
    count = f"{item.unjudged} reading{'' if item.unjudged == 1 else 's'}"
    return f"range of {item.trigger.name} passed with {count}: {item.level.name} not judged"


def unconfirmed_text(item: LevelOutlook) -> str:
    """That readings stand beyond a level and the rule does not confirm them."""
    rule = item.trigger
    return (
        f"{item.unconfirmed} of the last {rule.confirm_of} readings beyond {item.level.name}, unconfirmed "
        f"({rule_text(rule)}): {READ_AGAIN}"
    )


def chance_text(job: Job, item: LevelOutlook) -> str:
    """How likely a level is to be reached, and when."""
    if np.isnan(item.probability):
        return "not projected"
    chance = f"{percent_text(item.probability)} within the horizon"
    if np.isnan(item.crossing):
        return f"{chance}, not expected"
    zone = job.settings.tunnel.time_zone
    late = local_date(job.instant(item.late), zone) or "not within the horizon"
    if item.perhaps_already:
        return f"{chance}, perhaps already ({'late' if item.late > item.today else 'at the latest'} {late})"
    early = local_date(job.instant(item.early), zone)
    return f"{chance}, about {local_date(job.instant(item.crossing), zone)} (early {early}, late {late})"


def at_rate_text(levels: tuple[LevelOutlook, ...]) -> str:
    """The gravest level that is reached within days at the present rate, where the projection says less."""
    found = gravest(item for item in levels if item.sooner_at_rate)
    if found is None:
        return ""
    curve = found.trigger.expected
    of = "" if curve is None else f" off the expected curve {curve.name}"
    return (
        f"{level_words(found, ' at ')} is reached in {found.present_days:.1f} days at the present rate of "
        f"{found.present_rate:+.1f} mm/day{of}, sooner than projected"
    )


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


def cause_text(series: Series, chosen: LevelOutlook, section: SectionProjection | None) -> str:
    """Which stage brings the crossing, if it has not passed yet."""
    stage = causing_stage(series, chosen, section)
    if section is None or not stage:
        return ""
    if stage in section.future_passages:
        days = section.future_passages[stage] - float(series.time[-1])
        return f"; {stage} passes before, in about {days:.0f} days"
    return "; before any further stage passes" if section.future_passages else ""
