"""Stages with a geometry of their own: a second tube driven the other way by its own chainages, and a side drift."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import convergence as cv
from convergence.errors import JobError
from convergence.job.stages import acting_widths, stage_geometry, stage_shares
from convergence.projection.columns import section_columns
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
        # down-chainage the face has passed what lies above it; rounds of 2 m without a pause, so within one of them
        expected = chainage - (FIRST - SPEED * (days - BEGIN))
        assert (np.abs(expected - distance)[ran] <= 2.0).all()
        drift = array["face_distance"].sel(stage="side drift").values
        logged = days <= 16.6
        assert (np.abs(drift - (98.0 + 4.0 * days - chainage))[logged] <= 2.0).all()


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


SIZED = """
[[stage]]
name = "second tube"
drive = "down-chainage"
chainage_shift_m = -500.0
width_m = 9.0
height_m = 8.0
offset_m = 30.0

[[stage]]
name = "side drift"
width_ft = 13.0
offset_m = -3.0
"""


def test_a_stage_s_own_opening_says_how_far_its_face_is_felt(tmp_path: Path) -> None:
    settings = read_job(with_stages(tmp_path / "job", SIZED)).settings
    drift = stage_geometry(settings, "side drift")
    assert (drift.width, drift.height, drift.offset, drift.own) == (13.0 * 0.3048, 8.5, -3.0, True)
    found = acting_widths(settings)
    # the tunnel's width where a stage has none; else twice the hypotenuse of half its width and its axis' offset
    assert found["heading"] == found["bench"] == 11.0
    assert found["second tube"] == pytest.approx(2.0 * (4.5**2 + 30.0**2) ** 0.5, abs=1e-12)
    assert found["side drift"] == pytest.approx(2.0 * (1.9812**2 + 3.0**2) ** 0.5, abs=1e-12)
    # shares as given, else areas over that of the opening, 11 m by 8.5 m
    assert stage_shares(settings) == {
        "heading": 0.6,
        "bench": 0.4,
        # outside the tunnel, so 9 m over the 60.7 m it acts as
        "second tube": pytest.approx(9.0 * 8.0 / 93.5 * 9.0 / found["second tube"]),
        "side drift": pytest.approx(13.0 * 0.3048 / 11.0),
    }


def test_the_widths_stand_beside_the_distances(tmp_path: Path) -> None:
    job = read_job(with_stages(tmp_path / "job", SIZED))
    array, table = job.array("B"), cv.face_passages(job)
    np.testing.assert_allclose(array["stage_width"].sel(stage="bench"), 11.0)
    for stage in ("second tube", "bench"):
        row = table[(table["section"] == "B") & (table["stage"] == stage)].iloc[0]
        width = float(array["stage_width"].sel(stage=stage))
        assert row["face_distance_widths"] == pytest.approx(row["face_distance_m"] / width)


def test_a_stage_half_as_wide_moves_the_section_over_half_the_length() -> None:
    """The columns of a stage are those of a tunnel as wide as the stage: nothing else of the shape changes."""
    path = cv.laws.FacePath([0.0, 40.0], [-80.0, 80.0])
    twice = cv.laws.FacePath([0.0, 40.0], [-160.0, 160.0])
    days = np.linspace(5.0, 40.0, 30)
    narrow = section_columns((), [path], days, [5.5], (3.0,))
    wide = section_columns((), [twice], days, [11.0], (3.0,))
    both = [item.bases[:, 0] @ item.spanned[0].T for item in (narrow, wide)]
    # distance over width is all that counts, so twice the speed in twice the width is the same; to 1e-6 as spanned
    np.testing.assert_allclose(both[0], both[1], atol=3e-6)
    same = section_columns((), [path], days, [11.0], (3.0,))
    assert np.abs(both[0] - same.bases[:, 0] @ same.spanned[0].T).max() > 0.05


def test_a_wrong_size_is_a_fault(tmp_path: Path) -> None:
    toml = SIZED.replace("height_m = 8.0", "height_m = 0.0").replace("width_ft = 13.0", "width = 4.0")
    with pytest.raises(JobError) as caught:
        read_job(with_stages(tmp_path / "job", toml))
    assert [fault.column for fault in caught.value.faults] == ["stage.height_m", "stage.width"]
