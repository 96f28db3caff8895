"""Broken job folders: each gives a ``JobError`` that names the place, the value, what was expected and the way out."""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from convergence.errors import JobError
from convergence.survey.job import read_job
from tests.helpers import edited, job_files, settings_text, with_line, write_job

FILES = job_files()
COORDINATES = job_files("coordinates")
TOML, PRISMS, ADVANCE, READINGS = (FILES[name] for name in ("tunnel.toml", "prisms.csv", "advance.csv", "readings.csv"))


def toml(*changes: tuple[str, str]) -> dict[str, str | bytes | None]:
    return {"tunnel.toml": edited(TOML, *changes)}


def prisms(*changes: tuple[str, str]) -> dict[str, str | bytes | None]:
    return {"prisms.csv": edited(PRISMS, *changes)}


def column(text: str, number: int, value: str) -> str:
    """A table with every value of one column replaced."""
    rows = [line.split(",") for line in text.splitlines()]
    return "\n".join(",".join([*row[:number], value, *row[number + 1 :]]) for row in rows[1:]).join([rows_head(text), ""]) + "\n"


def rows_head(text: str) -> str:
    return text.splitlines()[0] + "\n"


@dataclass(frozen=True)
class Case:
    """One broken folder: what is changed, and what the message must say.

    ``place`` is "file", "file:line" or "file:line, column" as it must begin; ``value`` and ``says`` must stand in it.
    """

    changes: dict[str, str | bytes | None]
    place: str
    value: str = ""
    says: tuple[str, ...] = ()
    form: str = "movements"


SWAPPED = ADVANCE.replace("heading", "?").replace("bench", "heading").replace("?", "bench")
NO_OFFSET = READINGS.replace("+02:00", "")
EARLY = READINGS.replace("2031-05", "2031-04")
LEVELS = '[{name = "attention", value_mm = 20.0}, {name = "alarm", value_mm = 30.0}]'

