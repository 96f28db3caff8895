"""What a later review tells beside an earlier one: new passages of every trigger, silence, readings left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from convergence.report.table import outlook_text
from convergence.survey.job import Job, read_job
from convergence.triggers import Outlook, new_passages, outlook
from convergence.triggers.passages import KEY
from convergence.triggers.unread import without_last_readings
from tests.helpers import settings_text, write_job

#: The helpers' crown of A moves 20 mm.
TRIGGERS = """
[[trigger]]
name = "info"
measure = "settlement"
positions = ["crown"]
levels = [{name = "note", value_mm = 6.0}]

[[trigger]]
name = "main"
measure = "settlement"
positions = ["crown"]
owner = "shift engineer"
action = "stop the face"
levels = [{name = "attention", value_mm = 9.0}, {name = "stop", value_mm = 12.0}, {name = "leave", value_mm = 60.0}]
"""


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    text = settings_text().split("[[trigger]]")[0] + TRIGGERS
    return read_job(write_job(tmp_path_factory.mktemp("review"), {"tunnel.toml": text}))


@pytest.fixture(scope="module")
def late(job: Job) -> Outlook:
    """Five days after the last reading."""
    return outlook(replace(job, folder=replace(job.folder, as_of=job.now + np.timedelta64(5, "D"))))


def rows(*items: tuple[str, str, float, str]) -> pd.DataFrame:
    """Passages of one measure by trigger, level, its value and state."""
    return pd.DataFrame([("S1", "settlement", "P1", *item) for item in items], columns=[*KEY, "level_value", "state"])


def test_every_level_of_every_trigger_counts_for_itself() -> None:
    before = rows(("info", "note", 30.0, "past"), ("main", "a", 50.0, "heading"), ("main", "b", 68.0, "clear"))
    after = rows(("info", "note", 30.0, "past"), ("main", "a", 50.0, "past"), ("main", "b", 68.0, "past"))
    assert new_passages(before, after)["level"].tolist() == ["a", "b"]
    assert not len(new_passages(after, after))
    assert not len(new_passages(after, before))


def test_a_level_raised_and_passed_again_is_news() -> None:
    before, after = rows(("main", "a", 50.0, "past")), rows(("main", "a", 60.0, "past"))
    assert len(new_passages(before, after)) == 1
    assert not len(new_passages(after, before))


def test_a_measure_that_was_not_there_is_news() -> None:
    after = rows(("main", "a", 50.0, "past"))
    assert len(new_passages(after.head(0), after)) == 1


def test_the_gravest_passage_leads_and_the_other_trigger_is_told(late: Outlook) -> None:
    table = late.table.set_index(["measure", "prisms"])
    row = table.loc["settlement", "A-CR"]
    assert (row["outlook"], row["trigger"], row["level"]) == ("past", "main", "stop")
    assert "also past note (6 mm) since" in row["reason"]
    assert "[trigger info]" in row["reason"]
    assert len(new_passages(late.passages.head(0), late.passages)) == 9


def test_what_is_past_and_silent_counts_as_missing(late: Outlook) -> None:
    assert ("A", "settlement", "A-CR") in late.silent
    assert len(late.silent) == len(late.table)
    row = late.table.set_index(["measure", "prisms"]).loc["settlement", "A-CR"]
    assert row["outlook"] == "past"
    assert "and no reading since 20" in row["reason"]
    text = outlook_text(late)
    assert "past a level and silent, missing like those blind: A (A-CR); B (B-CR); C (C-CR)" in text
    assert "acts: shift engineer: stop the face" in " ".join(text.split())
    assert "dates of the reasons are local (Etc/GMT-2)" in text


def test_without_a_reading_only_that_reading_is_gone(job: Job, late: Outlook) -> None:
    """Nothing left out changes nothing; a reading as expected, left out, moves the final less than its band is wide."""
    carried = late.projection.sections["A"]
    same = without_last_readings(job, late.projection, "A", ())
    less = without_last_readings(job, late.projection, "A", ("settlement crown",))
    assert same is not None
    assert less is not None
    np.testing.assert_allclose(same.quantiles, carried.quantiles, atol=1e-9)
    place = carried.index("settlement crown")
    shift = np.abs(less.quantiles[place, -1] - carried.quantiles[place, -1])
    assert 0.0 < shift.max() < np.ptp(carried.quantiles[place, -1])
    assert without_last_readings(job, late.projection, "nowhere", ()) is None
