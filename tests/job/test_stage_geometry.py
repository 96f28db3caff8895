"""Stages with a geometry of their own: a second tube driven the other way by its own chainages, and a side drift."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import convergence as cv
from convergence.errors import JobError
from convergence.survey import Job, read_job
from tests.helpers import LAST_DAY, SECTIONS, instant, job_files, settings_text, write_job

#: The second tube comes down-chainage from 160 m at 5 m a day from day 6 on; its own chainages are 500 m more.
SHIFT, SPEED, FIRST, BEGIN = 500.0, 5.0, 160.0, 6.0
TUBE = f"""
[[stage]]
name = "second tube"
drive = "down-chainage"
chainage_shift_m = {-SHIFT}
"""
DRIFT = """
[[stage]]
name = "side drift"
"""


def stage_row(day: float, stage: str, chainage: float) -> str:
    return f"{instant(day)},{stage},{chainage!r}\n"


def with_stages(folder: Path, toml: str = TUBE + DRIFT) -> Path:
    days = np.arange(BEGIN, LAST_DAY, 0.4)
    rounds = [stage_row(day, "second tube", FIRST + SHIFT - SPEED * (day - BEGIN)) for day in days.tolist()]
    # the drift went ahead of the heading, at the same speed
    rounds += [stage_row(day, "side drift", 98.0 + 4.0 * day) for day in np.arange(0.1, 17.0, 0.5).tolist()]
    text = settings_text().replace("[projection]", f"{toml}\n[projection]")
    return write_job(folder, {"tunnel.toml": text, "advance.csv": job_files()["advance.csv"] + "".join(rounds)})


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return read_job(with_stages(tmp_path_factory.mktemp("stages") / "job"))


def test_every_stage_s_face_distance_is_that_of_its_own_face(job: Job) -> None:
    assert not len(job.set_aside)
    for section, chainage in SECTIONS.items():
        array = job.array(section)
        distance = array["face_distance"].sel(stage="second tube").values
        days = array["days"].values - (np.datetime64("2031-05-05T00:00", "ns") - job.epoch) / np.timedelta64(1, "D")
        ran = days >= BEGIN
        # down-chainage the face has passed what lies above it; rounds of 2 m without a pause, so it moves evenly
        expected = chainage - (FIRST - SPEED * (days - BEGIN))
        np.testing.assert_allclose(distance[ran], expected[ran], atol=1e-6)
        drift = array["face_distance"].sel(stage="side drift").values
        logged = days <= 16.6
        np.testing.assert_allclose(drift[logged], (98.0 + 4.0 * days - chainage)[logged], atol=1e-6)


def test_it_is_projected_and_the_movement_attributed_to_every_stage(job: Job) -> None:
    table = cv.stage_parts(cv.project(job), "B")
    assert set(table["stage"]) == {"heading", "bench", "second tube", "side drift"}
    assert (table["standard_deviation"] > 0.0).all()


def test_a_drive_of_its_own_that_the_log_contradicts_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(JobError) as caught:
        read_job(with_stages(tmp_path / "job", TUBE.replace('drive = "down-chainage"\n', "") + DRIFT))
    (fault,) = caught.value.faults
    assert "rounds of second tube" in fault.expected
    assert "a drive of its own in its [[stage]]" in fault.mend


def test_a_stage_goes_the_way_of_the_one_it_follows(tmp_path: Path) -> None:
    toml = TUBE.replace("drive =", 'follows = "heading"\ndrive =') + DRIFT
    with pytest.raises(JobError) as caught:
        read_job(with_stages(tmp_path / "job", toml))
    assert [fault.column for fault in caught.value.faults] == ["stage.drive"]


def test_a_stage_without_a_log_is_said_and_nothing_is_made_up_for_it(tmp_path: Path) -> None:
    text = settings_text().replace("[projection]", '[[stage]]\nname = "invert"\n[projection]')
    job = read_job(write_job(tmp_path / "job", {"tunnel.toml": text}))
    (told,) = [item.sentence for item in job.findings if item.kind == "stage not begun"]
    assert told.startswith("invert has no round yet")
    assert np.isnan(job.array("A")["face_distance"].sel(stage="invert").values).all()
    assert "invert" not in set(cv.stage_parts(cv.project(job))["stage"])