CASES: dict[str, Case] = {
    # files that are not there, or not what their name says
    "no settings": Case({"tunnel.toml": None}, "tunnel.toml", says=("settings file tunnel.toml", "add the file")),
    "no prisms": Case({"prisms.csv": None}, "prisms.csv", says=("the file prisms.csv", "chainage_m")),
    "no advance": Case({"advance.csv": None}, "advance.csv", says=("the file advance.csv",)),
    "no readings": Case({"readings.csv": None}, "readings.csv", says=("readings/*.csv",)),
    "empty file": Case({"readings.csv": ""}, "readings.csv:1", says=("the file is empty", "export the file again")),
    "empty prisms": Case({"prisms.csv": ""}, "prisms.csv:1", says=("empty",)),
    "empty advance": Case({"advance.csv": ""}, "advance.csv:1", says=("empty",)),
    "only newlines": Case({"readings.csv": "\n\n\n\r\n"}, "readings.csv:1", says=("empty",)),
    "only a mark of byte order": Case({"prisms.csv": b"\xef\xbb\xbf\n"}, "prisms.csv:1", says=("empty",)),
    "empty settings": Case({"tunnel.toml": ""}, "tunnel.toml:1", says=("empty",)),
    "header only": Case({"readings.csv": rows_head(READINGS)}, "readings.csv", says=("usable reading", "no rows")),
    "prisms header only": Case({"prisms.csv": rows_head(PRISMS)}, "prisms.csv:1", says=("at least one prism",)),
    "advance header only": Case({"advance.csv": rows_head(ADVANCE)}, "advance.csv", says=("usable round", "no rows")),
    "binary": Case({"readings.csv": bytes(range(256)) * 40}, "readings.csv:1", r"\\x00", ("UTF-8 text", "spreadsheet")),
    "spreadsheet": Case({"prisms.csv": b"PK\x03\x04" + b"x" * 99}, "prisms.csv:1", "PK", ("spreadsheet",)),
    "utf-16": Case({"readings.csv": READINGS.encode("utf-16")}, "readings.csv:1", r"\\xff", ("UTF-8",)),
    "utf-16 without mark": Case({"readings.csv": READINGS.encode("utf-16-le")}, "readings.csv:1", r"\\x00", ("UTF-16",)),
    "latin-1": Case(
        {"prisms.csv": PRISMS.replace("left wall", "linke Ulme, süd".replace(",", "")).encode("latin-1")},
        "prisms.csv:3", r"\\xfc", ("UTF-8 text", "save the file as UTF-8"),
    ),
    "latin-1 settings": Case({"tunnel.toml": TOML.replace("Invented", "Süd").encode("latin-1")}, "tunnel.toml:2", r"\\xfc"),
    "latin-1 far below": Case(
        {"readings.csv": READINGS.encode() + "2031-05-20T00:00:00+02:00,Süd,1,1,1\n".encode("latin-1")},
        f"readings.csv:{len(READINGS.splitlines()) + 1}", r"\\xfc",
    ),
    "nul in the middle": Case({"readings.csv": READINGS[:5000] + "\0" + READINGS[5000:]}, "readings.csv:112", r"\\x00"),
    "nul far below": Case(
        {"readings.csv": READINGS * 6 + "\0" + READINGS}, f"readings.csv:{6 * len(READINGS.splitlines()) + 1}", "NUL byte"
    ),
    "nul in settings": Case({"tunnel.toml": TOML + "\0"}, "tunnel.toml", "", ("UTF-8",)),
    "header of 64 KiB": Case({"readings.csv": "time," * 20000}, "readings.csv:1", "time", ("header line of at most 65536",)),
    "semicolons": Case({"readings.csv": READINGS.replace(",", ";")}, "readings.csv:1", "time;prism", ("commas",)),
    "tabs": Case({"advance.csv": ADVANCE.replace(",", "\t")}, "advance.csv:1", r"\t", ("commas",)),
    "decimal commas": Case(
        {"advance.csv": ADVANCE.replace(".0\n", ",5\n")}, "advance.csv:2", "too many fields", ("3", "points in decimals")
    ),
    # columns
    "missing column": Case(
        {"readings.csv": edited(READINGS, (",prism,", ",target,"))}, "readings.csv:1, prism", says=("a column prism", "add")
    ),
    "misspelt column": Case({"prisms.csv": edited(PRISMS, ("section", "sectoin"))}, "prisms.csv:1, section", says=("rename",)),
    "no unit": Case({"advance.csv": edited(ADVANCE, ("chainage_m", "chainage"))}, "advance.csv:1, chainage", "chainage", ("_ftUS",)),
    "unknown unit": Case({"advance.csv": edited(ADVANCE, ("chainage_m", "chainage_yd"))}, "advance.csv:1, chainage", "chainage_yd"),
    "unknown unit of a reading": Case(
        {"readings.csv": edited(READINGS, ("settlement_mm", "settlement_cm"))}, "readings.csv:1, settlement_mm", "settlement_cm"
    ),
    "two units": Case(
        {"advance.csv": "\n".join(f"{line},{'chainage_ft' if not n else 300}" for n, line in enumerate(ADVANCE.splitlines()))},
        "advance.csv:1, chainage", "chainage_m, chainage_ft", ("one unit",),
    ),
    "column twice": Case({"prisms.csv": edited(PRISMS, ("position", "section"))}, "prisms.csv:1, section", "section", ("once",)),
    "both forms": Case(
        {"readings.csv": edited(READINGS, ("longitudinal_mm", "easting_m"))}, "readings.csv:1", "easting_m", ("split the file",)
    ),
    "half a form": Case({"readings.csv": edited(READINGS, ("settlement_mm", "note"))}, "readings.csv:1, settlement_mm", "transverse_mm"),
    "no form": Case({"readings.csv": "time,prism\n2031-05-10T00:00:00Z,A-CR\n"}, "readings.csv:1", says=("easting", "settlement_mm")),
    "coordinates without alignment": Case(
        {"readings.csv": COORDINATES["readings.csv"]}, "readings.csv:1, easting_m", "coordinates", ("[[alignment]]",)
    ),
    # prisms
    "prism twice": Case(prisms(("A-LW", "A-CR")), "prisms.csv:3, prism", "A-CR", ("line 2", "rename")),
    "nan in prisms": Case(prisms(("112.0", "nan")), "prisms.csv:5, chainage_m", "nan", ("finite number",)),
    "text in prisms": Case(prisms(("112.0", "112 m")), "prisms.csv:5, chainage_m", "112 m", ("finite number",)),
    "prism without section": Case(prisms(("A-LW,A,", "A-LW,,")), "prisms.csv:3, section", says=("name of the section",)),
    "short row in prisms": Case(prisms(("B-CR,B,crown,112.0,0.0,7.0", "B-CR,B,crown")), "prisms.csv:5", "too few", ("correct the row",)),
    "prism 100 m from its section": Case(
        prisms(("A-RW,A,right wall,100.0", "A-RW,A,right wall,200.0")), "prisms.csv:4, chainage", "200.00 m", ("section A", "within 5 m")
    ),
    "offset in millimetres": Case(prisms((",-5.0,", ",-5000,")), "prisms.csv:3, offset_m", "-5000", ("200 m", "unit")),
    "chainage off the alignment": Case(
        {"prisms.csv": PRISMS.replace("124.0", "1124.0")}, "prisms.csv:8, chainage", "1124.00 m", ("50.00 to 190.00 m",), "coordinates"
    ),
    # advance
    "stages swapped": Case({"advance.csv": SWAPPED}, "advance.csv:", "bench", ("behind heading", "exchange the two")),
    "unknown stages": Case({"advance.csv": ADVANCE.replace("heading", "top")}, "advance.csv:2, stage", "top", ("heading, bench",)),
    "advance off the alignment": Case(
        {"advance.csv": edited(COORDINATES["advance.csv"], ("chainage_m", "chainage_in"))},
        "advance.csv, chainage", "", ("50.00 to 190.00 m", "unit"), "coordinates",
    ),
    "advance without offset": Case({"advance.csv": ADVANCE.replace("+02:00", "")}, "advance.csv:2, time", "2031-05-05T02", ("offset",)),
    "advance of text": Case({"advance.csv": column(ADVANCE, 2, "far")}, "advance.csv:2, chainage_m", "far", ("finite number",)),
    # readings
    "no offset": Case({"readings.csv": NO_OFFSET}, "readings.csv:2, time", "2031-05-07T17:00:00", ("offset or Z", "export the times")),
    "dates as numbers": Case({"readings.csv": column(READINGS, 0, "48000.25")}, "readings.csv:2, time", "48000.25", ("ISO 8601",)),
    "all nan": Case({"readings.csv": column(READINGS, 4, "nan")}, "readings.csv:2, settlement_mm", "nan", ("finite",)),
    "all text": Case({"readings.csv": column(READINGS, 4, "no target")}, "readings.csv:2, settlement_mm", "no target"),
    "all infinite": Case({"readings.csv": column(READINGS, 4, "1e400")}, "readings.csv:2, settlement_mm", "1e400"),
    "unknown prisms only": Case({"readings.csv": column(READINGS, 1, "Z-9")}, "readings.csv:2", says=("usable reading", "279 no such prism")),
    "before the face only": Case({"readings.csv": EARLY}, "readings.csv:2", "A-CR", ("usable reading", "before the face")),
    "of another tube": Case(
        {"readings.csv": COORDINATES["readings.csv"].replace(",2", ",9")}, "readings.csv:2", "", ("outside the alignment",), "coordinates"
    ),
    # events
    "unknown prism in events": Case(
        {"events.csv": "time,section,prism,event\n2031-05-10T00:00:00Z,A,A-XX,prism replaced\n"}, "events.csv:2, prism", "A-XX"
    ),
    "unknown section in events": Case(
        {"events.csv": "time,section,prism,event\n2031-05-10T00:00:00Z,Q,,ring closed\n"}, "events.csv:2, section", "Q", ("section of prisms",)
    ),
    "prism of another section in events": Case(
        {"events.csv": "time,section,prism,event\n2031-05-10T00:00:00Z,B,A-CR,prism replaced\n"}, "events.csv:2, section", "B", ("section A",)
    ),
    # settings
    "no toml": Case({"tunnel.toml": TOML + "[oops\n"}, f"tunnel.toml:{len(TOML.splitlines()) + 1}", "[oops", ("TOML",)),
    "deep toml": Case({"tunnel.toml": "a = " + "[" * 30000 + "]" * 30000 + "\n"}, "tunnel.toml", says=("TOML",)),
    "huge whole number": Case(toml(("horizon_days = 365", "horizon_days = 1" + "0" * 400)), "tunnel.toml:18, projection.horizon_days", "1000"),
    "whole number of 5000 digits": Case(toml(("horizon_days = 365", "horizon_days = 1" + "0" * 5000)), "tunnel.toml", says=("TOML",)),
    "no tunnel": Case({"tunnel.toml": TOML[TOML.index("[[stage]]") :]}, "tunnel.toml, tunnel", says=("a table [tunnel]", "width_m")),
    "tunnel is a number": Case({"tunnel.toml": "tunnel = 5\n"}, "tunnel.toml:1, tunnel", "5", ("a table [tunnel]",)),
    "no width": Case(toml(("width_m = 11.0\n", "")), "tunnel.toml:1, tunnel.width_m", says=("a length width", "add width_m")),
    "negative width": Case(toml(("width_m = 11.0", "width_m = -11.0")), "tunnel.toml:3, tunnel.width_m", "-11.0", ("0.5 to 60 m",)),
    "width without unit": Case(toml(("width_m", "width")), "tunnel.toml:3, tunnel.width", "11.0", ("unit in the key",)),
    "width in quotes": Case(toml(("width_m = 11.0", 'width_m = "11"')), "tunnel.toml:3, tunnel.width_m", "11", ("finite number", "quotes")),
    "width is true": Case(toml(("width_m = 11.0", "width_m = true")), "tunnel.toml:3, tunnel.width_m", "True", ("finite number",)),
    "width is nan": Case(toml(("width_m = 11.0", "width_m = nan")), "tunnel.toml:3, tunnel.width_m", "nan", ("finite number",)),
    "width in two units": Case(toml(("width_m = 11.0", "width_m = 11.0\nwidth_ft = 36.0")), "tunnel.toml:4, tunnel.width_ft", "36.0", ("one unit",)),
    "drive": Case(toml(("up-chainage", "forwards")), "tunnel.toml:5, tunnel.drive", "forwards", ("up-chainage, down-chainage",)),
    "drive is true": Case(toml(('"up-chainage"', "true")), "tunnel.toml:5, tunnel.drive", "True"),
    "time zone": Case(toml(("Etc/GMT-2", "../../etc/passwd")), "tunnel.toml:6, tunnel.time_zone", "passwd", ("IANA",)),
    "horizon 0": Case(toml(("horizon_days = 365", "horizon_days = 0")), "tunnel.toml:18, projection.horizon_days", "0", ("1 to 40000",)),
    "confidence in per cent": Case(toml(("confidence = 0.9", "confidence = 90")), "tunnel.toml:19, projection.confidence", "90", ("0.90 for 90 %",)),
    "stage twice": Case(toml(('name = "bench"', 'name = "heading"')), "tunnel.toml:13, stage.name", "heading", ("once",)),
    "stage follows itself": Case(
        toml(('follows = "heading"', 'follows = "bench"')), "tunnel.toml:15, stage.follows", "bench", ("bench -> bench", "nobody")
    ),
    "stages in a circle": Case(
        toml(("share = 0.6", 'share = 0.6\nfollows = "bench"')), "tunnel.toml:11, stage.follows", "bench", ("heading -> bench -> heading",)
    ),
    "follows an unknown stage": Case(toml(('follows = "heading"', 'follows = "top"')), "tunnel.toml:15, stage.follows", "top", ("heading, bench",)),
    "shares above one": Case(toml(("share = 0.4", "share = 0.7")), "tunnel.toml:10, stage.share", "1.3", ("at most 1",)),
    "unknown measure": Case(toml(('"settlement"', '"tilt"')), "tunnel.toml:22, trigger.measure", "tilt", ("settlement, transverse",)),
    "unknown datum": Case(
        toml(('measure = "settlement"', 'measure = "settlement"\nsince = "Monday"')), "tunnel.toml:23, trigger.since", "Monday", ("excavation",)
    ),
    "levels unsorted": Case(toml((LEVELS, "[{value_mm = 30.0}, {value_mm = 20.0}]")), "tunnel.toml:23, trigger.levels", "[30.0, 20.0]", ("rising",)),
    "level without unit": Case(toml((LEVELS, "[{value = 30.0}]")), "tunnel.toml:23, trigger.levels.value_mm", "value", ("value_mm_per_day",)),
    "level zero": Case(toml((LEVELS, "[{value_mm = 0.0}]")), "tunnel.toml:23, trigger.levels.value_mm", "0.0", ("not zero",)),
    "levels of two kinds": Case(toml((LEVELS, "[{value_mm = 5.0}, {value_percent = 1.0}]")), "tunnel.toml:23, trigger.levels", "strain"),
    "levels missing": Case(toml((f"levels = {LEVELS}\n", "")), "tunnel.toml:21, trigger.levels", says=("at least one level",)),
    "levels no tables": Case(toml((LEVELS, "[20.0, 30.0]")), "tunnel.toml:23, trigger.levels", "20.0", ("list of tables",)),
    "confirm": Case(toml((LEVELS, LEVELS + '\nconfirm = "3 of 2"')), "tunnel.toml:24, trigger.confirm", "3 of 2", ("2 of 3",)),
    "confirm is true": Case(toml((LEVELS, LEVELS + "\nconfirm = true")), "tunnel.toml:24, trigger.confirm", "True"),
    "trigger for an unknown section": Case(
        toml((LEVELS, LEVELS + '\nsections = ["Q"]')), "tunnel.toml:21, trigger.sections", "Q", ("A, B, C",)
    ),
    "chord to an unknown position": Case(
        {"tunnel.toml": TOML + '[[chord]]\nfrom = "crown"\nto = "moon"\n'}, "tunnel.toml:24, chord.to", "moon", ("left wall",)
    ),
    "rest day": Case({"tunnel.toml": TOML + '[calendar]\nrest_days = ["Sonntag"]\n'}, "tunnel.toml:25, calendar.rest_days", "Sonntag"),
    "working hours": Case({"tunnel.toml": TOML + '[calendar]\nworking_hours = "6-22"\n'}, "tunnel.toml:25, calendar.working_hours", "6-22"),
    "stop without offset": Case(
        {"tunnel.toml": TOML + "[plan]\nstops = [{from = 2031-06-01T00:00:00, to = 2031-06-02T00:00:00Z}]\n"},
        "tunnel.toml:25, plan.stops.from", "2031-06-01", ("offset",),
    ),
    "stop in the year 1": Case(
        {"tunnel.toml": TOML + "[plan]\nstops = [{from = 0001-01-01T00:00:00+14:00, to = 2031-06-02T00:00:00Z}]\n"},
        "tunnel.toml:25, plan.stops.from", "0001-01-01", ("instant",),
    ),
    "alignment without length": Case(
        {"tunnel.toml": settings_text(alignment=True).replace("length_m = 80.0", "length_m = 0.0")},
        "tunnel.toml:35, alignment.length_m", "0.0", ("length from",), "coordinates",
    ),
    "radius 0": Case(
        {"tunnel.toml": settings_text(alignment=True).replace("radius_m = 150.0", "radius_m = 0")},
        "tunnel.toml:36, alignment.radius_m", "0", ("length from 10",), "coordinates",
    ),
    "profile falls back": Case(
        {"tunnel.toml": settings_text(alignment=True).replace("chainage_m = 190.0", "chainage_m = 10.0")},
        "tunnel.toml:44, profile.chainage_m", "10.0", ("rising chainage",), "coordinates",
    ),
}  # fmt: skip


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
    assert [fault.file for fault in fault_of(write_job(tmp_path, changes)).faults] == ["readings/1.csv", "readings/2.csv"]


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
    with pytest.raises(JobError, match="at least one usable r"):
        read_job(write_job(tmp_path), as_of="2031-01-01T00:00:00Z")


