"""Rows read from the bytes of a file are those of ``pandas.read_csv`` to the last bit; odd ones are left to it."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from convergence.job.plain_rows import PIECE, PlainRows, plain_rows
from convergence.job.reading import read_folder
from convergence.survey.job import read_job
from tests.bench.speed_drive import write_drive

HEAD = "time,prism,easting_m,northing_m,elevation_m\n"


def found(body: str) -> PlainRows | None:
    return plain_rows((HEAD + body).encode(), 5, [2, 3, 4], 0, 1)


def random_rows(count: int, offset: str) -> str:
    """Rows with numbers of every length that is plain, days over four centuries and names of one to thirty bytes."""
    rng = np.random.default_rng(11)
    first, last = (np.datetime64(day, "s").astype(np.int64) for day in ("1800-01-01", "2199-12-30"))
    times = np.datetime_as_string(rng.integers(first, last, count).astype("datetime64[s]"))
    names = ["Å-" + "n" * int(size) + str(int(number)) for size, number in rng.integers(0, 27, (count, 2))]
    rows = []
    for time, name in zip(times, names, strict=True):
        numbers = []
        for digits, whole in zip(rng.integers(1, 9, 3), rng.integers(1, 8, 3), strict=True):
            sign = "-" if rng.random() < 0.3 else ""
            part = "".join(map(str, rng.integers(0, 10, digits)))
            numbers.append(f"{sign}{rng.integers(0, 10**whole)}.{part}")
        rows.append(f"{time}{offset},{name},{','.join(numbers)}\n")
    return "".join(rows)


@pytest.mark.parametrize("offset", ["Z", "+02:00", "-13:59"])
def test_plain_rows_are_those_of_pandas_bit_for_bit(offset: str) -> None:
    body = random_rows(4000, offset)
    plain = found(body)
    assert plain is not None
    table = pd.read_csv(io.StringIO(HEAD + body))
    for column, name in enumerate(table.columns[2:], 2):
        assert plain.numbers[column].tobytes() == table[name].to_numpy().tobytes()
    # no nanoseconds for years that pandas would take for it: seconds are compared
    instants = pd.to_datetime(table["time"], utc=True, format="ISO8601").dt.tz_localize(None).to_numpy()
    assert (plain.instants.astype("datetime64[s]") == instants.astype("datetime64[s]")).all()
    assert [plain.names[code] for code in plain.codes] == table["prism"].tolist()


def test_several_pieces_are_one_table() -> None:
    body = random_rows(2000, "Z") * 12
    assert len(body) > PIECE
    whole, part = found(body), found(body[: len(body) // 12])
    assert whole is not None
    assert part is not None
    assert len(whole) == 12 * len(part)
    assert whole.names == part.names
    for column in (2, 3, 4):
        assert whole.numbers[column].tobytes() == 12 * part.numbers[column].tobytes()


ROW = "2031-05-08T06:10:00Z,A,1.0,2.0,3.0\n"


@pytest.mark.parametrize(
    "odd",
    [
        ROW.replace("1.0", "1"), ROW.replace("1.0", "1e0"), ROW.replace("1.0", "+1.0"), ROW.replace("1.0", "1.0.0"),
        ROW.replace("1.0", " 1.0"), ROW.replace("1.0", "1."), ROW.replace("1.0", ".5"), ROW.replace("1.0", "1.a"),
        ROW.replace("1.0", "1.123456789"), ROW.replace("1.0", "12345678.12345678"), ROW.replace("1.0", '"1.0"'),
        ROW.replace("1.0", "1,0"), ROW.replace("1.0,", ""), ROW.replace("2031-05", "2031-02-3"), "\n", ",,,,\n",
        ROW.replace("05-08", "02-29"), ROW.replace("05-08", "13-08"), ROW.replace("05-08", "00-08"),
        ROW.replace("06:10", "24:00"), ROW.replace("06:10", "06:60"), ROW.replace("10:00Z", "10:60Z"),
        ROW.replace("Z", ""), ROW.replace("Z", "z"), ROW.replace("T", " "), ROW.replace("Z", "+14:30"),
        ROW.replace("2031", "1799"), ROW.replace("2031", "2200"), ROW.replace("2031", "2O31"),
        ROW.replace("\n", "\r\n"), ROW.replace("00Z", "00.5Z"), ROW.replace("A", "A\0"),
    ],
)  # fmt: skip
def test_one_odd_row_leaves_the_file_to_the_careful_way(odd: str) -> None:
    assert found(ROW + ROW) is not None
    assert found(ROW + odd + ROW) is None


def test_what_is_left_out_of_a_header_alone_or_nothing() -> None:
    assert plain_rows(b"", 5, [2, 3, 4], 0, 1) is None
    assert plain_rows(HEAD.encode(), 5, [2, 3, 4], 0, 1) is None
    last = found(ROW + ROW.rstrip("\n"))
    assert last is not None
    assert len(last) == 2


def test_a_folder_read_for_several_dates_is_parsed_once_and_the_same(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    write_drive(folder, 3, 60, prisms=3)
    parsed: dict[str, PlainRows] = {}
    whole = read_job(folder)
    for share in (0.4, 0.8):
        date = whole.instant(whole.days(whole.now) * share)
        with_it, without = read_job(folder, date, parsed), read_job(folder, date)
        pd.testing.assert_frame_equal(with_it.raw, without.raw)
        pd.testing.assert_frame_equal(with_it.set_aside, without.set_aside)
        assert with_it.findings == without.findings
        assert with_it.folder.fingerprint == without.folder.fingerprint
    files = sorted((folder / "readings").glob("*.csv"))
    assert len(parsed) == len(files)
    # a file that has changed is parsed again
    lines = files[0].read_text().splitlines(keepends=True)
    files[0].write_text("".join(lines[:-1]))
    assert len(read_folder(folder, None, parsed).readings) == len(whole.raw) - 1
    assert len(parsed) == len(files) + 1
