"""The baselines on curves whose end is known."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.hindcasting.baselines import coupled_alone, last_rate_decays, no_more_movement
from convergence.laws import FacePath, registry
from convergence.measures.rates import Noise
from convergence.measures.series import Series

QUIET = Noise(1e-6, 0.0, 1.0)
NOISE = Noise(0.5, 0.0, 1.0)
PATH = FacePath(np.array([-10.0, 100.0]), np.array([-30.0, 300.0]))


def series(time: np.ndarray, value: np.ndarray) -> Series:
    return Series(
        "S1", 0.0, "chord", "A:B", "chord left:right", time, value - value[0], np.zeros(len(time), dtype=np.int64),
        {"full": PATH}, 10.0, 10.0, 0,
    )  # fmt: skip


def test_no_more_movement() -> None:
    """12 -+ 1.645 * sqrt(2) * 0.5 = 10.84 to 13.16 (by hand)."""
    found = no_more_movement(series(np.array([0.0, 1.0]), np.array([0.0, 12.0])), NOISE, 0.9)
    assert [found.middle, found.low, found.high] == pytest.approx([12.0, 10.837, 13.163], abs=1e-3)


def test_an_exponential_movement_is_carried_to_its_end() -> None:
    """20 (1 - exp(-t / 5)) ends at 20; only the window of the rate is between the forecast and the exact end."""
    time = np.arange(0.0, 15.01, 0.25)
    found = last_rate_decays(series(time, 20 * (1 - np.exp(-time / 5))), 1000.0, QUIET, 0.9)
    assert found.middle == pytest.approx(20.0, abs=0.15)
    # the residual about a straight line counts as noise, so the band is not nothing
    assert found.low < 20.0 < found.high
    assert found.high - found.low < 1.0


def test_a_rate_that_has_not_fallen_goes_on_for_a_while_only() -> None:
    time = np.arange(0.0, 10.01, 0.25)
    found = last_rate_decays(series(time, 2.0 * time), 1000.0, QUIET, 0.9)
    # 2 mm/day decaying over 14 days from the middle of the three days of the rate on: 20 + 2 * 14 exp(-1.5 / 14)
    assert found.middle == pytest.approx(20.0 + 28.0 * np.exp(-1.5 / 14.0), rel=1e-3)


def test_a_movement_that_has_turned_back_is_left_where_it_is() -> None:
    time = np.arange(0.0, 10.01, 0.25)
    value = np.where(time < 6.0, time, 6.0 - 0.5 * (time - 6.0))
    assert last_rate_decays(series(time, value), 100.0, NOISE, 0.9).middle == pytest.approx(4.0)


def test_one_reading_tells_no_rate() -> None:
    assert np.isnan(last_rate_decays(series(np.array([0.0]), np.array([0.0])), 9.0, NOISE, 0.9).middle)


def test_the_coupled_law_finds_a_curve_of_its_own() -> None:
    """Made by the law with seeded noise of 0.05 mm; the day asked for is far outside the readings."""
    law = registry.law("coupled")
    shape = law.complete({"amplitude": 30.0, "influence_length": 6.0, "characteristic_time": 8.0, "creep_ratio": 1.0})
    time = np.arange(0.5, 40.0, 0.25)
    moved = law.evaluate(PATH, np.append(time, 90.0), shape)
    noise = np.random.default_rng(3).normal(0.0, 0.05, len(time))
    (found,) = coupled_alone([series(time, moved[:-1] + noise)], [{"full": PATH}], [90.0], 0.9)
    truth = float(moved[-1] - moved[0])
    assert found.middle == pytest.approx(truth, rel=0.03)
    assert found.low < found.middle < found.high
    assert found.low < truth < found.high


def test_the_coupled_law_has_nothing_to_say_of_three_readings() -> None:
    (found,) = coupled_alone(
        [series(np.array([0.5, 1.0, 1.5]), np.array([0.0, 1.0, 2.0]))], [{"full": PATH}], [90.0], 0.9
    )
    assert np.isnan([found.middle, found.low, found.high]).all()
