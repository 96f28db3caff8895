"""Spikes and jumps: what is taken for one, and what never is."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.survey.steps import OF_NOISE, find_jumps, find_short_spells, find_spikes, scatter, step_at

NOISE = 0.7


def series(
    seed: int = 0, count: int = 60, interval: float = 0.25, noise: float = NOISE
) -> tuple[np.ndarray, np.ndarray]:
    """Readings of a settling prism with independent noise: days and movement [mm]."""
    rng = np.random.default_rng(seed)
    days = interval * np.arange(count)
    true = np.outer(1 - np.exp(-days / 5.0), (-2.0, 3.0, 25.0))
    return days, true + rng.normal(0.0, noise, (count, 3))


def test_scatter_of_independent_noise() -> None:
    """A median-based standard deviation of n independent values has a standard error of 1.17 / sqrt(n) of
    itself (large n;
    from memory): 1.5 % for 6000 values, somewhat more as neighbours share readings. 10 % is asked."""
    rng = np.random.default_rng(2)
    assert scatter(rng.normal(0.0, 0.7, (2000, 3))) == pytest.approx(0.7, rel=0.1)


def test_scatter_does_not_mind_a_few_faults() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(0.0, 0.7, (500, 3))
    values[::50] += 200.0
    assert scatter(values) == pytest.approx(0.7, rel=0.2)
    assert scatter(values[:4]) == 0.5


@pytest.mark.parametrize("size", [10.0, -14.0, 40.0])
@pytest.mark.parametrize("at", [1, 30, 58])
def test_spike_is_found_alone(size: float, at: int) -> None:
    days, values = series()
    values[at, 2] += size
    assert np.flatnonzero(find_spikes(values, days)).tolist() == [at]


def test_first_and_last_reading_are_never_judged() -> None:
    for at in (0, -1):
        days, values = series()
        values[at] += 50.0
        assert not find_spikes(values, days)[at]
        assert len(find_jumps(values, days)) == (1 if at == 0 else 0)


def test_spike_waits_for_the_reading_after_it() -> None:
    days, values = series()
    values[40, 2] += 12.0
    assert not find_spikes(values[:41], days[:41]).any()
    assert np.flatnonzero(find_spikes(values[:42], days[:42])).tolist() == [40]


@pytest.mark.parametrize("seed", range(20))
def test_clean_series_have_no_spike_and_no_jump(seed: int) -> None:
    days, values = series(seed)
    assert not find_spikes(values, days).any()
    assert find_jumps(values, days) == []


@pytest.mark.parametrize("seed", range(10))
def test_twenty_millimetres_in_three_days_are_no_fault(seed: int) -> None:
    """A genuine fast movement: twelve readings, 1.7 mm each, while the rest of the series moves 0.1 mm a
    reading.
    """
    days, values = series(seed)
    values[:, 2] += 20.0 * np.clip((days - 7.0) / 3.0, 0.0, 1.0)
    assert not find_spikes(values, days).any()
    assert find_jumps(values, days) == []


@pytest.mark.parametrize("seed", range(10))
def test_accelerating_movement_is_no_fault_to_the_last(seed: int) -> None:
    days, values = series(seed, noise=0.4)
    values[:, 2] += 60.0 * np.exp((days - days[-1]) / 1.2)
    assert not find_spikes(values, days).any()
    assert find_jumps(values, days) == []


def test_step_that_stays_is_no_spike_and_is_sized() -> None:
    """Eight readings on each side with a common slope: the step is within four of its own standard errors."""
    days, values = series(3)
    values[30:] += (-6.0, 9.0, 12.0)
    assert not find_spikes(values, days).any()
    (step,) = find_jumps(values, days)
    assert step.index == 30
    assert 0.2 < step.error < 1.2
    np.testing.assert_allclose(step.size, (-6.0, 9.0, 12.0), rtol=0, atol=4 * step.error)


def test_standard_error_of_a_step_is_true() -> None:
    """1000 simulated steps in independent noise: the spread of the estimate is what it says, to 10 %."""
    errors, sizes = [], []
    for seed in range(1000):
        rng = np.random.default_rng(seed)
        days = 0.25 * np.arange(40.0)
        values = rng.normal(0.0, NOISE, (40, 3)) + 2.0 * days[:, None]
        values[20:] += 10.0
        step = step_at(values, days, 20)
        errors.append(step.error)
        sizes.append(step.size[0])
    assert np.mean(sizes) == pytest.approx(10.0, abs=0.1)
    assert np.std(sizes) == pytest.approx(np.mean(errors), rel=0.1)


def test_step_takes_out_the_trend() -> None:
    days = 0.5 * np.arange(20.0)
    values = np.outer(days, (0.0, 0.0, 4.0))
    values[10:, 2] += 7.0
    assert step_at(values, days, 10).size[2] == pytest.approx(7.0, abs=1e-9)


def test_a_knock_of_nine_times_the_noise_is_seen() -> None:
    """3.5 mm in noise of 0.4 mm, 40 series: a limit of four millimetres saw none of them (computed)."""
    found = 0
    for seed in range(40):
        days, values = series(seed, noise=0.4)
        values[30:] += 3.5 * np.array([0.4, -0.5, 0.768])
        found += [step.index for step in find_jumps(values, days)] == [30]
    assert found >= 28


@pytest.mark.parametrize("hours", [4.0, 6.0, 8.0])
@pytest.mark.parametrize("seed", range(5))
def test_rounds_are_no_knocks(hours: float, seed: int) -> None:
    """The ground moves 3 mm when a round is taken, once a day, and rests between."""
    days, values = series(seed, count=90, interval=hours / 24.0, noise=0.3)
    values[:, 2] += 3.0 * np.floor(days + 0.4)
    assert find_jumps(values, days) == []


def test_noise_alone_stays_under_the_length_it_is_allowed() -> None:
    """99.9 % of the differences of two readings in three axes are shorter than 4.03 sqrt(2) of the noise."""
    rng = np.random.default_rng(1)
    length = np.linalg.norm(np.diff(rng.normal(0.0, 0.5, (20_000, 3)), axis=0), axis=1)
    # of 20,000 the share over the limit is known to 0.0003
    assert (length > OF_NOISE * 0.5).mean() == pytest.approx(0.001, abs=0.0009)


@pytest.mark.parametrize("index", [1, 19])
def test_step_at_the_ends_uses_what_there_is(index: int) -> None:
    days = 0.5 * np.arange(20.0)
    values = np.zeros((20, 3))
    values[index:] = 5.0
    np.testing.assert_allclose(step_at(values, days, index).size, 5.0, atol=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2, 4])
def test_short_series_are_never_judged(count: int) -> None:
    values = 100.0 * np.arange(count)[:, None] * np.ones(3)
    days = np.arange(float(count))
    assert not find_spikes(values, days).any()
    assert find_jumps(values, days) == []


def test_the_first_interval_of_a_young_section_is_no_jump() -> None:
    """A prism read from half a metre behind the face on, that moves by 5 mm to its second reading and slows down.

    With the mean of what follows taken for the level after it, its 5.3 mm became a jump of 11 mm.
    """
    days = 0.25 * np.arange(30)
    settlement = 24.0 * (1.0 - (6.0 / (6.0 + 4.0 * days)) ** 2)
    rng = np.random.default_rng(1)
    for _ in range(20):
        movement = np.column_stack([-0.1 * settlement, 0.02 * settlement, settlement]) + rng.normal(0, 0.3, (30, 3))
        assert find_jumps(movement, days) == []
        knocked = movement + np.array([0.0, 0.0, 40.0]) * (days >= days[1])[:, None]
        (step,) = find_jumps(knocked, days)
        assert step.index == 1
        # the first interval's own movement, 4 to 8 mm, cannot be told from it
        assert 38.0 < step.size[2] < 50.0


# Short spells off.


def still(seed: int, noise: float = 0.6, count: int = 80) -> tuple[np.ndarray, np.ndarray]:
    """Readings of a prism that does not move: days and movement [mm]."""
    return 0.25 * np.arange(count), np.random.default_rng(seed).normal(0.0, noise, (count, 3))


def spells_of(values: np.ndarray, days: np.ndarray) -> list[tuple[int, int]]:
    return [(first, end) for first, end, _ in find_short_spells(values, days)]


@pytest.mark.parametrize("size", [30.0, -15.0, 8.0])
@pytest.mark.parametrize("length", [2, 3, 4])
@pytest.mark.parametrize("seed", range(5))
def test_a_few_readings_off_and_back_are_a_short_spell(seed: int, length: int, size: float) -> None:
    days, values = still(seed)
    values[40 : 40 + length, 2] += size
    assert not find_spikes(values, days).any()
    ((first, end, away),) = find_short_spells(values, days)
    assert (first, end) == (40, 40 + length)
    # a reading and the line between two others: sqrt(1.5) of the noise in each axis, four times that
    np.testing.assert_allclose(away, abs(size), rtol=0, atol=4 * 0.6 * np.sqrt(1.5))


@pytest.mark.parametrize("length", [2, 3, 4])
def test_a_spell_that_has_not_come_back_for_two_readings_is_left(length: int) -> None:
    days, values = still(3)
    values[40 : 40 + length, 2] += 30.0
    for last in range(41, 40 + length + 2):
        assert spells_of(values[:last], days[:last]) == []
    assert spells_of(values[: 40 + length + 2], days[: 40 + length + 2]) == [(40, 40 + length)]


def test_one_reading_is_a_spike_and_five_are_two_jumps_of_their_own_size() -> None:
    """The second step of 30 mm was told as 40 where the window of the first reached over it."""
    days, values = still(0)
    values[40, 2] += 30.0
    assert spells_of(values, days) == []
    for length in (5, 6, 7):
        days, values = still(0)
        values[40 : 40 + length, 2] += 30.0
        assert spells_of(values, days) == []
        steps = find_jumps(values, days)
        assert [step.index for step in steps] == [40, 40 + length]
        for step, size in zip(steps, (30.0, -30.0), strict=True):
            assert step.size[2] == pytest.approx(size, abs=4 * step.error)
            assert step.error < 1.0


def test_the_middle_of_two_spells_is_no_spell() -> None:
    days, values = still(1)
    values[30:32, 1] += 20.0
    values[34:36, 1] += 20.0
    assert spells_of(values, days) == [(30, 32), (34, 36)]


@pytest.mark.parametrize("seed", range(10))
def test_movement_that_does_not_return_has_no_short_spell(seed: int) -> None:
    """A fast movement, one that accelerates, a step, rounds, a daily cycle and noise that lasts."""
    days, values = series(seed)
    rng = np.random.default_rng(seed)
    last = np.zeros((len(days), 3))
    for row in range(1, len(days)):
        last[row] = 0.8 * last[row - 1] + rng.normal(0.0, 0.6, 3)
    ground = [
        np.zeros_like(days),
        20.0 * np.clip((days - 7.0) / 3.0, 0.0, 1.0),
        60.0 * np.exp((days - days[-1]) / 1.2),
        20.0 * (days > 8.0),
        3.0 * np.floor(days + 0.4),
        1.5 * np.sin(2.0 * np.pi * days),
    ]
    for way in ground:
        moved = values + way[:, None] * np.array([0.1, -0.3, 1.0])
        assert spells_of(moved, days) == []
        assert spells_of(moved + last, days) == []


# Where the window of a step ends.


def test_a_step_is_not_sized_across_another() -> None:
    days = 0.25 * np.arange(40.0)
    values = np.outer(days, (0.5, 0.0, 2.0))
    values[20:, 2] += 30.0
    values[25:, 2] -= 20.0
    assert step_at(values, days, 20).size[2] > 33.0
    for edges in ((20, 25), (12, 25), (25,)):
        assert step_at(values, days, 20, edges).size[2] == pytest.approx(30.0, abs=1e-9)
    assert step_at(values, days, 25, (20,)).size[2] == pytest.approx(-20.0, abs=1e-9)


def test_a_step_of_few_readings_has_the_scatter_of_the_series() -> None:
    days, values = still(2, noise=1.5)
    values[40:, 2] += 30.0
    two = step_at(values, days, 40, (39, 41))
    assert two.error == pytest.approx(scatter(values) * np.sqrt(2.0))


def test_jumps_are_not_told_or_sized_across_known_breaks() -> None:
    days, values = still(4)
    values[40:] += 12.0
    values[46:] += 25.0
    (step,) = find_jumps(values, days, (46,))
    assert step.index == 40
    np.testing.assert_allclose(step.size, 12.0, rtol=0, atol=4 * step.error)
