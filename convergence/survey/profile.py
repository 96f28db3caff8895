"""Vertical profile of an axis: grades between points of vertical intersection, rounded by parabolas.

Grades are rises per metre of chainage (0.02 is 2 m in 100 m), + rising up-chainage. The parabola of a
vertical curve is centred in chainage on its point of intersection, with its axis vertical, so the grade
changes linearly along it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault

FloatArray = npt.NDArray[np.float64]

# Curves that meet end to end may overlap by the rounding of their chainages.
_TOUCH = 1.0e-6


@dataclass(frozen=True)
class ProfilePoint:
    """A point of vertical intersection, where two grades meet.

    Attributes
    ----------
    chainage : float
        Chainage of the point [m].
    elevation : float
        Elevation of the point itself, where the two grades would meet without a curve [m].
    curve_length : float
        Horizontal length of the parabola centred on the point [m], >= 0; 0 leaves a sharp change of grade.
    """

    chainage: float
    elevation: float
    curve_length: float = 0.0

    def __post_init__(self) -> None:
        for name, value in (("chainage", self.chainage), ("elevation", self.elevation)):
            if not math.isfinite(value):
                raise ValueFault(
                    f"profile point {name} {value} m: expected a finite number. To mend: give the {name} in metres."
                )
        if not (math.isfinite(self.curve_length) and self.curve_length >= 0.0):
            raise ValueFault(
                f"profile point at chainage {self.chainage} m, curve length {self.curve_length} m: "
                "expected a finite number of 0 or more. "
                "To mend: give the horizontal length of the vertical curve in metres, 0 for none."
            )


@dataclass(frozen=True, eq=False)
class Profile:
    """The vertical profile as arrays over its points; made by `profile_of`.

    The grade of the first and of the last interval goes on beyond the ends. One point alone is a level
    profile; none is a profile at elevation 0.

    Attributes
    ----------
    chainage, elevation : ndarray
        The points of vertical intersection [m], shape (p,).
    curve_length : ndarray
        Lengths of the vertical curves [m], shape (p,).
    grade_before, grade_after : ndarray
        Grade on either side of each point [1], shape (p,).
    """

    chainage: FloatArray
    elevation: FloatArray
    curve_length: FloatArray
    grade_before: FloatArray
    grade_after: FloatArray

    def elevation_at(self, chainage: npt.ArrayLike) -> FloatArray:
        """Elevation of the profile.

        On the tangents ``z = z_p + g (x - x_p)``; on a vertical curve of length l about point p
        ``z = z_p + g (x - x_p) + (g2 - g1) (l/2 - |x - x_p|)^2 / (2 l)``, with g the grade g1 before and g2
        after the point. It is the parabola tangent to both grades, written as its distance from the nearer
        tangent.

        Parameters
        ----------
        chainage : array_like
            Chainage [m].

        Returns
        -------
        ndarray
            Elevation [m], shape of `chainage`; nan where the chainage is nan.

        Notes
        -----
        Worked number: grades of +0.02 and -0.03 meeting at elevation 100 m with a curve of 80 m give
        100 + (-0.05) * 80 / 8 = 99.5 m at the point of intersection.

        References
        ----------
        1. Symmetrical vertical parabola, offset (g2 - g1) l / 8 at the point of intersection: common textbook
           geometry, from memory; verified against the integral of the grade by quadrature.
        """
        point, distance, into = self._place(chainage)
        before, after, length = self.grade_before[point], self.grade_after[point], self.curve_length[point]
        tangent = self.elevation[point] + np.where(distance < 0.0, before, after) * distance
        rounding = 0.5 * (after - before) * np.square(into) / np.where(length > 0.0, length, 1.0)
        return np.asarray(tangent + rounding)

    def grade_at(self, chainage: npt.ArrayLike) -> FloatArray:
        """Grade of the profile, the derivative of its elevation.

        On the tangents the grade of the interval; on a vertical curve ``g = g1 + (g2 - g1) (x - x_p + l/2) /
        l``.

        Parameters
        ----------
        chainage : array_like
            Chainage [m]. At a point without a curve the grade after it counts.

        Returns
        -------
        ndarray
            Grade [1], + rising up-chainage, shape of `chainage`; nan where the chainage is nan.

        Notes
        -----
        Worked number: grades of +0.02 and -0.03 with a curve of 80 m give -0.005 at the point of
        intersection.

        References
        ----------
        1. As for `elevation_at`.
        """
        point, distance, into = self._place(chainage)
        before, after, length = self.grade_before[point], self.grade_after[point], self.curve_length[point]
        # Counted from the nearer end of the curve: into is zero on the tangents, which leaves their own
        # grade.
        change = (after - before) * into / np.where(length > 0.0, length, 1.0)
        return np.asarray(np.where(distance < 0.0, before + change, after - change))

    def _place(self, chainage: npt.ArrayLike) -> tuple[npt.NDArray[np.intp], FloatArray, FloatArray]:
        """Point that governs each chainage, distance past that point, and distance into its curve from the
        near end."""
        x = np.asarray(chainage, dtype=np.float64)
        # Up to the end of a point's curve that point governs; the tangent beyond is shared with the next one.
        curve_end = self.chainage + 0.5 * self.curve_length
        point = np.minimum(np.searchsorted(curve_end, x, side="right"), self.chainage.size - 1)
        distance = x - self.chainage[point]
        into = np.maximum(0.5 * self.curve_length[point] - np.abs(distance), 0.0)
        return np.asarray(point), np.asarray(distance), np.asarray(into)


def profile_of(points: Sequence[ProfilePoint]) -> Profile:
    """Make the profile through points of vertical intersection.

    Parameters
    ----------
    points : sequence of ProfilePoint
        The points in the order of rising chainage. None gives elevation 0 everywhere, one a level profile.

    Returns
    -------
    Profile
        The profile as arrays.

    Raises
    ------
    ValueFault
        Where chainages do not rise, where vertical curves overlap, or where the first or last point, which
        joins only one grade, carries a curve.
    """
    if not points:
        zero = np.zeros(1)
        return Profile(zero, zero, zero, zero, zero)
    for end, name in ((points[0], "first"), (points[-1], "last")):
        if end.curve_length > 0.0:
            raise ValueFault(
                f"profile: the {name} point, at chainage {end.chainage} m, has a curve of "
                f"{end.curve_length} m but no change of grade; expected a curve length of 0. "
                "To mend: set it to 0, or add the point beyond it."
            )
    for one, other in pairwise(points):
        if other.chainage <= one.chainage:
            raise ValueFault(
                f"profile: chainage {other.chainage} m follows {one.chainage} m; expected rising chainages. "
                "To mend: sort the points by chainage and keep one for each chainage."
            )
        overlap = 0.5 * (one.curve_length + other.curve_length) - (other.chainage - one.chainage)
        if overlap > _TOUCH:
            raise ValueFault(
                f"profile: the vertical curves about chainages {one.chainage} m ({one.curve_length} m long) "
                f"and {other.chainage} m ({other.curve_length} m long) overlap by {overlap:.6g} m; "
                "expected no overlap. To mend: shorten one of the curves or move the points apart."
            )
    chainage = np.array([point.chainage for point in points], dtype=np.float64)
    elevation = np.array([point.elevation for point in points], dtype=np.float64)
    curve_length = np.array([point.curve_length for point in points], dtype=np.float64)
    between = np.diff(elevation) / np.diff(chainage) if chainage.size > 1 else np.zeros(1)
    before = np.concatenate((between[:1], between))[: chainage.size]
    after = np.concatenate((between, between[-1:]))[: chainage.size]
    return Profile(chainage, elevation, curve_length, before, after)
