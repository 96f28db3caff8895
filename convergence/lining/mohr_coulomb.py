"""Ground reaction of a circular tunnel in Mohr-Coulomb ground under equal stress, perfectly plastic, with dilation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.elastic import MILLIMETRES_A_METRE, lame_wall_movement, shear_modulus
from convergence.lining.plastic_zone import dilation_ratio, elastic_drive, strain_slope
from convergence.lining.ranges import above_zero, not_beyond, wall_pressure, within

LEAST_FRICTION = 1e-5
"""Frictionless ground is taken with this angle [rad], so that one formula holds; it changes the sixth digit."""


def mohr_coulomb_strength(cohesion: npt.ArrayLike, friction_angle: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Strength of the ground as a line in principal stresses, s1 = k s3 + scm.

    k = (1 + sin phi) / (1 - sin phi), scm = 2 c cos phi / (1 - sin phi)

    Parameters
    ----------
    cohesion : array_like
        Cohesion c [MPa], >= 0.
    friction_angle : array_like
        Friction angle phi [rad], 0 to below pi/2.

    Returns
    -------
    tuple of ndarray
        k [-] and the unconfined strength scm [MPa], in the broadcast shape of the arguments.

    Examples
    --------
    c = 1 MPa, phi = 30 degrees: k = 3, scm = 3.4641 MPa.

    References
    ----------
    .. [1] Mohr-Coulomb strength; definition.
    """
    angle = within("friction angle", friction_angle, 0.0, 0.5 * np.pi, "rad", below=True)
    friction = np.maximum(angle, LEAST_FRICTION)
    sine = np.sin(friction)
    held = within("cohesion", cohesion, 0.0, unit="MPa")
    return (1.0 + sine) / (1.0 - sine), 2.0 * held * np.cos(friction) / (1.0 - sine)


def mohr_coulomb_critical_pressure(
    stress: npt.ArrayLike, cohesion: npt.ArrayLike, friction_angle: npt.ArrayLike
) -> FloatArray:
    """Pressure on the wall below which the ground there turns plastic.

    p_cr = (2 p0 - scm) / (1 + k)

    Parameters
    ----------
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.
    cohesion : array_like
        Cohesion c [MPa], >= 0.
    friction_angle : array_like
        Friction angle phi [rad], 0 to below pi/2.

    Returns
    -------
    ndarray
        Critical pressure [MPa], in the broadcast shape of the arguments; below zero where the ground stays elastic
        without any support.

    Examples
    --------
    p0 = 7 MPa, c = 1.5 MPa, phi = 23 degrees: 2.884125 MPa.

    References
    ----------
    .. [1] M. E. Duncan Fama, 1993. From memory, verified against a numerical solution of the governing equations.
    """
    slope, strength = mohr_coulomb_strength(cohesion, friction_angle)
    return np.asarray((2.0 * above_zero("stress of the undisturbed ground", stress, "MPa") - strength) / (1.0 + slope))


def mohr_coulomb_plastic_radius(
    stress: npt.ArrayLike,
    pressure: npt.ArrayLike,
    radius: npt.ArrayLike,
    cohesion: npt.ArrayLike,
    friction_angle: npt.ArrayLike,
) -> FloatArray:
    """Outer radius of the plastic ring round the tunnel.

    Rp = R {2 [p0 (k - 1) + scm] / [(1 + k)((k - 1) p + scm)]}^(1/(k - 1))

    Parameters
    ----------
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.
    pressure : array_like
        Pressure p on the wall [MPa], 0 to p0.
    radius : array_like
        Tunnel radius R [m], > 0.
    cohesion : array_like
        Cohesion c [MPa], >= 0.
    friction_angle : array_like
        Friction angle phi [rad], 0 to below pi/2.

    Returns
    -------
    ndarray
        Plastic radius Rp [m], in the broadcast shape of the arguments; R where the ground stays elastic, infinite
        for ground without cohesion and without pressure.

    Examples
    --------
    p0 = 7 MPa, p = 0, R = 5 m, c = 1.5 MPa, phi = 23 degrees: 7.96196 m.

    References
    ----------
    .. [1] M. E. Duncan Fama, 1993. From memory, verified against a numerical solution of the governing equations.
    """
    slope, strength = mohr_coulomb_strength(cohesion, friction_angle)
    wall, size = wall_pressure(pressure, stress), above_zero("tunnel radius", radius, "m")
    far = 2.0 * (floats(stress) * (slope - 1.0) + strength)
    near = (1.0 + slope) * ((slope - 1.0) * wall + strength)
    with np.errstate(divide="ignore", over="ignore"):
        # log1p keeps the digits of nearly frictionless ground, where the ratio is close to 1
        growth = np.exp(np.log1p((far - near) / near) / (slope - 1.0))
    return np.asarray(size * np.maximum(growth, 1.0))


