"""A file of readings whose header has the wrong unit: a fault that names it, and no good reading of others is lost."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError
from convergence.report.check import check_text
from convergence.survey import read_job
from convergence.survey.reduction import far_readings
from tests.helpers import METRES, instant, job_files, write_job

HEADER = "time,prism,easting_m,northing_m,elevation_m"


def by_file(header: str = HEADER, factor: tuple[float, float, float] = (1.0, 1.0, 1.0), day: float = 12.0) -> dict:
    """The job with its readings in two files by time; the header of the second, and factors on its numbers."""
    files = job_files("coordinates")
    rows = files.pop("readings.csv").splitlines()
    assert rows[0] == HEADER
    late = [row for row in rows[1:] if row.split(",")[0] >= instant(day)]
    wrong = []
    for row in late:
        time, prism, *values = row.split(",")
        wrong.append(",".join([time, prism, *(repr(float(v) * f) for v, f in zip(values, factor, strict=True))]))
    files["readings/one.csv"] = "\n".join(row for row in rows if row not in set(late)) + "\n"
    files["readings/two.csv"] = "\n".join([header, *wrong]) + "\n"
    files["readings.csv"] = ""
    return files


def read(folder: Path, files: dict[str, str]) -> object:
    (folder / "readings").mkdir(parents=True)
    files = dict(files)
    files.pop("readings.csv")
    made = write_job(folder, {name: text for name, text in files.items() if "/" not in name}, "coordinates")
    (made / "readings.csv").unlink()
    for name, text in files.items():
        if "/" in name:
            (made / name).write_text(text)
    return read_job(made)


def test_two_right_files_are_read(tmp_path: Path) -> None:
    job = read(tmp_path, by_file())
    assert not len(job.set_aside)  # type: ignore[attr-defined]
    assert "zero reading lost" not in {item.kind for item in job.findings}  # type: ignore[attr-defined]


@pytest.mark.parametrize("unit", ["ft", "ftUS", "mm"])
@pytest.mark.parametrize("day", [2.0, 12.0, 18.0])
def test_metres_under_another_unit_are_one_fault(unit: str, day: float, tmp_path: Path) -> None:
    """Whether the wrong file has the most readings of its prisms or the fewest."""
    with pytest.raises(JobError) as raised:
        read(tmp_path, by_file(HEADER.replace("_m", f"_{unit}"), day=day))
    (fault,) = raised.value.faults
    assert (fault.file, fault.line) == ("readings/two.csv", 1)
    assert fault.column == ", ".join(f"{name}_{unit}" for name in ("easting", "northing", "elevation"))
    assert "rows lie" in fault.value
    assert "they fit if the unit is m" in fault.expected
    assert "is the unit of the header right?" in fault.mend


def test_prisms_under_each_other_s_names_are_no_fault_of_their_file(tmp_path: Path) -> None:
    """A file of two walls, 10 m apart, exchanged throughout: told as such and set aside."""
    files = by_file(day=10.5)
    rows = files["readings/two.csv"].splitlines()
    walls = [row.replace("A-LW", "?").replace("A-RW", "A-LW").replace("?", "A-RW") for row in rows if ",A-" in row]
    walls = [row for row in walls if "A-CR" not in row]
    assert len(walls) >= 20
    files["readings/two.csv"] = "\n".join([rows[0], *walls]) + "\n"
    job = read(tmp_path, files)
    assert "swapped prisms" in set(job.decisions["kind"])  # type: ignore[attr-defined]


def test_feet_under_metres_and_an_elevation_alone(tmp_path: Path) -> None:
    foot = 1.0 / METRES["ft"]
    with pytest.raises(JobError, match="they fit if the unit is ft") as raised:
        read(tmp_path / "all", by_file(factor=(foot, foot, foot)))
    assert len(raised.value.faults) == 1
    with pytest.raises(JobError) as raised:
        read(tmp_path / "up", by_file(factor=(1.0, 1.0, foot)))
    (fault,) = raised.value.faults
    assert fault.column == "elevation_m"
    assert fault.mend.endswith("write elevation_ft")


def test_another_grid_is_a_fault_of_the_file_without_a_unit(tmp_path: Path) -> None:
    with pytest.raises(JobError) as raised:
        read(tmp_path, by_file(factor=(3.0, 1.7, 1.0)))
    (fault,) = raised.value.faults
    assert fault.file == "readings/two.csv"
    assert "in the other files" in fault.expected


def test_a_section_in_feet_within_a_file_is_named(tmp_path: Path) -> None:
    files = by_file()
    rows = files["readings/two.csv"].splitlines()
    for at, row in enumerate(rows):
        time, prism, *values = row.split(",")
        if prism.startswith("B-"):
            rows[at] = ",".join([time, prism, *(repr(float(value) / METRES["ft"]) for value in values)])
    files["readings/two.csv"] = "\n".join(rows) + "\n"
    with pytest.raises(JobError) as raised:
        read(tmp_path, files)
    (fault,) = raised.value.faults
    assert "of section B" in fault.value
    assert "if they are in ft" in fault.expected


def test_good_readings_stay_where_most_of_their_prism_are_elsewhere(tmp_path: Path) -> None:
    """The middle of a prism's readings is taken of those near its place."""
    files = job_files("coordinates")
    rows = files["readings.csv"].splitlines()
    mine = [at for at, row in enumerate(rows) if ",A-CR," in row]
    for at in mine[5:]:
        time, prism, *values = rows[at].split(",")
        rows[at] = ",".join([time, prism, *(repr(float(value) / METRES["ft"]) for value in values)])
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join(rows) + "\n"}, "coordinates"))
    aside = job.set_aside[job.set_aside["reason"] == "outside the alignment"]
    assert sorted(aside["line"]) == [at + 1 for at in mine[5:]]
    # told once, with their number, where the list would be cut
    text = check_text(job, 120, most=5)
    assert f"and {len(aside) - 1} more like it to line {mine[-1] + 1}" in text
    assert text.count("  A A-CR  ") == 1


def test_a_zero_reading_that_is_a_later_one_is_told(tmp_path: Path) -> None:
    files = job_files("coordinates")
    rows = files["readings.csv"].splitlines()
    mine = [at for at, row in enumerate(rows) if ",B-CR," in row]
    for at in mine[:4]:
        time, prism, east, *others = rows[at].split(",")
        rows[at] = ",".join([time, prism, repr(float(east) + 400.0), *others])
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join(rows) + "\n"}, "coordinates"))
    (row,) = job.decisions[job.decisions["kind"] == "zero reading lost"].to_dict("records")
    assert (row["prism"], row["unit"]) == ("B-CR", "d")
    # four sweeps of half a day
    assert row["size"] == pytest.approx(2.0, abs=1e-6)
    assert "4 outside the alignment" in str(row["reason"])
    assert "what moved before is not in it" in str(row["reason"])


def test_movements_along_the_axes_have_no_place(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path))
    movement = job.raw[["a", "b", "c"]].to_numpy(dtype=np.float64)
    assert not far_readings(job.folder, movement + 9e3, np.ones(len(movement), dtype=bool)).any()
