"""Thrust and moment in a closed circular lining under unequal stress, in elastic ground.

The lining is taken as put in before anything is released; for one that comes later multiply the stress by the share not
yet released. Ground and lining are elastic: take a modulus of the lining that has its ageing and creep in it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.ranges import above_zero, within


def relative_stiffness(
    radius: npt.ArrayLike,
    ground_modulus: npt.ArrayLike,
    ground_poisson_ratio: npt.ArrayLike,
    lining_modulus: npt.ArrayLike,
    lining_poisson_ratio: npt.ArrayLike,
    thickness: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Compressibility and flexibility of the lining relative to the ground.

    C* = E R (1 - nus^2) / [Es As (1 - nu^2)], F* = E R^3 (1 - nus^2) / [Es Is (1 - nu^2)],
    As = t and Is = t^3/12 for each metre of tunnel

    Parameters
    ----------
    radius : array_like
        Radius R of the lining [m], > 0.
    ground_modulus, ground_poisson_ratio : array_like
        E [MPa], > 0, and nu [-], 0 to 0.5, of the ground.
    lining_modulus, lining_poisson_ratio : array_like
        Es [MPa], > 0, and nus [-], 0 to below 0.5, of the lining.
    thickness : array_like
        Thickness t of the lining [m], > 0.

    Returns
    -------
    tuple of ndarray
        C* and F* [-]; the larger, the softer the lining.

    Examples
    --------
    R = 5 m, E = 300 MPa, nu = 0.3, Es = 25,000 MPa, nus = 0.2, t = 0.25 m: 0.25319 and 1215.2967.

    References
    ----------
    .. [1] H. H. Einstein and C. W. Schwartz, J. Geotech. Eng. Div. ASCE 105(GT4), 1979, 499-518. From memory.
    """
    size = within("radius of the lining", radius, 0.0, unit="m", above=True)
    thick = within("thickness", thickness, 0.0, unit="m", above=True)
    poisson = within("Poisson's ratio of the ground", ground_poisson_ratio, 0.0, 0.5)
    ground = above_zero("modulus of the ground", ground_modulus, "MPa") / (1.0 - poisson**2)
    concrete = within("Poisson's ratio of the lining", lining_poisson_ratio, 0.0, 0.5, below=True)
    lining = above_zero("modulus of the lining", lining_modulus, "MPa") / (1.0 - concrete**2)
    return np.asarray(ground * size / (lining * thick)), np.asarray(12.0 * ground * size**3 / (lining * thick**3))


