"""Scores against their definitions, worked by hand, and against what makes them proper."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from convergence.errors import ValueFault
from convergence.hindcasting import allowed_band, interval_score, relative_error, score_probabilities


def test_error_of_a_small_movement_is_relative_to_ten_millimetres() -> None:
    assert relative_error([18.0, 3.0, 9.0], [20.0, 1.0, -9.0]) == pytest.approx([0.1, 0.2, 1.8])


def test_a_forecast_that_is_missing_is_as_wrong_as_can_be() -> None:
    assert np.isinf(relative_error([np.nan, np.inf, -np.inf], [1.0, 1.0, 1.0])).all()


def test_interval_score_by_hand() -> None:
    """Gneiting and Raftery 2007 (from memory): width, and 2 / alpha times what lies outside; alpha = 0.1 here."""
    got = interval_score([8.0, 8.0, 8.0, np.nan], [12.0, 12.0, 12.0, 12.0], [11.0, 13.0, 7.5, 10.0], 0.9)
    assert got[:3] == pytest.approx([4.0, 24.0, 14.0])
    assert np.isnan(got[3])


def test_interval_score_is_least_for_the_true_quantiles() -> None:
    """Propriety, for a standard normal: any other half width scores worse on average, wider or narrower."""
    outcome = norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    half = norm.ppf(0.95) * np.array([0.6, 0.8, 1.0, 1.25, 1.6])
    means = [float(interval_score(-each, each, outcome, 0.9).mean()) for each in half]
    assert int(np.argmin(means)) == 2
    # 2 phi(z) / alpha * 2 for a standard normal: the closed form of the expected score
    assert means[2] == pytest.approx(4.0 * norm.pdf(norm.ppf(0.95)) / 0.1, rel=1e-3)


def test_a_band_for_the_truth_is_widened_to_one_for_a_reading() -> None:
    """Two independent normal parts add in squares: 90 % of readings of a truth within +-1.645 s lie in the new band."""
    low, high = allowed_band(10 - 1.645 * 3, 10.0, 10 + 1.645 * 3, 4.0, 0.9)
    assert [float(low), float(high)] == pytest.approx([10 - 1.645 * 5, 10 + 1.645 * 5], abs=1e-3)
    unchanged = allowed_band([1.0], [2.0], [5.0], 0.0, 0.9)
    assert [float(end[0]) for end in unchanged] == pytest.approx([1.0, 5.0])


def test_a_missing_band_stays_missing() -> None:
    low, high = allowed_band([np.nan, 0.0], [1.0, 1.0], [2.0, np.inf], 1.0, 0.9)
    assert np.isnan(low).all()
    assert np.isnan(high).all()


def test_brier_score_by_hand() -> None:
    """(0.1^2 + 0.1^2 + 0.8^2 + 0.7^2) / 4 = 0.2875; half came, so the base rate scores 0.25 and the skill is -0.15."""
    score = score_probabilities([0.9, 0.1, 0.8, 0.3], [True, False, False, True])
    assert (score.count, score.base_rate) == (4, 0.5)
    assert [score.brier, score.base_brier, score.skill] == pytest.approx([0.2875, 0.25, -0.15])


def test_the_reliability_table_adds_up() -> None:
    """Murphy 1973 (from memory): with one value a bin, Brier = reliability - resolution + uncertainty."""
    rng = np.random.default_rng(4)
    stated = rng.choice([0.02, 0.1, 0.3, 0.7, 0.9, 1.0], 500)
    came = rng.random(500) < stated
    score = score_probabilities(stated, came)
    share = score.counts / score.counts.sum()
    reliability = float(np.sum(share * (score.stated - score.came) ** 2))
    resolution = float(np.sum(share * (score.came - score.base_rate) ** 2))
    assert score.counts.sum() == 500
    assert score.brier == pytest.approx(reliability - resolution + score.base_brier)


def test_nothing_to_score() -> None:
    score = score_probabilities([], [])
    assert score.count == 0
    assert np.isnan(score.brier)


def test_what_cannot_be_scored_is_refused() -> None:
    with pytest.raises(ValueFault, match=r"probability 1\.2"):
        score_probabilities([1.2], [True])
    with pytest.raises(ValueFault, match="probability nan"):
        score_probabilities([np.nan], [True])
    with pytest.raises(ValueFault, match="one outcome for each"):
        score_probabilities([0.1, 0.2], [True])
    with pytest.raises(ValueFault, match="confidence = 90"):
        interval_score(0.0, 1.0, 0.5, 90.0)
