"""Instants: which forms are read, and that a clock change loses no hour."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.job.far_dates import far_rows
from convergence.job.times import days_since, parse_bare, parse_instant, parse_times, shown
from convergence.survey.job import read_job
from tests.helpers import job_files, write_job


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2031-03-30T02:30:00+01:00", "2031-03-30T01:30:00"),
        ("2031-03-30T02:30:00+0100", "2031-03-30T01:30:00"),
        ("2031-03-30T02:30:00+01", "2031-03-30T01:30:00"),
        ("2031-03-30T02:30:00Z", "2031-03-30T02:30:00"),
        ("2031-03-30t02:30:00z", "2031-03-30T02:30:00"),
        ("2031-03-30 02:30:00 +01:00", "2031-03-30T01:30:00"),
        ("2031-03-30T02:30-03:30", "2031-03-30T06:00:00"),
        ("2031-03-30T02:30:00.25Z", "2031-03-30T02:30:00.25"),
        ("2031-03-30T02:30:00,25Z", "2031-03-30T02:30:00.25"),
        ("2031-03-30T23:30:00-05:45", "2031-03-31T05:15:00"),
        ("2031-03-30T00:30:00+14:00", "2031-03-29T10:30:00"),
        ("2032-02-29T00:00:00-00:00", "2032-02-29T00:00:00"),
    ],
)
def test_forms_that_are_read(text: str, utc: str) -> None:
    """Forms of ISO 8601 (extended, with an offset); the blank between the parts is common in exports."""
    assert parse_instant(text) == np.datetime64(utc, "ns")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2031-03-30",
        "2031-03-30T25:00:00Z",
        "2031-02-29T00:00:00Z",
        "2031-13-01T00:00:00Z",
        "30.03.2031 02:30",
        "45000.5",
        "2031-03-30T02:30:00+15:00",
        "2031-03-30T02:30:00+01:75",
        "9999-12-31T00:00:00Z",
        "0001-01-01T00:00:00Z",
        "2262-04-12T00:00:00Z",
        "1677-01-01T00:00:00Z",
        "2031-03-30T02:30:60Z",
        "2031-03-30T02:30:00+01:00x",
        "٢٠٣١-03-30T02:30:00Z",
        "nan",
        "now",
    ],
)
def test_forms_that_are_not(text: str) -> None:
    """Years that do not fit into nanoseconds must not come out as another century."""
    instants, bare = parse_times(np.array([text], dtype=object))
    assert np.isnat(instants[0])
    assert not bare[0]


def test_one_batch_gives_what_one_by_one_gives() -> None:
    text = [
        "2031-03-30T02:30:00+01:00",
        "9999-12-31T00:00:00Z",
        "2031-03-30T02:30:00.123456789Z",
        "x",
        "2031-03-30T02:30",
        "1700-01-01T00:00Z",
    ]
    together, bare = parse_times(np.array(text, dtype=object))
    single = [parse_instant(value) for value in text]
    assert [None if np.isnat(value) else value for value in together] == single
    assert bare.tolist() == [False, False, False, False, True, False]


def test_bare_time_may_be_fourteen_hours_earlier() -> None:
    found = parse_bare(np.array(["2031-03-30T14:00:00", "2031-03-30T14:00:00Z", "x"], dtype=object))
    assert found[0] == np.datetime64("2031-03-30T00:00")
    assert np.isnat(found[1:]).all()


def test_shown_and_days() -> None:
    assert shown(np.datetime64("2031-03-30T01:30:00.9", "ns")) == "2031-03-30T01:30:00Z"
    assert shown(np.datetime64("NaT", "ns")) == ""
    days = days_since(np.array(["2031-03-30T18:00"], dtype="datetime64[ns]"), np.datetime64("2031-03-29T00:00", "ns"))
    assert days[0] == 1.75


def test_clock_change_keeps_the_hours(tmp_path: Path) -> None:
    """Readings an hour apart in truth, written in local time across the change of 30 March 2031 in central
    Europe.

    Last Sunday of March, 01:00 UTC (EU directive 2000/84/EC; from memory): 01:30+01:00 is followed by
    03:30+02:00.
    """
    times = [
        "2031-03-30T00:30:00+01:00",
        "2031-03-30T01:30:00+01:00",
        "2031-03-30T03:30:00+02:00",
        "2031-03-30T04:30:00+02:00",
    ]
    readings = "time,prism,longitudinal_mm,transverse_mm,settlement_mm\n"
    readings += "".join(f"{time},A-CR,0,0,{row}\n" for row, time in enumerate(times))
    advance = "time,stage,chainage_m\n2031-03-29T00:00:00+01:00,heading,99\n2031-03-29T12:00:00+01:00,heading,101\n"
    job = read_job(write_job(tmp_path, {"readings.csv": readings, "advance.csv": advance}))
    hours = 24 * np.diff(job.arrays["A"]["read_days"].values[:, 0])
    np.testing.assert_allclose(hours, 1.0, rtol=0, atol=1e-9)


def test_times_without_offset_are_set_aside_with_their_text(tmp_path: Path) -> None:
    text = job_files()["readings.csv"].splitlines()
    text[7] = text[7].replace("+02:00", "")
    text[8] = "soon" + text[8][25:]
    aside = read_job(write_job(tmp_path, {"readings.csv": "\n".join(text) + "\n"})).set_aside
    assert aside[["line", "reason", "detail"]].to_numpy().tolist() == [
        [8, "no offset in time", text[7].split(",")[0]],
        [9, "unparseable time", "soon"],
    ]
    assert (aside["section"] == "A").all()


# Mistyped dates.

DAY = np.timedelta64(1, "D")
START = np.datetime64("2031-05-01T06:00", "ns")


def row_times(*days: float) -> np.ndarray:
    return START + (np.array(days) * 86_400).astype("timedelta64[s]")


@pytest.mark.parametrize("far", [3650.0, -3650.0, 200.0])
def test_one_row_far_away_is_a_mistyped_date(far: float) -> None:
    time = row_times(*range(30), far)
    found = far_rows(time, np.zeros(31, int), np.arange(31) % 3)
    assert np.flatnonzero(found).tolist() == [30]


def test_follow_up_sweep_after_half_a_year_is_kept() -> None:
    time = row_times(*range(30), 200.0, 200.001)
    assert not far_rows(time, np.zeros(32, int), np.arange(32) % 3).any()


def test_reading_while_rounds_go_on_is_not_alone() -> None:
    """A reading 150 days after the others, with a log of rounds between: -1 stands for a round."""
    time = row_times(*range(10), *range(10, 160, 5), 150.0)
    section = np.array([0] * 10 + [-1] * 30 + [0])
    assert not far_rows(time, section, section).any()


def test_never_all_rows() -> None:
    assert not far_rows(row_times(0.0, 400.0), np.zeros(2, int), np.arange(2)).any()


def test_mistyped_year_of_a_round_and_a_reading(tmp_path: Path) -> None:
    files = job_files()
    readings, advance = files["readings.csv"].splitlines(), files["advance.csv"].splitlines()
    readings[50] = readings[50].replace("2031-", "2041-")
    advance[-1] = advance[-1].replace("2031-", "2013-")
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join(readings), "advance.csv": "\n".join(advance)}))
    assert job.set_aside[["file", "line", "reason"]].to_numpy().tolist() == [
        ["advance.csv", len(advance), "time outside the job"],
        ["readings.csv", 51, "time outside the job"],
    ]
    assert job.now < np.datetime64("2031-06-01")
