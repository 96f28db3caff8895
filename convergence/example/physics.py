"""Movement of a tunnel wall from first principles: released stress, delayed ground, hardening lining.

The wall is described by a few modes. In each mode the ground is a linear viscoelastic body, loaded by the
stress that the approaching, passing and leaving face releases, and held back by a lining that only takes up
what moves after it was sprayed. The state is integrated through every blast; no closed curve of movement
against time or face distance is used anywhere, so that what is fitted to the record later has to find its way
by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from convergence.errors import ValueFault

FloatArray = npt.NDArray[np.float64]

# Share, centre and spread (in influence lengths) of the close and the distant part of the release.
CLOSE_PART = (0.65, 0.12, 0.50)
DISTANT_PART = (0.35, 1.20, 1.10)


def released_share(face_distance: npt.ArrayLike, influence_length: npt.ArrayLike) -> FloatArray:
    r"""Share of the stress at a section that the face has released.

    Two normal distributions summed up: the arching close to the face, and the wider redistribution behind it:
    ``s(x) = 0.65 N((x/L - 0.12)/0.50) + 0.35 N((x/L - 1.20)/1.10)``.

    Parameters
    ----------
    face_distance : array_like
        Distance of the face past the section [m], any sign.
    influence_length : array_like
        Length L [m], above 0; about half the width of the opening or more. Broadcasts with `face_distance`.

    Returns
    -------
    ndarray
        Share from 0 (face far ahead) to 1 (far past), broadcast shape. At the face, for any L: 0.3115.

    References
    ----------
    .. [1] Chosen for this example; a smooth shape with somewhat under a third released at the face (common
       practice, no source). Deliberately no shape that the toolkit fits.
    """
    ratio = np.asarray(face_distance, dtype=np.float64) / np.asarray(influence_length, dtype=np.float64)
    total = sum(share * ndtr((ratio - centre) / spread) for share, centre, spread in (CLOSE_PART, DISTANT_PART))
    return np.asarray(total, dtype=np.float64)


def released_along(face_distance: npt.ArrayLike, influence_length: npt.ArrayLike) -> FloatArray:
    r"""Load of the longitudinal mode: back towards the coming face first, up-chainage again once it has
    passed.

    ``s_a(x) = s(x) - 0.9 exp(-(x/1.1 L)^2)`` with s of `released_share`.

    Parameters
    ----------
    face_distance : array_like
        Distance of the face past the section [m], any sign.
    influence_length : array_like
        Length L [m], above 0. Broadcasts with `face_distance`.

    Returns
    -------
    ndarray
        Share, 0 far ahead and 1 far past, negative around the face: -0.5885 at it.

    References
    ----------
    .. [1] Chosen for this example (common practice, no source).
    """
    ratio = np.asarray(face_distance, dtype=np.float64) / np.asarray(influence_length, dtype=np.float64)
    return np.asarray(released_share(ratio, 1.0) - 0.9 * np.exp(-((ratio / 1.1) ** 2)), dtype=np.float64)


@dataclass(frozen=True)
class Ground:
    """Compliance of the ground in each series: an instantaneous part and a chain of delayed units.

    ``C(t) = C0 + sum_j Cj (1 - exp(-t/tau_j))``

    Attributes
    ----------
    instant : ndarray
        C0 [mm/MPa], shape (...).
    delayed : ndarray
        Cj [mm/MPa], shape (..., units).
    delays : ndarray
        tau_j [d], shape (units,).
    """

    instant: FloatArray
    delayed: FloatArray
    delays: FloatArray


@dataclass(frozen=True)
class Lining:
    """Sprayed lining of each series.

    Attributes
    ----------
    stiffness : ndarray
        Of the closed and hardened ring [MPa/mm], shape (...).
    sprayed, closed : ndarray
        Day of spraying and of ring closure [d], shape (...).
    open_share : ndarray or float
        Stiffness of the open arch relative to that of the closed ring, 0 to 1.
    hardening : float
        Time scale of hardening [d].
    """

    stiffness: FloatArray
    sprayed: FloatArray
    closed: FloatArray
    open_share: FloatArray | float
    hardening: float


def hardened_share(age: npt.ArrayLike, hardening: float) -> FloatArray:
    """Stiffness of sprayed concrete relative to the hardened one: ``1 - exp(-(age/T)^0.7)``.

    Parameters
    ----------
    age : array_like
        Age [d]; below 0 it is not there yet.
    hardening : float
        Time scale T [d], above 0.

    Returns
    -------
    ndarray
        Share from 0 to 1, shape of `age`. With T = 2.5 d: 0.0997 at 0.1 d, 0.4094 at 1 d, 0.8720 at 7 d.

    References
    ----------
    .. [1] Shape chosen for this example; hardening over the first days (common practice, no source).
    """
    grown = np.maximum(np.asarray(age, dtype=np.float64), 0.0)
    return np.asarray(-np.expm1(-((grown / hardening) ** 0.7)), dtype=np.float64)


def lining_stiffness(day: float, lining: Lining) -> FloatArray:
    """Stiffness of the lining [MPa/mm] at `day` [d]: 0 before spraying, with a jump at ring closure."""
    ring = np.where(day >= lining.closed, 1.0, lining.open_share)
    stiffness = lining.stiffness * ring * hardened_share(day - lining.sprayed, lining.hardening)
    return np.asarray(stiffness, dtype=np.float64)


def delayed_units(instant: FloatArray, creep_ratio: FloatArray, delays: FloatArray, exponent: float) -> FloatArray:
    r"""Chain of delayed units weighted as for a power law of time, cut off at both ends.

    ``Cj = C0 a tau_j^k / sum_i tau_i^k``; with delays spaced evenly in log time over many decades the
    creep grows as ``t^k``. A chain that begins late and ends early, as here, rises faster than that at first
    and ends at ``a C0``.

    Parameters
    ----------
    instant : ndarray
        C0 [mm/MPa], shape (...).
    creep_ratio : ndarray
        a, delayed over instantaneous, 0 or more, shape (...).
    delays : ndarray
        tau_j [d], above 0, shape (units,).
    exponent : float
        k, 0 to 1.

    Returns
    -------
    ndarray
        Cj [mm/MPa], shape (..., units). Two delays 1 d and 16 d, k = 0.25, C0 = 6, a = 0.5: 1.0 and 2.0.

    References
    ----------
    .. [1] Elementary; follows from the requirement that the Cj add up to a C0.
    """
    weights = delays**exponent / np.sum(delays**exponent)
    return np.asarray((instant * creep_ratio)[..., np.newaxis] * weights, dtype=np.float64)


def integrate(days: FloatArray, stress: FloatArray, ground: Ground, lining: Lining | None = None) -> FloatArray:
    r"""Movement of the wall from the history of released stress, with the lining holding back.

    State equations, for each series by itself (u movement, q released stress, p lining pressure)::

        u = C0 (q - p) + sum_j v_j                 tau_j dv_j/dt = Cj (q - p) - v_j
        dp = K(t) du                               from the spraying on; K of the age of the lining

    Over a step the net stress q - p is taken as linear in time and the delayed units are advanced exactly
    (exponential update); the lining is implicit. A step of length 0 is a blast: only the instantaneous part
    answers.

    Parameters
    ----------
    days : ndarray
        Times [d], not falling, shape (steps,); a time twice marks a jump of the stress.
    stress : ndarray
        Released stress q [MPa], shape (steps, ...).
    ground : Ground
        Compliance, broadcasting over (...).
    lining : Lining or None
        Lining, broadcasting over (...); None for bare ground.

    Returns
    -------
    ndarray
        Movement u [mm], shape (steps, ...); the first entry is the instantaneous answer to ``stress[0]``.
        Bare ground, C0 = 5, one unit of 4 with tau = 10 d, q = 2 MPa from day 0: 10.0 mm at once, 15.0570 mm
        at 10 d.

    Raises
    ------
    ValueFault
        Times fall, or their number differs from that of the stresses.

    References
    ----------
    .. [1] Boltzmann superposition with a Kelvin chain: textbook mechanics, written down from memory; the
    tests compare
       it with the closed solution for a sudden load.
    """
    if days.ndim != 1 or stress.shape[0] != days.size:
        raise ValueFault(
            f"stress has {stress.shape[0]} steps for {days.size} times; give one row of stress for each time"
        )
    lengths = np.diff(days)
    if np.any(lengths < 0):
        first = int(np.flatnonzero(lengths < 0)[0])
        raise ValueFault(
            f"days fall from {days[first]} to {days[first + 1]} at step {first + 1}; "
            "give times in order, equal for a jump"
        )
    pressure = np.zeros(stress.shape[1:])
    net = stress[0]
    units = np.zeros((*stress.shape[1:], ground.delays.size))
    moved = np.empty(stress.shape)
    moved[0] = ground.instant * net
    for step, length in enumerate(lengths, start=1):
        ratio = length / ground.delays
        decay = np.exp(-ratio)
        # Mean of the decay over the step; 1 for a step of no length, where the quotient is not defined.
        mean_decay = -np.expm1(-ratio) / ratio if length > 0 else np.ones_like(ratio)
        carried = decay * units + ground.delayed * (net[..., np.newaxis] * (mean_decay - decay))
        answer = ground.delayed * (1.0 - mean_decay)
        compliance = ground.instant + answer.sum(axis=-1)
        stiffness = np.zeros(()) if lining is None else lining_stiffness(float(days[step - 1] + 0.5 * length), lining)
        free = compliance * (stress[step] - pressure + stiffness * moved[step - 1]) + carried.sum(axis=-1)
        moved[step] = free / (1.0 + compliance * stiffness)
        pressure = pressure + stiffness * (moved[step] - moved[step - 1])
        net = stress[step] - pressure
        units = carried + answer * net[..., np.newaxis]
    return moved
