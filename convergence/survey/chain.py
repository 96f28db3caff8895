"""Plan elements laid end to end: position, heading and curvature at any distance along them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.survey.elements import Element, FloatArray, displacement, end_curvatures, turn

# Below the turn at which `displacement` would split its quadrature into panels for all points at once.
_PIECE_TURN = 1.0


@dataclass(frozen=True, eq=False)
class Chain:
    """Elements laid end to end, as arrays over pieces that turn little; coordinates count from the start of
    the chain.

    Attributes
    ----------
    start, length : ndarray
        Distance along the chain where the piece begins [m], and its length [m].
    curvature, curvature_rate : ndarray
        Curvature where the piece begins [1/m], + right, and its change per metre [1/m^2].
    heading : ndarray
        Heading where the piece begins [rad], clockwise from north, not wrapped.
    east, north : ndarray
        Position where the piece begins, from the start of the chain [m].
    """

    start: FloatArray
    length: FloatArray
    curvature: FloatArray
    curvature_rate: FloatArray
    heading: FloatArray
    east: FloatArray
    north: FloatArray

    @property
    def total_length(self) -> float:
        """Length of the whole chain [m]."""
        return float(self.start[-1] + self.length[-1])

    def heading_at(self, distance: npt.ArrayLike) -> FloatArray:
        """Heading [rad], clockwise from north and not wrapped, at a distance [m] along the chain."""
        piece, along = self._piece(distance)
        change = turn(along, self.curvature[piece], self.curvature_rate[piece])
        return np.asarray(self.heading[piece] + change)

    def curvature_at(self, distance: npt.ArrayLike) -> FloatArray:
        """Curvature [1/m], + right, at a distance [m]; a joint belongs to the element that begins there."""
        piece, along = self._piece(distance)
        return np.asarray(self.curvature[piece] + self.curvature_rate[piece] * along)

    def position_at(self, distance: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Easting and northing [m] from the start of the chain, at a distance [m] along it."""
        piece, along = self._piece(distance)
        forward, right = displacement(along, self.curvature[piece], self.curvature_rate[piece])
        cosine, sine = np.cos(self.heading[piece]), np.sin(self.heading[piece])
        east = self.east[piece] + forward * sine + right * cosine
        north = self.north[piece] + forward * cosine - right * sine
        return np.asarray(east), np.asarray(north)

    def stations(self, spacing: float, most_turn: float) -> FloatArray:
        """Distances [m] along the chain, both ends and every joint among them, close enough to stand for the
        curve.

        Parameters
        ----------
        spacing : float
            Largest distance from one station to the next [m].
        most_turn : float
            Largest turn from one station to the next [rad].

        Returns
        -------
        ndarray
            Rising distances [m], shape (n,).
        """
        end_curvature = self.curvature + self.curvature_rate * self.length
        sharpest = np.maximum(np.abs(self.curvature), np.abs(end_curvature))
        steps = np.maximum(self.length / spacing, sharpest * self.length / most_turn)
        count = np.maximum(np.ceil(steps), 1.0).astype(np.int64)
        piece = np.repeat(np.arange(count.size), count)
        step = np.arange(piece.size) - np.repeat(np.cumsum(count) - count, count)
        inner = self.start[piece] + self.length[piece] * (step / count[piece])
        return np.append(inner, self.total_length)

    def _piece(self, distance: npt.ArrayLike) -> tuple[npt.NDArray[np.intp], FloatArray]:
        s = np.asarray(distance, dtype=np.float64)
        piece = np.clip(np.searchsorted(self.start, s, side="right") - 1, 0, self.start.size - 1)
        return np.asarray(piece), np.asarray(s - self.start[piece])


def chain(elements: Sequence[Element], start_azimuth: float) -> Chain:
    """Lay elements end to end with a common tangent at every joint.

    Parameters
    ----------
    elements : sequence of Straight, Arc or Clothoid
        The elements in the order of rising chainage; at least one.
    start_azimuth : float
        Heading where the first element begins [rad], clockwise from north.

    Returns
    -------
    Chain
        The pieces as arrays. ``chain([Straight(30.0), Straight(20.0)], 0.0)`` ends 50 m north of its start.

    Raises
    ------
    ValueFault
        Where there is no element.
    """
    if not elements:
        raise ValueFault(
            "alignment elements: found none, expected at least one. To mend: give a Straight, Arc or Clothoid."
        )
    counts: list[int] = []
    lengths: list[float] = []
    first: list[float] = []
    rates: list[float] = []
    for element in elements:
        start_curvature, end_curvature = end_curvatures(element)
        sharpest = max(abs(start_curvature), abs(end_curvature))
        counts.append(max(1, math.ceil(sharpest * element.length / _PIECE_TURN)))
        lengths.append(element.length)
        first.append(start_curvature)
        rates.append((end_curvature - start_curvature) / element.length)
    count = np.array(counts)
    owner = np.repeat(np.arange(count.size), count)
    step = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count)
    length = np.array(lengths)[owner] / count[owner]
    rate = np.array(rates)[owner]
    curvature = np.array(first)[owner] + rate * length * step
    # Joints of elements are summed from whole lengths, so that a chainage given as such a sum falls on the
    # joint.
    joint = np.concatenate(([0.0], np.cumsum(np.array(lengths))))
    start = joint[owner] + length * step
    heading = start_azimuth + _from_zero(turn(length, curvature, rate))
    forward, right = displacement(length, curvature, rate)
    east = _from_zero(forward * np.sin(heading) + right * np.cos(heading))
    north = _from_zero(forward * np.cos(heading) - right * np.sin(heading))
    return Chain(start, length, curvature, rate, heading, east, north)


def _from_zero(steps: FloatArray) -> FloatArray:
    """Sum of all steps before each one."""
    return np.concatenate(([0.0], np.cumsum(steps)[:-1]))
