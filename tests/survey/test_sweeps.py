"""Sweeps: readings of one array that belong together."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.survey.sweeps import PAUSE_MINUTES, group_sweeps

START = np.datetime64("2031-05-05T06:00", "ns")


def sweeps(minutes: list[float], prism: list[int]) -> list[int]:
    time = START + (np.array(minutes) * 60).astype("timedelta64[s]")
    return [int(number) for number in group_sweeps(time, np.array(prism, dtype=np.int64))]


@pytest.mark.parametrize(
    ("minutes", "prism", "expected"),
    [
        ([], [], []),
        ([0], [2], [0]),
        ([0, 1, 2, 360, 361, 362], [0, 1, 2, 0, 1, 2], [0, 0, 0, 1, 1, 1]),
        ([0, 1, 2, 360, 361], [0, 1, 2, 2, 0], [0, 0, 0, 1, 1]),
        # a pause within one sweep, and just beyond
        ([0, PAUSE_MINUTES, 2 * PAUSE_MINUTES], [0, 1, 2], [0, 0, 0]),
        ([0, PAUSE_MINUTES + 0.1], [0, 1], [0, 1]),
        # a prism read twice in a row: the second time is another sweep
        ([0, 1, 2, 3, 4], [0, 1, 1, 2, 0], [0, 0, 1, 1, 1]),
        ([0, 0, 1, 1], [0, 1, 0, 1], [0, 0, 1, 1]),
        ([0, 1, 2, 3], [0, 0, 0, 0], [0, 1, 2, 3]),
    ],
)
def test_grouping(minutes: list[float], prism: list[int], expected: list[int]) -> None:
    assert sweeps(minutes, prism) == expected


def test_no_prism_twice_in_a_sweep_whatever_comes() -> None:
    rng = np.random.default_rng(11)
    for _ in range(50):
        count = int(rng.integers(1, 60))
        minutes = np.sort(rng.uniform(0, 300, count))
        prism = rng.integers(0, 5, count)
        found = np.array(sweeps(minutes.tolist(), prism.tolist()))
        assert (np.diff(found) >= 0).all()
        assert len(set(zip(found.tolist(), prism.tolist(), strict=True))) == count
        gaps = np.diff(minutes) > PAUSE_MINUTES + 1
        assert (np.diff(found)[gaps] > 0).all()
