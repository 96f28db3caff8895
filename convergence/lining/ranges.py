"""The ranges that formulas state, held: one check that they share."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, floats


def within(
    name: str,
    values: npt.ArrayLike,
    low: float = -math.inf,
    high: float = math.inf,
    unit: str = "",
    above: bool = False,
    below: bool = False,
) -> FloatArray:
    """Values as an array, refused where one lies outside its range; what is not a number passes as such.

    low <= x <= high

    Parameters
    ----------
    name : str
        What the message calls it.
    values : array_like
        The values.
    low, high : float
        Ends of the range.
    unit : str
        Unit of all of them.
    above, below : bool
        Whether a value at the low or the high end is refused too.

    Returns
    -------
    ndarray
        The values, in double precision.

    Raises
    ------
    ValueFault
        If a value lies outside.

    Examples
    --------
    >>> within("thickness", [0.2, 0.3], 0.0, 5.0, "m")
    array([0.2, 0.3])

    References
    ----------
    .. [1] Definition.
    """
    given = floats(values)
    wrong = (given <= low if above else given < low) | (given >= high if below else given > high)
    if wrong.any():
        first = float(np.ravel(given)[int(np.argmax(np.ravel(wrong)))])
        ends = [f"{'above' if above else 'not below'} {low:g}"] if low > -math.inf else []
        ends += [f"{'below' if below else 'not above'} {high:g}"] if high < math.inf else []
        size = f" {unit}" if unit else ""
        raise ValueFault(
            f"{name}: {first:g}{size}; expected {' and '.join(ends)}{size}. To mend: correct the value, or its unit."
        )
    return given


def above_zero(name: str, values: npt.ArrayLike, unit: str) -> FloatArray:
    """Values as an array, refused where one is not above 0; see `within`."""
    return within(name, values, 0.0, unit=unit, above=True)


def not_beyond(name: str, values: npt.ArrayLike, other: str, limits: npt.ArrayLike, unit: str = "") -> FloatArray:
    """Values as an array, refused where one is larger than another quantity.

    x <= y

    Parameters
    ----------
    name, other : str
        What the message calls the two.
    values, limits : array_like
        The values and what they must not pass.
    unit : str
        Unit of both.

    Returns
    -------
    ndarray
        The values, in double precision.

    Raises
    ------
    ValueFault
        If a value is larger.

    Examples
    --------
    >>> not_beyond("dilation angle", 0.1, "friction angle", 0.5, "rad")
    array(0.1)

    References
    ----------
    .. [1] Definition.
    """
    given, most = np.broadcast_arrays(floats(values), floats(limits))
    # angles turned from degrees and pressures found by iteration may be off in the last digits
    wrong = given > most * (1.0 + 1e-9) + 1e-300
    if wrong.any():
        place = int(np.argmax(np.ravel(wrong)))
        size = f" {unit}" if unit else ""
        raise ValueFault(
            f"{name}: {np.ravel(given)[place]:g}{size}; expected not above the {other}, "
            f"{np.ravel(most)[place]:g}{size}. To mend: correct one of the two, or its unit."
        )
    return floats(values)


def wall_pressure(pressure: npt.ArrayLike, stress: npt.ArrayLike) -> FloatArray:
    """Pressure on the wall as an array, refused outside 0 to the stress of the undisturbed ground, which is above 0.

    0 <= p <= p0

    Parameters
    ----------
    pressure : array_like
        Pressure p [MPa].
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.

    Returns
    -------
    ndarray
        The pressure, in double precision.

    Raises
    ------
    ValueFault
        If a value lies outside.

    Examples
    --------
    >>> wall_pressure(1.0, 3.0)
    array(1.)

    References
    ----------
    .. [1] Definition.
    """
    most = above_zero("stress of the undisturbed ground", stress, "MPa")
    # what iterations find may be off in the last digits
    slack = 1e-9 * float(np.nanmax(most)) if most.size and not np.isnan(most).all() else 0.0
    within("pressure on the wall", pressure, -slack, unit="MPa")
    return not_beyond("pressure on the wall", pressure, "stress of the undisturbed ground", most, "MPa")
