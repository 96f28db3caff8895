"""All measures of a job as series."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.measures.tunnel import find_series, measure_section, measure_tunnel
from convergence.survey.job import Job, read_job
from tests.helpers import PLACES, SCALE, WIDTH, instant, job_files, movement, passage, write_job


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return read_job(write_job(tmp_path_factory.mktemp("job"), digits=9))


def test_every_measure_of_every_section_once(job: Job) -> None:
    found = measure_tunnel(job)
    labels = [(series.section, series.label) for series in found]
    assert len(set(labels)) == len(labels) == 3 * (3 * 3 + 1)
    assert [series.label for series in found[:10]] == [
        "settlement crown", "settlement left wall", "settlement right wall",
        "transverse crown", "transverse left wall", "transverse right wall",
        "longitudinal crown", "longitudinal left wall", "longitudinal right wall",
        "chord left wall:right wall",
    ]  # fmt: skip


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("place", PLACES)
def test_values_are_the_true_movements(axis: int, place: str, job: Job) -> None:
    """Movements are written to 1e-6 mm."""
    name = ("longitudinal", "transverse", "settlement")[axis]
    series = find_series(job, "B", f"{name} B-{place}")
    shift = (job.epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D")
    truth = np.array([movement("B", place, day + shift)[axis] for day in series.time])
    np.testing.assert_allclose(series.value, truth - truth[0], rtol=0, atol=2e-6)
    assert series.value[0] == 0.0
    assert np.sign(series.value[-1]) == np.sign(PLACES[place][3][axis])


def test_what_else_a_series_carries(job: Job) -> None:
    series = find_series(job, "C", "settlement crown")
    assert (series.section, series.chainage, series.measure, series.prisms) == (
        "C",
        124.0,
        "settlement",
        "C-CR",
    )
    assert series.width == series.base_length == WIDTH
    assert list(series.paths) == ["heading", "bench"]
    shift = (job.epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D")
    assert series.paths["heading"].passage() + shift == pytest.approx(passage("C"), abs=1e-6)
    assert series.value[-1] == pytest.approx(20.0 * SCALE["C"], rel=0.1)


def test_unknown_measure_lists_the_labels(job: Job) -> None:
    with pytest.raises(ValueFault, match="measure 'tilt' is not in section A; it has settlement crown, "):
        find_series(job, "A", "tilt")
    with pytest.raises(ValueFault, match="section 'Q' is not in the job"):
        measure_section(job, "Q")


def test_rows_set_aside_are_counted_where_they_belong(tmp_path: Path) -> None:
    lines = job_files()["readings.csv"].splitlines()
    at = next(index for index, line in enumerate(lines) if ",B-LW," in line)
    lines[at] = ",".join([*lines[at].split(",")[:4], "no target"])
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join([*lines, lines[-1]]) + "\n"}))
    assert find_series(job, "B", "settlement B-LW").set_aside == 1
    assert find_series(job, "B", "chord B-LW:B-RW").set_aside == 1
    assert find_series(job, "B", "settlement B-CR").set_aside == 0
    last = lines[-1].split(",")[1]
    assert find_series(job, last[0], f"settlement {last}").set_aside == 1


def test_rows_later_than_the_date_are_not_counted(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path), instant(12.0))
    assert all(series.set_aside == 0 for series in measure_tunnel(job))


def test_kept_steps_are_carried(tmp_path: Path) -> None:
    def moved(section: str, place: str, day: float) -> np.ndarray:
        step = 25.0 if (section, place) == ("A", "LW") and day > 9.3 else 0.0
        return np.asarray(movement(section, place, day) + np.array([0.0, step, 0.0]))

    job = read_job(write_job(tmp_path, moved=moved))
    assert find_series(job, "A", "transverse A-LW").kept_steps == pytest.approx(25.0, abs=0.5)
    assert find_series(job, "A", "chord A-LW:A-RW").kept_steps == pytest.approx(25.0, abs=0.5)
    assert find_series(job, "A", "settlement A-CR").kept_steps == 0.0


def test_prism_never_read_gives_a_series_without_readings(tmp_path: Path) -> None:
    prisms = job_files()["prisms.csv"] + "A-XX,A,roof,100.0,1.0,7.0\n"
    job = read_job(write_job(tmp_path, {"prisms.csv": prisms}))
    series = find_series(job, "A", "settlement roof")
    assert len(series.time) == len(series.value) == 0
    assert "never read" in repr(series)


def test_position_that_stands_twice_is_named_by_its_prism(tmp_path: Path) -> None:
    prisms = job_files()["prisms.csv"].replace("A-RW,A,right wall", "A-RW,A,left wall")
    job = read_job(write_job(tmp_path, {"prisms.csv": prisms}))
    labels = [series.label for series in measure_section(job, "A")]
    assert "settlement A-LW" in labels
    assert "settlement A-RW" in labels
    assert "settlement crown" in labels
