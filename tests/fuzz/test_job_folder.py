"""Whatever the bytes of a job folder, the reader answers with a job or with a clear error, and its account balances.

The usual run is a fixed few hundred jobs; ``-m study`` draws thousands of new ones.
"""

from __future__ import annotations

import pickle
import resource
import sys
import tempfile
import warnings
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from convergence.errors import JobError
from convergence.job.account import REASONS
from convergence.measures import measure_section
from convergence.report.check import check_text
from convergence.survey import Job, read_job
from tests.fuzz.nasty import JOBS, edited_jobs, replaced_jobs

#: A job of some hundred rows takes no longer [s] and no more memory [MB] than this, on a slow and busy machine.
LONGEST, MOST_MEMORY = 20.0, 1500.0

FIXED = settings(
    max_examples=120, derandomize=True, deadline=LONGEST * 1e3, database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip
LONG = settings(FIXED, max_examples=4000, derandomize=False)


def answer(files: Mapping[str, bytes], as_of: str | None = None) -> Job | JobError:
    """What the reader says to a job; any other exception goes through and fails the test."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, data in files.items():
            (folder / file).write_bytes(data)
        try:
            # a warning is not for the user: what numpy cannot do is decided and said before
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                return read_job(folder, as_of)
        except JobError as error:
            return error


def holds(files: Mapping[str, bytes], found: Job | JobError) -> None:
    """Everything a user may rely on, of either answer."""
    if isinstance(found, JobError):
        assert found.faults
        for fault in found.faults:
            assert fault.expected
            assert fault.mend
            # not every place is known, but one that is given must be in the file
            assert fault.line is None or 1 <= fault.line <= lines_of(files, fault.file), str(fault)
        assert len(str(found)) < 200_000
        str(found).encode("utf-8")
        return
    table, aside = found.account.table, found.set_aside
    assert (table["read"] == table["used"] + table["set_aside"] + table["later_than_as_of"]).all()
    assert (table["used"] >= 0).all()
    assert set(aside["reason"]) <= set(REASONS)
    assert not aside.duplicated(["file", "line"]).any() or not aside["file"].str.startswith("readings").any()
    used = np.concatenate([array["row"].values[array["used"].values] for array in found.arrays.values()])
    assert (used >= 0).all()
    assert len(np.unique(used)) == len(used), "no reading is used twice"
    assert len(used) == int(table.loc[table["file"].str.startswith("readings"), "used"].sum())
    for file in table["file"]:
        rows = files[file].count(b"\n") + files[file].count(b"\r") + 1
        assert int(table.loc[table["file"] == file, "read"].iloc[0]) <= rows
    for section in found.sections:
        array = found.array(section)
        assert np.isfinite(array["movement"].values[array["used"].values]).all()
        for series in measure_section(found, section):
            assert np.isfinite(series.value).all()
            assert np.isfinite(series.chainage)
    assert check_text(found).encode("utf-8")
    assert repr(pickle.loads(pickle.dumps(found))) == repr(found)


def lines_of(files: Mapping[str, bytes], file: str) -> int:
    data = files.get(file, b"")
    return max(data.count(b"\n") + data.count(b"\r"), len(data.decode("utf-8", "replace").splitlines())) + 1


def memory() -> float:
    """Peak memory of this process [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


@pytest.mark.parametrize("name", sorted(JOBS))
def test_the_jobs_the_edits_start_from_are_good(name: str) -> None:
    found = answer(JOBS[name])
    assert isinstance(found, Job), str(found)
    holds(JOBS[name], found)


@FIXED
@given(edited_jobs())
def test_an_edited_job(files: Mapping[str, bytes]) -> None:
    before = memory()
    holds(files, answer(files))
    assert memory() - before < MOST_MEMORY


@settings(FIXED, max_examples=60)
@given(replaced_jobs())
def test_a_job_with_a_file_of_anything(files: Mapping[str, bytes]) -> None:
    before = memory()
    holds(files, answer(files))
    assert memory() - before < MOST_MEMORY


@settings(FIXED, max_examples=25)
@given(edited_jobs())
def test_an_edited_job_at_an_early_date(files: Mapping[str, bytes]) -> None:
    holds(files, answer(files, "2031-05-14T00:00:00Z"))


@pytest.mark.study
@LONG
@given(edited_jobs())
def test_thousands_of_edited_jobs(files: Mapping[str, bytes]) -> None:
    holds(files, answer(files))


@pytest.mark.study
@settings(LONG, max_examples=2000)
@given(replaced_jobs())
def test_thousands_of_jobs_with_a_file_of_anything(files: Mapping[str, bytes]) -> None:
    holds(files, answer(files))
