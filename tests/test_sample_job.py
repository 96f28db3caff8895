"""What the sample job's README says comes out: the weak zone past its levels, the silent places blind, faults survived.

That every planted fault is reported or set aside is tested with the reader, in tests/job.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd
import pytest

from convergence.survey.job import read_job
from convergence.triggers import Outlook, outlook

CutSample = Callable[[Path, Sequence[str]], Path]


@pytest.fixture(scope="module")
def table(sample_outlook: Outlook) -> pd.DataFrame:
    return sample_outlook.table


def row(table: pd.DataFrame, prisms: str, measure: str = "settlement") -> pd.Series:
    found = table[(table["prisms"] == prisms) & (table["measure"] == measure)]
    assert len(found) == 1
    return found.iloc[0]


def test_what_was_read_is_what_the_readme_says(sample_outlook: Outlook, sample_folder: Path) -> None:
    job = sample_outlook.job
    story = (sample_folder / "README.md").read_text(encoding="utf-8")
    assert f"{len(job.sections)} sections" in story
    assert f"{len(job.folder.prisms)} prisms" in story
    read = sum(count for file, count in job.account.read.items() if file.startswith("readings/"))
    assert f"{read} rows of readings" in story
    assert f"{job.settings.projection.horizon_days:g} days after the heading passed" in story


def test_the_wedge_is_past_alert(table: pd.DataFrame) -> None:
    """F04: a genuine fast movement, 20 mm in three days; none of its readings is lost to a filter."""
    crown = row(table, "S1238-CR")
    assert (crown["outlook"], crown["level"]) == ("past", "alert")
    assert table.iloc[0]["prisms"] == "S1238-CR", "and it stands first"
    assert crown["readings_set_aside"] == 0


def test_the_wedge_came_with_a_warning(cut_sample: CutSample, tmp_path: Path) -> None:
    """While it still fell, a day and a half after it began, the crown was heading for a level or past its rate."""
    folder = cut_sample(tmp_path / "job", ("S1218", "S1228", "S1238"))
    found = outlook(read_job(folder, "2023-04-29T13:00:00+02:00")).table
    crown = row(found, "S1238-CR")
    assert crown["outlook"] in ("past", "heading")
    assert crown["rate_per_day"] > 3.0


def test_the_weak_zone_is_heading_or_past(table: pd.DataFrame) -> None:
    crown = row(table, "S1248-CR")
    assert crown["outlook"] == "past" or (crown["outlook"], crown["level"]) == ("heading", "alert")
    assert row(table, "S1248-RS")["outlook"] in ("past", "heading")
    urgent = set(table.loc[table["outlook"].isin(["past", "heading"]), "section"])
    assert urgent <= {"S1218", "S1228", "S1238", "S1248", "S1258"}, "only the weak zone and its edges"


@pytest.mark.parametrize("prisms", ["S1268-CR", "S1268-LS", "S1258-LS"])
def test_silent_places_are_blind(table: pd.DataFrame, prisms: str) -> None:
    """F18: a section unread at the end; F17: one prism lost while the others of its array are read."""
    found = row(table, prisms)
    assert found["outlook"] == "blind"
    assert "no reading for" in found["reason"]


def test_the_others_of_the_array_are_not_blind(table: pd.DataFrame) -> None:
    for prisms in ("S1258-CR", "S1258-RS"):
        assert row(table, prisms)["outlook"] != "blind"


def test_no_section_is_missing_and_none_is_clear_without_a_reading(
    sample_outlook: Outlook, table: pd.DataFrame
) -> None:
    assert set(table["section"]) == set(sample_outlook.job.sections)
    assert (table.loc[table["outlook"] == "clear", "readings_used"] >= 4).all()


def test_levels_past_in_truth_are_past(sample_outlook: Outlook, sample_folder: Path, table: pd.DataFrame) -> None:
    """A prism whose true settlement is away from a level by more than noise stands on the right side of it."""
    levels = {"attention": 45.0, "alert": 62.0, "stop and review": 90.0}
    with (sample_folder / "truth" / "final.csv").open(encoding="utf-8") as stream:
        now = {
            r["prisms"]: float(r["since_zero_now_mm"]) for r in csv.DictReader(stream) if r["measure"] == "settlement"
        }
    for prisms, value in now.items():
        found = row(table, prisms)
        if found["outlook"] == "blind":
            continue
        passed = [name for name, level in levels.items() if value > level + 2.0]
        if passed:
            assert (found["outlook"], found["level"]) == ("past", passed[-1])
        elif value < levels["attention"] - 2.0:
            assert found["outlook"] != "past"
