"""The job as a whole: its shape, its text, its plain data."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.survey.job import Job, read_job
from tests.helpers import SECTIONS, edited, instant, job_files, passage, settings_text, write_job


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    events = f"time,section,prism,event\n{instant(10.0)},A,,ring closed\n{instant(9.0)},B,B-CR,prism replaced\n"
    return read_job(write_job(tmp_path_factory.mktemp("job"), {"events.csv": events}, "coordinates"))


def test_shape(job: Job) -> None:
    assert job.sections == tuple(SECTIONS)
    array = job.array("A")
    assert dict(array.sizes) == {"epoch": 37, "prism": 3, "axis": 3, "stage": 2}
    assert list(array["axis"].values) == ["longitudinal", "transverse", "settlement"]
    assert list(array["stage"].values) == ["heading", "bench"]
    assert list(array["position"].values) == ["crown", "left wall", "right wall"]
    assert array["movement"].attrs["units"] == "mm"
    assert array["face_distance"].attrs["units"] == "m"


def test_face_distance_at_the_sweeps(job: Job) -> None:
    """4 m a day from chainage 90 in rounds of 2 m each half day: read before the last third of a round, the face stands
    where the round before it ended.
    """
    array = job.arrays["B"]
    shift = (job.epoch - np.datetime64("2031-05-05T00:00", "ns")) / np.timedelta64(1, "D")
    days = array["days"].values + shift
    inside = days < 20.5
    heading = array["face_distance"].sel(stage="heading").values
    np.testing.assert_allclose(
        heading[inside], 2.0 * np.floor(2.0 * (days[inside] - passage("B")) + 1e-6), rtol=0, atol=1e-6
    )
    bench = array["face_distance"].sel(stage="bench").values
    assert (np.abs(bench - (4.0 * days + 60.0 - 112.0))[inside] <= 2.0).all()


def test_unknown_section_lists_the_names(job: Job) -> None:
    with pytest.raises(ValueFault, match="section 'Q' is not in the job; its sections are A, B, C"):
        job.array("Q")


def test_text_and_html(job: Job) -> None:
    text = repr(job)
    for word in (
        "Invented",
        "3, with 9 prisms",
        "heading (42 rounds), bench (42 rounds)",
        "rows read    374 = 374 used + 0 set aside",
        "findings",
    ):
        assert word in text
    html = job._repr_html_()
    assert html.startswith("<table>")
    assert "support and never replace" in html


def test_names_in_html_are_escaped(tmp_path: Path) -> None:
    text = edited(settings_text(), ('"Invented"', '"<script>alert(1)</script>"'))
    assert "<script>" not in read_job(write_job(tmp_path, {"tunnel.toml": text}))._repr_html_()


def test_pickles(job: Job) -> None:
    other = pickle.loads(pickle.dumps(job))
    assert repr(other) == repr(job)
    assert other.arrays["A"].equals(job.arrays["A"])
    assert other.settings == job.settings


def test_tree_has_a_node_for_each_section(job: Job) -> None:
    assert set(job.tree.children) == set(SECTIONS)
    assert job.tree["A"].to_dataset().equals(job.arrays["A"])


def test_days_and_instants(job: Job) -> None:
    when = np.datetime64("2031-05-12T18:00", "ns")
    assert job.instant(job.days(when)) == when
    assert np.isnat(job.instant(float("nan")))
    assert job.epoch == job.epoch.astype("datetime64[D]")


def test_events_are_sorted_and_kept(job: Job) -> None:
    assert [(event.event, event.line) for event in job.folder.events] == [
        ("prism replaced", 3),
        ("ring closed", 2),
    ]


def test_fingerprint_follows_the_contents(tmp_path: Path) -> None:
    one, two = write_job(tmp_path / "one"), write_job(tmp_path / "two")
    plain = read_job(one).folder.fingerprint
    assert plain == read_job(two).folder.fingerprint
    assert plain != read_job(one, "2031-05-20T00:00:00Z").folder.fingerprint
    (two / "readings.csv").write_text((two / "readings.csv").read_text().replace("19.", "18.", 1))
    assert plain != read_job(two).folder.fingerprint


def test_an_unknown_event_is_set_aside_and_not_used(tmp_path: Path) -> None:
    events = f"time,section,event\n{instant(9.0)},A,Blasting nearby\n{instant(9.5)},A,\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}))
    assert job.folder.events == ()
    assert job.set_aside[["line", "reason"]].to_numpy().tolist() == [[2, "unknown event"], [3, "no event"]]


def test_prism_and_section_never_read(tmp_path: Path) -> None:
    prisms = job_files()["prisms.csv"] + "A-XX,A,roof,100.0,1.0,7.0\nD-CR,D,crown,140.0,0,7\n"
    job = read_job(write_job(tmp_path, {"prisms.csv": prisms}))
    assert job.sections == ("A", "B", "C", "D")
    assert job.arrays["D"].sizes["epoch"] == 0
    assert not job.arrays["A"]["used"].values[:, 3].any()


def test_stage_without_rounds_yet(tmp_path: Path) -> None:
    advance = "\n".join(line for line in job_files()["advance.csv"].splitlines() if "bench" not in line) + "\n"
    job = read_job(write_job(tmp_path, {"advance.csv": advance}))
    array = job.arrays["A"]
    assert np.isnan(array["face_distance"].sel(stage="bench").values).all()
    assert np.isfinite(array["face_distance"].sel(stage="heading").values).all()
    assert list(job.paths(100.0)) == ["heading"]


def test_conflicting_rows_are_both_set_aside(tmp_path: Path) -> None:
    lines = job_files()["readings.csv"].splitlines()
    other = ",".join([*lines[9].split(",")[:4], "99.0"])
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join([*lines, other, lines[12]]) + "\n"}))
    aside = job.set_aside[["line", "reason"]].to_numpy().tolist()
    assert aside == [
        [10, "conflicting instant"],
        [len(lines) + 1, "conflicting instant"],
        [len(lines) + 2, "duplicate instant"],
    ]
