"""Mixtures of normal distributions against scipy.stats, root finding and counted random numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from convergence.projection.mixture import mixture_below, mixture_moments, mixture_quantile, mixture_table
from convergence.projection.result import PROBABILITIES

Floats = npt.NDArray[np.float64]


@pytest.fixture(name="mixture", params=[3, 40, 300])
def mixture_fixture(request: pytest.FixtureRequest) -> tuple[Floats, Floats, Floats]:
    """Components at five dates: skew, of unlike width and weight."""
    count = int(request.param)
    generator = np.random.default_rng(count)
    mean = np.exp(generator.normal(2.5, 0.4, (count, 1))) * np.linspace(0.5, 1.5, 5)
    deviation = generator.uniform(0.5, 3.0, (count, 5))
    weight = generator.gamma(1.0, size=count)
    return mean, deviation, weight / weight.sum()


def below(value: float, mean: Floats, deviation: Floats, weight: Floats) -> float:
    """The textbook sum, component by component."""
    return float(np.sum(weight * norm.cdf(value, mean, deviation)))


def test_probability_is_the_weighted_sum_of_normal_ones(mixture: tuple[Floats, Floats, Floats]) -> None:
    mean, deviation, weight = mixture
    found = mixture_below(9.0, mean, deviation, weight)
    expected = [below(9.0, mean[:, date], deviation[:, date], weight) for date in range(5)]
    assert found == pytest.approx(expected, abs=1e-13)


def test_probability_at_a_value_a_date(mixture: tuple[Floats, Floats, Floats]) -> None:
    mean, deviation, weight = mixture
    values = np.linspace(3.0, 20.0, 5)
    found = mixture_below(values, mean, deviation, weight)
    expected = [below(values[date], mean[:, date], deviation[:, date], weight) for date in range(5)]
    assert found == pytest.approx(expected, abs=1e-13)


@pytest.mark.parametrize("probability", [0.001, 0.05, 0.5, 0.999])
def test_quantiles_by_root_finding(mixture: tuple[Floats, Floats, Floats], probability: float) -> None:
    mean, deviation, weight = mixture
    found = mixture_quantile(probability, mean, deviation, weight)
    for date in (0, 4):
        m, d = mean[:, date], deviation[:, date]
        root = brentq(lambda x, m=m, d=d: below(x, m, d, weight) - probability, -100.0, 300.0, xtol=1e-12)
        assert found[date] == pytest.approx(root, abs=1e-8)


def test_one_component_is_the_normal_distribution() -> None:
    mean, deviation, weight = np.array([[4.0]]), np.array([[2.5]]), np.array([1.0])
    for probability in PROBABILITIES:
        expected = norm.ppf(probability, 4.0, 2.5)
        assert mixture_quantile(probability, mean, deviation, weight)[0] == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("width", [0.3, 1.0, 4.0])
@pytest.mark.parametrize("count", [3, 40, 300])
def test_the_table_is_as_close_as_it_says(count: int, width: float) -> None:
    """What its docstring states: probabilities within 0.02, the 5 % and 95 % points within 3.5 % of the spread."""
    for seed in range(12):
        generator = np.random.default_rng(seed)
        mean = np.exp(generator.normal(2.5, 0.4, (count, 1))) * np.linspace(0.5, 1.5, 5)
        deviation = width * generator.uniform(0.5, 3.0, (count, 5))
        weight = generator.gamma(1.0, size=count)
        weight = weight / weight.sum()
        found = mixture_table(PROBABILITIES, mean, deviation**2, weight)
        assert found.shape == (5, len(PROBABILITIES))
        for place, probability in enumerate(PROBABILITIES):
            reached = mixture_below(found[:, place], mean, deviation, weight)
            assert reached == pytest.approx(np.full(5, probability), abs=0.02)
        spread = np.subtract(*(mixture_quantile(p, mean, deviation, weight) for p in (0.99, 0.01)))
        for probability in (0.05, 0.95):
            exact = mixture_quantile(probability, mean, deviation, weight)
            assert (np.abs(found[:, probability == PROBABILITIES][:, 0] - exact) < 0.035 * spread).all()


def test_the_table_of_one_normal_distribution() -> None:
    """Components all alike are one normal distribution: scipy's quantiles to 0.4 % of the spread, the last 3 %."""
    found = mixture_table(PROBABILITIES, np.full((300, 1), 4.0), np.full((300, 1), 2.5**2), np.full(300, 1 / 300))
    body = (PROBABILITIES >= 0.01) & (PROBABILITIES <= 0.99)
    assert found[0, body] == pytest.approx(norm.ppf(PROBABILITIES[body], 4.0, 2.5), abs=0.004 * 2 * 2.326 * 2.5)
    assert found[0] == pytest.approx(norm.ppf(PROBABILITIES, 4.0, 2.5), abs=0.03 * 2 * 2.326 * 2.5)


def test_the_table_rises_with_probability(mixture: tuple[Floats, Floats, Floats]) -> None:
    mean, deviation, weight = mixture
    assert (np.diff(mixture_table(PROBABILITIES, mean, deviation**2, weight), axis=1) >= 0).all()


def test_a_table_of_no_dates_is_empty() -> None:
    found = mixture_table(PROBABILITIES, np.empty((4, 0)), np.empty((4, 0)), np.full(4, 0.25))
    assert found.shape == (0, len(PROBABILITIES))


def test_weights_of_zero_count_for_nothing() -> None:
    mean, deviation = np.array([[1.0], [50.0]]), np.ones((2, 1))
    only = mixture_table(PROBABILITIES, mean, deviation, np.array([1.0, 0.0]))
    assert only[0, PROBABILITIES == 0.5] == pytest.approx(1.0, abs=0.01)
    assert only.max() < 10.0


def test_moments_by_counting(mixture: tuple[Floats, Floats, Floats]) -> None:
    """A million draws: the standard error of the mean is a thousandth of the spread, of the variance 0.3 % or so."""
    mean, deviation, weight = mixture
    centre, within, between = mixture_moments(mean, deviation**2, weight)
    generator = np.random.default_rng(7)
    who = generator.choice(len(weight), 1_000_000, p=weight)
    drawn = generator.normal(mean[who, 2], deviation[who, 2])
    assert centre[2] == pytest.approx(drawn.mean(), abs=5e-3 * drawn.std())
    assert within[2] + between[2] == pytest.approx(drawn.var(), rel=0.01)


def test_components_alike_differ_by_nothing() -> None:
    centre, within, between = mixture_moments(np.full((5, 2), 3.0), np.full((5, 2), 4.0), np.full(5, 0.2))
    assert centre == pytest.approx([3.0, 3.0])
    assert within == pytest.approx([4.0, 4.0])
    assert between == pytest.approx([0.0, 0.0], abs=1e-12)
