"""Plan elements of an axis: straight, arc and clothoid, and the formula for the points along them.

All three share one property: the curvature changes linearly with the length along the element. One formula,
`displacement`, therefore serves every element, with the straight (no curvature) and the arc (constant
curvature) as limits that need no case of their own.

Curvature is the reciprocal of the radius [1/m], + where the axis curves to the right looking up-chainage.
Headings are clockwise from north [rad], lengths are horizontal [m].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault

FloatArray: TypeAlias = npt.NDArray[np.float64]

MOST_TURN = 20.0 * math.pi
"""Largest turn of one element [rad], ten full circles; more can only be a slip of the unit."""

MOST_LENGTH = 1.0e6
"""Largest length of one element [m]; more can only be a slip of the unit."""

# Over a panel that turns this little, the remainder of twelve Gauss-Legendre nodes is far below rounding.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_PANEL_TURN = 1.5


@dataclass(frozen=True)
class Straight:
    """A straight element.

    Attributes
    ----------
    length : float
        Horizontal length [m], > 0.
    """

    length: float

    def __post_init__(self) -> None:
        _check_element(self.length, 0.0, 0.0, "straight")


@dataclass(frozen=True)
class Arc:
    """A circular arc.

    Attributes
    ----------
    length : float
        Horizontal length along the arc [m], > 0.
    radius : float
        Radius [m], + where the axis curves to the right, - to the left; not zero.
    """

    length: float
    radius: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.radius) and self.radius != 0.0):
            raise ValueFault(
                f"arc radius {self.radius} m: expected a finite radius other than zero, + right and - left. "
                "To mend: give the radius, or use a Straight where there is no curve."
            )
        _check_element(self.length, 1.0 / self.radius, 1.0 / self.radius, "arc")


@dataclass(frozen=True)
class Clothoid:
    """A transition whose curvature changes linearly with the length along it.

    Attributes
    ----------
    length : float
        Horizontal length along the clothoid [m], > 0.
    start_curvature : float
        Curvature where the element begins [1/m], + right; 0 where it leaves a straight.
    end_curvature : float
        Curvature where the element ends [1/m], + right; the two may be equal or differ in sign.
    """

    length: float
    start_curvature: float
    end_curvature: float

    def __post_init__(self) -> None:
        _check_element(self.length, self.start_curvature, self.end_curvature, "clothoid")


Element: TypeAlias = Straight | Arc | Clothoid


def end_curvatures(element: Element) -> tuple[float, float]:
    """Return the curvature at the start and at the end of an element.

    Parameters
    ----------
    element : Straight, Arc or Clothoid
        The element.

    Returns
    -------
    tuple of float
        Curvature at the start and at the end [1/m], + right. ``Arc(50.0, -200.0)`` gives (-0.005, -0.005).
    """
    if isinstance(element, Arc):
        return 1.0 / element.radius, 1.0 / element.radius
    if isinstance(element, Clothoid):
        return element.start_curvature, element.end_curvature
    return 0.0, 0.0


def turn(distance: npt.ArrayLike, start_curvature: npt.ArrayLike, curvature_rate: npt.ArrayLike) -> FloatArray:
    """Change of heading along an element whose curvature is linear in the length.

    ``turn = k0 s + c s^2 / 2`` with distance s, start curvature k0 and curvature rate c.

    Parameters
    ----------
    distance : array_like
        Length along the element from its start [m], any sign.
    start_curvature : array_like
        Curvature at the start [1/m], + right.
    curvature_rate : array_like
        Change of the curvature per metre [1/m^2].

    Returns
    -------
    ndarray
        Change of heading [rad], + clockwise, shape of the inputs broadcast together.

    Notes
    -----
    Worked number: a clothoid of 16 m from a straight to a radius of 9 m turns by 16 / (2 * 9) = 8/9 rad =
    50.93 degrees.

    References
    ----------
    1. Definition of the clothoid, curvature linear in the length; verified against the 50.92 degrees printed
       with A = 12, R = 9, L = 16 in GeoGebra material m/pPu6Kb3z (published; exact 50.9296, digits cut).
    """
    s = np.asarray(distance, dtype=np.float64)
    k0 = np.asarray(start_curvature, dtype=np.float64)
    c = np.asarray(curvature_rate, dtype=np.float64)
    return np.asarray(s * (k0 + 0.5 * c * s))


def displacement(
    distance: npt.ArrayLike, start_curvature: npt.ArrayLike, curvature_rate: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Position along an element whose curvature is linear in the length, in the axes of its start.

    ``forward = int_0^s cos(k0 u + c u^2 / 2) du`` and ``right = int_0^s sin(k0 u + c u^2 / 2) du`` with
    distance s, start curvature k0 and curvature rate c. Straight (k0 = c = 0) and arc (c = 0) are limits of
    the same integral.

    Parameters
    ----------
    distance : array_like
        Length along the element from its start [m], any sign.
    start_curvature : array_like
        Curvature at the start [1/m], + right.
    curvature_rate : array_like
        Change of the curvature per metre [1/m^2].

    Returns
    -------
    forward, right : ndarray
        Distance along the tangent of the start [m] and to the right of it [m], shape of the inputs broadcast
        together; nan where an input is not finite.

    Notes
    -----
    Gauss-Legendre quadrature over equal panels, each turning by 1.5 rad at the most, so that the error is
    that of rounding: some 1e-16 of the distance for every radian turned. Worked number: 100 m of clothoid
    from a straight to a radius of 300 m end 99.7225792178 m forward and 5.5445423656 m to the right.

    References
    ----------
    1. Clothoid reference points at 1 m steps, buildingSMART Railway Room, IFC-Rail-Unit-Test-Reference-Code,
       commit 4731ec5, alignment_testset/DomainExpert/HorizontalAlignment/Clothoid (published, 16 digits;
       verified against its end points to 1e-12 m).
    """
    s, k0, c = np.broadcast_arrays(
        _finite_or_nan(distance), _finite_or_nan(start_curvature), _finite_or_nan(curvature_rate)
    )
    # Along [0, s] the curvature is largest at one of the two ends.
    bound = np.abs(s) * np.maximum(np.abs(k0), np.abs(k0 + c * s))
    largest = float(np.max(bound, where=np.isfinite(bound), initial=0.0))
    panels = max(1, math.ceil(largest / _PANEL_TURN))
    # Summing the shortfall 1 - cos = 2 sin^2 of the half angle keeps straights exact and small turns sharp.
    short = np.zeros(s.shape)
    right = np.zeros(s.shape)
    for panel in range(panels):
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            along = s * ((panel + 0.5 * (1.0 + float(node))) / panels)
            angle = along * (k0 + 0.5 * c * along)
            short += weight * np.square(np.sin(0.5 * angle))
            right += weight * np.sin(angle)
    return np.asarray(s - s * short / panels), np.asarray(0.5 * s * right / panels)


