"""What changed between two outlooks: states of measures, levels within a state, and levels newly past."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from convergence.triggers import STATES, new_passages

#: In these states the level and its trigger are part of the state: past one level and past the next are not the same,
#: nor are levels of one name of two triggers.
WITH_LEVEL = ("past", "heading")
_KEY = ["section", "measure", "prisms"]


@dataclass(frozen=True)
class StateChange:
    """Measures of one section that went the same way.

    Attributes
    ----------
    section : str
        The section.
    before, after : str
        State and, for "past" and "heading", its level, as "past attention", with the trigger where its name is not
        the measure's; "not there" where a measure is new.
    state : str
        The state now.
    graver : bool
        Whether it asks for more attention than before.
    measures : tuple of (str, str)
        Measure and prisms, most urgent first.
    reason : str
        Reason of the most urgent of them, in numbers.
    """

    section: str
    before: str
    after: str
    state: str
    graver: bool
    measures: tuple[tuple[str, str], ...]
    reason: str


@dataclass(frozen=True)
class NewPassage:
    """One level of one trigger that measures of a section newly passed.

    Attributes
    ----------
    section, trigger, level : str
        Which level.
    measures : tuple of (str, str)
        Measure and prisms that are past it and were not, most urgent first.
    row : dict of str to object
        The first one's row of the passages.
    """

    section: str
    trigger: str
    level: str
    measures: tuple[tuple[str, str], ...]
    row: dict[str, object]


def newly_past(before: pd.DataFrame, after: pd.DataFrame) -> tuple[NewPassage, ...]:
    """Every level of every trigger that is newly past, measures of a section that passed the same one together.

    Parameters
    ----------
    before, after : pandas.DataFrame
        Passages with the columns of ``Outlook.passages``.

    Returns
    -------
    tuple of NewPassage
        In the order of the later table, whichever level the state of a measure is told by.
    """
    groups: dict[tuple[str, str, str], list[dict[str, object]]] = {}
    for item in new_passages(before, after).to_dict("records"):
        row = {str(name): value for name, value in item.items()}
        groups.setdefault((str(row["section"]), str(row["trigger"]), str(row["level"])), []).append(row)
    return tuple(
        NewPassage(*group, tuple((str(row["measure"]), str(row["prisms"])) for row in rows), rows[0])
        for group, rows in groups.items()
    )


def state_changes(before: pd.DataFrame, after: pd.DataFrame) -> tuple[StateChange, ...]:
    """Changes of state from one outlook table to a later one.

    Parameters
    ----------
    before, after : pandas.DataFrame
        Outlook tables with the columns of ``Outlook.table``.

    Returns
    -------
    tuple of StateChange
        The states that ask for attention first; within a state in the order of the later table.
    """
    earlier = {
        _key(row): (row["outlook"], _told(row), row["level_value"], row.get("trigger", ""))
        for row in before.to_dict("records")
    }
    groups: dict[tuple[str, str, str], list[dict[str, object]]] = {}
    graver: dict[tuple[str, str, str], bool] = {}
    for row in after.to_dict("records"):
        state, told, value, trigger = earlier.get(_key(row), ("", "not there", 0.0, ""))
        now = _told(row)
        if told == now:
            continue
        group = (str(row["section"]), told, now)
        groups.setdefault(group, []).append({str(name): cell for name, cell in row.items()})
        if state == row["outlook"]:
            # levels of two triggers have no common measure: another one is news
            other = trigger != row.get("trigger", "")
            worse = other or abs(float(row["level_value"])) > abs(float(value))
        else:
            # what was heading for a level and can no longer be seen is no better for it
            worse = not state or row["outlook"] == "blind" or _rank(row["outlook"]) < _rank(state)
        graver[group] = graver.get(group, False) or worse
    found = [
        StateChange(
            section,
            told,
            now,
            str(rows[0]["outlook"]),
            graver[section, told, now],
            tuple((str(row["measure"]), str(row["prisms"])) for row in rows),
            str(rows[0]["reason"]),
        )
        for (section, told, now), rows in groups.items()
    ]
    return tuple(sorted(found, key=lambda item: (_rank(item.state), not item.graver)))


def _rank(state: object) -> int:
    """Place of a state in the order of attention."""
    return list(STATES).index(str(state))


def _key(row: dict[object, object] | dict[str, object]) -> tuple[str, ...]:
    values = {str(name): value for name, value in row.items()}
    return tuple(str(values[name]) for name in _KEY)


def _told(row: dict[object, object] | dict[str, object]) -> str:
    """State with its level where that is part of it."""
    values = {str(name): value for name, value in row.items()}
    state = str(values["outlook"])
    if state not in WITH_LEVEL or not values["level"]:
        return state
    trigger = str(values.get("trigger", ""))
    return f"{state} {values['level']}{f' of {trigger}' if trigger not in ('', str(values['measure'])) else ''}"
