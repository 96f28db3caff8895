"""convergence hindcast JOB, and the sentence it leaves for convergence outlook."""

from __future__ import annotations

from pathlib import Path

import pytest

from convergence import cli
from convergence.hindcasting import read_hindcast

Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    """Exit code, what went to stdout, what went to stderr."""
    code = cli.main([str(argument) for argument in arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


def test_hindcast_then_outlook(noisy_folder: Path, tmp_path: Path, capsys: Capture) -> None:
    out = tmp_path / "out"
    options = ("--every", 5, "--from", "2031-05-10T00:00:00Z", "--no-coupled")
    code, told, err = run(capsys, "hindcast", noisy_folder, "--out", out, *options)
    assert (code, err) == (0, "")
    assert sorted(path.name for path in out.iterdir()) == ["hindcast.csv", "hindcast.png", "hindcast_levels.csv"]
    assert (out / "hindcast.png").read_bytes().startswith(b"\x89PNG")
    sentence = read_hindcast(out).sentence()
    assert sentence[:40] in told
    assert "coupled" not in told
    assert read_hindcast(out).table["date"].min() >= "2031-05-10"
    # the results' folder holds a hindcast of this job, so the outlook tells it, with its age
    code, told, _ = run(capsys, "outlook", noisy_folder, "--out", out, "--no-figures")
    assert code == 0
    assert sentence[:40] in " ".join(told.split())
    assert "of the same date as this analysis" in " ".join(told.split())
    options = ("--hindcast", out, "--as-of", "2031-05-10T00:00:00Z", "--no-figures")
    code, told, _ = run(capsys, "outlook", noisy_folder, "--out", tmp_path / "other", *options)
    assert code == 0
    assert "16 days after this analysis" in " ".join(told.split())


def test_a_hindcast_that_cannot_be_read(noisy_folder: Path, tmp_path: Path, capsys: Capture) -> None:
    """One that was asked for is at fault, before the work; one that lies there by chance is told, and no more."""
    options = ("--as-of", "2031-05-10T00:00:00Z", "--no-figures")
    code, told, err = run(capsys, "outlook", noisy_folder, "--out", tmp_path, "--hindcast", tmp_path, *options)
    assert (code, told) == (1, "")
    assert "To mend" in err
    (tmp_path / "hindcast.csv").write_text("not,a,hindcast\n", encoding="utf-8")
    code, told, err = run(capsys, "outlook", noisy_folder, "--out", tmp_path, *options)
    assert (code, err) == (0, "")
    assert "column date is missing" in " ".join(told.split())
    assert (tmp_path / "outlook.csv").is_file()


def test_nothing_to_score_is_said(noisy_folder: Path, tmp_path: Path, capsys: Capture) -> None:
    code, told, err = run(capsys, "hindcast", noisy_folder, "--as-of", "2031-05-09T00:00:00Z", "--out", tmp_path)
    assert (code, err) == (0, "")
    assert told.startswith("No forecast of this site can be scored yet")
    assert not (tmp_path / "hindcast.png").exists()


@pytest.mark.parametrize(
    ("option", "value"), [("--every", "0"), ("--every", "often"), ("--from", "yesterday"), ("--to", "2031-05-09")]
)
def test_usage(noisy_folder: Path, capsys: Capture, option: str, value: str) -> None:
    code, _, err = run(capsys, "hindcast", noisy_folder, option, value)
    assert code == 2
    assert value in err


def test_results_never_go_among_the_inputs(noisy_folder: Path, capsys: Capture) -> None:
    code, _, err = run(capsys, "hindcast", noisy_folder, "--out", noisy_folder)
    assert code == 1
    assert "To mend" in err
