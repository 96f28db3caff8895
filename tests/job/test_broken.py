"""Broken job folders: each gives a ``JobError`` that names the place, the value, what was expected and the
way out.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable
from pathlib import Path

import pytest

from convergence.errors import JobError
from convergence.survey.job import read_job
from tests.helpers import edited, with_line, write_job
from tests.job.broken_cases import (
    ADVANCE,
    CASES,
    COORDINATES,
    FILES,
    PRISMS,
    READINGS,
    TOML,
    Case,
    prisms,
    rows_head,
    toml,
)


def fault_of(folder: Path) -> JobError:
    """The error of a folder, with what every such message must have checked."""
    with pytest.raises(JobError) as caught:
        read_job(folder)
    error = caught.value
    for fault in error.faults:
        assert fault.file
        assert fault.expected
        assert fault.mend
        assert "To mend: " in str(fault)
        assert str(fault).isprintable()
    assert str(error).startswith(f"The job {folder} cannot be used: {len(error.faults)} fault")
    assert "Traceback" not in str(error)
    return error


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_message(case: Case, tmp_path: Path) -> None:
    error = fault_of(write_job(tmp_path, case.changes, case.form))
    told = [str(fault) for fault in error.faults]
    hits = [text for text in told if text.startswith(case.place) and case.value in text]
    assert hits, told
    assert any(all(word in text for word in case.says) for text in hits), told
    # a single mistake is told for the file it is in: no swarm of consequences hides it
    assert {fault.file for fault in error.faults} == {case.place.split(":")[0].split(",")[0]}


def test_all_faults_come_together(tmp_path: Path) -> None:
    changes = {
        **toml(("confidence = 0.9", "confidence = 90"), ("width_m = 11.0", "width_m = -11.0")),
        **prisms(("112.0", "nan"), ("A-LW", "A-CR")),
        "advance.csv": edited(ADVANCE, ("chainage_m", "chainage")),
        "events.csv": "when,what\n",
        "readings.csv": "",
    }
    error = fault_of(write_job(tmp_path, changes))
    places = [(fault.file, fault.line) for fault in error.faults]
    assert ("tunnel.toml", 3) in places
    assert ("tunnel.toml", 19) in places
    assert ("prisms.csv", 3) in places
    assert ("prisms.csv", 5) in places
    assert ("advance.csv", 1) in places
    assert ("events.csv", 1) in places
    assert ("readings.csv", 1) in places
    files = [file for file, _ in places]
    assert files == sorted(files, key=["tunnel.toml", "prisms.csv", "advance.csv", "events.csv", "readings.csv"].index)


def test_two_faulty_readings_files_are_both_told(tmp_path: Path) -> None:
    changes = {"readings.csv": None, "readings/1.csv": "", "readings/2.csv": READINGS.replace(",", ";")}
    assert [fault.file for fault in fault_of(write_job(tmp_path, changes)).faults] == [
        "readings/1.csv",
        "readings/2.csv",
    ]


def test_many_faults_are_counted_and_not_all_printed(tmp_path: Path) -> None:
    rows = "".join(f"P{row},S,crown,nan,nan,nan\n" for row in range(100))
    error = fault_of(write_job(tmp_path, {"prisms.csv": rows_head(PRISMS) + rows}))
    assert len(error.faults) == 300
    assert "and 200 more" in str(error)
    assert len(str(error).splitlines()) == 102


def swap(folder: Path, name: str, make: Callable[[Path], None]) -> None:
    path = folder / name
    if path.exists():
        path.unlink()
    make(path)


@pytest.mark.parametrize("name", ["tunnel.toml", "prisms.csv", "advance.csv", "readings.csv", "events.csv"])
def test_directory_in_the_place_of_a_file(name: str, tmp_path: Path) -> None:
    folder = write_job(tmp_path)
    swap(folder, name, Path.mkdir)
    assert any(fault.file == name and "directory" in str(fault) for fault in fault_of(folder).faults)


@pytest.mark.parametrize("name", ["tunnel.toml", "prisms.csv", "advance.csv", "readings.csv", "events.csv"])
def test_symbolic_links_in_a_loop(name: str, tmp_path: Path) -> None:
    folder = write_job(tmp_path)
    swap(folder, name, lambda path: path.symlink_to(path))
    assert any(fault.file == name and "readable file" in str(fault) for fault in fault_of(folder).faults)


def test_readings_folder_that_is_a_file(tmp_path: Path) -> None:
    folder = write_job(tmp_path, {"readings": "x"})
    assert any(fault.file == "readings" for fault in fault_of(folder).faults)


def test_directory_among_the_readings(tmp_path: Path) -> None:
    folder = write_job(tmp_path)
    (folder / "readings" / "x.csv").mkdir(parents=True)
    assert any(fault.file == "readings/x.csv" and "directory" in str(fault) for fault in fault_of(folder).faults)


def test_ten_gigabytes_are_not_read(tmp_path: Path) -> None:
    """Sparse files: one that is all header, one with a header and 10 GB behind it."""
    folder = write_job(tmp_path)
    (folder / "readings").mkdir()
    for name, start in (("header.csv", b"time" * 20_000), ("body.csv", READINGS.encode() * 10)):
        path = folder / "readings" / name
        path.write_bytes(start)
        os.truncate(path, 10 * 1024**3)
    told = {fault.file: str(fault) for fault in fault_of(folder).faults}
    assert "header line of at most" in told["readings/header.csv"]
    assert "10737418240 bytes" in told["readings/body.csv"]
    assert "split it by month" in told["readings/body.csv"]


@pytest.mark.parametrize("path", ["", "nowhere", "x" * 5000, "a\0b", "tunnel.toml"])
def test_folder_that_is_none(path: str, tmp_path: Path) -> None:
    folder = write_job(tmp_path) / path if path else tmp_path / "empty" / "er"
    with pytest.raises(JobError, match="a job folder"):
        read_job(folder)


def test_empty_folder_tells_all_it_lacks(tmp_path: Path) -> None:
    files = [fault.file for fault in fault_of(tmp_path).faults]
    assert files == ["tunnel.toml", "prisms.csv", "advance.csv", "readings.csv"]


@pytest.mark.parametrize("as_of", ["yesterday", "2031-05-20", "2031-05-20T00:00:00", "", "9999-12-31T00:00:00Z"])
def test_as_of_that_is_no_instant(as_of: str, tmp_path: Path) -> None:
    with pytest.raises(JobError, match="expected ISO 8601 with an offset or Z"):
        read_job(write_job(tmp_path), as_of=as_of)


def test_as_of_before_everything(tmp_path: Path) -> None:
    """The date is at fault and not the files; the first instants are those of the small job, by its functions."""
    with pytest.raises(JobError) as caught:
        read_job(write_job(tmp_path), as_of="2031-01-01T00:00:00Z")
    assert {fault.file for fault in caught.value.faults} == {"as-of"}
    assert "first round, 2031-05-05T00:00:00Z" in str(caught.value)
    assert "first reading, 2031-05-07T15:00:00Z" in str(caught.value)


def test_as_of_between_the_first_round_and_the_first_reading(tmp_path: Path) -> None:
    with pytest.raises(JobError) as caught:
        read_job(write_job(tmp_path), as_of="2031-05-06T00:00:00Z")
    assert [fault.file for fault in caught.value.faults] == ["as-of"]
    assert "first reading, 2031-05-07T15:00:00Z" in str(caught.value)


def test_one_prism_in_both_forms(tmp_path: Path) -> None:
    later = COORDINATES["readings.csv"].replace("2031-05", "2031-06")
    error = fault_of(
        write_job(
            tmp_path,
            {"readings.csv": None, "readings/1.csv": READINGS, "readings/2.csv": later},
            "coordinates",
        )
    )
    assert any("each prism in one form" in str(fault) for fault in error.faults)


def test_error_pickles(tmp_path: Path) -> None:
    error = fault_of(write_job(tmp_path, {"prisms.csv": ""}))
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


# What looks odd and is fine.


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: "\ufeff" + text,
        lambda text: text + "\n\n\n",
        lambda text: text.rstrip("\n"),
        lambda text: text.replace("\n", ",\n"),
        lambda text: "\n".join(",".join(f'"{value}"' for value in line.split(",")) for line in text.splitlines()),
        lambda text: text.replace(",", " , "),
    ],
    ids=[
        "CRLF",
        "CR",
        "byte order mark",
        "blank lines",
        "no last line end",
        "trailing commas",
        "quotes",
        "blanks",
    ],
)
def test_odd_and_fine(change: Callable[[str], str], tmp_path: Path) -> None:
    plain = read_job(write_job(tmp_path / "plain"))
    odd = read_job(write_job(tmp_path / "odd", {name: change(FILES[name]) for name in FILES if name.endswith("csv")}))
    for section in plain.sections:
        assert odd.arrays[section].equals(plain.arrays[section])
    assert (odd.raw["line"].to_numpy() == plain.raw["line"].to_numpy()).all()
    assert not len(odd.set_aside)


@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_line_ends_of_the_settings(end: str, tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path, {"tunnel.toml": "\ufeff" + TOML.replace("\n", end)}))
    assert job.settings == read_job(write_job(tmp_path / "plain")).settings


def test_quoted_notes_with_commas_and_line_ends(tmp_path: Path) -> None:
    events = "time,section,prism,event,note\n"
    events += '2031-05-10T00:00:00Z,A,,ring closed,"first, then\nsecond ""so"" said"\n'
    events += "2031-05-11T00:00:00Z,B,,ring closed,plain\n"
    job = read_job(write_job(tmp_path, {"events.csv": events}))
    assert [(event.section, event.note, event.line) for event in job.folder.events] == [
        ("A", 'first, then\nsecond "so" said', 2),
        ("B", "plain", 4),
    ]


def test_quotation_mark_that_is_not_closed_costs_one_row(tmp_path: Path) -> None:
    """Left to itself it would swallow the rows up to the next mark, or to the end of the file."""
    lines = READINGS.splitlines()
    for number in (40, 120):
        lines[number] = lines[number].replace(",A-", ',"A-').replace(",B-", ',"B-').replace(",C-", ',"C-')
    job = read_job(write_job(tmp_path, {"readings.csv": "\n".join(lines) + "\n"}))
    assert job.set_aside[["line", "reason"]].to_numpy().tolist() == [
        [41, "broken quotes"],
        [121, "broken quotes"],
    ]
    assert len(job.raw) == len(lines) - 1 - 2


def test_files_made_by_file_managers_are_not_read(tmp_path: Path) -> None:
    job = read_job(
        write_job(tmp_path, {"readings/._1.csv": b"\0\1", "readings/~$2.csv": b"\0", "readings/notes.txt": "x"})
    )
    assert len(job.raw) == len(READINGS.splitlines()) - 1
    assert any("._1.csv" in remark and "notes.txt" in remark for remark in job.folder.remarks)


def test_line_with_a_replaced_value_is_set_aside_with_the_value(tmp_path: Path) -> None:
    readings = with_line(READINGS, 10, READINGS.splitlines()[9].rsplit(",", 1)[0] + ",3.5 mm")
    job = read_job(write_job(tmp_path, {"readings.csv": readings}))
    assert job.set_aside[["file", "line", "reason", "detail"]].to_numpy().tolist() == [
        ["readings.csv", 10, "unparseable number", "settlement_mm = 3.5 mm"]
    ]