def _finite_or_nan(values: npt.ArrayLike) -> FloatArray:
    """Values as floats, with nan for infinities, so that arithmetic on them stays quiet."""
    array = np.asarray(values, dtype=np.float64)
    return np.where(np.isfinite(array), array, np.nan)


def _check_element(length: float, start_curvature: float, end_curvature: float, kind: str) -> None:
    if not (math.isfinite(length) and 0.0 < length <= MOST_LENGTH):
        raise ValueFault(
            f"{kind} length {length} m: expected more than 0 and at most {MOST_LENGTH:.0f} m. "
            "To mend: give the horizontal length of the element in metres, or leave the element out."
        )
    for name, curvature in (("start", start_curvature), ("end", end_curvature)):
        if not math.isfinite(curvature):
            raise ValueFault(
                f"{kind} {name} curvature {curvature} 1/m: expected a finite number, + right and - left. "
                "To mend: give 1/radius, or 0 where the element meets a straight."
            )
    most = length * max(abs(start_curvature), abs(end_curvature))
    if most > MOST_TURN:
        raise ValueFault(
            f"{kind} of length {length} m with curvatures {start_curvature} to {end_curvature} 1/m: "
            f"length times curvature is {most:.6g} rad, expected at most {MOST_TURN:.4g} rad "
            "(ten full circles). "
            "To mend: check the units; lengths and radii are in metres, curvature is 1/radius."
        )
