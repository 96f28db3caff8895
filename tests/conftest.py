"""Shared by several parts of the tests: the sample job at an early date, and a part of it that may be changed."""

from __future__ import annotations

import csv
import os
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from convergence.survey.job import Job, read_job
from convergence.triggers.outlook import Outlook, outlook

SAMPLE = Path(__file__).parent.parent / "sample_data" / "ridge_tunnel"
#: Early in the drive: ten sections have readings, three of them only a few days; readings, faults and stops are few.
EARLY = "2023-03-10T06:00:00Z"
#: Sections with a zero reading renewed, a spike, dates mistyped by years, and one whose prisms were read before they
#: existed (truth/faults.csv: F16, F03, F05, F08).
CUT_SECTIONS = ("S1096", "S1172", "S1184", "S1208")

# results of the tests are kept by those that test the keeping alone
os.environ["CONVERGENCE_CACHE"] = "off"

CutSample = Callable[[Path, Sequence[str]], Path]


@pytest.fixture(scope="session")
def sample_folder() -> Path:
    """The sample job's folder; nobody writes there."""
    return SAMPLE


@pytest.fixture(scope="session")
def early_job() -> Job:
    """The sample job as it was at an early date."""
    return read_job(SAMPLE, EARLY)


@pytest.fixture(scope="session")
def early_outlook(early_job: Job) -> Outlook:
    """Its outlook, worked out once for all tests."""
    return outlook(early_job)


@pytest.fixture(scope="session")
def sample_outlook() -> Outlook:
    """The outlook of the whole sample job, worked out once for all tests."""
    return outlook(read_job(SAMPLE))


@pytest.fixture(scope="session")
def cut_sample() -> CutSample:
    """A function that writes the sample job with some of its sections only."""

    def cut(folder: Path, sections: Sequence[str]) -> Path:
        shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("truth", "README.md"))
        prisms = keep_rows(folder / "prisms.csv", lambda row: row["section"] in sections)
        for file in sorted((folder / "readings").glob("*.csv")):
            keep_rows(file, lambda row: row["prism"] in prisms)
        keep_rows(folder / "events.csv", lambda row: row["section"] in ("", *sections))
        return folder

    return cut


@pytest.fixture(scope="session")
def cut_folder(cut_sample: CutSample, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four sections of the sample job; copy the folder before changing it."""
    return cut_sample(tmp_path_factory.mktemp("cut") / "job", CUT_SECTIONS)


def keep_rows(file: Path, wanted: Callable[[dict[str, str]], bool]) -> set[str]:
    """Keep the rows of a table that are wanted; gives the names of the prisms in them."""
    with file.open(encoding="utf-8", newline="") as stream:
        reader = csv.DictReader(stream)
        names = list(reader.fieldnames or [])
        rows = [row for row in reader if wanted(row)]
    with file.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return {row["prism"] for row in rows if "prism" in row}
