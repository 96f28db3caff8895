"""What readings that share their sweep's error are worth; by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from convergence.projection.evidence import MOST_SERIES, effective_series, shared_by_sweep
from convergence.projection.task import SectionTask
from convergence.survey.job import read_job
from convergence.survey.noise import estimate_noise
from convergence.survey.noise_model import Noise

MakeSection = Callable[..., SectionTask]
CutSample = Callable[..., Path]
AXES = ("longitudinal", "transverse", "settlement")


@pytest.mark.parametrize(("shared", "worth"), [(0.0, 5.0), (0.5, 5.0 / 3.0), (1.0, 1.0)])
def test_five_prisms_of_one_axis(make_section: MakeSection, shared: float, worth: float) -> None:
    """5 / (1 + 4 r): all of them, five thirds, or one."""
    series = make_section(((20.0, 5.0),) * 5, until=5.0).series
    assert effective_series(series, dict.fromkeys(AXES, shared)) == pytest.approx(worth)


def test_axes_add_up_to_a_most(make_section: MakeSection) -> None:
    """Three axes of five prisms correlated by a quarter: 3 x 5 / 2 = 7.5 series, of which MOST_SERIES count."""
    one = make_section(((20.0, 5.0),) * 5, until=5.0).series
    series = [replace(item, measure=axis) for axis in AXES for item in one]
    assert effective_series(series, dict.fromkeys(AXES, 0.25)) == MOST_SERIES
    assert effective_series(series, dict.fromkeys(AXES, 0.75)) == pytest.approx(3 * 5 / 4)
    assert effective_series([replace(item, measure="chord") for item in one], dict.fromkeys(AXES, 0.0)) == 1.0


def test_the_site_tells_what_is_shared(cut_sample: CutSample, tmp_path: Path) -> None:
    small_job = read_job(cut_sample(tmp_path / "job", ("S1160", "S1172")))
    noise = estimate_noise(small_job.arrays.values())
    found = shared_by_sweep(small_job.arrays, noise)
    least = noise.correlated**2 / noise.total**2
    assert set(found) == set(AXES)
    assert all(least <= value <= 1.0 for value in found.values())
    assert shared_by_sweep({}, Noise(0.5, 0.5, 1.0))["settlement"] == pytest.approx(0.5)
