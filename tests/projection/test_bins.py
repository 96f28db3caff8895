"""Bins: the means of their readings, the exact covariance of those means, the zero reading alone, segments apart."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from convergence.laws import FacePath
from convergence.measures.series import Series
from convergence.projection.bins import NARROWEST, SHARE, WIDEST, Bins, bin_section
from convergence.survey.noise_model import Noise

Floats = npt.NDArray[np.float64]
PATH = FacePath(np.array([0.0, 100.0]), np.array([-10.0, 190.0]))


def series(time: npt.ArrayLike, seed: int = 1, breaks: tuple[float, ...] = ()) -> Series:
    days = np.asarray(time, dtype=float)
    value = np.random.default_rng(seed).normal(size=len(days)).cumsum()
    segment = sum(((days > at).astype(np.int64) for at in breaks), np.zeros(len(days), dtype=np.int64))
    value = value - value[0] if len(days) else value
    return Series(
        "S1", 10.0, "settlement", "P", f"settlement P{seed}", days, value, segment, {"heading": PATH}, 10.0, 10.0, 0
    )  # fmt: skip


def members(item: Series, found: Bins) -> Floats:
    """Which readings each bin holds, as weights that average, from the bins' values alone: their means determine it.

    Bins follow each other, so their edges can be found by trying: the count that gives the bin's mean value.
    """
    weights = np.zeros((len(found.time), len(item.time)))
    start = 0
    for row, value in enumerate(found.value):
        for end in range(start + 1, len(item.time) + 1):
            last = row == len(found.value) - 1
            if np.isclose(item.value[start:end].mean(), value, rtol=0, atol=1e-12) and (
                not last or end == len(item.time)
            ):
                weights[row, start:end] = 1.0 / (end - start)
                start = end
                break
    assert start == len(item.time), "every reading lies in a bin"
    return weights


DAYS = np.concatenate([np.arange(0.0, 20.0, 0.25), np.arange(20.0, 150.0, 1.0)])


@pytest.mark.parametrize(
    "noise", [Noise(0.5, 0.4, 1.5), Noise(0.7, 0.0, 1.0), Noise(0.1, 0.6, 0.02), Noise(0.2, 0.5, 60.0)]
)
@pytest.mark.parametrize("breaks", [(), (7.1, 60.5)])
def test_covariance_is_that_of_the_means(noise: Noise, breaks: tuple[float, ...]) -> None:
    """W C W' with the readings' own covariance C and the averaging weights W, entry by entry."""
    item = series(DAYS + np.random.default_rng(3).uniform(0, 0.05, len(DAYS)), breaks=breaks)
    found = bin_section([item], noise)[0]
    weights = members(item, found)
    brute = weights @ noise.covariance(item.time) @ weights.T
    assert found.covariance == pytest.approx(brute, abs=1e-13)


def test_covariance_of_long_series_stays_finite() -> None:
    """Years of readings with noise of minutes: the factors of the covariance must not overflow."""
    item = series(np.arange(0.0, 2000.0, 1.0))
    found = bin_section([item], Noise(0.5, 0.3, 0.01))[0]
    assert np.isfinite(found.covariance).all()
    assert np.linalg.eigvalsh(found.covariance).min() > 0


def test_values_and_times_are_means() -> None:
    item = series(DAYS)
    found = bin_section([item], Noise(0.5, 0.4, 1.5))[0]
    weights = members(item, found)
    assert found.value == pytest.approx(weights @ item.value)
    assert found.time == pytest.approx(weights @ item.time, abs=0.012 + 0.01 * 150)
    assert (np.diff(found.time) > 0).all()


def test_the_zero_reading_stands_alone() -> None:
    item = series(DAYS)
    found = bin_section([item], Noise(0.5, 0.4, 1.5))[0]
    assert found.time[0] == item.time[0]
    assert found.value[0] == 0.0
    assert members(item, found)[0].tolist() == [1.0] + [0.0] * (len(DAYS) - 1)


def test_a_reading_minutes_after_the_zero_reading_does_not_join_it() -> None:
    item = series([0.0, 0.008, 0.016, 1.0, 2.0])
    found = bin_section([item], Noise(0.5, 0.4, 1.5))[0]
    assert found.value[0] == 0.0
    assert members(item, found)[0].tolist() == [1.0, 0.0, 0.0, 0.0, 0.0]
    assert (np.diff(found.time) > 0).all()


def test_no_bin_holds_two_segments() -> None:
    item = series(DAYS, breaks=(7.1, 60.5, 61.5))
    found = bin_section([item], Noise(0.5, 0.4, 1.5))[0]
    weights = members(item, found)
    for row, segment in zip(weights, found.segment, strict=True):
        assert set(item.segment[row > 0]) == {segment}
    assert set(found.segment) == {0, 1, 2, 3}


def test_bins_widen_with_time_and_never_too_much() -> None:
    item = series(DAYS)
    weights = members(item, bin_section([item], Noise(0.5, 0.4, 1.5))[0])
    for row in weights[1:]:
        days = item.time[row > 0]
        assert np.ptp(days) <= min(WIDEST, max(NARROWEST, SHARE * (days[0] - DAYS[0]))) + 1e-9
    assert len(weights) < len(DAYS) / 2


def test_a_section_shares_its_bins() -> None:
    """Prisms read minutes apart in a sweep get the same times, so that their bases are worked out once."""
    one, two = series(DAYS, 1), series(DAYS + 0.003, 2)
    first, second = bin_section([one, two], Noise(0.5, 0.4, 1.5))
    assert first.time[2:] == pytest.approx(second.time[2:], abs=0)


def test_a_series_that_begins_later_keeps_its_own_zero() -> None:
    one, two = series(DAYS, 1), series(DAYS[DAYS > 30], 2)
    second = bin_section([one, two], Noise(0.5, 0.4, 1.5))[1]
    assert second.value[0] == 0.0
    assert abs(second.time[0] - two.time[0]) < 0.012 + 0.01 * 30
    assert (np.diff(second.time) > 0).all()


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_readings(count: int) -> None:
    found = bin_section([series(DAYS[:count])], Noise(0.5, 0.4, 1.5))[0]
    assert len(found.time) == count
    assert found.covariance.shape == (count, count)


def test_no_readings() -> None:
    empty, full = bin_section([series([]), series(DAYS)], Noise(0.5, 0.4, 1.5))
    assert empty.time.size == empty.value.size == empty.covariance.size == 0
    assert len(full.time) > 3
    assert bin_section([series([])], Noise(0.5, 0.4, 1.5))[0].time.size == 0
