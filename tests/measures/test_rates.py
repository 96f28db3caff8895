"""Rates and their standard errors: a worked number, and coverage by simulation with correlated noise."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.measures.rates import rate
from convergence.survey.noise_model import Noise


def zeros(count: int) -> np.ndarray:
    return np.zeros(count, dtype=np.int64)


def test_week_of_daily_readings() -> None:
    """Seven daily readings with 0.5 mm of independent noise: +-0.19 mm/day at 95 % (1.96 standard errors).

    Derived: the squared days about their mean sum to 28, 1.96 x 0.5 / sqrt(28) = 0.185. The number 0.19 is
    common practice without a source: as wide as the usual criterion of 0.1 to 0.2 mm/day. Two decimals are
    given.
    """
    days = np.arange(7.0)
    slope, error, count = rate(days, 0.3 * days, zeros(7), Noise(0.5, 0.0, 1.0), window=10.0)
    assert slope == pytest.approx(0.3, abs=1e-12)
    assert error == pytest.approx(0.5 / np.sqrt(28.0), abs=1e-12)
    assert 1.96 * error == pytest.approx(0.19, abs=0.005)
    assert count == 7


def test_two_readings() -> None:
    """Difference over time: variance 2 s^2 / h^2."""
    slope, error, count = rate(np.array([0.0, 2.0]), np.array([0.0, 3.0]), zeros(2), Noise(0.6, 0.0, 1.0), window=5.0)
    assert slope == pytest.approx(1.5)
    assert count == 2
    assert error == pytest.approx(0.6 * np.sqrt(2.0) / 2.0)


def test_correlated_noise_of_two_readings() -> None:
    """Worked by hand: variance 2 (w^2 + c^2 (1 - exp(-h/T))) / h^2 for two readings a time h apart."""
    noise = Noise(0.5, 0.4, 1.5)
    _, error, _ = rate(np.array([0.0, 1.0]), np.zeros(2), zeros(2), noise, window=5.0)
    assert error == pytest.approx(np.sqrt(2 * (0.25 + 0.16 * (1 - np.exp(-1 / 1.5)))), rel=1e-12)


def test_total_and_covariance() -> None:
    noise = Noise(0.3, 0.4, 2.0)
    assert noise.total == pytest.approx(0.5)
    covariance = noise.covariance(np.array([0.0, 2.0]))
    np.testing.assert_allclose(covariance, [[0.25, 0.16 / np.e], [0.16 / np.e, 0.25]])


def simulated(noise: Noise, days: np.ndarray, count: int, seed: int) -> np.ndarray:
    """Readings with the covariance of the noise, shape (count, n)."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=(count, len(days))) @ np.linalg.cholesky(noise.covariance(days)).T


@pytest.mark.parametrize(
    ("noise", "window", "interval"),
    [
        (Noise(0.5, 0.0, 1.0), 3.0, 0.25),
        (Noise(0.5, 0.4, 1.5), 3.0, 0.25),
        (Noise(0.3, 0.6, 2.0), 7.0, 0.5),
        (Noise(0.5, 0.4, 1.5), 7.0, 1.0),
    ],
)
def test_coverage_by_simulation(noise: Noise, window: float, interval: float) -> None:
    """2000 simulated windows: 90 and 95 % bands hold as often as they say, within four standard errors of the
    share.

    The error is widened where the scatter is larger than the noise, never narrowed, so the bands may hold
    more often, by up to 3 % here.
    """
    days = np.arange(0.0, window + 1e-9, interval)
    values = simulated(noise, days, 2000, 7) + 0.8 * days
    found = np.array([rate(days, value, zeros(len(days)), noise, window=window + 0.01)[:2] for value in values])
    score = np.abs(found[:, 0] - 0.8) / found[:, 1]
    for share, limit in ((0.90, 1.645), (0.95, 1.960)):
        slack = 4 * np.sqrt(share * (1 - share) / len(values))
        assert share - slack < np.mean(score < limit) < share + slack + 0.03


def test_taking_correlated_noise_for_white_is_too_sure() -> None:
    """What the covariance is for: the white formula's 95 % band holds well under 90 % of the time."""
    noise = Noise(0.5, 0.6, 2.0)
    days = np.arange(0.0, 3.01, 0.25)
    values = simulated(noise, days, 1000, 8)
    white = Noise(noise.total, 0.0, 1.0)
    right = [rate(days, value, zeros(13), noise, window=4.0)[:2] for value in values]
    wrong = [rate(days, value, zeros(13), white, window=4.0)[:2] for value in values]
    held = [np.mean([abs(slope) < 1.96 * error for slope, error in found]) for found in (right, wrong)]
    assert held[0] > 0.93
    assert held[1] < 0.90


def test_offset_of_a_new_segment_is_no_rate() -> None:
    days = np.arange(0.0, 3.0, 0.25)
    segment = (days >= 1.5).astype(np.int64)
    value = 0.4 * days + 25.0 * segment
    slope, error, _ = rate(days, value, segment, Noise(0.5, 0.0, 1.0), window=4.0)
    assert slope == pytest.approx(0.4, abs=1e-9)
    assert error > rate(days, 0.4 * days, zeros(12), Noise(0.5, 0.0, 1.0), window=4.0)[1]


def test_scatter_beyond_the_noise_widens_the_error() -> None:
    days = np.arange(0.0, 3.0, 0.25)
    wild = 5.0 * np.cos(np.pi * np.arange(12))
    quiet = rate(days, 0.0 * days, zeros(12), Noise(0.5, 0.0, 1.0), window=4.0)[1]
    assert rate(days, wild, zeros(12), Noise(0.5, 0.0, 1.0), window=4.0)[1] > 5 * quiet


@pytest.mark.parametrize(("days", "segment"), [([0.0], [0]), ([0.0, 1.0], [0, 1]), ([0.0, 9.0], [0, 0])])
def test_where_no_slope_can_be_told(days: list[float], segment: list[int]) -> None:
    slope, error, count = rate(np.array(days), np.zeros(len(days)), np.array(segment), Noise(0.5, 0.0, 1.0), window=3.0)
    assert np.isnan(slope)
    assert np.isnan(error)
    assert count <= 2


def test_window_ends_where_asked() -> None:
    days = np.arange(0.0, 10.0, 0.5)
    value = np.where(days < 5, 2.0 * days, 10.0)
    assert rate(days, value, zeros(20), Noise(0.5, 0.0, 1.0), window=2.0, at=4.0)[0] == pytest.approx(2.0)
    assert rate(days, value, zeros(20), Noise(0.5, 0.0, 1.0), window=2.0)[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("window", [0.0, -1.0, float("nan")])
def test_window_must_be_above_zero(window: float) -> None:
    with pytest.raises(ValueFault, match="expected above 0"):
        rate(np.arange(3.0), np.zeros(3), zeros(3), Noise(0.5, 0.0, 1.0), window=window)
