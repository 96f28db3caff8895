"""Every row set aside, of whatever table, is turned over by one line of events.csv, and that line is in the log."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError
from convergence.job.row_fields import is_marked, to_fill_in
from convergence.survey import Job, read_job
from tests.helpers import instant, job_files, sweep_days, write_job
from tests.survey.test_decisions import EVENTS, again, row_of, used

FILES = job_files()
#: A reading of A-LW between two sweeps, and its values.
READING = f"{instant(6.3)},A-LW,-0.5,5.0,8.0"


def balanced(job: Job) -> None:
    table = job.account.table
    assert (table["read"] == table["used"] + table["set_aside"] + table["later_than_as_of"]).all()


@pytest.mark.parametrize(
    ("reason", "row", "right"),
    [
        ("no such prism", READING.replace("A-LW", "A-LX"), READING),
        ("unparseable number", READING.replace("5.0", "5..0"), READING),
        ("not finite", READING.replace(",5.0,", ",,"), READING),
        ("impossible number", READING.replace("5.0", "5e9"), READING),
        ("no offset in time", READING.replace("+02:00", ""), READING),
        ("unparseable time", READING.replace("T", "_", 1), READING),
        ("too few fields", READING.replace(",5.0,8.0", ",5.0"), READING),
        ("too many fields", f"{READING},9.0,8.0", READING),
    ],
)
def test_an_unusable_reading_is_used_as_its_line_corrects_it(reason: str, row: str, right: str, tmp_path: Path) -> None:
    files = {"readings.csv": FILES["readings.csv"] + row + "\n"}
    job = read_job(write_job(tmp_path / "job", files))
    found = row_of(job, reason)
    line = str(found["turn_over"])
    stem, _, offered = line.partition(" => ")
    assert stem.endswith(f',,,row corrected,"readings.csv: {row}')
    assert offered.replace("<<", "").replace(">>", "") == f'{row}"'
    mended = again(tmp_path / "mended", f'{stem} => {right}"', files)
    assert used(mended) == used(job) + 1
    assert not len(mended.set_aside)
    balanced(mended)
    told = row_of(mended, "row corrected")
    assert told["decision"] == "exchanged"
    taken_back = str(told["turn_over"]).removeprefix("remove from events.csv: ")
    assert taken_back == f'{stem} => {right}"'
    # the line with its place not filled in is refused, and one that changes nothing is told and is no exchange
    with pytest.raises(JobError, match="not yet put right") as caught:
        again(tmp_path / "marked", line, files)
    assert [(fault.file, fault.column) for fault in caught.value.faults] == [("events.csv", "note")]
    same = again(tmp_path / "same", f'{stem} => {row}"', files)
    assert set(same.set_aside["reason"]) == {reason}
    assert row_of(same, "correction without effect")["decision"] == "reported"
    assert "row corrected" not in set(same.decisions["kind"])


@pytest.mark.parametrize(
    ("reason", "row", "marked"),
    [
        ("no such prism", READING.replace("A-LW", "A-LX"), READING.replace("A-LW", "<<A-LX>>")),
        ("unparseable number", READING.replace("5.0", "5..0"), READING.replace("5.0", "<<5..0>>")),
        ("not finite", READING.replace(",5.0,", ",,"), READING.replace(",5.0,", ",<<>>,")),
        ("unparseable time", "2031-13-11T06:00:00Z,A-LW,1,2,3", "<<2031-13-11T06:00:00Z>>,A-LW,1,2,3"),
        ("too few fields", "2031-05-11T06:00:00Z,A-LW,1", "<<2031-05-11T06:00:00Z,A-LW,1>>"),
    ],
)
def test_the_field_at_fault_stands_between_marks(reason: str, row: str, marked: str) -> None:
    header = FILES["readings.csv"].splitlines()[0]
    assert to_fill_in(header, row, reason) == marked
    assert is_marked(marked)
    assert not is_marked(row)


def test_of_two_readings_at_one_instant_a_line_leaves_one_out(tmp_path: Path) -> None:
    files = {"readings.csv": FILES["readings.csv"] + READING + "\n" + READING.replace("8.0", "9.0") + "\n"}
    job = read_job(write_job(tmp_path / "job", files))
    log = job.decisions[job.decisions["kind"] == "conflicting instant"]
    assert len(log) == 2
    for place, line in enumerate(log["turn_over"]):
        mended = again(tmp_path / f"mended{place}", line, files)
        assert used(mended) == used(job) + 1
        (row,) = mended.set_aside.to_dict("records")
        assert (row["reason"], row["detail"]) == ("set aside by an event", "row corrected")
        balanced(mended)
        (turn_over,) = mended.decisions[mended.decisions["kind"] == "set aside by an event"]["turn_over"]
        assert turn_over == f"remove from events.csv: {line}"


#: Extra rounds, and why each is set aside; the heading makes 2 m each half day, the bench 30 m behind by day.
ROUNDS = {
    "against the drive": (9.6, "heading", 125.0),
    "two times for one round": (9.6, "heading", 126.0),
    "ahead of the stage it follows": (12.4, "bench", 150.0),
    "time outside the job": (400.0, "heading", 180.0),
}


@pytest.mark.parametrize("reason", ROUNDS)
def test_a_round_set_aside_is_used_by_its_line_and_those_against_it_are_not(reason: str, tmp_path: Path) -> None:
    day, stage, chainage = ROUNDS[reason]
    files = {"advance.csv": FILES["advance.csv"] + f"{instant(day)},{stage},{chainage}\n"}
    job = read_job(write_job(tmp_path / "job", files))
    line = row_of(job, reason)["turn_over"]
    assert str(line).endswith(f",,,round kept,{stage} {chainage}")
    kept = again(tmp_path / "kept", line, files)
    log = kept.folder.advance[stage]
    at = np.flatnonzero(np.abs(log.chainage - chainage) < 1e-9)
    assert len(at) == 1
    when = np.datetime64("2031-05-04T22:00", "ns") + np.timedelta64(2, "h") + np.timedelta64(round(day * 86_400), "s")
    assert log.time[at[0]] == when
    assert (np.diff(log.chainage) > 0.0).all()
    assert (np.diff(log.time) > np.timedelta64(0, "s")).all()
    assert row_of(kept, "round kept")["decision"] == "kept"
    balanced(kept)


@pytest.mark.parametrize(
    ("row", "right", "reason"),
    [
        (f"{instant(9.6)},headin,126.9", f"{instant(9.6)},heading,128.2", "no such stage"),
        (f"{instant(9.6)},heading,12b.2", f"{instant(9.6)},heading,128.2", "unparseable number"),
        (f"{instant(9.6)[:-6]},heading,128.2", f"{instant(9.6)},heading,128.2", "no offset in time"),
    ],
)
def test_an_unusable_round_is_used_as_its_line_corrects_it(row: str, right: str, reason: str, tmp_path: Path) -> None:
    files = {"advance.csv": FILES["advance.csv"] + row + "\n"}
    job = read_job(write_job(tmp_path / "job", files))
    stem, _, offered = str(row_of(job, reason)["turn_over"]).partition(" => ")
    assert "<<" in offered
    mended = again(tmp_path / "mended", f'{stem} => {right}"', files)
    assert len(mended.folder.advance["heading"]) == len(job.folder.advance["heading"]) + 1
    assert not len(mended.set_aside)
    balanced(mended)


def test_a_prism_s_chainage_is_corrected_by_a_line_and_its_row_found_by_what_it_says(tmp_path: Path) -> None:
    files = job_files("coordinates")
    row = next(line for line in files["prisms.csv"].splitlines() if line.startswith("B-LW"))
    wrong = row.replace("112.0", "115.0")
    changes = {**files, "prisms.csv": files["prisms.csv"].replace(row, wrong)}
    job = read_job(write_job(tmp_path / "job", changes, form="coordinates"))
    # the library knows where the prism is read: the line it offers is the whole correction
    mended = again(tmp_path / "mended", row_of(job, "chainage of prism")["turn_over"], changes, form="coordinates")
    assert "chainage of prism" not in set(mended.decisions["kind"])
    assert row_of(mended, "row corrected")["decision"] == "exchanged"
    # it moves a few millimetres from there until it is read: to the centimetre
    (prism,) = (prism for prism in mended.folder.prisms if prism.name == "B-LW")
    assert prism.chainage == pytest.approx(112.0, abs=0.011)
    balanced(mended)


#: Two rounds of the heading at one instant, where only one can be.
TWO = f"{instant(9.6)},heading,128.2\n{instant(9.6)},heading,128.9\n"


def test_of_two_rounds_at_one_instant_the_line_names_one_and_can_be_turned_over(tmp_path: Path) -> None:
    files = {"advance.csv": FILES["advance.csv"] + TWO}
    job = read_job(write_job(tmp_path / "job", files))
    chainages = set(job.folder.advance["heading"].chainage.tolist())
    (used_one,) = chainages & {128.2, 128.9}
    (aside,) = {128.2, 128.9} - {used_one}
    line = str(row_of(job, "against the drive")["turn_over"])
    assert line.endswith(f",,,round kept,heading {aside}")
    kept = again(tmp_path / "kept", line, files)
    assert set(kept.folder.advance["heading"].chainage.tolist()) & {128.2, 128.9} == {aside}
    # and back again, by the line of the one that now is set aside
    back_line = str(row_of(kept, "against the drive")["turn_over"])
    assert back_line.endswith(f",,,round kept,heading {used_one}")
    back = again(tmp_path / "back", f"{line}\n{back_line}", files)
    assert set(back.folder.advance["heading"].chainage.tolist()) == chainages
    assert row_of(back, "round not kept")["decision"] == "reported"
    # without the chainage nothing says which of the two is meant
    vague = again(tmp_path / "vague", line.removesuffix(f" {aside}"), files)
    assert set(vague.folder.advance["heading"].chainage.tolist()) == chainages
    assert "STAGE CHAINAGE" in str(row_of(vague, "round not kept")["reason"])


def test_a_prism_can_be_left_out_and_its_readings_are_told(tmp_path: Path) -> None:
    row = next(line for line in FILES["prisms.csv"].splitlines() if line.startswith("B-CR"))
    line = f'{instant(0.0)},,,row corrected,"prisms.csv: {row} =>"'
    job = read_job(write_job(tmp_path / "job", {"events.csv": f"{EVENTS}{line}\n"}))
    assert "B-CR" not in {prism.name for prism in job.folder.prisms}
    assert set(job.set_aside["reason"]) == {"set aside by an event", "no such prism"}
    balanced(job)


@pytest.mark.parametrize("note", ["readings.csv: no such row => x", "other.csv: a,b => c,d"])
def test_a_correction_without_its_row_is_told_and_does_nothing(note: str, tmp_path: Path) -> None:
    plain = read_job(write_job(tmp_path / "plain"))
    job = read_job(write_job(tmp_path / "job", {"events.csv": f'{EVENTS}{instant(3.0)},,,row corrected,"{note}"\n'}))
    assert used(job) == used(plain)
    assert row_of(job, "correction without effect")["decision"] == "reported"


def test_a_correction_later_than_as_of_is_not_heard_of(tmp_path: Path) -> None:
    row = FILES["readings.csv"].splitlines()[5]
    line = f'{instant(15.0)},,,row corrected,"readings.csv: {row} =>"'
    folder = write_job(tmp_path / "job", {"events.csv": f"{EVENTS}{line}\n"})
    assert "row corrected" in set(read_job(folder).decisions["kind"])
    assert "row corrected" not in set(read_job(folder, as_of=instant(14.0)).decisions["kind"])


def test_a_row_corrected_into_nonsense_is_told_as_any_other(tmp_path: Path) -> None:
    row = FILES["prisms.csv"].splitlines()[3]
    line = f'{instant(0.0)},,,row corrected,"prisms.csv: {row} => A-CR,A,crown,x,0,7"'
    with pytest.raises(JobError) as caught:
        read_job(write_job(tmp_path / "job", {"events.csv": f"{EVENTS}{line}\n"}))
    assert {fault.file for fault in caught.value.faults} == {"prisms.csv"}


def test_a_sweep_with_a_mistyped_day_is_set_aside_row_by_row(tmp_path: Path) -> None:
    """Used before at the wrong date: no row of it stands alone between rows of another time."""
    text = FILES["readings.csv"]
    for number, prism in enumerate(("A-CR", "A-LW", "A-RW")):
        day = float(sweep_days("A")[20]) + number / 1440
        # not to the minute as the sweep of three days later
        text = text.replace(f"{instant(day)},{prism},", f"{instant(day + 3.0 + 7 / 1440)},{prism},")
    assert text != FILES["readings.csv"]
    job = read_job(write_job(tmp_path / "job", {"readings.csv": text}))
    aside = job.set_aside
    assert aside[["reason", "prism"]].to_numpy().tolist() == [
        ["time against its file", prism] for prism in ("A-CR", "A-LW", "A-RW")
    ]
    told = [found for found in job.findings if found.kind == "mistyped time"]
    assert all("these 3 readings" in found.sentence for found in told)
    kept = again(tmp_path / "kept", told[1].line, {"readings.csv": text})
    assert kept.set_aside["prism"].tolist() == ["A-CR", "A-RW"]
    balanced(kept)


@pytest.mark.parametrize("years", [-10, 10, 1])
def test_a_date_some_years_off_is_offered_with_its_year_put_right(years: int, tmp_path: Path) -> None:
    """A reading and a round in order of their files, but for the year; what is offered is the row as it was meant."""
    rows = {name: FILES[name].splitlines() for name in ("readings.csv", "advance.csv")}
    meant = {name: rows[name][len(rows[name]) // 2] for name in rows}
    wrong = {name: f"{int(row[:4]) + years}{row[4:]}" for name, row in meant.items()}
    files = {name: FILES[name].replace(meant[name], wrong[name], 1) for name in rows}
    job = read_job(write_job(tmp_path / "job", files))
    log = job.decisions[job.decisions["kind"] == "time outside the job"]
    assert len(log) == 2
    for line, why in zip(log["turn_over"], log["reason"], strict=True):
        (file,) = (name for name in rows if name in str(line))
        assert str(line).endswith(f',,,row corrected,"{file}: {wrong[file]} => {meant[file]}"')
        assert f"it fits the rows around it in the year {meant[file][:4]}" in str(why)
    mended = again(tmp_path / "mended", "\n".join(log["turn_over"]), files)
    assert not len(mended.set_aside)
    assert used(mended) == used(read_job(write_job(tmp_path / "clean")))
    balanced(mended)


def test_a_round_that_is_kept_and_those_it_drops_name_each_other(tmp_path: Path) -> None:
    files = {"advance.csv": FILES["advance.csv"] + f"{instant(9.6)},heading,130.5\n"}
    job = read_job(write_job(tmp_path / "job", files))
    line = str(row_of(job, "against the drive")["turn_over"])
    kept = again(tmp_path / "kept", line, files)
    mine = len(files["advance.csv"].splitlines())
    dropped = kept.set_aside[kept.set_aside["file"] == "advance.csv"]
    assert len(dropped) >= 1
    assert dropped["detail"].str.endswith(f"by line {mine}; the one kept by events.csv is used").all()
    told = str(row_of(kept, "round kept")["reason"])
    assert told.endswith("against it, and not used: " + ", ".join(f"advance.csv:{at}" for at in dropped["line"]))


def test_a_damaged_row_is_set_aside_and_the_others_are_used(tmp_path: Path) -> None:
    """NUL bytes in a row, as a logger leaves them that lost its power, cost that row and not the job."""
    rows = FILES["readings.csv"].splitlines()
    rows[40] = rows[40][:-2] + "\0\0"
    rows[90] = "\0" * 64
    job = read_job(write_job(tmp_path / "job", {"readings.csv": "\n".join(rows) + "\n"}))
    assert job.set_aside["line"].tolist() == [41, 91]
    assert set(job.set_aside["reason"]) == {"unparseable number", "too few fields"}
    assert any("readings.csv: NUL bytes in 2 lines, the first line 41" in remark for remark in job.folder.remarks)
    balanced(job)
