"""Numbers read at once are those of the careful way to the last bit, and any odd row goes the careful way."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from convergence.job.account import Account
from convergence.job.tables import Table, numbers, read_table

NAMES = ("easting", "northing", "elevation")
HEAD = "time,prism,easting_m,northing_m,elevation_m\n"


def read(folder: Path, body: str, numeric: tuple[str, ...]) -> Table:
    (folder / "readings.csv").write_text(HEAD + body, encoding="utf-8")
    faults: list[object] = []
    table = read_table(
        folder / "readings.csv", "readings.csv", ("time", "prism"), NAMES, (), (), faults, Account(), [], None, numeric
    )  # type: ignore[arg-type]
    assert not faults
    assert table is not None
    return table


def test_numbers_and_their_text_are_the_same_either_way(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    pairs = zip(rng.normal(0, 5e5, 3000), rng.integers(0, 13, 3000), strict=True)
    values = [f"{value:.{digits}f}" for value, digits in pairs]
    values[:6] = ["1e-3", "+7.25", "-0", " 12.5 ", "0.1e1", "123456789.123456789123456789"]
    rows = "".join(f"2031-05-08T00:00:00Z,A,{','.join(values[at : at + 3])}\n" for at in range(0, 3000, 3))
    quick, careful = read(tmp_path, rows, NAMES), read(tmp_path, rows, ())
    assert set(quick.values) == {f"{name}_m" for name in NAMES}
    assert not careful.values
    for name in NAMES:
        assert quick.measured(name)[1].tobytes() == careful.measured(name)[1].tobytes()
        assert quick.measured_text(name)[1].tolist() == careful.measured_text(name)[1].tolist()
    assert quick.text("time").tolist() == careful.text("time").tolist()
    np.testing.assert_array_equal(quick.line, careful.line)


@pytest.mark.parametrize("odd", ["", "nan", "inf", "1,5", "x", "1e400", '"1.0"', "0x10", "1_0", "True", "12.5 m"])
def test_one_odd_field_sends_the_file_the_careful_way(odd: str, tmp_path: Path) -> None:
    rows = f"2031-05-08T00:00:00Z,A,1.0,2.0,3.0\n2031-05-08T01:00:00Z,A,{odd},2.0,3.0\n"
    table = read(tmp_path, rows, NAMES)
    assert not table.values
    if len(table) == 2:
        found, parsed = numbers(table.measured_text("easting")[1])
        assert table.measured("easting")[1].tobytes() == found.tobytes()
        assert table.measured("easting")[2].tolist() == parsed.tolist()
