"""Every row is accounted for: on the sample, on jobs damaged at random, and whatever the order of rows and
files.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError
from convergence.job.account import REASONS, Account, told_once
from convergence.survey.job import Job, read_job
from tests.helpers import job_files, write_job

SAMPLE = Path(__file__).parents[2] / "sample_data" / "ridge_tunnel"
SURVEY_REASONS = ("before the face", "before the zero reading", "spike", "outside the alignment")


def data_rows(path: Path) -> int:
    """Rows of a table without the header and without blank lines."""
    return sum(bool(line.strip()) for line in path.read_text(encoding="utf-8").splitlines()[1:])


def check_balance(job: Job) -> None:
    """Rows read are rows used and rows set aside, by file, and the readings used are those of the arrays."""
    table, aside = job.account.table, job.set_aside
    assert (table["read"] == table["used"] + table["set_aside"] + table["later_than_as_of"]).all()
    assert len(aside) == table["set_aside"].sum() + table["later_than_as_of"].sum()
    assert not aside.duplicated(["file", "line"]).any()
    assert set(aside["reason"]) <= set(REASONS)
    files = set(job.folder.files)
    readings = table[table["file"].isin(files)]
    survey = aside[aside["reason"].isin(SURVEY_REASONS)]
    used = sum(int(array["used"].sum()) for array in job.arrays.values())
    assert used == len(job.raw) - len(survey)
    assert used == readings["used"].sum()
    rounds = sum(len(log) for log in job.folder.advance.values())
    assert rounds == int(table.loc[table["file"] == "advance.csv", "used"].iloc[0])
    # each row of an array is a row of the raw readings, and no raw reading stands in two places
    rows = np.concatenate([array["row"].values.ravel() for array in job.arrays.values()])
    rows = rows[rows >= 0]
    assert len(rows) == len(np.unique(rows)) == len(job.raw)
    for array in job.arrays.values():
        used_here = array["used"].values
        assert np.isfinite(array["movement"].values[used_here]).all()
        assert np.isnan(array["movement"].values[~used_here]).all()


def test_sample_balances() -> None:
    job = read_job(SAMPLE)
    check_balance(job)
    table = job.account.table.set_index("file")
    for file in ("prisms.csv", "advance.csv", "events.csv", *job.folder.files):
        assert table.loc[file, "read"] == data_rows(SAMPLE / file)


def test_small_job_uses_all(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path))
    check_balance(job)
    assert not len(job.set_aside)
    assert len(job.raw) == data_rows(tmp_path / "readings.csv")


def test_raw_readings_stay_as_they_stand_in_the_files(tmp_path: Path) -> None:
    job = read_job(write_job(tmp_path))
    lines = (tmp_path / "readings.csv").read_text().splitlines()
    raw = job.raw
    for line, prism, *values in zip(raw["line"], raw["prism"], raw["a"], raw["b"], raw["c"], strict=True):
        fields = lines[int(line) - 1].split(",")
        assert [float(value) for value in fields[2:]] == values
        assert job.folder.prisms[int(prism)].name == fields[1]


def test_account_copies_and_refuses_unknown_reasons() -> None:
    account = Account()
    account.add_file("a.csv", 3)
    copy = account.copy()
    copy.set_aside("a.csv", [2, 3], "spike")
    assert account.table["used"].tolist() == [3]
    assert copy.table["used"].tolist() == [1]
    with pytest.raises(KeyError):
        copy.set_aside("a.csv", 4, "do not like it")


def damaged(text: bytes, rng: random.Random) -> bytes:
    """A file with one to six random wounds: bytes, rows, fields."""
    data = bytearray(text)
    for _ in range(rng.randint(1, 6)):
        lines = bytes(data).split(b"\n")
        at = rng.randrange(len(lines))
        kind = rng.randrange(9)
        if kind == 0 and data:
            data[rng.randrange(len(data))] = rng.randrange(256)
            continue
        if kind == 1:
            data[rng.randrange(len(data) + 1) : rng.randrange(len(data) + 1)] = rng.randbytes(rng.randint(0, 3))
            continue
        if kind == 2:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif kind == 3:
            lines.pop(at)
        elif kind == 4:
            fields = lines[at].split(b",")
            words = (
                b"nan",
                b"-inf",
                b"1e400",
                b"1e300",
                b'"',
                b"",
                b"x",
                b"-1",
                b"2031-05-06T00:00:00",
                b"9999-01-01T00:00Z",
                b"0",
            )
            fields[rng.randrange(len(fields))] = rng.choice(words)
            lines[at] = b",".join(fields)
        elif kind == 5:
            lines[at] = b",".join(reversed(lines[at].split(b",")))
        elif kind == 6:
            lines[at] = lines[at] + rng.choice([b",", b",1", b'"', b";", b"\r", b"\t"])
        elif kind == 7:
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        else:
            lines[at] = lines[at].replace(b"31-0", rng.choice([b"21-0", b"31-1", b"41-0", b"30-0"]))
        data = bytearray(b"\n".join(lines))
    return bytes(data)


@pytest.mark.parametrize("seed", range(80))
def test_damaged_job_reads_or_says_why(seed: int, tmp_path: Path) -> None:
    """Seeded damage to one or more files: a job that balances or a ``JobError``, never anything else."""
    rng = random.Random(seed)
    form = rng.choice(["movements", "coordinates"])
    files = {name: text.encode() for name, text in job_files(form).items()}
    files["events.csv"] = (
        b"time,section,prism,event,note\n2031-05-12T00:00:00Z,A,A-CR,prism replaced,knocked\n"
        b'2031-05-13T00:00:00Z,B,,ring closed,"a note, quoted"\n2031-05-08T00:00:00Z,A,,zero reading,\n'
    )
    # the readings take most of the damage, for most of what can go wrong by the row is theirs
    for name in ["readings.csv", *rng.sample(sorted(files), rng.randint(0, 2))]:
        files[name] = damaged(files[name], rng)
    folder = write_job(tmp_path, files, form)
    as_of = rng.choice([None, None, "2031-05-14T06:00:30Z"])
    try:
        job = read_job(folder, as_of)
    except JobError as error:
        told = str(error)
        if not error.faults or "To mend" not in told:
            pytest.fail(f"an error without a way out: {told}")
        return
    check_balance(job)
    assert repr(job)
    assert job._repr_html_()


def split_and_shuffle(text: str, parts: int, seed: int) -> dict[str, str | bytes | None]:
    """The rows of a readings file in other orders and several files."""
    header, *rows = text.splitlines()
    random.Random(seed).shuffle(rows)
    pieces = [rows[number::parts] for number in range(parts)]
    return {f"readings/{number}.csv": "\n".join([header, *piece]) + "\n" for number, piece in enumerate(pieces)}


@pytest.mark.parametrize("parts", [1, 3])
def test_order_of_rows_and_files_does_not_matter(parts: int, tmp_path: Path) -> None:
    files = job_files("coordinates")
    events = "time,section,prism,event\n2031-05-12T00:00:00Z,A,A-CR,prism replaced\n"
    events += "2031-05-13T00:00:00Z,B,,ring closed\n"
    readings = files["readings.csv"] + files["readings.csv"].splitlines()[30] + "\n"
    header, *rounds = files["advance.csv"].splitlines()
    random.Random(1).shuffle(rounds)
    plain = read_job(write_job(tmp_path / "plain", {"events.csv": events, "readings.csv": readings}, "coordinates"))
    shuffled = {
        "readings.csv": None,
        "events.csv": "\n".join([events.splitlines()[0], *reversed(events.splitlines()[1:])]) + "\n",
        "advance.csv": "\n".join([header, *rounds]) + "\n",
        **split_and_shuffle(readings, parts, parts),
    }
    other = read_job(write_job(tmp_path / "other", shuffled, "coordinates"))
    for section in plain.sections:
        assert other.arrays[section].equals(plain.arrays[section])
    assert repr(other.findings) == repr(plain.findings)
    columns = ["reason", "detail", "section", "prism", "time"]
    assert other.set_aside[columns].equals(plain.set_aside[columns])
    for stage, log in plain.folder.advance.items():
        assert (other.folder.advance[stage].time == log.time).all()
        assert (other.folder.advance[stage].chainage == log.chainage).all()


def test_order_does_not_matter_on_the_sample(tmp_path: Path) -> None:
    """All months in one file, rows shuffled: the same arrays and findings, faults and all."""
    folder = tmp_path / "job"
    folder.mkdir()
    for name in ("tunnel.toml", "prisms.csv", "advance.csv", "events.csv"):
        (folder / name).write_bytes((SAMPLE / name).read_bytes())
    texts = [path.read_text() for path in sorted((SAMPLE / "readings").glob("*.csv"))]
    rows = [row for text in texts for row in text.splitlines()[1:]]
    random.Random(7).shuffle(rows)
    (folder / "readings.csv").write_text("\n".join([texts[0].splitlines()[0], *rows]) + "\n")
    plain, other = read_job(SAMPLE), read_job(folder)
    for section in plain.sections:
        assert other.arrays[section].equals(plain.arrays[section])
    assert repr(other.findings) == repr(plain.findings)
    assert sorted(other.set_aside["reason"]) == sorted(plain.set_aside["reason"])


def test_rows_alike_are_told_once_with_their_number() -> None:
    account = Account()
    account.add_file("one.csv", 60)
    time = np.datetime64("2031-05-05T00:00", "ns") + np.arange(50) * np.timedelta64(6, "h")
    account.set_aside("one.csv", np.arange(2, 52), "outside the alignment", "", "A", "A-CR", time)
    account.set_aside("one.csv", [60], "outside the alignment", "", "A", "A-LW", time[-1:])
    told = told_once(account.rows_set_aside)
    found = told[["prism", "line", "count", "last_line"]].to_numpy().tolist()
    assert found == [["A-CR", 2, 50, 51], ["A-LW", 60, 1, 60]]
    assert told["last_time"].to_numpy()[0] == time[-1]
