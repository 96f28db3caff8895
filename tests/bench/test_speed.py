"""The bench of speed at its smallest: every part runs, prints what it must, and nothing is absurdly slow."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.bench.speed import PARTS, SCALES, Line, exponent, fits, main, plain, used
from tests.bench.speed_made import made_tunnel


def test_every_part_prints_its_lines(capsys: pytest.CaptureFixture[str]) -> None:
    # the slowest are left out: growth is more of the same, figures and workers have tests of their own
    parts = [part for part in PARTS if part not in ("growth", "figures", "workers", "fits")]
    assert main(["--smoke", *(word for part in parts for word in ("--part", part))]) == 0
    said = capsys.readouterr().out
    for words in ("cores", "numpy", "size: smoke", "import convergence", "outlook over",
                  "a day later", "hindcast of 2 dates", "peak memory"):  # fmt: skip
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
