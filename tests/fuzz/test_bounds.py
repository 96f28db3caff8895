"""Files made to take the reader's time or memory are answered soon, with a fault that says what is too much."""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import pytest

from convergence.errors import JobError
from convergence.job import text_files
from convergence.survey import read_job
from tests.helpers import job_files, write_job

#: A reader whose work grows with the square of a file's size takes minutes; this leaves room [s] for a busy machine.
SOON = 20.0

NAMES = ", ".join(f"c{number}" for number in range(8_000))
SETTINGS = job_files()["tunnel.toml"]
FILES = {
    "a key of endless parts": ("tunnel.toml", SETTINGS + "a." * 20_000 + "a = 1\n", "keys of at most"),
    "a head of endless parts": ("tunnel.toml", SETTINGS + "[" + "a." * 20_000 + "a]\n", "keys of at most"),
    "a key of endless parts inside": ("tunnel.toml", SETTINGS + "x = {y = 1, " + "a." * 20_000 + "a = 1}\n", "keys of"),
    "tables without end": ("tunnel.toml", SETTINGS + '[[stage]]\nname = "a"\n' * 40_000, "at most 2000 tables"),
    "faulty tables": ("tunnel.toml", SETTINGS + '[[chord]]\nfrom = "a"\n' * 1_900, "chord.to"),
    "a text of blanks": ("tunnel.toml", SETTINGS + 'x = """\n[' + " " * 500_000 + '\n"""\n[[chord]]\n', "chord.from"),
    "columns without end": ("prisms.csv", NAMES + "\n", "at most 200 columns"),
    "long names alike": (
        "events.csv",
        "time,section,prism,event,note\n" + f"2031-05-12T00:00:00Z,,{'ab' * 20_000},station moved,\n" * 20,
        "a prism of prisms.csv",
    ),
    "unknown names": (
        "events.csv",
        "time,section,prism,event,note\n"
        + "".join(f"2031-05-12T00:00:00Z,,A-C{number},station moved,\n" for number in range(20_000)),
        "a prism of prisms.csv",
    ),
    "open quotes": (
        "readings.csv",
        "time,prism,longitudinal_mm,transverse_mm,settlement_mm\n" + '"\n' * 60_000,
        "rows with as many fields",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", FILES.values(), ids=FILES.keys())
def test_the_answer_comes_soon(case: tuple[str, str, str], tmp_path: Path) -> None:
    file, text, says = case
    folder = write_job(tmp_path, {file: text})
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.perf_counter()
    with pytest.raises(JobError) as caught:
        read_job(folder)
    assert time.perf_counter() - began < SOON
    assert says in str(caught.value)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / (1e6 if sys.platform == "darwin" else 1e3)
    assert grown < 1000.0, f"{grown:.0f} MB"


def test_lines_of_nothing_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("convergence.job.tables.MOST_LINES", 1000)
    files = job_files()
    with pytest.raises(JobError, match="a table of at most 1000 lines"):
        read_job(write_job(tmp_path, {"readings.csv": files["readings.csv"] + ",,,,\r\n" * 1000}))


def test_a_full_table_of_readings_is_not() -> None:
    """Five million readings in one file, as exported: 75 bytes each with time zone and long names."""
    assert text_files.LARGEST_FILE > 5_000_000 * 75
    assert text_files.MOST_LINES > 5_000_000
