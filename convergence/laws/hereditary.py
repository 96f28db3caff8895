"""Movement of ground that creeps from the instant each part of its load was released.

The wall of an unlined circular opening of radius R in linear elastic ground under a far-field stress p moves
by u = (p R / 2 G) L when the share L of the wall stress has been released. In linear viscoelastic ground 1/G
becomes a creep compliance J(t) = J0 [1 + sum_i m_i (1 - exp(-t / tau_i))], a spring and p Kelvin elements in
a row. The boundary condition is a stress on a fixed boundary, so the correspondence principle holds: the
elastic solution, with products of transforms in place of products, is the viscoelastic one. Products of
transforms are convolutions, so

    u(t) = (p R / 2) * integral over s <= t of J(t - s) dL(s)
         = A * integral over s <= t of [1 + sum_i m_i (1 - exp(-(t - s) / tau_i))] dL(x(s)),   A = p R J0 / 2
         = A { L(x(t)) + sum_i m_i M_i(t) },   M_i(t) = integral of (1 - exp(-(t - s) / tau_i)) dL(x(s))

Under equal far-field stress the release enters by shear alone and no assumption on volume is needed;
otherwise Poisson's ratio must be constant in time, or the ground incompressible, for A to stay one number.

Assumed: linear ground without ageing, a release that depends on the face distance only, no support that
stiffens with time. The advancing face is not a fixed boundary; putting L(x) in its place is the usual reading
of a longitudinal profile as a release and is exact only if the profile itself does not creep. Yielding
ground, support and water make A, m_i and X numbers that describe the readings rather than the ground.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, ascending_times, floats, positive_values
from convergence.laws.face_modes import exponential_modes
from convergence.laws.memory import DEFAULT_STEP, creep_memory, released_memory
from convergence.laws.path import FacePath
from convergence.laws.profiles import two_sided_profile, two_sided_slope

DEFAULT_FACE_SHARE = 0.27
"""Share released with the face at the section: the middle of 0.234 to 0.308 of the profiles, from memory."""

DEFAULT_RETARDATION_TIMES = (1.0, 6.0, 36.0, 216.0)
"""Retardation times [days], three quarters of a decade apart.

