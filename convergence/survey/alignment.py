"""Alignment of a tunnel: chainage to coordinates, back again, and movements turned into the tunnel's axes.

Chainage is the horizontal (plan) length along the axis, so the distance measured along a steep axis is longer
than the difference of chainage. Offset is horizontal and perpendicular to the plan tangent, + to the right
looking up-chainage. Height is vertical above the profile. Azimuths are clockwise from north [rad].

Every method works on arrays and returns arrays in the shape of its inputs (broadcast together). A place
outside the alignment gives nan, never an extension of the first or last element.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.survey.chain import Chain, chain
from convergence.survey.elements import Arc, Clothoid, Element, FloatArray, Straight
from convergence.survey.foot import END_TOLERANCE, FootSearch, foot_search
from convergence.survey.profile import Profile, ProfilePoint, profile_of

__all__ = ["MOST_OFFSET", "Alignment", "Arc", "Clothoid", "Element", "ProfilePoint", "Straight"]

MOST_OFFSET = 200.0
"""Largest offset that `Alignment.locate` takes as belonging to the alignment [m]."""


@dataclass(frozen=True)
class Alignment:
    """Horizontal and vertical alignment of a tunnel axis.

    Attributes
    ----------
    start_chainage : float
        Chainage where the first element begins [m].
    start_easting, start_northing : float
        Position there [m].
    start_azimuth : float
        Direction of rising chainage there [rad], clockwise from north.
    elements : tuple of Straight, Arc or Clothoid
        Plan elements in the order of rising chainage, each tangent to the one before. Curvature may jump at a
        joint.
    profile : tuple of ProfilePoint
        Points of vertical intersection in the order of rising chainage. Empty leaves the elevation at 0, one
        point is a level profile; the outer grades go on beyond the first and the last point.

    Raises
    ------
    ValueFault
        Where a start value is not finite, there is no element, or the profile is not in order.

    Examples
    --------
    >>> elements = (Straight(50.0), Arc(30.0, 100.0))
    >>> axis = Alignment(1000.0, 0.0, 0.0, 0.0, elements, (ProfilePoint(1000.0, 20.0),))
    >>> axis.end_chainage
    1080.0
    >>> [float(value) for value in axis.point(1020.0, 3.0, 1.5)]
    [3.0, 20.0, 21.5]
    """

    start_chainage: float
    start_easting: float
    start_northing: float
    start_azimuth: float
    elements: tuple[Element, ...]
    profile: tuple[ProfilePoint, ...] = ()

    def __post_init__(self) -> None:
        starts = (self.start_chainage, self.start_easting, self.start_northing, self.start_azimuth)
        for name, value in zip(("chainage", "easting", "northing", "azimuth"), starts, strict=True):
            if not math.isfinite(value):
                raise ValueFault(
                    f"alignment start {name} {value}: expected a finite number. "
                    f"To mend: give the start {name} in {'radians' if name == 'azimuth' else 'metres'}."
                )
        # Lists are taken too; as tuples the alignment stays hashable and cannot change.
        object.__setattr__(self, "elements", tuple(self.elements))
        object.__setattr__(self, "profile", tuple(self.profile))
        # Built here so that a fault in them shows when the alignment is made, not at its first use.
        _ = self._chain, self._profile

    def __getstate__(self) -> dict[str, object]:
        """State for pickling: the fields only; what is derived from them is made again where it is needed."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @property
    def end_chainage(self) -> float:
        """Chainage where the last element ends [m]."""
        return float(self.start_chainage + self._chain.total_length)

    def position(self, chainage: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Coordinates of the axis.

        Parameters
        ----------
        chainage : array_like
            Chainage [m].

        Returns
        -------
        easting, northing, elevation : ndarray
            Coordinates [m], shape of `chainage`; nan outside the alignment.

        Notes
        -----
        Worked number: an alignment that starts at the origin heading north with 100 m of clothoid from a
        straight to a radius of 300 m, right, is at E 5.5445423656 N 99.7225792178 at its end (see
        `elements.displacement` for the source).
        """
        distance = self._distance(chainage)
        east, north = self._chain.position_at(distance)
        elevation = self._profile.elevation_at(self.start_chainage + distance)
        return np.asarray(self.start_easting + east), np.asarray(self.start_northing + north), elevation

    def azimuth(self, chainage: npt.ArrayLike) -> FloatArray:
        """Direction of rising chainage in plan.

        Parameters
        ----------
        chainage : array_like
            Chainage [m].

        Returns
        -------
        ndarray
            Azimuth [rad], clockwise from north, 0 <= azimuth < 2 pi, shape of `chainage`; nan outside the
            alignment.
        """
        wrapped = np.mod(self._chain.heading_at(self._distance(chainage)), 2.0 * np.pi)
        # The remainder of a tiny negative angle rounds to the full circle itself.
        return np.asarray(np.where(wrapped >= 2.0 * np.pi, 0.0, wrapped))

    def curvature(self, chainage: npt.ArrayLike) -> FloatArray:
        """Curvature in plan, the rate of the azimuth along the chainage.

        Parameters
        ----------
        chainage : array_like
            Chainage [m]. Where the curvature jumps at a joint, the element that begins there counts.

        Returns
        -------
        ndarray
            Curvature [1/m], + where the axis curves to the right, shape of `chainage`; nan outside the
            alignment.
        """
        return self._chain.curvature_at(self._distance(chainage))

    def grade(self, chainage: npt.ArrayLike) -> FloatArray:
        """Grade of the profile, rise per metre of chainage.

        Parameters
        ----------
        chainage : array_like
            Chainage [m]. Where the grade jumps, the grade after the jump counts.

        Returns
        -------
        ndarray
            Grade [1], + rising up-chainage, shape of `chainage`; nan outside the alignment.
        """
        return self._profile.grade_at(self.start_chainage + self._distance(chainage))

    def point(
        self, chainage: npt.ArrayLike, offset: npt.ArrayLike, height: npt.ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Coordinates of points given by chainage, offset and height.

        ``E = E0 + o cos a``, ``N = N0 - o sin a``, ``Z = Z0 + h`` with offset o, height h, and the axis (E0,
        N0, Z0) and its azimuth a at the chainage.

        Parameters
        ----------
        chainage : array_like
            Chainage [m].
        offset : array_like
            Horizontal distance from the axis, perpendicular to its plan tangent [m], + right looking
            up-chainage.
        height : array_like
            Vertical distance above the profile [m].

        Returns
        -------
        easting, northing, elevation : ndarray
            Coordinates [m], shape of the inputs broadcast together; nan outside the alignment.

        Notes
        -----
        Worked number: 3 m right of and 1.5 m above an axis that runs due north through E 0 N 20 Z 20 is
        E 3 N 20 Z 21.5.
        """
        right, above = np.asarray(offset, dtype=np.float64), np.asarray(height, dtype=np.float64)
        distance, right, above = np.broadcast_arrays(self._distance(chainage), right, above)
        easting, northing, elevation = self.position(self.start_chainage + distance)
        heading = self._chain.heading_at(distance)
        return (
            np.asarray(easting + right * np.cos(heading)),
            np.asarray(northing - right * np.sin(heading)),
            np.asarray(elevation + above),
        )

    def locate(
        self, easting: npt.ArrayLike, northing: npt.ArrayLike, elevation: npt.ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Chainage, offset and height of points given by coordinates; the inverse of `point`.

        The foot point on the axis fulfils ``t . (p - r) = 0`` with the point p, the axis r and its unit
        tangent t, all in plan. Where there are several, the one near to the part of the axis nearest in space
        is taken, which tells the two levels of a spiral apart. See `foot.FootSearch.locate` for the method.

        Parameters
        ----------
        easting, northing, elevation : array_like
            Coordinates [m].

        Returns
        -------
        chainage, offset, height : ndarray
            Chainage [m], offset [m], + right, and height above the profile [m], shape of the inputs broadcast
            together. All three are nan where an input is not finite, where the nearest part of the axis is
            one of its ends and the point lies beyond it, where the offset exceeds 200 m, and at or beyond the
            centre of curvature, where the foot point is not unique.

        Notes
        -----
        The result is exact to rounding: about the last digit of the coordinates given, divided by ``1 - k
        o``. Points up to 1e-6 m beyond an end belong to the end. Worked number: on an axis due north from
        chainage 1000 at the origin, E 3 N 20 has chainage 1020 and offset 3.
        """
        east, north, up = np.broadcast_arrays(
            np.asarray(easting, dtype=np.float64) - self.start_easting,
            np.asarray(northing, dtype=np.float64) - self.start_northing,
            np.asarray(elevation, dtype=np.float64),
        )
        usable = np.isfinite(east) & np.isfinite(north) & np.isfinite(up)
        chainage = np.full(east.shape, np.nan)
        offset, height = chainage.copy(), chainage.copy()
        distance, right = self._foot_search.locate(east[usable], north[usable], up[usable])
        near = np.abs(right) <= MOST_OFFSET
        chainage[usable] = np.where(near, self.start_chainage + distance, np.nan)
        offset[usable] = np.where(near, right, np.nan)
        height[usable] = up[usable] - self._profile.elevation_at(chainage[usable])
        return chainage, offset, height

    def movement(
        self,
        chainage: npt.ArrayLike,
        d_easting: npt.ArrayLike,
        d_northing: npt.ArrayLike,
        d_elevation: npt.ArrayLike,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Movements in the local axes of the tunnel at a chainage.

        ``longitudinal = dE sin a + dN cos a``, ``transverse = dE cos a - dN sin a``, ``settlement = -dZ``
        with the azimuth a at the chainage. All three axes are horizontal or vertical; the grade does not tilt
        them.

        Parameters
        ----------
        chainage : array_like
            Chainage of the section whose axes are used [m].
        d_easting, d_northing, d_elevation : array_like
            Movement in coordinates, in any one unit of length.

        Returns
        -------
        longitudinal, transverse, settlement : ndarray
            Movement + up-chainage, + right looking up-chainage, and + down, in the unit given, shape of the
            inputs broadcast together; nan outside the alignment.

        Notes
        -----
        Worked number: where the axis runs due east, 2 mm east, 1 mm north and 3 mm down are 2 mm
        longitudinal, -1 mm transverse and 3 mm settlement.
        """
        distance, d_east, d_north, d_up = np.broadcast_arrays(
            self._distance(chainage),
            np.asarray(d_easting, dtype=np.float64),
            np.asarray(d_northing, dtype=np.float64),
            np.asarray(d_elevation, dtype=np.float64),
        )
        heading = self._chain.heading_at(distance)
        sine, cosine = np.sin(heading), np.cos(heading)
        # Adding the heading's zero carries its nan over to the settlement of places outside the alignment.
        return (
            np.asarray(d_east * sine + d_north * cosine),
            np.asarray(d_east * cosine - d_north * sine),
            np.asarray(0.0 * heading - d_up),
        )

    @cached_property
    def _chain(self) -> Chain:
        return chain(self.elements, self.start_azimuth)

    @cached_property
    def _profile(self) -> Profile:
        return profile_of(self.profile)

    @cached_property
    def _foot_search(self) -> FootSearch:
        return foot_search(self._chain, self._profile, self.start_chainage)

    def _distance(self, chainage: npt.ArrayLike) -> FloatArray:
        """Distance from the start of the alignment [m]; nan outside it."""
        distance = np.asarray(chainage, dtype=np.float64) - self.start_chainage
        total = self._chain.total_length
        inside = (distance >= -END_TOLERANCE) & (distance <= total + END_TOLERANCE)
        return np.where(inside, np.clip(distance, 0.0, total), np.nan)
