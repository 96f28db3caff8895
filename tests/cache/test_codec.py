"""Plain data to bytes and back: the same to the last bit, and nothing else is let in."""

from __future__ import annotations

import json
import subprocess

import numpy as np
import pandas as pd
import pytest

from convergence.cache.codec import NotPlainError, decoded, encoded
from convergence.job.schema import Level
from convergence.survey.job import Job
from convergence.triggers.outlook import Outlook


def there_and_back(item: object) -> object:
    return decoded(b"".join(encoded(item)))


def test_a_whole_job_comes_back(early_job: Job) -> None:
    found = there_and_back(early_job)
    assert isinstance(found, Job)
    assert b"".join(encoded(found)) == b"".join(encoded(early_job))
    for name, array in early_job.arrays.items():
        assert array.identical(found.arrays[name])
    pd.testing.assert_frame_equal(found.raw, early_job.raw)
    pd.testing.assert_frame_equal(found.decisions, early_job.decisions)
    assert found.settings == early_job.settings
    assert found.now == early_job.now


def test_an_outlook_comes_back_and_shares_what_it_shared(early_outlook: Outlook) -> None:
    found = there_and_back(early_outlook)
    assert isinstance(found, Outlook)
    pd.testing.assert_frame_equal(found.table, early_outlook.table)
    for name, section in early_outlook.projection.sections.items():
        own = found.projection.sections[name]
        assert own.quantiles.tobytes() == section.quantiles.tobytes()
        for one, other in zip(own.series, section.series, strict=True):
            assert one.value.tobytes() == other.value.tobytes()
            assert not one.value.flags.writeable
    key = next(key for key, levels in early_outlook.levels.items() if len(levels) > 1)
    assert found.levels[key][0].trigger is found.levels[key][1].trigger


@pytest.mark.parametrize(
    "item",
    [
        float("-inf"), -0.0, 0.1 + 0.2, 10**30, "\ud800 x \x00", (1, [2.0, None], {"a": (True,)}), {(1, "b"): 2.0},
        frozenset({"b", "a"}), np.datetime64("2031-05-05T01:02:03.000000004", "ns"), np.float64(0.1),
        np.array(["a", "bcd"]), np.empty((0, 3)), np.array(7), np.array(["x", None, 1.5], dtype=object),
        np.arange(12.0).reshape(3, 4).T,
    ],
)  # fmt: skip
def test_odd_values(item: object) -> None:
    found = there_and_back(item)
    assert type(found) is type(item)
    if isinstance(item, np.ndarray):
        assert isinstance(found, np.ndarray)
        assert (found.dtype, found.shape, found.tolist()) == (item.dtype, item.shape, item.tolist())
    else:
        assert found == item
        assert isinstance(item, frozenset) or repr(found) == repr(item)


@pytest.mark.parametrize("item", [print, object(), {"a": lambda: 1}, Level, 1j, subprocess.Popen, np.array([object()])])
def test_what_is_no_plain_data_is_refused(item: object) -> None:
    with pytest.raises(NotPlainError):
        encoded(item)


@pytest.mark.parametrize(
    "head",
    [
        ["c", "subprocess", "Popen", ["args", "x"]],
        ["c", "os", "system"],
        ["c", "convergence.cli", "main"],
        ["c", "convergence.survey.job", "read_job", ["path", "x"]],
        ["c", "convergence.job.schema", "Level"],
        ["c", "convergence.job.schema", "Level", ["__class__", "x"]],
        ["a", ["|O", [1]], True],
        ["a", ["<f8", [10**9]], True],
        ["a", ["<f8", [-1]], True],
        ["r", 5],
        ["z"],
        [],
    ],
)
def test_bytes_that_name_something_else_are_refused(head: list[object]) -> None:
    text = json.dumps(head).encode()
    with pytest.raises(NotPlainError):
        decoded(len(text).to_bytes(8, "little") + text)


def test_bytes_cut_short_are_refused() -> None:
    data = b"".join(encoded((np.arange(50.0), "text")))
    for end in (0, 5, 20, len(data) - 60):
        with pytest.raises(NotPlainError):
            decoded(data[:end])
