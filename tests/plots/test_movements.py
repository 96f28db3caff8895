"""Numbers behind the figures along the tunnel; the expected values are worked by hand beside each check."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.laws import FacePath
from convergence.measures.series import Series
from convergence.plots.acceleration import falling_line
from convergence.plots.movements import (
    FEWEST_FOR_BAND,
    day_at_distance,
    movement_at,
    movement_at_distance,
    movement_error,
    normal_band,
    orientation,
    unlike_others,
)
from convergence.survey.noise_model import Noise

NOISE = Noise(0.6, 0.8, 1.0)
#: The face advances 2 m a day, stands for 5 days 12 m past the section, and goes on.
PATH = FacePath(np.array([0.0, 7.0, 12.0, 20.0]), np.array([-2.0, 12.0, 12.0, 28.0]))


def series(time: np.ndarray, value: np.ndarray) -> Series:
    return Series(
        "S", 100.0, "settlement", "P", "settlement crown", time, value, np.zeros(len(time), dtype=np.int64),
        {"heading": PATH}, 12.0, 12.0, 0,
    )  # fmt: skip


def test_movement_stands_on_lines_between_readings_and_nowhere_else() -> None:
    time, value = np.array([1.0, 2.0, 4.0, 9.0]), np.array([0.0, 3.0, 5.0, 10.0])
    found = movement_at(time, value, [0.9, 1.0, 1.5, 3.0, 4.0, 6.0, 9.0, 9.1])
    # half way between 0 and 3, half way between 3 and 5 (2 days apart, which is allowed), nothing in the 5-day gap
    np.testing.assert_allclose(found, [np.nan, 0.0, 1.5, 4.0, 5.0, np.nan, 10.0, np.nan])
    assert np.isnan(movement_at(np.empty(0), np.empty(0), [1.0])).all()


def test_error_holds_the_zero_reading() -> None:
    # right at the zero reading the correlated part is shared: sqrt(2) 0.6; long after it: sqrt(2) 1.0
    np.testing.assert_allclose(movement_error(NOISE, [0.0, 1e3]), [0.6 * 2**0.5, 2**0.5])
    # one correlation time later: 2 (0.36 + 0.64 (1 - 1/e))
    assert float(movement_error(NOISE, 1.0)) == pytest.approx((2 * (0.36 + 0.64 * (1 - np.exp(-1)))) ** 0.5)


def test_face_distance_is_reached_once_and_a_stop_does_not_count() -> None:
    assert day_at_distance(PATH, 6.0) == pytest.approx(4.0)
    assert day_at_distance(PATH, 12.0) == pytest.approx(7.0), "the first instant, not the end of the stop"
    assert np.isnan(day_at_distance(PATH, 40.0))
    assert np.isnan(day_at_distance(PATH, -5.0)), "before the log began nobody knows"


def test_movement_at_a_distance_is_that_of_the_day_the_face_came_there() -> None:
    time = np.arange(2.0, 20.0, 0.5)
    own = series(time, 1.5 * (time - 2.0))
    value, error = movement_at_distance(own, 6.0, NOISE)
    assert value == pytest.approx(1.5 * (4.0 - 2.0))
    assert error == pytest.approx(float(movement_error(NOISE, 2.0)))
    # creep of the stop, days 7 to 12, is not part of the movement at 12 m
    assert movement_at_distance(own, 12.0, NOISE)[0] == pytest.approx(1.5 * 5.0)


@pytest.mark.parametrize("distance", [1.0, 40.0])
def test_no_movement_before_the_zero_reading_or_beyond_the_log(distance: float) -> None:
    time = np.arange(2.0, 20.0, 0.5)
    assert np.isnan(movement_at_distance(series(time, time - 2.0), distance, NOISE)).all()


def test_orientation_is_hidden_where_settlement_is_not_resolved() -> None:
    found = orientation([3.0, 3.0, -3.0], [4.0, 2.4, 4.0], [0.5, 0.5, 0.5])
    # 4.0 is 8 standard errors, 2.4 not even 5
    assert found.resolved.tolist() == [True, False, True]
    np.testing.assert_allclose(found.ratio, [0.75, np.nan, -0.75])
    np.testing.assert_allclose(np.rad2deg(found.angle), [36.8699, np.nan, -36.8699], atol=5e-5)
    # 0.5 sqrt(1 + 0.5625) / 4 and 0.5 / 5
    assert found.ratio_error[0] == pytest.approx(0.15625)
    assert found.angle_error[0] == pytest.approx(0.1)


def test_errors_of_ratio_and_angle_are_those_of_simulated_readings() -> None:
    generator = np.random.default_rng(4)
    along, down = 3.0 + 0.5 * generator.standard_normal(40_000), 4.0 + 0.5 * generator.standard_normal(40_000)
    found = orientation([3.0], [4.0], [0.5])
    # 40,000 draws tell a standard deviation to 0.35 %; the linear errors are right to a few hundredths
    assert float(np.std(np.arctan2(along, down))) == pytest.approx(float(found.angle_error[0]), rel=0.03)
    assert float(np.std(along / down)) == pytest.approx(float(found.ratio_error[0]), rel=0.06)


def test_a_site_has_a_band_only_with_enough_sections() -> None:
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, np.nan])
    assert np.isnan(normal_band(values)).all()
    enough = np.arange(1.0, FEWEST_FOR_BAND + 1.0)
    low, median, high = normal_band(enough, 0.9)
    assert median == pytest.approx(3.5)
    # straight between the sorted values: 5 % and 95 % of the way from 1 to 6
    assert (low, high) == (pytest.approx(1.25), pytest.approx(5.75))


def test_a_section_is_judged_by_the_others_alone() -> None:
    """Of values alike none is off the others; one that is off counts only beyond its own error, of 90 %: 1.645."""
    alike = 10.0 + np.array([0.0, 0.4, -0.3, 0.2, -0.1, 0.3, -0.4])
    assert not unlike_others(alike, np.full(7, 0.5)).any()
    values = np.append(alike, 13.0)
    # straight between the sorted others, 95 % of the way lies at 10.37
    for error, found in ((1.5, True), (1.7, False)):
        assert unlike_others(values, np.full(8, error)).tolist() == [*[False] * 7, found]
    assert not unlike_others(np.append(alike[:4], 13.0), np.full(5, 0.1)).any()
    assert not unlike_others(np.append(alike, np.nan), np.full(8, np.nan)).any()


def test_the_line_through_inverse_rates_is_that_of_weighted_least_squares() -> None:
    # 1/v has an error of 0.4 / 4 = 0.1 each; over days 0, 1, 2 the slope's is 0.1 sqrt(2) / 2
    assert falling_line(np.arange(3.0), np.full(3, 2.0), np.full(3, 0.4))[1] == pytest.approx(0.1 * 2**0.5 / 2)
    # two slow days, and four on which the movement quickens; beside numpy's own fit with the same weights
    days, speed, error = np.arange(6.0), np.array([1.3, 1.5, 2.8, 3.6, 4.8, 7.7]), np.full(6, 0.4)
    (slope, middle), covariance = np.polyfit(days, 1 / speed, 1, w=speed**2 / error, cov="unscaled")
    found, unsure, zero = falling_line(days, speed, error)
    assert found == pytest.approx(slope, rel=1e-9)
    assert unsure == pytest.approx(covariance[0, 0] ** 0.5, rel=1e-9)
    assert zero == pytest.approx(-middle / slope, rel=1e-9)
    # without weights the slow days hide what the fast ones are sure of
    assert found + 4 * unsure < 0
