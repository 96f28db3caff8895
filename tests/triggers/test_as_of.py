"""Nothing later than the date is known: the outlook at a date is that of a folder that ends there, row for row.

The folder is cut by dropping every row later than the date from readings, advance and events; rows whose time cannot be
read are kept, for nobody can say that they are later. Without ``as_of`` the analysis stands at the last instant in the
data, so both ways can agree without it only where the date is that of a reading: two of the three dates are.
"""

from __future__ import annotations

import csv
import datetime
import shutil
from pathlib import Path

import pandas as pd
import pytest

from convergence.survey.job import read_job
from convergence.triggers.outlook import COLUMNS, outlook

#: Just after the spike of S1172 (truth/faults.csv: F03), in the middle of the sweep that holds it: no later reading has
#: decided yet, and the rest of the sweep is still to come.
AT_THE_SPIKE = "2023-04-07T12:04:53+02:00"
#: The first reading after the zero reading of S1096 was renewed (F16) with the array's others still to come.
AFTER_THE_RENEWAL = "2023-03-19T12:31:21+01:00"
#: At night between two sweeps, while nothing was read: the analysis stands hours after the last reading.
BETWEEN = "2023-03-28T05:00:00+02:00"


def cut_to(folder: Path, target: Path, date: str) -> Path:
    """A copy of a job folder without the rows later than a date; gives its path."""
    shutil.copytree(folder, target)
    end = datetime.datetime.fromisoformat(date)
    dropped = 0
    for file in [target / "advance.csv", target / "events.csv", *sorted((target / "readings").glob("*.csv"))]:
        with file.open(encoding="utf-8", newline="") as stream:
            head, *rows = csv.reader(stream)
        kept = [row for row in rows if not later(row[head.index("time")], end)]
        dropped += len(rows) - len(kept)
        if not kept and file.parent.name == "readings":
            file.unlink()
            continue
        with file.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows([head, *kept])
    assert dropped > 1000
    return target


def later(text: str, end: datetime.datetime) -> bool:
    """Whether an instant is later than another; one that cannot be read, or has no offset, is not."""
    try:
        instant = datetime.datetime.fromisoformat(text)
    except ValueError:
        return False
    return instant.tzinfo is not None and instant > end


@pytest.mark.parametrize("date", [AT_THE_SPIKE, AFTER_THE_RENEWAL, BETWEEN])
def test_nothing_leaks(cut_folder: Path, tmp_path: Path, date: str) -> None:
    truncated = cut_to(cut_folder, tmp_path / "job", date)
    at_date = outlook(read_job(cut_folder, date)).table
    pd.testing.assert_frame_equal(at_date, outlook(read_job(truncated, date)).table, check_exact=True)
    assert tuple(at_date.columns) == COLUMNS
    assert (at_date["readings_used"] > 0).sum() > 30
    if date != BETWEEN:
        plain = outlook(read_job(truncated)).table
        pd.testing.assert_frame_equal(at_date, plain, check_exact=True)


def test_the_dates_are_what_this_file_says_of_them(cut_folder: Path) -> None:
    """Two dates are those of readings with more of their sweep to come; between sweeps nothing is read for an hour."""
    times = []
    for file in sorted((cut_folder / "readings").glob("*.csv")):
        with file.open(encoding="utf-8", newline="") as stream:
            times += [(row["time"], row["prism"]) for row in csv.DictReader(stream)]
    for date, section in ((AT_THE_SPIKE, "S1172"), (AFTER_THE_RENEWAL, "S1096")):
        assert [prism[:5] for time, prism in times if time == date] == [section]
        instant = datetime.datetime.fromisoformat(date)
        soon = {
            prism
            for time, prism in times
            if prism.startswith(section) and 0 < (datetime.datetime.fromisoformat(time) - instant).total_seconds() < 900
        }
        assert len(soon) >= 2
    between = datetime.datetime.fromisoformat(BETWEEN)
    gaps = [abs((datetime.datetime.fromisoformat(time) - between).total_seconds()) for time, _ in times]
    assert min(gaps) > 3600


def test_the_last_reading_is_not_judged_by_the_next(cut_folder: Path) -> None:
    """The spike of S1172 is a reading like any other on its own date, and set aside once the next one has decided."""
    at_once = read_job(cut_folder, AT_THE_SPIKE)
    decided = read_job(cut_folder, "2023-04-08T06:00:00+02:00")
    spikes = [job.set_aside[job.set_aside["reason"] == "spike"]["prism"].tolist() for job in (at_once, decided)]
    assert spikes == [[], ["S1172-CR"]]


def test_the_date_is_told(cut_folder: Path) -> None:
    found = outlook(read_job(cut_folder, BETWEEN))
    assert "2023-03-28T03:00:00Z" in repr(found)
    assert not (found.table["last_time"] > "2023-03-28T03:00:00Z").any()
