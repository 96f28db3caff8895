"""Search for foot points: the place on an axis from which a point lies square to the tangent, in plan.

Coordinates here count from the start of the axis, so that large grid coordinates cost no digits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from convergence.survey.chain import Chain
from convergence.survey.elements import FloatArray
from convergence.survey.profile import Profile

END_TOLERANCE = 1.0e-6
"""A place this far beyond an end still counts as the end [m], for sums of lengths carry rounding."""

# Dense enough that the foot lies beside the nearest station, but for points high above a steep axis.
_STATION_SPACING = 5.0
_STATION_TURN = 0.1
# No unique foot point at the centre of curvature, nor this near to it (share of the radius).
_CENTRE_SHARE = 1.0e-6
# Newton's method takes three or four steps; the bound is that of halving 1000 km down to rounding.
_MOST_STEPS = 80


@dataclass(frozen=True, eq=False)
class FootSearch:
    """An axis at closely spaced stations, ready for the search; made by `foot_search`.

    Attributes
    ----------
    chain : Chain
        The axis in plan.
    distance : ndarray
        Distance of the stations from the start of the axis [m], shape (m,).
    east, north : ndarray
        Position of the stations from the start of the axis [m], shape (m,).
    heading : ndarray
        Heading there [rad], clockwise from north, shape (m,).
    tree : cKDTree
        The stations in space: east, north, elevation [m].
    """

    chain: Chain
    distance: FloatArray
    east: FloatArray
    north: FloatArray
    heading: FloatArray
    tree: cKDTree

    def locate(self, east: FloatArray, north: FloatArray, elevation: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Distance along the axis and offset of points.

        The foot point fulfils ``t . (p - r) = 0`` with the point p, the axis r and its unit tangent t, all in
        plan. It is found by Newton's method with the step ``t . (p - r) / (1 - k o)``, curvature k and offset
        o, held inside a bracket about the station nearest in space.

        Parameters
        ----------
        east, north : ndarray
            Position of the points from the start of the axis [m], finite, shape (n,).
        elevation : ndarray
            Their elevation [m], finite, shape (n,).

        Returns
        -------
        distance, offset : ndarray
            Distance of the foot point from the start of the axis and offset, + right [m], shape (n,). Both
            are nan for points beyond an end and for points at or beyond the centre of curvature.

        Notes
        -----
        Worked number: on an axis due north, the point 3 m east and 20 m north of its start has distance 20
        and offset 3 m.

        References
        ----------
        1. The step follows from the Frenet equations ``r' = t``, ``t' = k n``: the derivative of ``t . (p -
           r)`` along the axis is ``k o - 1`` (derived here; verified by the round trip through
           `Alignment.point`).
        """
        _, nearest = self.tree.query(np.column_stack((east, north, elevation)))
        station = np.asarray(nearest, dtype=np.intp)
        low, high = self._bracket(station, east, north)
        foot = np.clip(self.distance[station], low, high)
        enough = 1.0e-11 + 4.0 * np.finfo(np.float64).eps * self.chain.total_length
        active = np.flatnonzero(np.isfinite(foot))
        for _ in range(_MOST_STEPS):
            if active.size == 0:
                break
            at = foot[active]
            ahead, _, slope = self._beside(at, east[active], north[active])
            low[active] = np.where(ahead >= 0.0, at, low[active])
            high[active] = np.where(ahead <= 0.0, at, high[active])
            step = ahead / np.where(slope > _CENTRE_SHARE, slope, np.nan)
            following = at + step
            bounded = (following >= low[active]) & (following <= high[active])
            following = np.where(bounded, following, 0.5 * (low[active] + high[active]))
            foot[active] = following
            active = active[np.abs(following - at) > enough]
        ahead, offset, slope = self._beside(foot, east, north)
        unique = (slope > _CENTRE_SHARE) & (np.abs(ahead) <= END_TOLERANCE)
        return np.where(unique, foot, np.nan), np.where(unique, offset, np.nan)

    def _bracket(
        self, station: npt.NDArray[np.intp], east: FloatArray, north: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Distances about the station between which the point changes from ahead to behind; nan where it does
        not."""
        last = self.distance.size - 1
        low = np.maximum(station - 1, 0)
        high = np.minimum(station + 1, last)
        step = 1
        # A point high above a steep axis is nearest in space to a station some way from its foot point in
        # plan.
        while True:
            lower = (self._ahead(low, east, north) < 0.0) & (low > 0)
            higher = (self._ahead(high, east, north) > 0.0) & (high < last)
            if not (lower.any() or higher.any()):
                break
            low = np.where(lower, np.maximum(low - step, 0), low)
            high = np.where(higher, np.minimum(high + step, last), high)
            step *= 2
        found = (self._ahead(low, east, north) >= -END_TOLERANCE) & (self._ahead(high, east, north) <= END_TOLERANCE)
        return np.where(found, self.distance[low], np.nan), np.where(found, self.distance[high], np.nan)

    def _ahead(self, station: npt.NDArray[np.intp], east: FloatArray, north: FloatArray) -> FloatArray:
        """How far points lie ahead of stations along the plan tangent there [m]."""
        heading = self.heading[station]
        away_east, away_north = east - self.east[station], north - self.north[station]
        return np.asarray(away_east * np.sin(heading) + away_north * np.cos(heading))

    def _beside(
        self, distance: FloatArray, east: FloatArray, north: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """How far points lie ahead of and right of the axis at a distance [m], and ``1 - k o`` there."""
        axis_east, axis_north = self.chain.position_at(distance)
        heading = self.chain.heading_at(distance)
        sine, cosine = np.sin(heading), np.cos(heading)
        away_east, away_north = east - axis_east, north - axis_north
        ahead = away_east * sine + away_north * cosine
        right = away_east * cosine - away_north * sine
        return ahead, right, np.asarray(1.0 - self.chain.curvature_at(distance) * right)


def foot_search(axis: Chain, profile: Profile, start_chainage: float) -> FootSearch:
    """Prepare the search for foot points on an axis.

    Parameters
    ----------
    axis : Chain
        The axis in plan.
    profile : Profile
        Its vertical profile; nearness in space rather than in plan tells the two levels of a spiral apart.
    start_chainage : float
        Chainage where the axis begins [m], to read the profile by.

    Returns
    -------
    FootSearch
        The stations and the search over them.
    """
    distance = axis.stations(_STATION_SPACING, _STATION_TURN)
    east, north = axis.position_at(distance)
    elevation = profile.elevation_at(start_chainage + distance)
    tree = cKDTree(np.column_stack((east, north, elevation)))
    return FootSearch(axis, distance, east, north, axis.heading_at(distance), tree)
