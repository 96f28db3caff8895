"""What a section's readings can and cannot tell of its own future, in one status and one sentence."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from convergence.measures.series import Series
from convergence.projection.result import SectionProjection

#: Readings under which a series adds nothing to what the site says.
FEWEST = 4
#: A stop is worth telling if its readings are expected to leave less than this of the standard error.
WORTH_READING = 0.9
#: Bands widened by less than this factor are not worth a word.
LITTLE_WIDENED = 1.1
#: Time counts as told apart from advance if the section's own readings leave less than this of what was not known of
#: the creep share before any reading.
SEPARATED = 0.6
#: A curve that misses the last readings by more than this share of them, and by more than so many mm, explains nothing.
MISSED, LEAST_MISSED = 0.25, 5.0


def fit_status(series: Series, section: SectionProjection | None) -> tuple[str, str]:
    """Status of a projected measure and the reason in numbers.

    Parameters
    ----------
    series : Series
        The measure.
    section : SectionProjection or None
        Its section's projection; None where nothing could be projected.

    Returns
    -------
    tuple of (str, str)
        "solved", "at bound", "not separable", "too few readings" or "failed", and a sentence; empty for "solved".
    """
    if section is None:
        return "failed", "no face log of any stage, so neither advance nor time can be projected"
    if len(series.time) < FEWEST:
        return (
            "too few readings",
            f"{len(series.time)} readings; the band comes from the other sections and the physical prior",
        )
    if not np.isfinite(section.quantiles[section.index(series.label)]).all():
        return "failed", "the projection gave no finite number"
    if section.run_away[section.index(series.label)]:
        final = section.final(section.index(series.label), 0.5)
        return "failed", f"the projection runs away to {final:.0f} mm: look at the advance log and at the readings"
    missed = _missed(series, section)
    if abs(missed) > max(LEAST_MISSED, MISSED * abs(float(series.value[-1]))):
        return (
            "failed",
            f"the curve ends {missed:+.1f} mm from the last readings: look at the advance log, it tells nothing "
            "that would move the section so",
        )
    if section.at_bound:
        return "at bound", f"influence length {section.influence_length:.1f} m at the end of its range"
    if section.own_creep_knowledge > SEPARATED:
        left, creep = min(section.own_creep_knowledge, 1.0), section.creep_share
        return (
            "not separable",
            f"own readings cannot tell time from advance ({left:.0%} of the doubt about creep is left); {creep:.0%} "
            "creep is what other sections and the prior say; a rest day or stop would tell",
        )
    return "solved", ""


def _missed(series: Series, section: SectionProjection) -> float:
    """Median of the projection less that of the last readings, at the last reading of the section [mm].

    With an undeclared jump in the movement, the nearer of both readings of it.
    """
    if section.now - float(series.time[-1]) > 1.0:
        return 0.0
    index = section.index(series.label)
    apart = section.at(index, section.now, 0.5) - float(np.median(series.value[-FEWEST:]))
    return min(apart, apart - series.kept_steps, key=abs)


def projection_notes(series: Series, section: SectionProjection, day_text: Callable[[float], str]) -> list[str]:
    """What else a reader must know of one measure's projection, in sentences with numbers.

    Parameters
    ----------
    series : Series
        The measure.
    section : SectionProjection
        Its section's projection.
    day_text : callable
        A day since the epoch as the reader's date.

    Returns
    -------
    list of str
        What the next planned stop would tell, where the other sections and the own readings disagree, and where the
        ground changes beside the section; often empty.
    """
    index = section.index(series.label)
    notes = [
        f"no round of {stage} is logged since {day_text(day)}: its face is taken as standing, and if rounds are "
        "missing from the log every final here is wrong"
        for stage, day in section.standing
    ]
    if section.dates[-1] > section.horizon_day + 0.5:
        notes.append(
            f"the horizon ended on {day_text(section.horizon_day)} and the section is still read: the final value is "
            f"that of {day_text(float(section.dates[-1]))}"
        )
    first = section.stages[0]
    if first in section.future_passages:
        notes.append(
            f"by the log {first} has not passed yet, though the section is read: look at the log and at the zero "
            "reading; until it is right the final value rests on the plan"
        )
    after, before = float(section.deviation_after_stop[index]), float(section.deviation[index])
    if section.stop is not None and after < WORTH_READING * before:
        notes.append(
            f"read through the stop from {day_text(section.stop[0])} to {day_text(section.stop[1])}, the standard "
            f"error of the final value is expected to fall from {before:.1f} to {after:.1f} mm"
        )
    if section.widening[index] > LITTLE_WIDENED:
        low, middle, high = section.alone[index]
        notes.append(
            f"own readings alone end at {middle:.0f} mm ({low:.0f} to {high:.0f}) and the other sections move that, so "
            f"the band is widened by {section.widening[index]:.1f}"
        )
    notes += [
        f"by how the sections move, the ground changes between {one} and {two} ({chance:.0%}): sections beyond count "
        "little here"
        for one, two, chance in section.ground_changes
        if section.section in (one, two)
    ]
    return notes
