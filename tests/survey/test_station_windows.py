"""The windows of the common movement, worked out at once, are those of one reading after the other (by brute force)."""

from __future__ import annotations

import numpy as np

from convergence.survey.station import _means_between, _nearest


def test_means_between_rows_are_the_means_of_what_is_there() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(100.0, 5.0, (200, 4, 3))
    values[rng.random(values.shape) < 0.3] = np.nan
    values[50:60, 1] = np.nan
    low = rng.integers(0, 200, 300)
    high = np.minimum(low + rng.integers(0, 30, 300), 200)
    found = _means_between(values, low, high)
    for at, (one, two) in enumerate(zip(low, high, strict=True)):
        part = values[one:two]
        there = np.isfinite(part)
        count = there.sum(axis=0)
        expected = np.where(count > 0, np.where(there, part, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
        # running sums of 200 numbers of 100 lose no more than 1e-9
        np.testing.assert_allclose(found[at], expected, rtol=0.0, atol=1e-9)


def test_nearest_is_the_earlier_of_two() -> None:
    days = np.array([0.0, 1.0, 3.0, 3.0, 8.0])
    wanted = np.array([-5.0, 0.5, 0.6, 2.0, 5.5, 5.6, 20.0])
    found = days[_nearest(days, wanted)]
    np.testing.assert_array_equal(found, days[np.abs(days[None, :] - wanted[:, None]).argmin(axis=1)])
