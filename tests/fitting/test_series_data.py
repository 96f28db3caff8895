"""The series that every fit starts from: checked, locked, picklable."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

from convergence.errors import ValueFault
from convergence.measures.series import Series

from .conftest import STEADY, Build


def changed(series: Series, **fields: object) -> Series:
    return dataclasses.replace(series, **fields)  # type: ignore[arg-type]


@pytest.fixture(name="series")
def series_fixture(build: Build) -> Series:
    return build([1.0, 2, 3, 4], {"heading": 30.0}, {"heading": STEADY}, breaks={2.5: 100.0})


def test_repr_names_what_matters(series: Series) -> None:
    text = repr(series)
    assert "S1 | settlement crown (P1): 4 readings over 3.0 d" in text
    assert "1 break," in text
    assert "stages heading" in text
    assert "array" not in text


def test_arrays_are_copies_and_locked(series: Series) -> None:
    with pytest.raises(ValueError, match="read-only"):
        series.value[1] = 3.0
    time = np.array([1.0, 2, 3, 4])
    other = changed(series, time=time)
    time[1] = 99.0
    assert other.time[1] == 2.0


def test_pickles_and_stays_locked(series: Series) -> None:
    again = pickle.loads(pickle.dumps(series))
    np.testing.assert_array_equal(again.value, series.value)
    assert again.paths["heading"].passage() == series.paths["heading"].passage()
    assert not again.value.flags.writeable


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"time": [1.0, 3, 2, 4]}, r"time\[2\].*found 2.0 after 3.0"),
        ({"time": [1.0, 2, 3]}, "3 times, 4 values"),
        ({"time": [[1.0, 2, 3, 4]]}, "2 dimensions"),
        ({"time": ["a", "b", "c", "d"]}, "not numbers"),
        ({"value": [0.0, np.nan, 1, 2]}, r"value\[1\].*nan"),
        ({"value": [1.0, 2, 3, 4]}, r"value\[0\].*1.0 mm.*subtract"),
        ({"segment": [0, 2, 2, 2]}, "rise by 1"),
        ({"segment": [1, 1, 1, 1]}, "0 at the zero reading"),
        ({"segment": [0, 0.5, 1, 1]}, "whole numbers"),
        ({"width": 0.0}, "width.*above 0"),
        ({"base_length": np.inf}, "base_length"),
        ({"chainage": np.nan}, "chainage"),
        ({"paths": {"heading": 3}}, "FacePath"),
        ({"set_aside": -1}, "set_aside"),
    ],
)
def test_faults_are_named(series: Series, fields: dict[str, object], words: str) -> None:
    with pytest.raises(ValueFault, match=words):
        changed(series, **fields)
