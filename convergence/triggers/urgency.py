"""Which level a row is about, and how urgent the row is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from convergence.triggers.changes import FAST_READING, STEP, Change
from convergence.triggers.standing import LIKELY, LevelOutlook

#: Days of lead after which a coming passage counts half.
LEAD_SCALE = 30.0
#: Share of a past row's rank that is how grave the level past is; the rest is what comes next (our choice: a level
#: passed outweighs a graver one elsewhere that is likely).
PASSED_SHARE = 0.8
#: Where a row stands by its state alone; within a state it rises by less than 1.
RANKS = {"past": 5.0, "heading": 4.0, "blind": 2.0, "clear": 1.0, "undetermined": 0.0}
#: A level that may have been passed, unconfirmed, asks for more attention than one that is far: an undetermined row
#: with a level stands above the clear ones and below those blind. One likelier to be reached than not stands next to
#: those headed for.
UNDETERMINED_RANK, LIKELY_RANK, UNDETERMINED_SPAN = 1.5, 3.0, 0.49


def gravest(items: Iterable[LevelOutlook]) -> LevelOutlook | None:
    """The gravest of some levels of one measure, of whatever triggers; None of none.

    Levels of movement, strain and distortion stand in one order, that of the movement they are reached at; rates in
    one of their own. Between a movement and a rate there is no common measure: the one with more levels of its own
    trigger below it comes first, and the reason tells the other.
    """
    every = list(items)
    rates = [item for item in every if item.trigger.quantity == "rate"]
    movements = [item for item in every if item.trigger.quantity != "rate"]
    ends = [max(group, key=_size) for group in (movements, rates) if group]
    return max(ends, key=lambda item: (item.place, item.severity), default=None)


def _size(item: LevelOutlook) -> tuple[float, float, int]:
    size = abs(item.level.value) if np.isnan(item.movement) else item.movement
    # of two levels at the same movement the one likelier to be reached from now on tells more
    return size, item.probability if np.isfinite(item.probability) else 0.0, item.place


def chosen_level(levels: tuple[LevelOutlook, ...]) -> LevelOutlook | None:
    """The level a row is about: the gravest one past, else the gravest likely one, else the one nearest to likely.

    Likely levels that stay so without a fast last reading come before those that hang on it.
    """
    past = gravest(item for item in levels if item.past)
    if past is not None:
        return past
    projected = [item for item in levels if not np.isnan(item.probability)]
    likely = [item for item in projected if item.heading]
    likely = [item for item in likely if not item.hangs_on_last] or likely
    if likely:
        return gravest(likely)
    # a level nothing is known of must not hide behind one that is far
    unjudged = next((item for item in levels if item.unjudged >= 0), None)
    if projected:
        nearest = max(projected, key=lambda item: (item.probability, -item.place))
        return unjudged if unjudged is not None and not nearest.probability else nearest
    return unjudged or (levels[0] if levels else None)


def next_levels(levels: tuple[LevelOutlook, ...]) -> list[LevelOutlook]:
    """Of every trigger the first projected level above those past, the nearest of all first."""
    last: dict[str, int] = {}
    for item in levels:
        if item.past:
            last[item.trigger.name] = max(last.get(item.trigger.name, -1), item.place)
    found: dict[str, LevelOutlook] = {}
    for item in levels:
        open_ = not item.past and not item.over and not np.isnan(item.probability)
        if open_ and item.place > last.get(item.trigger.name, -1):
            found.setdefault(item.trigger.name, item)
    return sorted(found.values(), key=lambda item: -item.probability)


def past_levels(levels: tuple[LevelOutlook, ...]) -> list[LevelOutlook]:
    """Of every trigger the gravest level past."""
    names = dict.fromkeys(item.trigger.name for item in levels if item.past)
    ends = (gravest(item for item in levels if item.past and item.trigger.name == name) for name in names)
    return [item for item in ends if item is not None]


def quickened(item: LevelOutlook, changes: Sequence[Change]) -> bool:
    """Whether a change of slope found lately quickens the movement towards a level that it reaches within days.

    With such a change the course so far, on which the projection rests, is not the one that goes on.
    """
    bent = [change for change in changes if change.kind not in (FAST_READING, STEP)]
    return item.sooner_at_rate and any(np.sign(change.size) == np.sign(item.present_rate) for change in bent)


def urgency(
    state: str,
    chosen: LevelOutlook | None,
    today: float,
    levels: tuple[LevelOutlook, ...] = (),
    changes: Sequence[Change] = (),
) -> float:
    """Rank of a row: states first; within a state the level's probability, its gravity and how soon it comes.

    Where a level is past, ``PASSED_SHARE`` counts how grave it is and the rest what comes next: of the levels not past,
    the one with the most weight; past the last of its kind, nothing graver is left to come and its
    own gravity counts in full.

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
    changes : sequence of Change
        What was found in its readings lately and hangs on more than the last of them: a level to which the movement
        quickens counts as certain, at the day the present rate reaches it.
    """
    if chosen is None or np.isnan(chosen.probability):
        return RANKS[state]
    if state == "past":
        open_ = [item for item in levels if not item.past]
        coming = max((_weight(item, today, changes) for item in open_), default=0.0)
        same = [item for item in open_ if (item.trigger.quantity == "rate") == (chosen.trigger.quantity == "rate")]
        if not any(_size(item)[0] > _size(chosen)[0] for item in same):
            coming = max(coming, chosen.severity)
        return RANKS[state] + 0.99 * (PASSED_SHARE * chosen.severity + (1.0 - PASSED_SHARE) * coming)
    if state == "undetermined":
        likely = chosen.probability >= LIKELY and not chosen.hangs_on_last
        return (LIKELY_RANK if likely else UNDETERMINED_RANK) + UNDETERMINED_SPAN * _weight(chosen, today)
    weight = _weight(chosen, today)
    if state == "heading":
        weight = max([weight, *(_weight(item, today, changes) for item in levels if quickened(item, changes))])
    return RANKS[state] + 0.99 * weight


def _weight(item: LevelOutlook, today: float, changes: Sequence[Change] = ()) -> float:
    """A level's gravity times its probability, less the later it comes; 0 to 1."""
    if quickened(item, changes):
        return item.severity / (1.0 + item.present_days / LEAD_SCALE)
    if np.isnan(item.probability):
        return 0.0
    lead = 365.0 if np.isnan(item.crossing) else max(item.crossing - today, 0.0)
    return item.severity * item.probability / (1.0 + lead / LEAD_SCALE)
