"""The same numbers whatever the order of files and rows, the number of processes, the locale and the time zone.

Two runs agree to 1e-9 of the value, which leaves room for sums in another order and for nothing else.
"""

from __future__ import annotations

import locale
import random
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import convergence as cv
from convergence.triggers.outlook import Outlook
from tests.helpers import job_files, write_job

LIMIT = 1e-9
#: Two sections, each read on three prisms until then: enough for pooling, and quick.
AS_OF = "2031-05-20T00:00:00Z"
KEYS = ["section", "measure", "prisms"]


def small_files() -> dict[str, str]:
    """The files of the small job without its third section."""
    files = job_files()
    for name in ("prisms.csv", "readings.csv"):
        files[name] = "".join(line for line in files[name].splitlines(keepends=True) if "C-" not in line)
    return files


def shuffled(text: str, seed: int) -> tuple[str, list[str]]:
    """The head of a table, and its rows in another order."""
    head, *rows = text.splitlines()
    random.Random(seed).shuffle(rows)
    return head, rows


def mixed_files() -> dict[str, str | None]:
    """The same job with every table in another order and the readings in three files out of order."""
    files: dict[str, str | None] = dict(small_files())
    for name in ("prisms.csv", "advance.csv"):
        head, rows = shuffled(str(files[name]), 1)
        files[name] = "\n".join([head, *rows]) + "\n"
    head, rows = shuffled(str(files.pop("readings.csv")), 2)
    for number, name in enumerate(("z", "a", "m")):
        files[f"readings/{name}.csv"] = "\n".join([head, *rows[number::3]]) + "\n"
    return files


def written(folder: Path, files: dict[str, str | None] | dict[str, str]) -> Path:
    changes: dict[str, str | bytes | None] = dict.fromkeys(job_files())
    return write_job(folder, {**changes, **files})


def looked_at(folder: Path, processes: int = 1) -> Outlook:
    return cv.outlook(cv.read_job(folder, AS_OF), processes=processes)


def differences(one: pd.DataFrame, two: pd.DataFrame) -> list[str]:
    """Columns in which two outlooks differ, rows matched by section, measure and prisms."""
    one, two = (table.sort_values(KEYS, ignore_index=True) for table in (one, two))
    assert one[KEYS].equals(two[KEYS])
    found = []
    for name in one.columns:
        if one[name].dtype.kind == "f":
            same = np.allclose(one[name], two[name], rtol=LIMIT, atol=LIMIT, equal_nan=True)
        else:
            same = one[name].tolist() == two[name].tolist()
        found += [] if same else [name]
    return found


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """The outlook of the small job."""
    table = looked_at(written(tmp_path_factory.mktemp("first") / "job", small_files())).table
    assert np.isfinite(table["final"]).all(), "all is compared, and nothing is empty"
    return table


@pytest.fixture
def elsewhere(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A time zone with half hours, and a locale that writes commas where the system has one."""
    monkeypatch.setenv("TZ", "Asia/Kolkata")
    time.tzset()
    before = locale.setlocale(locale.LC_ALL)
    for name in ("de_DE.UTF-8", "fr_FR.UTF-8", "de_CH.UTF-8", "C"):
        try:
            locale.setlocale(locale.LC_ALL, name)
            break
        except locale.Error:
            continue
    yield
    locale.setlocale(locale.LC_ALL, before)
    monkeypatch.undo()
    time.tzset()


def test_the_comparison_can_fail(first: pd.DataFrame) -> None:
    moved = first.copy()
    moved.loc[0, "final"] *= 1.0 + 3e-9
    moved.loc[1, "reason"] = "another"
    assert differences(first, moved) == ["final", "reason"]


def test_order_of_files_and_rows_locale_and_time_zone(first: pd.DataFrame, tmp_path: Path, elsewhere: None) -> None:
    assert differences(first, looked_at(written(tmp_path / "job", mixed_files())).table) == []


def test_number_of_processes(first: pd.DataFrame, tmp_path: Path) -> None:
    assert differences(first, looked_at(written(tmp_path / "job", small_files()), processes=2).table) == []
