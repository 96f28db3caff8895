"""The log of decisions: each row tells what was done, and one line of events.csv turns it over."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from convergence.errors import JobError
from convergence.job.schema import Event
from convergence.survey import Job, read_job
from convergence.survey.common import without_common
from convergence.survey.decisions import COLUMNS
from convergence.survey.station import common_movement
from tests.helpers import instant, job_files, passage, sweep_days, write_job
from tests.survey.test_arrays import noisy, with_step
from tests.survey.test_screens import DAYS, drift, tunnel

EVENTS = "time,section,prism,event,note\n"


def row_of(job: Job, kind: str) -> dict[str, object]:
    (row,) = job.decisions[job.decisions["kind"] == kind].to_dict("records")
    return {str(name): value for name, value in row.items()}


def again(folder: Path, line: object, files: dict[str, str], **options: object) -> Job:
    """The job read once more with the line of the log added to its events."""
    changes = {**files, "events.csv": files.get("events.csv", EVENTS) + f"{line}\n"}
    return read_job(write_job(folder, changes, **options))  # type: ignore[arg-type]


def used(job: Job) -> int:
    return sum(int(array["used"].values.sum()) for array in job.arrays.values())


def test_a_clean_job_has_an_empty_log(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path))
    log = job.decisions
    assert tuple(log.columns) == COLUMNS
    assert not len(log[log["decision"] != "reported"])
    assert len(pickle.loads(pickle.dumps(job)).decisions) == len(log)


def test_a_spike_set_aside_is_used_again_by_its_line(tmp_path: Path) -> None:
    at = float(sweep_days("A")[20])
    moved = with_step(at, (0.0, 0.0, 12.0), base=with_step(at + 0.3, (0.0, 0.0, -12.0)))
    job = read_job(write_job(tmp_path / "job", moved=moved))
    row = row_of(job, "spike")
    assert row["decision"] == "set aside"
    assert row["size"] == pytest.approx(12.0, abs=1.5)
    kept = again(tmp_path / "kept", row["turn_over"], {}, moved=moved)
    assert used(kept) == used(job) + 1
    told = row_of(kept, "spike")
    assert told["decision"] == "kept"
    assert str(told["turn_over"]).startswith("remove from events.csv: ")


def test_a_reading_before_the_face_and_a_far_date_are_used_by_their_lines(tmp_path: Path) -> None:
    early = f"{instant(passage('C') - 2.0)},C-CR,0.0,0.0,0.0\n"
    far = f"{instant(200.0)},C-LW,-1.0,7.0,10.0\n"
    for name, extra, kind in (("early", early, "before the face"), ("far", far, "time outside the job")):
        text = {"readings.csv": job_files()["readings.csv"] + extra}
        job = read_job(write_job(tmp_path / name, text))
        row = row_of(job, kind)
        kept = again(tmp_path / f"{name}-kept", row["turn_over"], text)
        assert used(kept) == used(job) + 1, kind
        assert kind not in set(kept.set_aside["reason"])


def test_a_jump_is_spliced_by_its_line_or_called_genuine(tmp_path: Path) -> None:
    moved = with_step(9.3, (6.0, -9.0, 14.0))
    job = read_job(write_job(tmp_path / "job", moved=moved))
    row = row_of(job, "jump")
    assert row["decision"] == "reported"
    assert job.array("A")["segment"].values[-1, 0] == 1
    # what was done is the offset in the fits: its line takes that back, and the sentence has the one that confirms it
    assert ",jump genuine," in str(row["turn_over"])
    confirming = str(row["turn_over"]).replace("jump genuine", "prism disturbed")
    assert confirming in str(row["reason"])
    spliced = again(tmp_path / "spliced", confirming, {}, moved=moved)
    np.testing.assert_allclose(spliced.array("A")["offset"].values[-1, 0], (6.0, -9.0, 14.0), atol=1.5)
    genuine = again(tmp_path / "genuine", row["turn_over"], {}, moved=moved)
    array = genuine.array("A")
    assert row_of(genuine, "jump confirmed")["decision"] == "kept"
    assert (array["segment"].values == 0).all()
    assert (array["kept_steps"].values == 0).all()
    np.testing.assert_array_equal(array["movement"], job.array("A")["movement"])


def test_a_person_sets_a_spell_aside_and_takes_it_back(tmp_path: Path) -> None:
    events = EVENTS + f"{instant(6.0)},A,A-CR,readings set aside,\n{instant(8.0)},A,A-CR,readings resumed,\n"
    plain, job = read_job(write_job(tmp_path / "plain")), read_job(write_job(tmp_path / "job", {"events.csv": events}))
    aside = job.set_aside
    assert set(aside["reason"]) == {"set aside by an event"}
    assert set(aside["prism"]) == {"A-CR"}
    assert len(aside) == used(plain) - used(job) == 4
    line = "remove from events.csv: 2031-05-11T00:00:00Z,A,A-CR,readings set aside"
    assert (job.decisions["turn_over"] == line).sum() == 4


def test_a_spell_set_aside_ends_by_its_note(tmp_path: Path) -> None:
    """One row from day 6 until day 8 takes out four sweeps; a row that resumes them earlier ends it earlier."""
    row = f"{instant(6.0)},A,A-CR,readings set aside,wet until {instant(8.0)}\n"
    resumed = f"{instant(7.0)},A,A-CR,readings resumed,\n"
    later = f"{instant(9.0)},A,A-CR,readings set aside,\n{instant(9.5)},A,A-CR,readings resumed,\n"
    for number, (events, count) in enumerate(((row, 4), (row + resumed, 2), (row + later, 5))):
        job = read_job(write_job(tmp_path / str(number), {"events.csv": EVENTS + events}))
        assert len(job.set_aside) == count
    lines = job.decisions.loc[job.decisions["decision"] == "set aside", "turn_over"]
    assert [line.count("2031-05-11T00:00:00Z") for line in lines] == [1, 1, 1, 1, 0]
    with pytest.raises(JobError, match="until TIME"):
        read_job(write_job(tmp_path / "wrong", {"events.csv": EVENTS + row.replace(instant(8.0), "noon")}))


def test_what_an_event_did_names_the_row_to_remove(tmp_path: Path) -> None:
    events = EVENTS + f"{instant(9.3)},A,A-CR,prism replaced,\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}, moved=noisy()))
    row = row_of(job, "prism replaced")
    assert row["decision"] == "spliced"
    expected = np.datetime_as_string(np.datetime64("2031-05-14T07:12:00"), unit="s")
    assert row["turn_over"] == f"remove from events.csv: {expected}Z,A,A-CR,prism replaced"


def test_every_row_set_aside_is_in_the_log(sample_folder: Path) -> None:
    job = read_job(sample_folder, "2023-03-30T06:00:00Z")
    log = job.decisions
    assert len(log[log["decision"] == "set aside"]) == (job.set_aside["reason"] != "later than as_of").sum()
    assert (log.loc[log["decision"] == "set aside", "turn_over"] != "").all()
    known = log["time"].dropna()
    assert known.is_monotonic_increasing


@pytest.mark.parametrize("event", ["ring closed", "support added"])
def test_what_may_change_the_law_is_in_the_log_and_the_line_to_remove_with_it(tmp_path: Path, event: str) -> None:
    events = EVENTS + f"{instant(15.0)},A,,{event},\n{instant(12.0)},A,,lining sprayed,\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}))
    row = row_of(job, event)
    assert row["decision"] == "law may change"
    assert row["turn_over"] == f"remove from events.csv: 2031-05-20T00:00:00Z,A,,{event}"
    assert "lining sprayed" not in set(job.decisions["kind"])


# Common movement.


def test_common_movement_is_taken_out_only_where_an_event_asks() -> None:
    arrays = tunnel(3, ground=8.0 * (1 - np.exp(-DAYS / 6.0)), station=drift(DAYS))
    for array in arrays.values():
        array["offset"] = array["movement"] * 0.0
    found = common_movement(arrays, list("ABC"))
    same, told = without_common(arrays, found, ())
    assert all(same[name] is arrays[name] for name in "ABC")
    assert [item.action for item in told] == ["reported", "reported"]
    when = found[0].start + (found[0].end - found[0].start) / 2
    event = Event(when, "", "", "common movement removed", "", 2)
    changed, told = without_common(arrays, found, (event,))
    assert [item.action for item in told] == ["removed", "removed"]
    assert "standard error" in told[0].sentence
    truth = tunnel(3, ground=8.0 * (1 - np.exp(-DAYS / 6.0)))
    start, end = (pd.Timestamp(value).to_datetime64() for value in (found[0].start, found[0].end))
    for name in "AB":
        inside = (arrays[name]["time"].values >= start) & (arrays[name]["time"].values <= end)
        before, after, right = (
            np.nanmean(one[name]["movement"].values[inside], axis=(0, 1)) for one in (arrays, changed, truth)
        )
        assert np.linalg.norm(before - right) > 2.0
        assert np.linalg.norm(after - right) < 0.6
        left = arrays[name]["movement"].values - changed[name]["movement"].values
        np.testing.assert_allclose(np.nan_to_num(left), np.nan_to_num(changed[name]["offset"].values), atol=1e-9)
        # all prisms alike: how the array deforms is untouched
        np.testing.assert_allclose(left - left[:, :1], 0.0, atol=1e-9)


def test_common_movement_of_the_sample_job_by_its_line(cut_sample, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    folder = cut_sample(tmp_path / "job", ("S1012", "S1026", "S1040"))
    job = read_job(folder)
    lines = job.decisions.loc[job.decisions["kind"] == "common movement", "turn_over"]
    assert len(lines) == 2
    with (folder / "events.csv").open("a", encoding="utf-8") as stream:
        stream.write(f"{lines.iloc[0]}\n")
    changed = read_job(folder)
    assert set(changed.decisions.loc[changed.decisions["kind"] == "common movement", "decision"]) == {"removed"}
    assert used(changed) == used(job)
