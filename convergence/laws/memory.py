"""Creep that remembers when each part of the load was released: the integral behind the hereditary law."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import factorial

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_banded

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, ascending_times, floats, positive_values
from convergence.laws.path import FacePath

DEFAULT_STEP = 0.1
"""Distance step at the face [m] of the integration; a fortieth of an influence length of 4 m."""

_SPREAD = 40.0

_TERMS = np.arange(1, 18)
_FACTORIAL = np.array([float(factorial(int(k))) for k in _TERMS])
_SIGN = np.where(_TERMS % 2 == 0, 1.0, -1.0)
_RAMP_SERIES = np.concatenate([[0.0], -_SIGN / (_FACTORIAL * (_TERMS + 1))])
_BULGE_SERIES = np.concatenate([[0.0], -_SIGN * _TERMS / (_FACTORIAL * (_TERMS + 1) * (_TERMS + 2))])


def creep_memory(
    path: FacePath,
    time: npt.ArrayLike,
    profile: Callable[[FloatArray], FloatArray],
    retardation_times: Sequence[float],
    step: float = DEFAULT_STEP,
) -> FloatArray:
    """Share of the creep that has come by each time, each part of the release aged from its own instant.

    M_i(t) = integral over s <= t of [1 - exp(-(t - s) / tau_i)] dL(x(s))

    The integral is carried from point to point over the nodes of the path, marks of face distance between
    them and the reading times. With D the length of an interval, z = D / tau, and L a parabola through the
    ends a, b and the middle c,

    M(b) = e^-z M(a) + (1 - e^-z) L(a)
           + (L(b) - L(a)) [1 - phi(z)] + (4 L(c) - 2 L(a) - 2 L(b)) [phi(z) - 2 psi(z)]

    phi(z) = (1 - e^-z) / z,   psi(z) = (phi(z) - e^-z) / z

    which is exact for a face at rest however long the interval. The marks lie `step` apart at the face and
    spread in proportion to 40 `step` + |x|, as the profile flattens. With the step a fortieth of the
    influence length of `two_sided_profile` the error of M stays below 2e-8, with a tenth below 1e-6 (measured
    against adaptive quadrature for a face that advances, stops and starts again).

    The share L(x) at the first node is taken as released at that node's instant; the memory is zero up to
    there. Begin the path with the face well ahead of the section and that share is nearly nothing.

    Parameters
    ----------
    path : FacePath
        Movement of the face.
    time : array_like, shape (n,)
        Times [days], ascending; equal times are allowed.
    profile : callable
        Share of the release L as a function of face distance [m], vectorised, rising from 0 to 1, finite on
        both sides of the face.
    retardation_times : sequence of float, length p
        Retardation times tau_i [days], > 0.
    step : float
        Distance between marks at the face [m], > 0; a fortieth of the influence length of the profile or
        less.

    Returns
    -------
    ndarray, shape (n, p)
        Memory M_i [-], from 0 to L(x(t)).

    Raises
    ------
    ValueFault
        If the times are not ascending, a retardation time or the step is not positive, or the profile is not
        finite.

    Examples
    --------
    A face that jumps from far ahead to far behind at t = 0, tau = 5 d, t = 5 d: M = 1 - 1/e = 0.632121.

    References
    ----------
    .. [1] Derived here.
    """

    def released(distance: FloatArray) -> FloatArray:
        return floats(profile(distance))[:, np.newaxis]

    return released_memory(path, time, released, retardation_times, step)[0][:, 0, :]


def released_memory(
    path: FacePath,
    time: npt.ArrayLike,
    released: Callable[[FloatArray], FloatArray],
    retardation_times: Sequence[float],
    step: float,
) -> tuple[FloatArray, FloatArray]:
    """Memory of several profiles at once over one common grid.

    The formula of `creep_memory`, with one linear solve for each retardation time and a right-hand side for
    each profile.

    Parameters
    ----------
    path : FacePath
        Movement of the face.
    time : array_like, shape (n,)
        Times [days], ascending; equal times are allowed.
    released : callable
        Takes face distances [m] of shape (k,), returns shares of the release [-] of shape (k, g).
    retardation_times : sequence of float, length p
        Retardation times tau_i [days], > 0.
    step : float
        Distance between marks at the face [m], > 0.

    Returns
    -------
    memory : ndarray, shape (n, g, p)
        Memory M_i of each profile [-].
    share : ndarray, shape (n, g)
        Share released L(x(t)) [-].

    Raises
    ------
    ValueFault
        As in `creep_memory`.

    Examples
    --------
    See `creep_memory`.

    References
    ----------
    .. [1] Derived here.
    """
    times = ascending_times(time)
    constants = positive_values("retardation times [days]", retardation_times)
    if not (np.isfinite(step) and step > 0.0):
        raise ValueFault(
            f"step [m]: {step}; expected a positive number. To mend: give a fortieth of the influence length."
        )
    share = _finite(released(path.at(times)))
    memory = np.zeros((times.size, share.shape[1], constants.size))
    opened = times >= path.time[0]
    if opened.any():
        grid_time, grid_distance, place = _grid(path, times[opened], step)
        at_marks = _finite(released(grid_distance))
        middle = _finite(released(0.5 * (grid_distance[1:] + grid_distance[:-1])))
        rise = np.diff(at_marks, axis=0)
        bulge = 4.0 * middle - 2.0 * (at_marks[1:] + at_marks[:-1])
        duration = np.diff(grid_time)
        for column, constant in enumerate(constants):
            carried = _carry(duration / constant, at_marks[:-1], rise, bulge)
            memory[opened, :, column] = carried[place]
    return memory, share


def _grid(path: FacePath, times: FloatArray, step: float) -> tuple[FloatArray, FloatArray, npt.NDArray[np.intp]]:
    """Times and distances of the points the integral is carried over, and the place of each reading there."""
    scale = _SPREAD * step
    reach = np.abs(path.distance[[0, -1]])
    counts = np.ceil(_SPREAD * np.log1p(reach / scale)).astype(int)
    # One mark falls on the face itself, where the slope of a profile may break.
    marks = np.concatenate(
        [
            -scale * np.expm1(np.arange(counts[0], 0, -1) / _SPREAD),
            scale * np.expm1(np.arange(counts[1] + 1) / _SPREAD),
        ]
    )
    marks = marks[(marks > path.distance[0]) & (marks < path.distance[-1])]
    mark_times = np.interp(marks, path.distance, path.time)
    all_times = np.concatenate([path.time, mark_times, times])
    all_distances = np.concatenate([path.distance, marks, path.at(times)])
    # Equal times sorted by distance put a reading at the instant of a jump after it, as FacePath.at does.
    order = np.lexsort((all_distances, all_times))
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    return all_times[order], all_distances[order], place[-times.size :]


def _carry(ratio: FloatArray, start: FloatArray, rise: FloatArray, bulge: FloatArray) -> FloatArray:
    """Memory at all grid points, from the recursion written as one lower bidiagonal system."""
    ramp_weight, bulge_weight = _weights(ratio)
    sides = np.zeros((ratio.size + 1, start.shape[1]))
    sides[1:] = (
        -np.expm1(-ratio)[:, np.newaxis] * start
        + ramp_weight[:, np.newaxis] * rise
        + bulge_weight[:, np.newaxis] * bulge
    )
    bands = np.ones((2, ratio.size + 1))
    bands[1, :-1] = -np.exp(-ratio)
    return np.asarray(solve_banded((1, 0), bands, sides, overwrite_ab=True, overwrite_b=True, check_finite=False))


def _weights(ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """1 - phi(z) and phi(z) - 2 psi(z); by series below one half, where the closed forms cancel."""
    small = np.minimum(ratio, 0.5)
    large = np.maximum(ratio, 0.5)
    phi = -np.expm1(-large) / large
    psi = (phi - np.exp(-large)) / large
    near = ratio < 0.5
    ramp = np.where(near, np.polynomial.polynomial.polyval(small, _RAMP_SERIES), 1.0 - phi)
    bulge = np.where(near, np.polynomial.polynomial.polyval(small, _BULGE_SERIES), phi - 2.0 * psi)
    return ramp, bulge


def _finite(share: FloatArray) -> FloatArray:
    """Shares as they are, refused if any is not finite."""
    if not np.isfinite(share).all():
        raise ValueFault(
            "profile: it is not finite at some face distance of the path; expected a share from 0 to 1 "
            "on both sides of the face. "
            "To mend: use a profile defined ahead of the face too, such as two_sided_profile."
        )
    return share
