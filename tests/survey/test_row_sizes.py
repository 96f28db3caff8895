"""The log says how large a thing is, in its unit, for rows set aside one by one as for those of a sweep."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from convergence.job.account import REASONS, SIZES
from convergence.job.far_dates import days_from
from convergence.survey import read_job
from tests.helpers import instant, job_files, movement, passage, sweep_days, write_job
from tests.survey.test_decisions import EVENTS, again, row_of
from tests.survey.test_row_decisions import ROUNDS

FILES = job_files()

#: Rows added to readings.csv, the reason they are set aside for, their size and its unit. The heading makes 2 m each
#: half day, evenly in the last two hours of it, so two days before its passage it is 8 m short; the job ends on day 21.
READINGS = {
    "before the face": (f"{instant(passage('C') - 2.0)},C-CR,0.0,0.0,0.0", 8.0, "m"),
    "time outside the job": (f"{instant(221.0)},C-LW,-1.0,7.0,10.0", 200.0, "d"),
    "outside the alignment": (f"{instant(8.3)},A-CR,6000.0,0.0,8000.0", 10.0, "m"),
    "conflicting instant": (f"{instant(8.3)},A-CR,0.0,0.0,1.0\n{instant(8.3)},A-CR,0.0,3.0,5.0", 5.0, "mm"),
}
#: Days, metres or metres of the rounds of ``ROUNDS``: 125 m lies 3 m under the round before, at 128 m.
SIZE_OF_ROUND = {"against the drive": 3.0, "two times for one round": 0.6, "time outside the job": 379.1}


@pytest.mark.parametrize("reason", READINGS)
def test_a_reading_set_aside_has_its_size(reason: str, tmp_path: Path) -> None:
    rows, size, unit = READINGS[reason]
    job = read_job(write_job(tmp_path, {"readings.csv": FILES["readings.csv"] + rows + "\n"}))
    found = job.decisions[job.decisions["kind"] == reason]
    assert set(found["unit"]) == {unit}
    # the middle of a prism's readings is within 30 mm of its place, and the last sweep within a day of the end
    assert found["size"].to_numpy() == pytest.approx(size, abs={"m": 0.05, "d": 0.7, "mm": 1e-9}[unit])


@pytest.mark.parametrize("reason", SIZE_OF_ROUND)
def test_a_round_set_aside_has_its_size(reason: str, tmp_path: Path) -> None:
    day, stage, chainage = ROUNDS[reason]
    row = f"{instant(day)},{stage},{chainage}\n"
    found = row_of(read_job(write_job(tmp_path, {"advance.csv": FILES["advance.csv"] + row})), reason)
    assert (found["size"], found["unit"]) == (pytest.approx(SIZE_OF_ROUND[reason], abs=0.4), SIZES[reason][1])


def test_a_bench_ahead_of_the_heading_has_its_size(tmp_path: Path) -> None:
    day, stage, chainage = ROUNDS["ahead of the stage it follows"]
    files = {"advance.csv": FILES["advance.csv"] + f"{instant(day)},{stage},{chainage}\n"}
    found = row_of(read_job(write_job(tmp_path, files)), "ahead of the stage it follows")
    # on the line between its rounds the heading stands 4 m further each day from 90 m
    assert (found["size"], found["unit"]) == (pytest.approx(chainage - 90.0 - 4.0 * day), "m")


def test_readings_before_a_declared_zero_say_how_long_before(tmp_path: Path) -> None:
    zero = float(sweep_days("A")[3]) - 0.1
    files = {"events.csv": f"{EVENTS}{instant(zero)},A,,zero reading,\n"}
    found = read_job(write_job(tmp_path, files)).decisions
    found = found[found["kind"] == "before the zero reading"]
    expected = [zero - day - minutes / 1440 for day in sweep_days("A")[:3] for minutes in range(3)]
    assert np.sort(found["size"].to_numpy()) == pytest.approx(np.sort(expected), abs=1e-4)
    assert set(found["unit"]) == {"d"}


def test_what_has_no_size_gives_none(tmp_path: Path) -> None:
    row = f"{instant(6.3)},A-LW,-0.5,5..0,8.0\n"
    found = row_of(read_job(write_job(tmp_path, {"readings.csv": FILES["readings.csv"] + row})), "unparseable number")
    assert np.isnan(float(str(found["size"])))
    assert found["unit"] == ""
    assert set(SIZES) <= set(REASONS)


def test_jumps_of_one_sweep_are_one_row_and_one_line_takes_them_out(tmp_path: Path) -> None:
    at = float(sweep_days("B")[15]) - 0.01

    def moved(section: str, place: str, days: float) -> Iterable[float]:
        step = {"CR": 14.0, "LW": 11.0, "RW": 12.5}[place]
        return movement(section, place, days) + np.array([0.0, 0.0, step]) * (section == "B" and days > at)

    job = read_job(write_job(tmp_path / "job", moved=moved))
    assert sum(item.kind == "shared jump" for item in job.findings) == 3
    row = row_of(job, "shared jump")
    assert row["prism"] == "B-CR:B-LW:B-RW"
    assert str(row["reason"]).startswith("3 prisms jump in one sweep (B-CR 14.")
    assert (row["size"], row["unit"]) == (pytest.approx(14.0, abs=0.5), "mm")
    mended = again(tmp_path / "mended", row["turn_over"], {}, moved=moved)
    assert "shared jump" not in set(mended.decisions["kind"])
    spliced = mended.decisions[mended.decisions["kind"] == "station moved"]
    assert set(spliced["prism"]) == {"B-CR", "B-LW", "B-RW"}
    assert (spliced["turn_over"].nunique(), spliced["time"].nunique()) == (1, 3)


def test_days_from_the_nearest_other() -> None:
    day = np.array([3.0, 0.0, 10.0, 30.5]) * 86_400
    others = np.array([10, 1, 30]) * 86_400
    time, known = (
        np.datetime64("2031-01-01", "s") + np.asarray(item).astype("timedelta64[s]") for item in (day, others)
    )
    assert days_from(time, known) == pytest.approx([2.0, 1.0, 0.0, 0.5])