def ring_forces_slip(
    angle: npt.ArrayLike,
    stress: npt.ArrayLike,
    stress_ratio: npt.ArrayLike,
    radius: npt.ArrayLike,
    ground_poisson_ratio: npt.ArrayLike,
    compressibility: npt.ArrayLike,
    flexibility: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Thrust and moment in a lining that slips freely along the ground.

    a0 = C* F* (1 - nu) / [C* + F* + C* F* (1 - nu)], a2 = (F* + 6)(1 - nu) / [2 F* (1 - nu) + 6 (5 - 6 nu)]

    T/(P R) = (1 + K)(1 - a0)/2 + (1 - K)(1 - 2 a2) cos 2t / 2, M/(P R^2) = (1 - K)(1 - 2 a2) cos 2t / 2

    Parameters
    ----------
    angle : array_like
        Angle t from the horizontal (springline) [rad]; the crown is at pi/2.
    stress : array_like
        Vertical stress P of the undisturbed ground [MPa], >= 0.
    stress_ratio : array_like
        Horizontal over vertical stress K [-], >= 0.
    radius : array_like
        Radius R of the lining [m], > 0.
    ground_poisson_ratio : array_like
        nu of the ground [-], 0 to 0.5.
    compressibility, flexibility : array_like
        C* and F* of `relative_stiffness` [-], > 0.

    Returns
    -------
    tuple of ndarray
        Thrust T [MN/m], + compression, and moment M [MNm/m], + where it bends the ring more (tension on the outside):
        positive at the springline for K < 1.

    Examples
    --------
    P = 1 MPa, K = 0.5 and the ring of `relative_stiffness`: T = 3.19339 and M = 0.039230 at the springline.

    References
    ----------
    .. [1] H. H. Einstein and C. W. Schwartz, 1979. From memory, verified against an independent solution (see
       `lined_movement`).
    """
    load, ratio, size = _loads(stress, stress_ratio, radius)
    poisson = within("Poisson's ratio of the ground", ground_poisson_ratio, 0.0, 0.5)
    around, bend = above_zero("compressibility", compressibility, ""), above_zero("flexibility", flexibility, "")
    free = 1.0 - poisson
    equal = around * bend * free / (around + bend + around * bend * free)
    unequal = (bend + 6.0) * free / (2.0 * bend * free + 6.0 * (5.0 - 6.0 * poisson))
    wave = 0.5 * (1.0 - ratio) * (1.0 - 2.0 * unequal) * np.cos(2.0 * floats(angle))
    thrust = load * size * (0.5 * (1.0 + ratio) * (1.0 - equal) + wave)
    return np.asarray(thrust), np.asarray(load * size**2 * wave)


def ring_forces_no_slip(
    angle: npt.ArrayLike,
    stress: npt.ArrayLike,
    stress_ratio: npt.ArrayLike,
    radius: npt.ArrayLike,
    ground_poisson_ratio: npt.ArrayLike,
    compressibility: npt.ArrayLike,
    flexibility: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Thrust and moment in a lining that is bonded to the ground.

    beta = {(6 + F*) C* (1 - nu) + 2 F* nu} / {3 F* + 3 C* + 2 C* F* (1 - nu)},
    b2 = C* (1 - nu) / {2 [C* (1 - nu) + 4 nu - 6 beta - 3 beta C* (1 - nu)]}, a2 = beta b2, a0 as with slip

    T/(P R) = (1 + K)(1 - a0)/2 + (1 - K)(1 + 2 a2) cos 2t / 2, M/(P R^2) = (1 - K)(1 - 2 a2 + 2 b2) cos 2t / 4

    Parameters
    ----------
    angle, stress, stress_ratio, radius, ground_poisson_ratio, compressibility, flexibility : array_like
        As for `ring_forces_slip`.

    Returns
    -------
    tuple of ndarray
        Thrust [MN/m] and moment [MNm/m], signs as for `ring_forces_slip`. Sprayed concrete is bonded; the truth lies
        between the two where the joint shears.

    Examples
    --------
    P = 1 MPa, K = 0.5 and the ring of `relative_stiffness`: T = 4.06212 and M = 0.033163 at the springline.

    References
    ----------
    .. [1] H. H. Einstein and C. W. Schwartz, 1979. From memory, verified against an independent solution (see
       `lined_movement`).
    """
    load, ratio, size = _loads(stress, stress_ratio, radius)
    poisson = within("Poisson's ratio of the ground", ground_poisson_ratio, 0.0, 0.5)
    around, bend = above_zero("compressibility", compressibility, ""), above_zero("flexibility", flexibility, "")
    soft = around * (1.0 - poisson)
    equal = bend * soft / (around + bend + bend * soft)
    beta = ((6.0 + bend) * soft + 2.0 * bend * poisson) / (3.0 * bend + 3.0 * around + 2.0 * bend * soft)
    shear = soft / (2.0 * (soft + 4.0 * poisson - 6.0 * beta - 3.0 * beta * soft))
    unequal = beta * shear
    wave = (1.0 - ratio) * np.cos(2.0 * floats(angle))
    thrust = load * size * (0.5 * (1.0 + ratio) * (1.0 - equal) + 0.5 * (1.0 + 2.0 * unequal) * wave)
    moment = 0.25 * load * size**2 * (1.0 - 2.0 * unequal + 2.0 * shear) * wave
    return np.asarray(thrust), np.asarray(moment)


def _loads(
    stress: npt.ArrayLike, stress_ratio: npt.ArrayLike, radius: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Vertical stress [MPa], stress ratio [-] and radius [m], each within its range."""
    return (
        within("vertical stress", stress, 0.0, unit="MPa"),
        within("stress ratio", stress_ratio, 0.0),
        above_zero("radius of the lining", radius, "m"),
    )
