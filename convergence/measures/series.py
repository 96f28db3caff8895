"""One measure of one section as plain numbers: what every fit, projection and trigger starts from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.path import FacePath

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Measures worked out from two prisms that are measures themselves: they repeat what their prisms say.
OF_TWO_PRISMS = ("chord", "distortion")

ZERO_TOLERANCE = 1e-9  # mm; a zero reading is a definition, not a measurement: only rounding may stand here


@dataclass(frozen=True, repr=False, eq=False)
class Series:
    """One measure of one section, ready to be fitted.

    The arrays are copied and made read-only when the series is built, and everything is checked then, so that
    whoever receives a series need not check it again. Two series are equal only if they are one object.

    Attributes
    ----------
    section : str
        Name of the section.
    chainage : float
        Chainage of the section [m].
    measure : str
        "settlement", "transverse", "longitudinal", "chord" or another measure.
    prisms : str
        "P1", or "P1:P2" for a chord.
    label : str
        Unique inside the section and the same across sections, e.g. "settlement crown".
    time : ndarray, shape (n,)
        Days since the job's epoch [d], strictly ascending, the zero reading first; empty if never read.
    value : ndarray, shape (n,)
        Movement since the zero reading [mm]; ``value[0] == 0``.
    segment : ndarray of int, shape (n,)
        0, 1, 2 ...: a new number after each break (prism replaced or knocked); each segment has an offset of
        its own.
    paths : Mapping of str to FacePath
        Stage name to how its face moved past this section, in the stage order of the job; only stages with
        a log.
    width : float
        Tunnel width [m], above 0.
    base_length : float
        What strain is referred to [m], above 0: the chord length, otherwise the tunnel width.
    set_aside : int
        Readings of this series that were set aside.
    kept_steps : float
        Sum of the undeclared jumps that the last value keeps [mm]: real movement or a knocked prism, not
        decided.

    Raises
    ------
    ValueFault
        If an array or number is not as stated above.
    """

    section: str
    chainage: float
    measure: str
    prisms: str
    label: str
    time: FloatArray
    value: FloatArray
    segment: IntArray
    paths: Mapping[str, FacePath]
    width: float
    base_length: float
    set_aside: int
    kept_steps: float = 0.0

    def __post_init__(self) -> None:
        """Copy, lock and check what was given."""
        name = f"series {self.label!r} of section {self.section!r}"
        time = _locked(self.time, "time", name)
        value = _locked(self.value, "value", name)
        segment = _segments(self.segment, name)
        object.__setattr__(self, "time", time)
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "segment", segment)
        object.__setattr__(self, "paths", dict(self.paths))
        _check_sizes(name, time, value, segment)
        if time.size:
            _check_numbers(name, time, value, segment)
        for stage, path in self.paths.items():
            if not isinstance(path, FacePath):
                found = type(path).__name__
                mend = "build it as FacePath(time, distance)"
                raise _fault(f"paths[{stage!r}]", name, found, "a FacePath", mend)
        if not math.isfinite(self.chainage):
            raise _fault("chainage", name, f"{self.chainage}", "a finite number", "give it in metres")
        for quantity, length in (("width", self.width), ("base_length", self.base_length)):
            if not (math.isfinite(length) and length > 0):
                raise _fault(quantity, name, f"{length}", "a length above 0 m", "give it in metres")
        if self.set_aside < 0:
            raise _fault("set_aside", name, f"{self.set_aside}", "a count from 0 up", "count again")

    @property
    def readings(self) -> int:
        """Number of readings, the zero reading included."""
        return int(self.time.size)

    @property
    def span(self) -> float:
        """Days from the zero reading to the last reading [d]; 0 without a reading."""
        return float(self.time[-1] - self.time[0]) if self.time.size else 0.0

    def __repr__(self) -> str:
        if not self.time.size:
            what = f"{self.section} | {self.label} ({self.prisms})"
            return f"<Series {what}: never read, {self.set_aside} set aside>"
        breaks = int(self.segment[-1])
        return (
            f"<Series {self.section} | {self.label} ({self.prisms}): {self.readings} readings over "
            f"{self.span:.1f} d, last {self.value[-1]:+.1f} mm, {breaks} break{'' if breaks == 1 else 's'}, "
            f"{self.set_aside} set aside, stages {', '.join(self.paths)}>"
        )

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Unpickle and lock the arrays again; pickling forgets that they were read-only."""
        for key, content in state.items():
            object.__setattr__(self, key, content)
        for array in (self.time, self.value, self.segment):
            array.flags.writeable = False


def _fault(quantity: str, name: str, found: str, expected: str, mend: str) -> ValueFault:
    """Word one fault of a series: what, value, expected, how to mend."""
    return ValueFault(f"{quantity} of {name}: found {found}, expected {expected}. To mend: {mend}.")


def _locked(values: npt.ArrayLike, quantity: str, name: str) -> FloatArray:
    """Copy values into a read-only one-dimensional array of numbers."""
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError) as fault:
        found = "something that is not numbers"
        raise _fault(quantity, name, found, "an array of numbers", "give one number a reading") from fault
    if array.ndim != 1:
        raise _fault(quantity, name, f"{array.ndim} dimensions", "one dimension", "give one number a reading")
    array.flags.writeable = False
    return array


def _segments(values: npt.ArrayLike, name: str) -> IntArray:
    """Copy segment numbers into a read-only array of whole numbers."""
    numbers = _locked(values, "segment", name)
    if not np.all(np.isfinite(numbers)) or np.any(numbers != np.round(numbers)):
        raise _fault("segment", name, "a broken number", "whole numbers", "number them 0, 1, 2 ...")
    segment = numbers.astype(np.int64)
    segment.flags.writeable = False
    return segment


def _check_sizes(name: str, time: FloatArray, value: FloatArray, segment: IntArray) -> None:
    """Require one value and one segment number a reading; a measure nobody has read yet has none."""
    if not time.size == value.size == segment.size:
        found = f"{time.size} times, {value.size} values and {segment.size} segment numbers"
        raise _fault("arrays", name, found, "as many of each", "give one of each a reading")


def _check_numbers(name: str, time: FloatArray, value: FloatArray, segment: IntArray) -> None:
    """Require finite ascending times, a zero reading of 0 mm and segments numbered 0, 1, 2 ... in order."""
    for quantity, array in (("time", time), ("value", value)):
        if not np.all(np.isfinite(array)):
            where = int(np.flatnonzero(~np.isfinite(array))[0])
            place = f"{quantity}[{where}]"
            raise _fault(place, name, f"{array[where]}", "a finite number", "set the reading aside")
    steps = np.diff(time)
    if np.any(steps <= 0):
        where = int(np.flatnonzero(steps <= 0)[0]) + 1
        found = f"{time[where]} after {time[where - 1]}"
        mend = "sort the readings and keep one of those at the same time"
        raise _fault(f"time[{where}]", name, found, "strictly ascending days", mend)
    if abs(value[0]) > ZERO_TOLERANCE:
        mend = "subtract the zero reading from all values"
        raise _fault("value[0]", name, f"{value[0]} mm", "0 (the zero reading)", mend)
    jumps = np.diff(segment)
    if segment[0] != 0 or np.any((jumps != 0) & (jumps != 1)):
        found = f"{segment.tolist()[:12]}"
        expected = "0 at the zero reading, then a rise by 1 at each break"
        raise _fault("segment", name, found, expected, "number the segments as 0, 1, 2 ...")
