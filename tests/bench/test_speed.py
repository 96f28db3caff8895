"""The bench of speed at its smallest: every part runs, prints what it must, and nothing is absurdly slow."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from convergence.survey.job import read_job
from tests.bench.speed import PARTS, fits, main, plain
from tests.bench.speed_drive import MULTIPLE, write_drive
from tests.bench.speed_made import made_tunnel
from tests.bench.speed_timing import SCALES, Line, exponent, used


def test_every_part_prints_its_lines(capsys: pytest.CaptureFixture[str]) -> None:
    # the slowest are left out: growth is more of the same, figures and workers have tests of their own
    parts = [part for part in PARTS if part not in ("growth", "figures", "workers", "fits", "processes")]
    assert main(["--smoke", *(word for part in parts for word in ("--part", part))]) == 0
    said = capsys.readouterr().out
    for words in ("cores", "numpy", "size: smoke", "import convergence", "outlook over",
                  "a day later", "files unchanged", "hindcast of 2 dates", "peak memory"):  # fmt: skip
        assert words in said, words


def test_the_quick_fits_beat_the_loop(tmp_path: Path) -> None:
    """Loosely, since four sections leave much overhead; the targets hold at the usual size."""
    lines = {line.what.strip(): line for line in fits(SCALES["smoke"], tmp_path)}
    assert lines["fits, shape by section"].ratio > 5
    assert lines["fits, shape by series"].ratio > 2
    assert lines["residual sums, shared shapes, worst"].ratio < 1 + 1e-6
    assert lines["residual sums, own shapes over lmfit, worst"].ratio < 1 + 1e-3


def test_the_tunnel_is_of_the_size_it_names() -> None:
    series = made_tunnel(3)
    assert len(series) == 3 * 7 * 3
    assert all(240 <= one.readings <= 3000 for one in series)
    assert made_tunnel(1, readings=300, prisms=2)[0].readings == 300


def test_exponents_and_times() -> None:
    assert exponent([1.0, 2.0, 4.0], [3.0, 12.0, 48.0]) == pytest.approx(2.0)
    seconds, spread = used(lambda: sum(range(1000)), 3)
    assert 0.0 <= seconds < 1.0
    assert spread >= 0.0
    assert "nan" in str(Line("what", math.nan, 1.0, 1.0, "<= 1"))


def test_plain_reading_counts_rows(tmp_path: Path) -> None:
    (tmp_path / "readings").mkdir()
    (tmp_path / "readings" / "a.csv").write_text("time,prism\n2031-01-01T00:00:00Z,P\n2031-01-01T00:00:01Z,P\n")
    assert plain(tmp_path) == 2


def test_the_drive_is_read_often_near_the_face_and_seldom_far_behind(tmp_path: Path) -> None:
    rows = write_drive(tmp_path / "job", 12, 120, prisms=3)
    assert rows == pytest.approx(12 * 3 * 120, rel=0.05)
    job = read_job(tmp_path / "job")
    assert len(job.set_aside) == 0
    array = job.arrays["S0000"]
    days, past = array["days"].values, array["face_distance"].values[:, 0]
    near, far = (float(np.median(np.diff(days[rows]))) for rows in (past < 10.0, past > 75.0))
    assert far / near == pytest.approx(MULTIPLE[-1], rel=0.05)