def mohr_coulomb_wall_movement(
    stress: npt.ArrayLike,
    pressure: npt.ArrayLike,
    radius: npt.ArrayLike,
    modulus: npt.ArrayLike,
    poisson_ratio: npt.ArrayLike,
    cohesion: npt.ArrayLike,
    friction_angle: npt.ArrayLike,
    dilation_angle: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Inward wall movement of a circular tunnel in Mohr-Coulomb ground: the ground reaction curve.

    u = (R/2G) {(2 nu - 1)(p0 + q) + (1 - nu)(k^2 - 1)/(k + K) (p + q) (Rp/R)^(k-1) (Rp/R)^(K+1)
    + [(1 - nu)(k K + 1)/(k + K) - nu](p + q)}, with q = scm / (k - 1) and K of the dilation angle

    Elastic where the pressure is above the critical one. Without dilation this equals the form of Duncan Fama.

    Parameters
    ----------
    stress : array_like
        Stress p0 of the undisturbed ground [MPa], > 0.
    pressure : array_like
        Pressure p on the wall [MPa], 0 to p0.
    radius : array_like
        Tunnel radius R [m], > 0.
    modulus : array_like
        Young's modulus of the ground [MPa], > 0.
    poisson_ratio : array_like
        Poisson's ratio nu of the ground [-], 0 to 0.5.
    cohesion : array_like
        Cohesion [MPa], >= 0.
    friction_angle : array_like
        Friction angle [rad], 0 to below pi/2.
    dilation_angle : array_like
        Dilation angle [rad], 0 to the friction angle.

    Returns
    -------
    ndarray
        Inward movement since the ground was undisturbed [mm], in the broadcast shape of the arguments; infinite
        where the plastic radius is.

    Examples
    --------
    p0 = 7 MPa, p = 0, R = 5 m, E = 1800 MPa, nu = 0.3, c = 1.5 MPa, phi = 23 degrees, no dilation: 42.65206 mm.

    References
    ----------
    .. [1] J. Salencon, 1969 (any dilation); M. E. Duncan Fama, 1993 (none). From memory, verified against a
       numerical solution of the governing equations.
    """
    slope, strength = mohr_coulomb_strength(cohesion, friction_angle)
    not_beyond("dilation angle", dilation_angle, "friction angle", friction_angle, "rad")
    flow, poisson = dilation_ratio(dilation_angle), floats(poisson_ratio)
    wall, outer = floats(pressure), floats(stress)
    spread = mohr_coulomb_plastic_radius(outer, wall, 1.0, cohesion, friction_angle)
    shift = strength / (slope - 1.0)
    with np.errstate(invalid="ignore", over="ignore"):
        grown = (1.0 - poisson) * (slope**2 - 1.0) / (slope + flow) * (wall + shift) * spread ** (slope + flow)
        local = ((1.0 - poisson) * (slope * flow + 1.0) / (slope + flow) - poisson) * (wall + shift)
        strain = ((2.0 * poisson - 1.0) * (outer + shift) + grown + local) / (2.0 * shear_modulus(modulus, poisson))
    plastic = np.where(np.isinf(spread), np.inf, MILLIMETRES_A_METRE * strain * floats(radius))
    elastic = lame_wall_movement(outer, wall, radius, modulus, poisson)
    return np.where(wall < mohr_coulomb_critical_pressure(outer, cohesion, friction_angle), plastic, elastic)


def mohr_coulomb_flexibility(
    stress: npt.ArrayLike,
    pressure: npt.ArrayLike,
    radius: npt.ArrayLike,
    modulus: npt.ArrayLike,
    poisson_ratio: npt.ArrayLike,
    cohesion: npt.ArrayLike,
    friction_angle: npt.ArrayLike,
    dilation_angle: npt.ArrayLike = 0.0,
) -> FloatArray:
    """How much the wall moves in for a little less pressure: minus the slope of the ground reaction curve.

    -du/dp = R [(1 + K) w - f] / (st - p) where plastic, and R / 2G where elastic, with w = u/R, st = k p + scm and
    f of `elastic_drive`

    Parameters
    ----------
    stress, pressure, radius, modulus, poisson_ratio, cohesion, friction_angle, dilation_angle : array_like
        As for `mohr_coulomb_wall_movement`.

    Returns
    -------
    ndarray
        Flexibility [mm/MPa], > 0, in the broadcast shape of the arguments.

    Examples
    --------
    p0 = 7 MPa, p = 5 MPa (elastic), R = 5 m, E = 1800 MPa, nu = 0.3: 1000 * 5 * 1.3 / 1800 = 3.6111 mm/MPa.

    References
    ----------
    .. [1] Derived here; the tests compare it with differences of `mohr_coulomb_wall_movement`.
    """
    slope, strength = mohr_coulomb_strength(cohesion, friction_angle)
    wall, outer, size = floats(pressure), floats(stress), floats(radius)
    moved = mohr_coulomb_wall_movement(
        outer, wall, size, modulus, poisson_ratio, cohesion, friction_angle, dilation_angle
    )
    around = slope * wall + strength
    drive = elastic_drive(wall, around, outer, modulus, poisson_ratio, dilation_angle)
    with np.errstate(invalid="ignore", divide="ignore"):
        fall = -strain_slope(wall, around, moved / (MILLIMETRES_A_METRE * size), drive, dilation_angle)
    elastic = 1.0 / (2.0 * shear_modulus(modulus, poisson_ratio))
    critical = mohr_coulomb_critical_pressure(outer, cohesion, friction_angle)
    return np.asarray(MILLIMETRES_A_METRE * size * np.where(wall < critical, fall, elastic))
