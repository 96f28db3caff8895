"""The worked numbers of the docstrings, the limits, and the digits kept near the start."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from convergence import laws
from convergence.laws.arrays import FloatArray

# Worked by hand in the docstrings; the tolerance is half a unit of the last digit printed there.
WORKED: list[tuple[Callable[..., FloatArray], tuple[float, ...], float, float]] = [
    (laws.power_face, (10.0, 30.0, 10.0), 22.5, 1e-12),
    (laws.exponential_face, (10.0, 30.0, 10.0), 18.964, 5e-4),
    (laws.power_time, (6.0, 10.0, 6.0, 0.3), 1.877, 5e-4),
    (laws.exponential_time, (5.0, 10.0, 5.0), 6.321, 5e-4),
    (laws.hyperbolic_time, (5.0, 10.0, 5.0), 5.0, 1e-12),
    (laws.logarithmic_time, (5.0, 10.0, 5.0), 6.931, 5e-4),
    (laws.reciprocal_exponential_time, (10.0, 13.176, 2.6999), 10.06, 5e-3),
    (laws.logarithm_reciprocal_time, (3.0, 10.0, 1.0), 5.0, 1e-12),
    (laws.coupled, (20.0, 10.0, 30.0, 10.0, 6.0, 1.5, 0.3), 36.863022, 5e-7),
    (laws.coupled_exponential, (20.0, 10.0, 30.0, 10.0, 6.0, 1.5), 57.501, 5e-4),
    (laws.two_sided_profile, (-4.0, 4.0, 0.27), 0.127539, 5e-7),
    (laws.two_sided_profile, (4.0, 4.0, 0.27), 0.8175, 1e-12),
    (laws.two_sided_slope, (4.0, 4.0, 0.27), 0.045625, 1e-12),
]


@pytest.mark.parametrize(("function", "arguments", "expected", "tolerance"), WORKED)
def test_worked_numbers(
    function: Callable[..., FloatArray], arguments: tuple[float, ...], expected: float, tolerance: float
) -> None:
    assert float(function(*arguments)) == pytest.approx(expected, abs=tolerance, rel=0)


def test_digits_are_kept_close_to_the_face() -> None:
    # 1 - (1 + d)^-2 = 2 d - 3 d^2 + ..., 1 - exp(-d) = d - d^2/2 + ... with d = 1e-9: the next terms are
    # below 1e-17 relative.
    d = 1e-9
    assert float(laws.power_face(10.0 * d, 1.0, 10.0)) == pytest.approx(2 * d - 3 * d * d, rel=1e-14)
    assert float(laws.exponential_face(10.0 * d, 1.0, 10.0)) == pytest.approx(d - 0.5 * d * d, rel=1e-14)
    assert float(laws.power_time(6.0 * d, 1.0, 6.0, 0.3)) == pytest.approx(0.3 * d - 0.195 * d * d, rel=1e-14)


def test_power_time_is_as_slow_as_the_docstring_says() -> None:
    # Regression from the formula: half at 9.079 T, 90 % at 2153.4 T; digits as printed.
    assert float(laws.power_time(9.079, 1.0, 1.0, 0.3)) == pytest.approx(0.5, abs=2e-5)
    assert float(laws.power_time(2153.4, 1.0, 1.0, 0.3)) == pytest.approx(0.9, abs=1e-6)


def test_other_spellings_of_the_same_function() -> None:
    t = np.geomspace(0.5, 400.0, 50)
    # u = t / (a + b t) is the hyperbola with A = 1/b, T = a/b.
    np.testing.assert_allclose(laws.hyperbolic_time(t, 1 / 0.04, 0.3 / 0.04), t / (0.3 + 0.04 * t), rtol=1e-13)
    # u = a + b / lg(1 + t) is the reciprocal logarithm with lg(1 + D) = -b/a.
    spelled = 14.8 - 5.0 / np.log10(1.0 + t)
    dead = 10 ** (5.0 / 14.8) - 1.0
    ours = laws.logarithm_reciprocal_time(t, 14.8, dead)
    np.testing.assert_allclose(ours[t > dead], spelled[t > dead], rtol=1e-12, atol=1e-12)
    assert (ours[t <= dead] == 0.0).all()
    assert (t <= dead).any()


def test_infinite_distance_and_time_give_the_final_movement() -> None:
    inf = np.inf
    assert laws.power_face(inf, 30.0, 10.0) == 30.0
    assert laws.hyperbolic_time(inf, 30.0, 10.0) == 30.0
    assert laws.reciprocal_exponential_time(inf, 30.0, 10.0) == 30.0
    assert laws.logarithmic_time(inf, 30.0, 10.0) == inf
    assert laws.coupled(inf, inf, 30.0, 10.0, 6.0, 1.5, 0.3) == 75.0


def test_missing_input_stays_missing() -> None:
    assert np.isnan(laws.power_face(np.nan, 30.0, 10.0))
    assert np.isnan(laws.reciprocal_exponential_time(np.nan, 30.0, 10.0))
    assert np.isnan(laws.coupled(np.nan, 1.0, 30.0, 10.0, 6.0, 1.5, 0.3))
    assert np.isnan(laws.coupled(5.0, np.nan, 30.0, 10.0, 6.0, 1.5, 0.3))
    # Ahead of the face nothing has moved, whether or not the passage is known.
    assert laws.coupled(-5.0, np.nan, 30.0, 10.0, 6.0, 1.5, 0.3) == 0.0
