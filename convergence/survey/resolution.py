"""The smallest step of the values read: what an instrument, or an export, rounds to.

Pure arrays in, numbers out. A value rounded to a step s is off by s / sqrt(12) in the root mean square (the standard
deviation of an even distribution of width s, any text of statistics; the same after axes are turned), so no reading is
surer than that, however still the numbers stand.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from convergence.units import METRES, MILLIMETRES

Floats = npt.NDArray[np.float64]

#: Fewer different values than this tell no step.
FEWEST = 8
#: This share of the values must be whole numbers of steps, each within this share of one.
WHOLE, NEAR = 0.9, 0.02
#: Steps looked for [mm]: so many of a decimal place, in each unit a file may have.
DIGITS, PLACES, LARGEST, SMALLEST = (5.0, 2.0, 1.0), range(2, -6, -1), 20.0, 0.01
#: Values looked at; more tell no more.
MOST = 3000


def _steps() -> tuple[float, ...]:
    """Steps of a millimetre's size that values may be written to, the largest first [mm]."""
    found = {
        round(digit * 10.0**place * size, 12)
        for size in {MILLIMETRES[unit] for unit in METRES}
        for digit in DIGITS
        for place in PLACES
    }
    return tuple(sorted((step for step in found if SMALLEST <= step <= LARGEST), reverse=True))


STEPS = _steps()


def smallest_step(values: npt.ArrayLike) -> float:
    """The step that values are rounded to.

    Of the steps a decimal place may have in the units that files carry, 5, 2 or 1 of it, the largest of which nearly
    all values are whole numbers. A value counts once, however often it is read, and 0 not at all.

    Parameters
    ----------
    values : array_like
        Values as read [mm], any shape; NaN is left out.

    Returns
    -------
    float
        The step [mm]; 0 where there are too few values, or none from ``SMALLEST`` to ``LARGEST`` fits. Values of 1.0,
        3.0, 5.0, 4.0, 7.0, 11.0, 9.0 and 2.0 mm are rounded to 1 mm.
    """
    found = np.asarray(values, dtype=np.float64).ravel()
    found = found[np.isfinite(found)]
    if not len(found):
        return 0.0
    found = np.unique(found[np.linspace(0, len(found) - 1, min(len(found), MOST)).astype(np.int64)])
    found = found[np.abs(found) > 1e-9]
    if len(found) < FEWEST:
        return 0.0
    for step in STEPS:
        off = np.abs(found / step - np.round(found / step))
        # a coordinate of a million metres is known to 1e-7 mm
        if float(np.mean(off < NEAR)) >= WHOLE:
            return step
    return 0.0


def rounding(step: float) -> float:
    """Standard deviation [mm] of a value rounded to a step [mm]: s / sqrt(12); 0.29 mm for 1 mm."""
    return step / math.sqrt(12.0)
