"""Standard errors against closed forms, and derivatives against exact ones."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.fitting.differences import jacobian, stencil
from convergence.fitting.precision import precision


def test_straight_line_in_closed_form() -> None:
    """SE of slope sigma/sqrt(Sxx) and of the intercept sigma sqrt(1/n + mean^2/Sxx): textbook result."""
    x = np.array([1.0, 2, 3, 5, 8, 13])
    spread = float(np.sum((x - x.mean()) ** 2))
    found = precision(["intercept", "slope"], np.column_stack([np.ones(6), x]), 0.7)
    expected = [0.7 * np.sqrt(1 / 6 + x.mean() ** 2 / spread), 0.7 / np.sqrt(spread)]
    np.testing.assert_allclose(found.standard_errors, expected, rtol=1e-13)
    assert found.correlation[0, 1] == pytest.approx(-x.mean() / np.sqrt(np.mean(x**2)), rel=1e-13)
    np.testing.assert_allclose(np.diag(found.covariance()), np.square(expected), rtol=1e-13)


def test_units_do_not_matter() -> None:
    """A parameter in units 1e12 times smaller has an error 1e12 times larger, to all digits."""
    columns = np.random.default_rng(3).normal(size=(30, 3))
    plain = precision("abc", columns, 1.0)
    scaled = precision("abc", columns * np.array([1.0, 1e12, 1e-9]), 1.0)
    np.testing.assert_allclose(scaled.standard_errors * [1.0, 1e12, 1e-9], plain.standard_errors, rtol=1e-12)
    assert scaled.condition == pytest.approx(plain.condition, rel=1e-9)


def test_singular_and_dead_columns() -> None:
    ones = np.ones(10)
    doubled = precision("ab", np.column_stack([ones, ones]), 1.0)
    assert doubled.condition > 1e15
    assert np.all(doubled.standard_errors > 1e6)
    dead = precision("ab", np.column_stack([ones, 0 * ones]), 1.0)
    assert dead.without_effect.tolist() == [False, True]
    assert np.isnan(dead.standard_errors[1])
    assert dead.standard_errors[0] == pytest.approx(1 / np.sqrt(10), rel=1e-14)
    assert precision("", np.empty((5, 0)), 1.0).condition == 1.0


@pytest.mark.parametrize(
    ("centre", "low", "high"),
    [
        (2.0, -np.inf, np.inf),
        (2.0, 2.0, 5.0),
        (2.0, 1.0, 2.0),
        (2.0, 1.999, 2.001),
        (0.0, 0.0, 1.0),
        (0.0, -1.0, 1.0),
    ],
)
def test_stencil_is_exact_to_twelve_digits_and_stays_inside(centre: float, low: float, high: float) -> None:
    nodes, weights = stencil(centre, low, high)
    assert np.all((nodes >= low) & (nodes <= high))
    assert float(weights @ np.exp(nodes)) == pytest.approx(np.exp(centre), rel=3e-10)
    assert float(weights @ nodes**5) == pytest.approx(5 * centre**4, rel=1e-9, abs=1e-9)


def test_jacobian_of_a_function_that_ignores_a_parameter_is_exactly_zero() -> None:
    found = jacobian(lambda p: np.sin(p[0] * np.arange(1.0, 4)), np.array([0.3, 7.0]), *np.array([[-9.0, -9], [9, 9]]))
    np.testing.assert_allclose(found[:, 0], np.arange(1, 4) * np.cos(0.3 * np.arange(1, 4)), rtol=1e-11)
    assert np.all(found[:, 1] == 0)
