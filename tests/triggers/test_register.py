"""Revisions of levels: what is in force when, and the warning where a level was raised after it was passed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from convergence.job.schema import Revision, Trigger
from convergence.survey.job import read_job
from convergence.triggers.outlook import Outlook, outlook
from convergence.triggers.register import register_warnings
from tests.helpers import settings_text, write_job

MakeTrigger = Callable[..., Trigger]

DATES = tuple(np.datetime64(date, "ns") for date in ("2031-05-10", "2031-05-20", "2031-05-30"))
NOW = np.datetime64("2031-06-30", "ns")


def revised(trigger: Trigger, *changes: tuple[float | None, str]) -> Trigger:
    """The trigger with the first level changed on each of the dates."""
    others = (None,) * (len(trigger.levels) - 1)
    revisions = tuple(
        Revision(date, "D. E.", reason, (value, *others)) for date, (value, reason) in zip(DATES, changes, strict=False)
    )
    return replace(trigger, revisions=revisions)


def test_levels_follow_their_revisions(make_trigger: MakeTrigger) -> None:
    trigger = revised(make_trigger(10.0, 20.0), (12.0, ""), (None, ""), (11.0, ""))
    days = ("2031-05-01", "2031-05-10", "2031-05-25", "2031-06-01")
    values = [[level.value for level in trigger.at(np.datetime64(day, "ns")).levels] for day in days]
    assert values == [[10.0, 20.0], [12.0, 20.0], [12.0, 20.0], [11.0, 20.0]]


@pytest.mark.parametrize(
    ("value", "reason", "passed", "warned"),
    [(12.0, "", True, True), (12.0, "", False, False), (12.0, "new class", True, False), (8.0, "", True, False)],
)
def test_only_an_unexplained_raise_after_a_passage_is_warned_of(
    make_trigger: MakeTrigger, value: float, reason: str, passed: bool, warned: bool
) -> None:
    trigger = revised(make_trigger(10.0, 20.0), (value, reason))
    found = register_warnings([trigger], NOW, lambda *_: passed)
    assert list(found) == ([("made by hand", "level 10")] if warned else [])


def test_a_negative_level_is_raised_downwards(make_trigger: MakeTrigger) -> None:
    found = register_warnings([revised(make_trigger(-10.0), (-12.0, ""))], NOW, lambda *_: True)
    assert "raised from -10 mm to -12 mm" in found["made by hand", "level -10"]


def test_the_date_is_that_of_the_site(make_trigger: MakeTrigger) -> None:
    """Midnight of 20 May two hours ahead of UTC is 19 May in UTC."""
    early = np.datetime64("2031-05-19T22:00", "ns")
    trigger = replace(make_trigger(10.0), revisions=(Revision(early, "D. E.", "", (12.0,)),))
    for zone, date in (("Etc/GMT-2", "2031-05-20"), ("UTC", "2031-05-19")):
        assert (
            f"on {date} by D. E."
            in register_warnings([trigger], NOW, lambda *_: True, zone)["made by hand", "level 10"]
        )


def test_it_is_asked_of_the_levels_before_the_revision(make_trigger: MakeTrigger) -> None:
    asked: list[tuple[float, np.datetime64]] = []

    def passed(trigger: Trigger, place: int, instant: np.datetime64) -> bool:
        asked.append((trigger.levels[place].value, instant))
        return False

    register_warnings([revised(make_trigger(10.0), (12.0, ""), (14.0, ""), (16.0, "said"))], NOW, passed)
    assert asked == [(10.0, DATES[0]), (12.0, DATES[1])]


def test_a_revision_later_than_the_date_is_not_known(make_trigger: MakeTrigger) -> None:
    trigger = revised(make_trigger(10.0), (12.0, ""))
    assert register_warnings([trigger], np.datetime64("2031-05-09", "ns"), lambda *_: True) == {}


#: The helpers' crown moves 20 mm (A), 22.6 (B) and 17.6 (C), two thirds of it in three days: 12 mm are passed by all.
REGISTER = """
[[trigger]]
measure = "settlement"
positions = ["crown"]
owner = "shift engineer"
action = "read twice a day"
levels = [{name = "attention", value_mm = 12.0}, {name = "alarm", value_mm = 30.0}]
[[trigger.revisions]]
date = 2031-05-20T00:00:00Z
by = "D. E."
reason = "%s"
levels = [{name = "attention", value_mm = 25.0}]
"""


def made(folder: Path, reason: str, as_of: str | None = None) -> Outlook:
    text = settings_text().split("[[trigger]]")[0] + REGISTER % reason
    return outlook(read_job(write_job(folder, {"tunnel.toml": text}), as_of))


def test_the_warning_stands_everywhere_the_level_appears(tmp_path: Path) -> None:
    found = made(tmp_path, "")
    rows = found.passages[found.passages["level"] == "attention"]
    assert len(rows) == 3
    assert (rows["level_value"] == 25.0).all()
    assert rows["warning"].str.contains("raised from 12 mm to 25 mm on 2031-05-20 by D. E.").all()
    assert rows["reason"].str.contains("without a recorded reason").all()
    assert (found.passages.loc[found.passages["level"] == "alarm", "warning"] == "").all()
    told = found.table[found.table["level"] == "attention"]
    assert len(told) >= 1
    assert told["reason"].str.contains("without a recorded reason").all()
    assert set(found.passages["owner"]) == {"shift engineer"}
    assert set(found.passages["action"]) == {"read twice a day"}


def test_with_a_reason_there_is_none(tmp_path: Path) -> None:
    assert (made(tmp_path, "support class changed").passages["warning"] == "").all()


def test_before_the_revision_the_level_was_the_old_one(tmp_path: Path) -> None:
    found = made(tmp_path, "", "2031-05-19T12:00:00Z")
    rows = found.passages[found.passages["level"] == "attention"]
    assert (rows["level_value"] == 12.0).all()
    assert (rows["warning"] == "").all()
    assert "past" in set(rows["state"])
