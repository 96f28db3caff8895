"""``as_of`` leaks nothing: a job read at a date equals the job of a folder that ends at that date."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from convergence.job.times import parse_times
from convergence.survey.job import Job, read_job
from tests.helpers import instant, job_files, write_job

SAMPLE = Path(__file__).parents[2] / "sample_data" / "ridge_tunnel"

#: Dates on the sample, with what stands there.
DATES = {
    "first days": "2023-01-14T18:00:00+01:00",
    "in the middle of a sweep": "2023-02-20T06:03:30+01:00",
    "in the year before a mistyped one": "2023-03-01T00:00:00+01:00",
    "just after the invert was logged ahead": "2023-03-17T07:02:00+01:00",
    "one right round after the wrong ones": "2023-03-21T02:15:00+01:00",
    "just after a control point renewal": "2023-03-19T09:36:00+01:00",
    "first reading after the renewal": "2023-03-19T12:31:21+01:00",
    "just after the jump": "2023-03-24T12:38:46+01:00",
    "while local times lack their offset": "2023-03-26T12:00:00+02:00",
    "at the spike": "2023-04-07T12:04:53+02:00",
    "just after the spike": "2023-04-08T00:30:00+02:00",
    "in the fast movement": "2023-04-29T07:00:00+02:00",
}


def truncated(source: Path, folder: Path, as_of: str) -> Path:
    """A copy of a job that ends at a date; rows that tell no instant stay, for nobody can date them."""
    limit = parse_times(np.array([as_of], dtype=object))[0][0]
    for path in sorted(source.rglob("*")):
        if not path.is_file() or "truth" in path.parts:
            continue
        target = folder / path.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        text = path.read_text(encoding="utf-8")
        header, *rows = text.splitlines()
        if path.suffix == ".csv" and header.startswith("time,"):
            instants, _ = parse_times(np.array([row.split(",")[0] for row in rows], dtype=object))
            text = (
                "\n".join([header, *(row for row, when in zip(rows, instants, strict=True) if not when > limit)]) + "\n"
            )
        target.write_text(text, encoding="utf-8")
    return folder


def kept_aside(job: Job) -> pd.DataFrame:
    """Rows set aside but for those later than the date; lines of a truncated file are other lines."""
    aside = job.set_aside
    aside = aside[aside["reason"] != "later than as_of"]
    return aside[["file", "reason", "section", "prism", "time"]].reset_index(drop=True)


def check_same(one: Job, two: Job) -> None:
    assert one.sections == two.sections
    for section in one.sections:
        assert one.arrays[section].equals(two.arrays[section])
        assert one.arrays[section].attrs == two.arrays[section].attrs
    assert repr(one.findings) == repr(two.findings)
    assert kept_aside(one).equals(kept_aside(two))
    used_one, used_two = (job.account.table.set_index("file")["used"] for job in (one, two))
    assert used_one.equals(used_two)
    assert one.now == two.now
    assert one.epoch == two.epoch
    for stage, log in one.folder.advance.items():
        assert (log.time == two.folder.advance[stage].time).all()
        assert (log.chainage == two.folder.advance[stage].chainage).all()
    values = ["time", "prism", "a", "b", "c"]
    assert one.raw[values].equals(two.raw[values])


@pytest.mark.parametrize("as_of", DATES.values(), ids=DATES.keys())
def test_equals_the_truncated_folder(as_of: str, tmp_path: Path) -> None:
    check_same(read_job(SAMPLE, as_of), read_job(truncated(SAMPLE, tmp_path, as_of), as_of))


@pytest.mark.parametrize("day", [8.0, 12.5, 12.5 + 1 / 1440])
def test_equals_the_truncated_folder_on_the_small_job(day: float, tmp_path: Path) -> None:
    events = f"time,section,prism,event\n{instant(12.5)},A,A-CR,prism replaced\n{instant(14.0)},Q,,ring closed\n"
    events = events.replace(",Q,", ",B,")
    full = write_job(tmp_path / "full", {"events.csv": events})
    check_same(read_job(full, instant(day)), read_job(truncated(full, tmp_path / "cut", instant(day)), instant(day)))


def test_reads_up_to_the_instant_itself(tmp_path: Path) -> None:
    folder = write_job(tmp_path)
    header, *rows = job_files()["readings.csv"].splitlines()
    at = rows[100].split(",")[0]
    at_most = sum(row.split(",")[0] <= at for row in rows)
    job = read_job(folder, at)
    assert len(job.raw) == at_most
    assert (job.set_aside.loc[job.set_aside["file"] == "readings.csv", "reason"] == "later than as_of").all()
    assert header.startswith("time")


def test_spike_is_judged_only_after_the_next_reading() -> None:
    """Sample: F03, a spike at S1172-CR; read at its own instant it is the last reading and stays in use."""
    at = np.datetime64("2023-04-07T10:04:53")
    for as_of, used in ((DATES["at the spike"], True), (DATES["just after the spike"], False)):
        array = read_job(SAMPLE, as_of).arrays["S1172"]
        column = list(array["prism"].values).index("S1172-CR")
        days = array["read_days"].values[:, column]
        epoch = np.datetime64(array.attrs["epoch"], "ns")
        row = int(np.nanargmin(np.abs(days - (at - epoch) / np.timedelta64(1, "D"))))
        assert bool(array["used"].values[row, column]) is used


def test_text_and_datetime_give_the_same(tmp_path: Path) -> None:
    folder = write_job(tmp_path)
    check_same(read_job(folder, "2031-05-12T02:00:00+02:00"), read_job(folder, np.datetime64("2031-05-12T00:00")))


def test_a_fault_of_the_future_is_not_heard_of(tmp_path: Path) -> None:
    """Events of prisms nobody knows, and readings of prisms not yet there, only count once they have come."""
    later = f"{instant(15.0)},A,A-XX,prism replaced\n"
    folder = write_job(tmp_path, {"events.csv": "time,section,prism,event\n" + later})
    assert len(read_job(folder, instant(14.0)).folder.events) == 0


def test_local_times_without_offset_are_later_where_every_offset_is(tmp_path: Path) -> None:
    """14 h is the farthest any clock is ahead of UTC (tz database, Pacific/Kiritimati; from memory)."""
    base = job_files()["advance.csv"]
    rows = "2031-05-18T12:00:00,heading,170.0\n2031-05-18T14:00:01,heading,172.0\n"
    folder = write_job(tmp_path, {"advance.csv": base + rows})
    aside = read_job(folder, "2031-05-18T00:00:00Z").set_aside
    lines = len(base.splitlines())
    reasons = aside[(aside["file"] == "advance.csv") & (aside["line"] > lines)].set_index("line")["reason"]
    assert reasons.to_dict() == {lines + 1: "no offset in time", lines + 2: "later than as_of"}
    assert pd.read_csv(io.StringIO(base)).shape[0] == lines - 1