One Kelvin element spreads its creep over more than a decade of time, so elements this close leave no visible
ripple: with m_i >= 0 they follow the power creep 1 - (T/(t+T))^0.3 over 1 to 365 days within 1.2 % for T = 1
to 30 d (computed here). Creep over in hours looks instantaneous to readings a day apart; creep still to come
after a year lies past the horizon.
"""

_STEPS_PER_LENGTH = 40.0
_STEPS_PER_MODE = 8.0


def default_retardation_times() -> tuple[float, ...]:
    """Retardation times used unless others are given [days]: `DEFAULT_RETARDATION_TIMES`."""
    return DEFAULT_RETARDATION_TIMES


def hereditary_basis(
    path: FacePath,
    time: npt.ArrayLike,
    profile: Callable[[FloatArray], FloatArray],
    retardation_times: Sequence[float],
    step: float = DEFAULT_STEP,
) -> FloatArray:
    """Columns of which the hereditary movement is a linear combination.

    B = [L(x(t)), M_1(t), ..., M_p(t)],   u = A (B_0 + sum_i m_i B_i)

    Parameters
    ----------
    path : FacePath
        Movement of the face.
    time : array_like, shape (n,)
        Times [days], ascending.
    profile : callable
        Share of the release as a function of face distance [m], vectorised, finite on both sides of the face.
    retardation_times : sequence of float, length p
        Retardation times [days], > 0.
    step : float
        Distance step of the integration at the face [m]; a fortieth of the influence length of the profile
        or less.

    Returns
    -------
    ndarray, shape (n, 1 + p)
        Columns [-]: the share released, then the memory of each retardation time.

    Raises
    ------
    ValueFault
        If the times are not ascending, a retardation time or the step is not positive, or the profile is not
        finite.

    Examples
    --------
    A face that jumps from far ahead to far behind at t = 0, tau = 5 d, t = 5 d: the row (1, 0.632121).

    References
    ----------
    .. [1] Derived here, see the head of this module.
    """
    times = ascending_times(time)
    share = np.asarray(profile(path.at(times)), dtype=np.float64)
    return np.column_stack([share, creep_memory(path, times, profile, retardation_times, step)])


def hereditary_bases(
    path: FacePath,
    time: npt.ArrayLike,
    influence_lengths: npt.ArrayLike,
    face_share: float,
    retardation_times: Sequence[float],
) -> FloatArray:
    """Columns of `hereditary_basis` with `two_sided_profile`, for many influence lengths in one pass.

    Parameters
    ----------
    path : FacePath
        Movement of the face.
    time : array_like, shape (n,)
        Times [days], ascending.
    influence_lengths : array_like, shape (g,)
        Influence lengths [m], > 0. All share one integration grid, as fine as the shortest needs.
    face_share : float
        Share released with the face at the section [-], 0 to below 1.
    retardation_times : sequence of float, length p
        Retardation times [days], > 0.

    Returns
    -------
    ndarray, shape (g, n, 1 + p)
        For each influence length, the share released and the memory of each retardation time [-].

    Raises
    ------
    ValueFault
        If the times are not ascending, a length or retardation time is not positive, or the share is out of
        range.

    Examples
    --------
    ``hereditary_bases(path, time, [5.0, 10.0], 0.27, (1.0, 10.0)).shape`` is ``(2, n, 3)``.

    References
    ----------
    .. [1] Derived here, see the head of this module.
    """
    lengths = positive_values("influence lengths [m]", influence_lengths)
    _refuse_share(face_share)

    def released(distance: FloatArray) -> FloatArray:
        return two_sided_profile(distance[:, np.newaxis], lengths, face_share)

    return _columns(path, time, released, retardation_times, float(lengths.min()) / _STEPS_PER_LENGTH)


def hereditary_modes(
    path: FacePath,
    time: npt.ArrayLike,
    decay_lengths: npt.ArrayLike,
    face_share: float,
    ahead_length: float,
    retardation_times: Sequence[float],
) -> FloatArray:
    """Columns of `hereditary_basis` for each of the exponential modes of the release.

    Parameters
    ----------
    path : FacePath
        Movement of the face.
    time : array_like, shape (n,)
        Times [days], ascending.
    decay_lengths : array_like, shape (k,)
        Decay lengths behind the face [m], > 0.
    face_share : float
        Share released with the face at the section [-], 0 to below 1.
    ahead_length : float
        Decay length ahead of the face [m], > 0.
    retardation_times : sequence of float, length p
        Retardation times tau_i [days], > 0.

    Returns
    -------
    ndarray, shape (k, n, 1 + p)
        For each mode, the share released and the memory of each retardation time [-].

    Raises
    ------
    ValueFault
        If the times are not ascending, a length or retardation time is not positive, or the share is out of
        range.

    Examples
    --------
    ``hereditary_modes(path, time, [5.0, 10.0], 0.27, 5.0, (1.0, 10.0)).shape`` is ``(2, n, 3)``.

    References
    ----------
    .. [1] Derived here, see the head of this module and of `convergence.laws.face_modes`.
    """
    lengths = positive_values("decay lengths [m]", decay_lengths)
    positive_values("ahead length [m]", ahead_length)
    _refuse_share(face_share)

    def released(distance: FloatArray) -> FloatArray:
        return exponential_modes(distance, lengths, face_share, ahead_length)

    step = float(min(lengths.min(), ahead_length)) / _STEPS_PER_MODE
    return _columns(path, time, released, retardation_times, step)


def hereditary(
    path: FacePath,
    time: npt.ArrayLike,
    amplitude: float,
    influence_length: float,
    creep_ratios: npt.ArrayLike,
    face_share: float,
    retardation_times: Sequence[float],
) -> FloatArray:
    """Movement of a section whose ground creeps from the instant each part of the load was released.

    u(t) = A { L(x(t)) + sum_i m_i * integral over s <= t of [1 - exp(-(t - s) / tau_i)] dL(x(s)) }

    L is `two_sided_profile`, so the movement includes what comes ahead of the face; subtract the value at the
    zero reading to compare with readings.

    Parameters
    ----------
    path : FacePath
        Movement of the face.
    time : array_like, shape (n,)
        Times [days], ascending.
    amplitude : float
        Instantaneous movement A once the face is far, with the part ahead of the face [mm].
    influence_length : float
        Influence length X [m], > 0.
    creep_ratios : array_like, shape (p,)
        Creep of each retardation time over the instantaneous movement, m_i [-], >= 0.
    face_share : float
        Share released with the face at the section [-], 0 to below 1.
    retardation_times : sequence of float, length p
        Retardation times tau_i [days], > 0.

    Returns
    -------
    ndarray, shape (n,)
        Movement since the ground was undisturbed [mm]; the final value is A (1 + sum m_i).

    Raises
    ------
    ValueFault
        If the times are not ascending, a length or retardation time is not positive, the share is out of
        range, or there is not one creep ratio for each retardation time.

    Examples
    --------
    A face that jumps from far ahead to far behind at t = 0, A = 10 mm, m = 0.5, tau = 5 d, t = 5 d:
    10 (1 + 0.5 * 0.632121) = 13.16 mm.

    References
    ----------
    .. [1] Derived here, see the head of this module.
    """
    ratios = _matched_ratios(creep_ratios, retardation_times)
    basis = hereditary_bases(path, time, influence_length, face_share, retardation_times)[0]
    return np.asarray(amplitude * (basis[:, 0] + basis[:, 1:] @ ratios))


def hereditary_rate(
    path: FacePath,
    time: npt.ArrayLike,
    amplitude: float,
    influence_length: float,
    creep_ratios: npt.ArrayLike,
    face_share: float,
    retardation_times: Sequence[float],
) -> FloatArray:
    """Rate of the hereditary movement just after each time.

    du/dt = A { L'(x) dx/dt + sum_i m_i [L(x(t)) - M_i(t)] / tau_i }

    Parameters
    ----------
    path : FacePath
        Movement of the face.
    time : array_like, shape (n,)
        Times [days], ascending.
    amplitude : float
        Instantaneous movement A once the face is far [mm].
    influence_length : float
        Influence length X [m], > 0.
    creep_ratios : array_like, shape (p,)
        Creep of each retardation time over the instantaneous movement, m_i [-], >= 0.
    face_share : float
        Share released with the face at the section [-], 0 to below 1.
    retardation_times : sequence of float, length p
        Retardation times tau_i [days], > 0.

    Returns
    -------
    ndarray, shape (n,)
        Rate [mm/day]; zero before the first node of the path.

    Raises
    ------
    ValueFault
        As in `hereditary`.

    Examples
    --------
    A face that jumps from far ahead to far behind at t = 0, A = 10 mm, m = 0.5, tau = 5 d, t = 5 d:
    10 * 0.5 * exp(-1) / 5 = 0.368 mm/day.

    References
    ----------
    .. [1] Derived here: the derivative of the integral over t.
    """
    ratios = _matched_ratios(creep_ratios, retardation_times)
    times = ascending_times(time)
    basis = hereditary_bases(path, times, influence_length, face_share, retardation_times)[0]
    advance = two_sided_slope(path.at(times), influence_length, face_share) * path.speed(times)
    pending = np.where(times[:, np.newaxis] < path.time[0], 0.0, basis[:, :1] - basis[:, 1:])
    return np.asarray(amplitude * (advance + pending @ (ratios / floats(retardation_times))))


def _columns(
    path: FacePath,
    time: npt.ArrayLike,
    released: Callable[[FloatArray], FloatArray],
    retardation_times: Sequence[float],
    step: float,
) -> FloatArray:
    """For each of several profiles, the share released and the memory of each retardation time, (g, n, 1 + p)."""
    memory, share = released_memory(path, time, released, retardation_times, step)
    columns = np.concatenate([share[:, :, np.newaxis], memory], axis=2)
    return np.ascontiguousarray(columns.transpose(1, 0, 2))


def _matched_ratios(creep_ratios: npt.ArrayLike, retardation_times: Sequence[float]) -> FloatArray:
    """Creep ratios as an array, refused unless there is one for each retardation time."""
    ratios = np.atleast_1d(floats(creep_ratios))
    if ratios.shape != (len(retardation_times),):
        raise ValueFault(
            f"creep ratios: shape {ratios.shape}; expected {len(retardation_times)}, one for each "
            "retardation time. To mend: give as many creep ratios as retardation times."
        )
    return ratios


def _refuse_share(face_share: float) -> None:
    """Raise unless the share at the face lies from 0 to below 1."""
    if not 0.0 <= face_share < 1.0:
        raise ValueFault(
            f"face_share: {face_share}; expected 0 to below 1. "
            "To mend: give the share released at the face; published profiles have 0.23 to 0.31."
        )
