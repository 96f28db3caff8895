"""The figure of a hindcast: what it draws, and that it draws where there is little to draw."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.image import imread

from convergence.hindcasting import Hindcast, hindcast
from convergence.hindcasting.forecast import METHODS
from convergence.plots.canvas import figure_of
from convergence.plots.hindcast import (
    hindcast_bands,
    hindcast_errors,
    hindcast_figure,
    hindcast_reliability,
    save_hindcast,
)
from convergence.survey.job import read_job
from tests.helpers import EPOCH


def test_the_lines_are_the_summary(found: Hindcast) -> None:
    ax = hindcast_errors(found)
    summary = found.summary()
    for method, words in METHODS.items():
        rows = summary[(summary["method"] == method) & (summary["forecasts"] > 0)]
        lines = [line for line in ax.get_lines() if str(line.get_label()).startswith(words)]
        assert len(lines) == (1 if len(rows) else 0)
        for line in lines:
            np.testing.assert_allclose(np.asarray(line.get_ydata(), dtype=float), np.minimum(rows["median_error"], 3.0))


def test_the_stated_confidence_stands_beside_the_bands(found: Hindcast) -> None:
    ax = hindcast_bands(found)
    assert any("stated 90%" in text.get_text() for text in ax.texts)


def test_reliability_tells_how_many(found: Hindcast) -> None:
    ax = hindcast_reliability(found)
    counts = found.probabilities().counts
    assert {text.get_text() for text in ax.texts} == {str(count) for count in counts[counts > 0]}


def test_the_figure_is_written_and_settings_are_left_alone(found: Hindcast, tmp_path: Path) -> None:
    before = dict(mpl.rcParams)
    file = save_hindcast(found, tmp_path / "new" / "hindcast.png")
    assert imread(file).shape[:2] == (750, 1650)
    assert dict(mpl.rcParams) == before
    sentence = found.sentence()[:30]
    assert any(sentence in text.get_text() for text in hindcast_figure(found).texts)


def test_nothing_scored_draws_all_the_same(noisy_folder: Path) -> None:
    none = hindcast(read_job(noisy_folder, EPOCH + np.timedelta64(4, "D")))
    assert figure_of(hindcast_figure(none).axes[0])
