"""What is looked at quickly before anything is worked out: it never passes over what the whole calculation finds."""

from __future__ import annotations

import gc
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from convergence.job.far_dates import far_rows
from convergence.measures import measure_section
from convergence.survey import read_job
from convergence.survey.copied_blocks import _repeats
from convergence.survey.daily import daily_differences, fit_wave, may_matter
from convergence.survey.mistyped import by_file
from convergence.survey.steps import (
    NEARLY,
    QUIET_READINGS,
    _in_quiet,
    _may_be_quiet,
    _rough_sizes,
    scatter,
    step_at,
)
from convergence.survey.swaps import _may_meet, find_swaps
from convergence.survey.sweeps import group_sweeps
from tests.bench.speed_drive import write_drive


def random_prism(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Movement with steps of all sizes, and instants with pauses and crowds."""
    rng = np.random.default_rng(seed)
    days = np.cumsum(rng.choice([0.02, 0.25, 0.5, 1.0, 4.0], 400))
    movement = rng.normal(0.0, 0.3, (400, 3)) + 1e3 + 0.2 * days[:, None]
    for at in rng.integers(10, 390, 12).tolist():
        movement[at:] += rng.normal(0.0, 1.5, 3)
    return movement, days


@pytest.mark.parametrize("seed", range(6))
def test_a_step_sized_roughly_is_as_large_as_by_least_squares(seed: int) -> None:
    movement, days = random_prism(seed)
    asked = np.arange(QUIET_READINGS, len(days) - QUIET_READINGS + 1)
    rough = _rough_sizes(movement, days, asked)
    exact = np.array([np.linalg.norm(step_at(movement, days, int(at)).size) for at in asked])
    known = np.isfinite(rough)
    assert known.mean() > 0.5
    # lstsq is good to some 1e-16 of 1e3 mm times the condition of instants minutes apart
    np.testing.assert_allclose(rough[known], exact[known], rtol=1e-7, atol=1e-7)
    scale, difference = scatter(movement), np.linalg.norm(np.diff(movement, axis=0), axis=1)
    every = np.arange(1, len(days) - 1)
    may_be = _may_be_quiet(movement, days, difference, every, scale)
    quiet = np.array([_in_quiet(movement, days, int(at), scale) for at in every])
    assert not (quiet & ~may_be).any()
    assert NEARLY < 1.0


def test_steps_in_quiet_are_among_those_looked_at() -> None:
    """The check above is not empty: a clear step between quiet readings is found by both."""
    rng = np.random.default_rng(5)
    movement = rng.normal(0.0, 0.2, (60, 3))
    movement[30:] += (0.0, 0.0, 3.0)
    days, difference = 0.5 * np.arange(60.0), np.linalg.norm(np.diff(movement, axis=0), axis=1)
    assert _in_quiet(movement, days, 30, scatter(movement))
    assert _may_be_quiet(movement, days, difference, np.array([30]), scatter(movement)).all()


@pytest.mark.parametrize("amplitude", [0.0, 0.08, 0.12, 0.5])
def test_a_daily_wave_that_is_told_is_never_passed_over(amplitude: float) -> None:
    rng = np.random.default_rng(int(100 * amplitude))
    days = 0.25 * np.arange(600.0)
    wave = amplitude * np.cos(2 * np.pi * days)[:, None] * (1.0, 0.0, -1.0)
    parts = [daily_differences(days, wave + rng.normal(0.0, 0.3, (600, 3))) for _ in range(3)]
    solution, error = fit_wave(*(np.concatenate(one) for one in zip(*parts, strict=True)))
    size = np.hypot(solution[0], solution[1])
    for least, errors in ((0.1, 4.0), (float(size.max()) * 0.999, 0.0), (0.0, float((size / error).max()) * 0.999)):
        assert may_matter(parts, least, errors) >= bool(((size > least) & (size > errors * error)).any())
    assert not may_matter(parts, 2.0, 4.0)


def test_pairs_of_prisms_that_cannot_meet_are_left_out_and_no_others() -> None:
    rng = np.random.default_rng(8)
    place = rng.normal(0.0, 0.4, (200, 4, 3)) + np.array([[0, 0, 0], [60, 0, 0], [4000, 0, 0], [0, 0, 9000]])
    place[90:110, [0, 1]] = place[90:110, [1, 0]]
    place[rng.random((200, 4)) < 0.1] = np.nan
    assert _may_meet(place, np.isfinite(place).all(axis=2)) == [(0, 1)]
    assert [(swap.one, swap.two) for swap in find_swaps(place)] == [(0, 1)]


def test_repeats_are_all_pairs_of_the_same_code() -> None:
    codes = np.random.default_rng(2).integers(0, 150, 300)
    one, two = _repeats(codes)
    wanted = {(i, j) for i, j in combinations(range(300), 2) if codes[i] == codes[j] != 0}
    assert len(one) == len(wanted)
    assert set(zip(one.tolist(), two.tolist(), strict=True)) == wanted


def test_the_order_of_files_and_lines_is_that_of_sorting() -> None:
    rng = np.random.default_rng(4)
    for lines in (400, 400_000):
        file, line = rng.integers(0, 3, 300), rng.permutation(lines)[:300]
        np.testing.assert_array_equal(by_file(file, line), np.lexsort((line, file)))
    assert not len(by_file(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)))


def test_sweeps_are_the_same_however_prisms_are_numbered() -> None:
    rng = np.random.default_rng(6)
    time = np.datetime64("2031-05-04T00:00", "ns") + np.sort(rng.integers(0, 40_000, 500)) * np.timedelta64(1, "m")
    prism = rng.integers(0, 6, 500)
    # with numbers so far apart the table of sweeps by prisms is not laid out
    np.testing.assert_array_equal(group_sweeps(time, prism), group_sweeps(time, prism * 1_000_000))


@pytest.mark.parametrize("gap", [118.0, 119.9, 120.1, 121.0, 4000.0])
def test_rows_alone_in_time_are_those_beyond_the_days_asked_for(gap: float) -> None:
    days = np.append(np.arange(0.0, 50.0, 0.25), 49.75 + gap)
    time = np.datetime64("2031-05-04T07:00", "ns") + np.round(days * 86_400).astype("timedelta64[s]")
    prism = np.arange(len(days)) % 5
    assert far_rows(time, np.zeros(len(days), dtype=np.int64), prism).tolist() == [False] * 200 + [gap > 120.0]


def test_series_are_made_once_as_long_as_somebody_has_them(tmp_path: Path) -> None:
    write_drive(tmp_path / "job", 2, 40, prisms=3)
    job = read_job(tmp_path / "job")
    first = measure_section(job, "S0000")
    again = measure_section(job, "S0000")
    assert [one is two for one, two in zip(first, again, strict=True)] == [True] * len(first)
    wanted = [(item.label, item.time.tobytes(), item.value.tobytes()) for item in first]
    first.pop()
    del again
    gc.collect()
    # one of them has gone, so all are made anew
    new = measure_section(job, "S0000")
    assert [(item.label, item.time.tobytes(), item.value.tobytes()) for item in new] == wanted
    assert not any(one is two for one, two in zip(first, new, strict=False))
