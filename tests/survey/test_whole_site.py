"""A site with everything at once: what is read of it is what was made, with mistakes in it and without."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import convergence as cv
from convergence.survey import Job, read_job
from tests.survey.whole_site import (
    NOISE,
    PRISMS,
    SECTIONS,
    STAGES,
    Row,
    caused,
    face,
    first_day,
    moment,
    moved,
    write_whole_site,
)  # fmt: skip


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return read_job(write_whole_site(tmp_path_factory.mktemp("whole") / "job"))


def errors(job: Job, prism: str) -> np.ndarray:
    """Movement of a prism less the truth [mm], about its middle, shape (n, 3)."""
    array = job.array(prism[0])
    index = array["prism"].values.tolist().index(prism)
    rows = np.flatnonzero(array["used"].values[:, index])
    shift = (job.epoch - np.datetime64("2031-05-05", "ns")) / np.timedelta64(1, "D")
    days = array["read_days"].values[rows, index] + shift
    found = array["movement"].values[rows, index] - np.array([moved(prism, day) for day in days.tolist()])
    return np.asarray(found - np.median(found, axis=0))


def test_movements_are_turned_into_the_axes_at_each_prism(job: Job) -> None:
    assert not len(job.set_aside)
    assert {item.kind for item in job.findings} <= {"daily cycle"}
    for section in SECTIONS:
        for code in PRISMS:
            # 0.4 mm and the rounding to 0.0001 feet; a chainage or an axis wrong by a degree would be more than 0.1 mm
            off = errors(job, f"{section}-{code}")
            assert np.std(off, axis=0) == pytest.approx(NOISE, abs=0.1)
            assert np.abs(np.polyfit(np.arange(len(off)), off, 1)[0]).max() * len(off) < 0.6


def test_chainages_and_faces_are_the_site_s(job: Job) -> None:
    assert [round(job.site_chainage(SECTIONS[name][0]), 3) for name in "BC"] == [1115.0, 1640.0]
    table = cv.face_passages(job).set_index(["section", "stage"])
    for section, (chainage, _) in SECTIONS.items():
        for stage, (_, _, hour) in STAGES.items():
            way = -1.0 if stage == "second tube" else 1.0
            now = (job.now - np.datetime64("2031-05-05", "ns")) / np.timedelta64(1, "D")
            # the last round logged; after it the face stands. To 0.00001 feet each, of face and section
            last = max(day for day in np.arange(0.0, 40.0, 0.5) if day + hour <= now and face(stage, day) < 1259.0)
            distance = way * (face(stage, last) - chainage)
            assert float(table.loc[(section, stage), "face_distance_m"]) == pytest.approx(distance, abs=1e-5)


def test_a_stage_s_opening_puts_its_part_right(job: Job, tmp_path: Path) -> None:
    """A drift of 4 m and a tube 30 m aside: within three standard deviations with their sizes, not without."""
    bare = read_job(write_whole_site(tmp_path / "bare", sizes=False))
    missed: dict[bool, list[float]] = {}
    for sized, one in ((True, job), (False, bare)):
        table = cv.stage_parts(cv.project(one)).set_index(["section", "measure", "prisms", "stage"])
        for section in SECTIONS:
            for stage in ("side drift", "second tube"):
                row = table.loc[(section, "settlement", f"{section}-CR", stage)]
                off = float(row["part"]) - caused(stage, section, first_day(section), float("inf"))
                missed.setdefault(sized, []).append(abs(off))
                assert not sized or abs(off) < 3.0 * float(row["standard_deviation"])
    assert np.mean(missed[True]) < 0.5 * np.mean(missed[False])


def spoilt(rows: list[Row]) -> list[Row]:
    """The readings with mistakes of many kinds in them."""
    found: list[Row] = []
    stuck: Row | None = None
    for day, prism, east, north, up, _ in rows:
        at, e, n, z = float(str(day)), float(str(east)), float(str(north)), float(str(up))
        name, time = str(prism), moment(at - (1 / 24 if at > 24.3 else 0.0))
        if name == "A-LW" and at > 15.1:
            z, e = z + 0.012, e + 0.006
        if name == "D-RW" and at > 20.0:
            name, e, n = "D-RW9", e + 0.05, n - 0.04
        if name == "C-LS" and 18.0 < at < 20.6:
            stuck = stuck or [e, n, z]
            e, n, z = (float(str(value)) for value in stuck)
        if name in ("B-LW", "B-RW") and 17.0 < at < 17.24:
            name = "B-RW" if name == "B-LW" else "B-LW"
        if name.startswith("C") and 27.0 < at < 27.24:
            z, n = z + 0.007, n + 0.004
        if name == "B-CR" and 22.0 < at < 22.24:
            time = time.replace("2031", "2013")
        if name == "A-CR" and 19.0 < at < 19.24:
            time = moment(at + 6.0)
        if name == "A-RS" and 12.0 < at < 12.24:
            time = time[:-1]
        if name == "D-CR" and 30.0 < at < 30.24:
            z += 100.0
        if name == "D-LS" and 31.0 < at < 31.24:
            n += 0.025
        if not (name == "D-RW9" and at < 21.0):
            found.append([at, name, e, n, z, time])
    return found


def test_every_mistake_is_told_and_its_line_mends_it(tmp_path: Path) -> None:
    log = read_job(write_whole_site(tmp_path / "spoilt", spoilt)).decisions
    told = {(str(kind), str(prism)) for kind, prism in zip(log["kind"], log["prism"], strict=True)}
    assert told >= {
        ("jump", "A-LW"), ("prism under another name", "D-RW:D-RW9"), ("frozen readings", "C-LS"),
        ("swapped prisms", "B-LW:B-RW"), ("shared spike", ""), ("time outside the job", "B-CR"),
        ("mistyped time", "A-CR"), ("no offset in time", "A-RS"), ("outside the alignment", "D-CR"), ("spike", "D-LS"),
        ("clock put back", ""), ("prism silent", "D-RW"),
    }  # fmt: skip
    sized = log[~log["kind"].isin(["no offset in time", "no such prism"])]
    assert np.isfinite(sized["size"]).all()
    assert (sized["unit"] != "").all()
    lines = [
        str(line).replace("jump genuine", "prism disturbed")
        for kind, prism, line in zip(log["kind"], log["prism"], log["turn_over"], strict=True)
        if (kind, prism) == ("jump", "A-LW") or kind in ("prism under another name", "clock put back")
    ]
    stuck = log.loc[log["kind"] == "frozen readings", "turn_over"].iloc[0]
    lines.append(str(stuck))
    mended = read_job(write_whole_site(tmp_path / "mended", spoilt, events="\n".join(lines)))
    for section in SECTIONS:
        for code in PRISMS:
            # five times the noise, and the step of a knock or a replaced prism to its own error
            assert np.abs(errors(mended, f"{section}-{code}")).max() < 3.5, (section, code)
