"""Wall movement of a circular tunnel in elastic ground: equal stress all round (Lame) and unequal (Kirsch)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.ranges import not_beyond, wall_pressure, within

MILLIMETRES_A_METRE = 1e3


def shear_modulus(modulus: npt.ArrayLike, poisson_ratio: npt.ArrayLike) -> FloatArray:
    """Shear modulus of isotropic elastic ground.

    G = E / (2 (1 + nu))

    Parameters
    ----------
    modulus : array_like
        Young's modulus E [MPa], > 0.
    poisson_ratio : array_like
        Poisson's ratio nu [-], 0 to 0.5.

    Returns
    -------
    ndarray
        Shear modulus G [MPa], in the broadcast shape of the arguments.

    Examples
    --------
    E = 2500 MPa, nu = 0.25: 1000 MPa.

    References
    ----------
    .. [1] Definition of isotropic elasticity.
    """
    stiff = within("Young's modulus", modulus, 0.0, unit="MPa", above=True)
    return stiff / (2.0 * (1.0 + within("Poisson's ratio", poisson_ratio, 0.0, 0.5)))


def lame_wall_movement(
    stress: npt.ArrayLike,
    pressure: npt.ArrayLike,
    radius: npt.ArrayLike,
    modulus: npt.ArrayLike,
    poisson_ratio: npt.ArrayLike,
) -> FloatArray:
    """Inward wall movement of a circular tunnel in elastic ground under equal stress all round.

    u = (1 + nu) (p0 - p) R / E

    Parameters
    ----------
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0, compression positive.
    pressure : array_like
        Pressure p on the wall [MPa], 0 to p0.
    radius : array_like
        Tunnel radius R [m], > 0.
    modulus : array_like
        Young's modulus E of the ground [MPa], > 0.
    poisson_ratio : array_like
        Poisson's ratio nu of the ground [-], 0 to 0.5.

    Returns
    -------
    ndarray
        Inward movement since the ground was undisturbed [mm], in the broadcast shape of the arguments.

    Examples
    --------
    p0 = 7 MPa, p = 5 MPa, R = 5 m, E = 1800 MPa, nu = 0.3: 7.22222 mm.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., eq. 6.18-6.19,
       p. 174, with K = 1. Published.
    """
    strain = (floats(stress) - wall_pressure(pressure, stress)) / (2.0 * shear_modulus(modulus, poisson_ratio))
    return MILLIMETRES_A_METRE * strain * within("tunnel radius", radius, 0.0, unit="m", above=True)


def kirsch_movement(
    angle: npt.ArrayLike,
    distance: npt.ArrayLike,
    stress: npt.ArrayLike,
    stress_ratio: npt.ArrayLike,
    radius: npt.ArrayLike,
    modulus: npt.ArrayLike,
    poisson_ratio: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Movement caused by excavating an unlined circular tunnel in elastic ground under unequal stress.

    u_r = (p a^2 / 4 G r) {(1 + K) - (1 - K) [4 (1 - nu) - a^2/r^2] cos 2t}, inward

    u_t = -(p a^2 / 4 G r) (1 - K) [2 (1 - 2 nu) + a^2/r^2] sin 2t

    The pull of gravity over the height of the tunnel is left out; the stress of the undisturbed ground is the same
    everywhere.

    Parameters
    ----------
    angle : array_like
        Angle t from the horizontal (springline) [rad], any value; the crown is at pi/2.
    distance : array_like
        Distance r from the axis [m], >= a.
    stress : array_like
        Vertical stress p of the undisturbed ground [MPa].
    stress_ratio : array_like
        Horizontal over vertical stress K [-], >= 0.
    radius : array_like
        Tunnel radius a [m], > 0.
    modulus : array_like
        Young's modulus of the ground [MPa], > 0.
    poisson_ratio : array_like
        Poisson's ratio nu of the ground [-], 0 to 0.5.

    Returns
    -------
    tuple of ndarray
        Radial movement [mm], + inward, and tangential movement [mm], + towards growing angle, in the broadcast
        shape of the arguments.

    Examples
    --------
    p = 10 MPa, K = 0.5, a = r = 5 m, G = 1000 MPa, nu = 0.25: 6.25 mm inward at the springline, 31.25 mm at the
    crown.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., eq. 6.18-6.19, p. 174.
       Published.
    """
    ratio, poisson = within("stress ratio", stress_ratio, 0.0), floats(poisson_ratio)
    hole = within("tunnel radius", radius, 0.0, unit="m", above=True)
    not_beyond("tunnel radius", hole, "distance from the axis", distance, "m")
    squared = (hole / floats(distance)) ** 2
    scale = MILLIMETRES_A_METRE * floats(stress) * hole**2 / floats(distance)
    scale = scale / (4.0 * shear_modulus(modulus, poisson))
    double = 2.0 * floats(angle)
    radial = scale * ((1.0 + ratio) - (1.0 - ratio) * (4.0 * (1.0 - poisson) - squared) * np.cos(double))
    tangential = -scale * (1.0 - ratio) * (2.0 * (1.0 - 2.0 * poisson) + squared) * np.sin(double)
    return radial, tangential


def kirsch_wall_stress(angle: npt.ArrayLike, stress: npt.ArrayLike, stress_ratio: npt.ArrayLike) -> FloatArray:
    """Tangential stress at the wall of an unlined circular tunnel in elastic ground under unequal stress.

    sigma_t = p [(1 + K) + 2 (1 - K) cos 2t]

    Parameters
    ----------
    angle : array_like
        Angle t from the horizontal [rad]; the crown is at pi/2.
    stress : array_like
        Vertical stress p of the undisturbed ground [MPa].
    stress_ratio : array_like
        Horizontal over vertical stress K [-], >= 0.

    Returns
    -------
    ndarray
        Tangential stress [MPa], + compression, in the broadcast shape of the arguments.

    Examples
    --------
    p = 7.5 MPa, K = 0.3: 20.25 MPa at the springline, -0.75 MPa (tension) at the crown.

    References
    ----------
    .. [1] B. H. G. Brady and E. T. Brown, Rock Mechanics for Underground Mining, 3rd ed., p. 174 and 214. Published.
    """
    ratio = within("stress ratio", stress_ratio, 0.0)
    return floats(stress) * ((1.0 + ratio) + 2.0 * (1.0 - ratio) * np.cos(2.0 * floats(angle)))
