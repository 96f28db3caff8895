"""Prisms against where their coordinates are: places mistyped, walls under each other's names, feet of two kinds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.survey import Job, read_job
from convergence.units import METRES
from tests.helpers import job_files, write_job
from tests.survey.test_decisions import EVENTS, again, row_of

FORM = "coordinates"


def with_row(old: str, new: str) -> dict[str, str]:
    files = job_files(FORM)
    assert old in files["prisms.csv"]
    return {"prisms.csv": files["prisms.csv"].replace(old, new)}


def places(job: Job) -> set[str]:
    kinds = {"chainage of prism", "place of prism", "swapped throughout", "feet of two kinds"}
    return kinds & set(job.decisions["kind"])


@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_a_clean_job_is_told_nothing(unit: str, tmp_path: Path) -> None:
    assert not places(read_job(write_job(tmp_path, form=FORM, unit=unit)))


@pytest.mark.parametrize(
    ("old", "new", "attribute", "right"),
    [
        ("B-LW,B,left wall,112.0,-5.0,2.0", "B-LW,B,left wall,112.0,5.0,2.0", "offset", -5.0),
        ("B-CR,B,crown,112.0,0.0,7.0", "B-CR,B,crown,112.0,0.0,9.0", "height", 7.0),
        ("C-LW,C,left wall,124.0,-5.0,2.0", "C-LW,C,left wall,121.0,-5.0,2.0", "chainage", 124.0),
    ],
)
def test_a_wrong_place_is_put_right_by_its_line(
    old: str, new: str, attribute: str, right: float, tmp_path: Path
) -> None:
    files = with_row(old, new)
    job = read_job(write_job(tmp_path / "job", files, FORM))
    row = row_of(job, "chainage of prism" if attribute == "chainage" else "place of prism")
    wrong = float(new.split(",")[{"chainage": 3, "offset": 4, "height": 5}[attribute]])
    assert row["size"] == pytest.approx(1e3 * abs(wrong - right), abs=30.0)
    mended = again(tmp_path / "mended", row["turn_over"], files, form=FORM)
    assert not places(mended)
    (prism,) = (item for item in mended.folder.prisms if item.name == new.partition(",")[0])
    # read some millimetres on, and written to the centimetre
    assert getattr(prism, attribute) == pytest.approx(right, abs=0.015)


def test_walls_under_each_other_s_names_throughout_are_told_and_exchanged(tmp_path: Path) -> None:
    files = job_files(FORM)
    swap = {"A-LW": "A-RW", "A-RW": "A-LW"}
    rows = [line.split(",") for line in files["readings.csv"].splitlines()]
    text = "\n".join(",".join([row[0], swap.get(row[1], row[1]), *row[2:]]) for row in rows) + "\n"
    changes = {"readings.csv": text}
    job = read_job(write_job(tmp_path / "job", changes, FORM))
    row = row_of(job, "swapped throughout")
    assert row["prism"] == "A-LW:A-RW"
    # the walls stand 10 m apart by the design of the job
    assert row["size"] == pytest.approx(10_000.0)
    mended = read_job(write_job(tmp_path / "mended", {**changes, "events.csv": EVENTS + f"{row['turn_over']}\n"}, FORM))
    true = read_job(write_job(tmp_path / "true", form=FORM))
    assert not places(mended)
    np.testing.assert_allclose(mended.array("A")["movement"], true.array("A")["movement"], atol=1e-6)


@pytest.mark.parametrize(("of_readings", "wrong"), [("ftUS", "ft"), ("ft", "ftUS")])
def test_feet_of_two_kinds_are_told_for_the_whole_job(of_readings: str, wrong: str, tmp_path: Path) -> None:
    """The survey foot is 1200/3937 m, the international one 0.3048 m: of 632 km 2 parts in a million are 1.27 m."""
    files = job_files(FORM, unit=of_readings)
    east, north = 600_000.0, 200_000.0
    toml = files["tunnel.toml"]
    for name, old, moved in (("easting", 1000.0, east), ("northing", 2000.0, north)):
        before = f"start_{name}_{of_readings} = {old / METRES[of_readings]!r}"
        assert before in toml
        toml = toml.replace(before, f"start_{name}_{of_readings} = {(old + moved) / METRES[of_readings]!r}")
    rows = [line.split(",") for line in files["readings.csv"].splitlines()]
    out = [",".join(rows[0]).replace(f"_{of_readings}", f"_{wrong}")]
    for time, prism, e, n, up in rows[1:]:
        e, n = (f"{float(value) + far / METRES[of_readings]:.5f}" for value, far in ((e, east), (n, north)))
        out.append(",".join((time, prism, e, n, up)))
    changes = {"tunnel.toml": toml, "readings.csv": "\n".join(out) + "\n"}
    job = read_job(write_job(tmp_path / "job", changes, FORM, unit=of_readings))
    assert places(job) == {"feet of two kinds"}
    row = row_of(job, "feet of two kinds")
    assert "international against survey feet?" in str(row["reason"])
    # 2e-6 of 632 km
    assert row["size"] == pytest.approx(1.27e3, rel=0.05)