def test_one_prism_in_both_forms(tmp_path: Path) -> None:
    later = COORDINATES["readings.csv"].replace("2031-05", "2031-06")
    error = fault_of(write_job(tmp_path, {"readings.csv": None, "readings/1.csv": READINGS, "readings/2.csv": later}, "coordinates"))
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
    ids=["CRLF", "CR", "byte order mark", "blank lines", "no last line end", "trailing commas", "quotes", "blanks"],
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
    events = 'time,section,prism,event,note\n2031-05-10T00:00:00Z,A,,ring closed,"first, then\nsecond ""so"" said"\n'
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
    assert job.set_aside[["line", "reason"]].to_numpy().tolist() == [[41, "broken quotes"], [121, "broken quotes"]]
    assert len(job.raw) == len(lines) - 1 - 2


def test_files_made_by_file_managers_are_not_read(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path, {"readings/._1.csv": b"\0\1", "readings/~$2.csv": b"\0", "readings/notes.txt": "x"}))
    assert len(job.raw) == len(READINGS.splitlines()) - 1
    assert any("._1.csv" in remark and "notes.txt" in remark for remark in job.folder.remarks)


def test_line_with_a_replaced_value_is_set_aside_with_the_value(tmp_path: Path) -> None:
    readings = with_line(READINGS, 10, READINGS.splitlines()[9].rsplit(",", 1)[0] + ",3.5 mm")
    job = read_job(write_job(tmp_path, {"readings.csv": readings}))
    assert job.set_aside[["file", "line", "reason", "detail"]].to_numpy().tolist() == [
        ["readings.csv", 10, "unparseable number", "settlement_mm = 3.5 mm"]
    ]
