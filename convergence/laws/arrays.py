"""Plain arrays of numbers, and the checks that several formulas share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault

FloatArray = npt.NDArray[np.float64]


def floats(values: npt.ArrayLike) -> FloatArray:
    """Values as an array of double precision."""
    return np.asarray(values, dtype=np.float64)


def ascending_times(time: npt.ArrayLike) -> FloatArray:
    """Times as a one-dimensional array, refused unless finite and ascending."""
    times = np.atleast_1d(floats(time))
    if times.ndim != 1 or not np.isfinite(times).all():
        raise ValueFault(
            "time [days]: expected one row of finite times. "
            "To mend: pass a one-dimensional array without missing values."
        )
    falls = np.flatnonzero(np.diff(times) < 0.0)
    if falls.size:
        place = int(falls[0])
        raise ValueFault(
            f"time [days]: {times[place + 1]} follows {times[place]}; expected ascending times. "
            "To mend: sort the times first."
        )
    return times


def positive_values(name: str, values: npt.ArrayLike) -> FloatArray:
    """Values as a one-dimensional array, refused unless there is one and all are positive and finite."""
    array = np.atleast_1d(floats(values))
    if array.ndim != 1 or array.size == 0 or not (np.isfinite(array) & (array > 0.0)).all():
        raise ValueFault(
            f"{name}: {array.tolist()}; expected one or more positive numbers. "
            "To mend: give each as a positive finite number."
        )
    return array
