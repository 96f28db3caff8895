"""The study of load, on a small job: every reading is used and counted, and memory stays near what the bytes cost."""

from __future__ import annotations

from pathlib import Path

from convergence.survey import read_job
from tests.bench.load import Size, checked, timed, write_load


def test_a_small_job_is_read_and_checked(tmp_path: Path) -> None:
    size = Size(4, 25, 2_500)
    write_load(tmp_path / "job", size)
    job = read_job(tmp_path / "job")
    assert len(job.sections) == size.sections
    assert len(job.folder.prisms) == size.prisms
    assert len(job.raw) == size.readings
    assert not len(job.set_aside)
    assert checked(tmp_path / "job").startswith("2,500 readings used")
    seconds, peak, said = timed("pandas.read_csv", tmp_path / "job")
    assert said == "2,500 rows"
    assert seconds > 0.0
    # GB: the interpreter and its libraries alone take a tenth of this
    assert 0.01 < peak < 2.0


def test_the_study_reaches_the_size_it_names() -> None:
    full = Size(300, 2_000, 5_000_000)
    assert sum(full.places(section) for section in range(full.sections)) == full.prisms
    assert full.sweeps * full.prisms == full.readings
