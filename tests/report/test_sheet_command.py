"""convergence report JOB: writes one page; what cannot be done is told with the way to mend it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from convergence import cli

DATE = "2023-04-01T06:00:00Z"
CutSample = Callable[[Path, Sequence[str]], Path]
Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def job(cut_sample: CutSample, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sections of the sample job."""
    return cut_sample(tmp_path_factory.mktemp("sheet") / "job", ("S1172", "S1184"))


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    code = cli.main([str(argument) for argument in arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


def test_one_page_and_nothing_else(job: Path, tmp_path: Path, capsys: Capture) -> None:
    before = {path: path.read_bytes() for path in job.rglob("*") if path.is_file()}
    pages = []
    for jobs in ("1", "2"):
        out = tmp_path / jobs
        code, told, err = run(capsys, "report", job, "--as-of", DATE, "--out", out, "--jobs", jobs)
        assert (code, err) == (0, "")
        assert f"wrote {out / 'sheet.html'}" in told
        assert sorted(path.name for path in out.iterdir()) == ["forecast_log.jsonl", "sheet.html"]
        pages.append((out / "sheet.html").read_bytes())
    assert pages[0] == pages[1], "the page does not depend on the worker processes"
    assert {path: path.read_bytes() for path in job.rglob("*") if path.is_file()} == before


def test_since_another_instant(job: Path, tmp_path: Path, capsys: Capture) -> None:
    since = ("--since", "2023-03-28T08:00:00+02:00", "--past-dates", "0", "--no-log")
    code, _, _ = run(capsys, "report", job, "--as-of", DATE, "--out", tmp_path, *since)
    assert code == 0
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert 'What changed since <span class="kept">2023-03-28 08:00 +02:00</span>' in page


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (("--since", "yesterday"), "yesterday"),
        (("--since", "2023-04-02T06:00:00Z"), "2023-04-02"),
        (("--since", "2019-01-01T06:00:00Z"), "2019-01-01"),
        (("--as-of", "soon"), "soon"),
        (("--hindcast", "nowhere"), "nowhere"),
    ],
)
def test_an_instant_that_will_not_do(
    job: Path, tmp_path: Path, capsys: Capture, options: Sequence[str], named: str
) -> None:
    code, out, err = run(capsys, "report", job, "--as-of", DATE, "--out", tmp_path / "out", *options)
    assert (code, out) == (1, "")
    assert named in err
    assert "To mend" in err
    assert "Traceback" not in err
    assert not (tmp_path / "out" / "sheet.html").exists()
    assert not (tmp_path / "out" / "forecast_log.jsonl").exists(), "a run that came to nothing is no forecast"


def test_past_forecasts_are_told_by_default(job: Path, tmp_path: Path, capsys: Capture) -> None:
    """From dates projected again; with a log of enough runs at hand, from that."""
    code, told, _ = run(capsys, "report", job, "--as-of", DATE, "--out", tmp_path, "--past-dates", "2")
    assert code == 0
    assert f"added this run's forecasts to {tmp_path / 'forecast_log.jsonl'}" in told
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "This rests on 2 past dates only: convergence hindcast JOB --out DIR scores all." in page
    assert "past bands that held" in page


def test_past_forecasts_that_nobody_asks_for_are_said_to_be_missing(job: Path, tmp_path: Path, capsys: Capture) -> None:
    code, _, _ = run(capsys, "report", job, "--as-of", DATE, "--out", tmp_path, "--past-dates", "0", "--no-log")
    assert code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["sheet.html"]
    page = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "are not scored (no hindcast or log at hand): convergence hindcast JOB --out DIR scores them" in page
    code, _, told = run(capsys, "report", job, "--past-dates", "-1")
    assert code == 2
    assert "no count of 0 or more" in told


def test_never_into_the_job(job: Path, capsys: Capture) -> None:
    code, _, err = run(capsys, "report", job, "--as-of", DATE, "--out", job)
    assert code == 1
    assert "another folder than the job's own" in err
