"""Inverse velocity against values worked out apart from this library from Fukuzono's published law.

Fukuzono (1985), as Voight (1988) writes it: 1/v = [A (alpha - 1)]^(1/(alpha-1)) (t_f - t)^(1/(alpha-1)). The principle
is published (Carla et al. 2017, Landslides 14, 517-534); the numbers are worked out by hand for t_f = 100, A = 0.002.
"""

from __future__ import annotations

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.measures import fukuzono_rate, inverse_velocity, inverse_velocity_line

TIME = np.array([0.0, 20.0, 40.0, 60.0, 80.0, 90.0, 95.0, 99.0])
#: alpha = 2: v = 1 / (A (t_f - t)) = 500 / (100 - t). Given to seven digits.
LINEAR = np.array([5.0, 6.25, 8.333333, 12.5, 25.0, 50.0, 100.0, 500.0])
#: alpha = 1.5: v = 1 / (A / 2)^2 / (t_f - t)^2 = 1e6 / (100 - t)^2. Given to seven digits.
SQUARE = np.array([100.0, 156.25, 277.7778, 625.0, 2500.0, 1e4, 4e4, 1e6])


@pytest.mark.parametrize(("exponent", "expected"), [(2.0, LINEAR), (1.5, SQUARE)])
def test_rates_of_the_law(exponent: float, expected: np.ndarray) -> None:
    assert fukuzono_rate(TIME, 100.0, 0.002, exponent) == pytest.approx(expected, rel=1e-7)


def test_the_line_meets_zero_at_the_failure_time() -> None:
    """A line through days 60, 70, 80 and 90 gives day 100; only rounding may stand between."""
    days = np.array([60.0, 70.0, 80.0, 90.0])
    line = inverse_velocity_line(days, fukuzono_rate(days, 100.0, 0.002))
    assert line.time == pytest.approx(100.0, abs=1e-11)
    assert line.slope == pytest.approx(-0.002, rel=1e-12)
    assert line.intercept == pytest.approx(0.2, rel=1e-12)
    assert line.error == pytest.approx(0.0, abs=1e-9)


def test_after_the_failure_time_there_is_no_rate() -> None:
    assert np.isnan(fukuzono_rate([100.0, 101.0], 100.0, 0.002)).all()


def test_decaying_movement_never_fails() -> None:
    line = inverse_velocity_line([1.0, 2.0, 3.0], [3.0, 2.0, 1.0])
    assert line.slope > 0
    assert line.time == np.inf
    assert np.isnan(line.error)


def test_rates_that_tell_nothing_are_left_out() -> None:
    assert np.isnan(inverse_velocity([0.0, -2.0, 0.3], 0.5)).all()
    line = inverse_velocity_line([50.0, 60.0, 70.0, 80.0], [-1.0, *fukuzono_rate([60.0, 70.0, 80.0], 100.0, 0.002)])
    assert line.time == pytest.approx(100.0, abs=1e-9)


def test_the_standard_error_is_that_of_repeated_noise() -> None:
    """Scatter of t_f over 4,000 lines with noise in 1/v, against the error each line states; both within 10 %."""
    rng = np.random.default_rng(5)
    days = np.arange(60.0, 91.0, 2.0)
    inverse = 0.002 * (100.0 - days) + rng.normal(0.0, 0.001, (4000, len(days)))
    lines = [inverse_velocity_line(days, 1.0 / row) for row in inverse]
    spread = np.std([line.time for line in lines])
    assert np.median([line.error for line in lines]) == pytest.approx(spread, rel=0.1)


def test_one_point_is_no_line() -> None:
    with pytest.raises(ValueFault, match="two or more"):
        inverse_velocity_line([1.0, 2.0], [1.0, -1.0])
